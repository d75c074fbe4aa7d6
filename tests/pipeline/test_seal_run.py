"""Bulk sealing: the same bytes wherever batches run, and nothing lost with a worker or a run."""

from __future__ import annotations

import errno
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest
from typer.testing import CliRunner

from pipeline.archive import Archive, Disk, TestFolder
from pipeline.cli import app
from pipeline.errors import CuffwattError, UsageError
from pipeline.executors import Inline, Workers, cluster, inline, own_cores, processes
from pipeline.seal_run import Batch, Done, Outcome, batches, run, seal_archive, seal_one, seal_tests
from pipeline.sealed_files import publish_hidden
from pipeline.verify import verify

FILES = ("samples", "stages", "readings", "flags", "summary")
TESTS = 10
Contents = dict[tuple[str, str, str], bytes]


@pytest.fixture(scope="module")
def written(
    tmp_path_factory: pytest.TempPathFactory,
    short_test: Callable[..., Any],
    timed_events: Callable[..., Any],
    numbered: Callable[..., Any],
    closed: Callable[..., Any],
    write_journal: Callable[..., TestFolder],
) -> list[TestFolder]:
    """The journals of ten invented tests with slow logs, nothing sealed."""
    archive = Archive(tmp_path_factory.mktemp("written"))
    folders = []
    for number in range(TESTS):
        slow = {"ergometer_hz": 0.2, "heart_rate_hz": 0.2}
        test = short_test(number, study=f"S-{number % 2}", missed_share=0.2, **slow)
        folders.append(write_journal(archive, closed(numbered(timed_events(test)), test.ended_s)))
    return sorted(folders)


@pytest.fixture
def archive(written: list[TestFolder], tmp_path: Path) -> Path:
    """The same in an archive of its own."""
    root = tmp_path / "archive"
    shutil.copytree(written[0].path.parents[1], root, ignore=shutil.ignore_patterns("*.parquet", "gathered"))
    return root


@pytest.fixture(scope="module")
def expected(written: list[TestFolder]) -> Contents:
    """The files of all ten, sealed in one batch in this process."""
    assert [one.problem for one in seal_tests(written, inline())] == [None] * TESTS
    return contents(written)


def contents(folders: Sequence[TestFolder]) -> Contents:
    return {
        (folder.study, folder.test_id, name): folder.parquet(name).read_bytes()
        for folder in folders
        for name in FILES
    }


def folders_in(root: Path) -> list[TestFolder]:
    return list(Archive(root).tests())


def of_size(folders: Sequence[TestFolder], size: int) -> list[Batch]:
    return [Batch(tuple(folders[start : start + size])) for start in range(0, len(folders), size)]


def sealed(done: Iterator[Done]) -> list[Outcome]:
    return [outcome for one in done for outcome in one.outcomes]


def leftovers(root: Path) -> list[Path]:
    return list(root.rglob(".cuffwatt-*"))


# ---- the same bytes -------------------------------------------------------------------------------


@pytest.mark.parametrize("size", [3, 7])
def test_the_bytes_in_this_process(size: int, archive: Path, expected: Contents) -> None:
    folders = folders_in(archive)
    outcomes = sealed(run(of_size(folders, size), inline()))
    assert [(one.folder, one.problem, one.fresh) for one in outcomes] == [(f, None, False) for f in folders]
    assert contents(folders) == expected


def test_the_bytes_in_two_processes(archive: Path, expected: Contents) -> None:
    folders = folders_in(archive)
    outcomes = sealed(run(of_size(folders, 5), processes(2)))
    assert [one.folder for one in outcomes] == folders  # in order, wherever they ended
    assert contents(folders) == expected


@pytest.fixture
def scheduler() -> Iterator[str]:
    """The address of a Dask cluster of two workers on this machine."""
    distributed = pytest.importorskip("distributed", reason="dask.distributed is not installed")
    root = str(Path(__file__).parents[2])
    before = os.environ.get("PYTHONPATH")
    os.environ["PYTHONPATH"] = root  # the workers are processes that find the checkout
    try:
        with distributed.LocalCluster(
            n_workers=2,
            threads_per_worker=1,
            dashboard_address=None,
            host="127.0.0.1",
            worker_dashboard_address=None,
        ) as local:
            yield local.scheduler_address
    finally:
        os.environ.pop("PYTHONPATH") if before is None else os.environ.__setitem__("PYTHONPATH", before)


@pytest.mark.filterwarnings("ignore")
def test_the_bytes_on_a_cluster(scheduler: str, archive: Path, expected: Contents) -> None:
    folders = folders_in(archive)
    outcomes = sealed(run(of_size(folders, 5), cluster(scheduler)))
    assert [(one.folder, one.problem) for one in outcomes] == [(folder, None) for folder in folders]
    assert contents(folders) == expected


@pytest.mark.filterwarnings("ignore")
def test_a_cluster_that_does_not_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.executors._ANSWER", "1s")
    pytest.importorskip("distributed", reason="dask.distributed is not installed")
    with pytest.raises(CuffwattError, match=r"no scheduler answers.*tcp://10\.0\.0\.1:8786"):
        cluster("tcp://127.0.0.1:1")


def test_a_cluster_without_dask(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(UsageError, match=r"pip install 'cuffwatt\[cluster\]'"):
        cluster("tcp://127.0.0.1:8786")


def test_batches_are_even_and_no_larger_than_a_pass() -> None:
    folders = [TestFolder("S", f"T{n}", Path(f"T{n}")) for n in range(550)]
    parts = batches(folders)
    assert [len(part.folders) for part in parts] == [183, 183, 184]
    assert [folder for part in parts for folder in part.folders] == folders
    assert batches([]) == []


def test_one_batch_needs_no_other_process(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: {0, 1}, raising=False)
    assert own_cores(1).begin is Inline
    assert own_cores(2).at_once == 4
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: {0}, raising=False)
    assert own_cores(9).begin is Inline


# ---- workers that die --------------------------------------------------------------------------------


class Killed(ProcessPoolExecutor):
    """Processes of which the first executor's are killed when they were given something."""

    begun = 0
    killed = False

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        future = super().submit(fn, *args, **kwargs)
        if Killed.begun == 1 and not Killed.killed:
            Killed.killed = True
            for process in list(self._processes.values()):
                os.kill(process.pid, signal.SIGKILL)
        return future


def test_a_killed_worker_loses_nothing(archive: Path, expected: Contents) -> None:
    plain = processes(2)

    def begin() -> Executor:
        Killed.begun += 1
        made = plain.begin()
        made.__class__ = Killed
        return made  # type: ignore[no-any-return]

    Killed.begun, Killed.killed = 0, False
    folders = folders_in(archive)
    outcomes = sealed(run(of_size(folders, 5), Workers(begin, 4)))
    assert Killed.begun >= 2
    assert {one.folder: one.problem for one in outcomes} == dict.fromkeys(folders)
    assert len(outcomes) == TESTS
    assert contents(folders) == expected
    assert leftovers(archive) == []


class DiesOf(Inline):
    """Breaks, with all that comes later, when it is given one of some tests."""

    def __init__(self, test_ids: set[str]) -> None:
        self.test_ids = test_ids
        self.broken = False

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        if self.broken:
            raise BrokenProcessPool
        if self.test_ids & {folder.test_id for folder in args[0].folders}:
            self.broken = True
            future: Future[Any] = Future()
            future.set_exception(BrokenProcessPool("died"))
            return future
        return super().submit(fn, *args, **kwargs)


def test_the_test_that_every_worker_dies_of_is_named(archive: Path, expected: Contents) -> None:
    folders = folders_in(archive)
    bad = folders[4]
    workers = Workers(lambda: DiesOf({bad.test_id}), 3)
    outcomes = sealed(run(of_size(folders, 5), workers))
    assert sorted(one.folder for one in outcomes) == folders
    problems = {one.folder: one.problem for one in outcomes if one.problem}
    assert list(problems) == [bad]
    assert str(bad.path) in str(problems[bad])
    assert "died (killed, or out of memory)" in str(problems[bad])
    good = [folder for folder in folders if folder != bad]
    assert contents(good) == {key: data for key, data in expected.items() if key[1] != bad.test_id}


def test_workers_that_die_of_everything_end_the_run(archive: Path) -> None:
    folders = folders_in(archive)
    workers = Workers(lambda: DiesOf({folder.test_id for folder in folders}), 1)
    with pytest.raises(CuffwattError, match="worker after worker died"):
        sealed(run(of_size(folders, 1) * 3, workers))


def test_a_fault_in_a_batch_is_named_for_one_test_alone(archive: Path) -> None:
    folders = folders_in(archive)

    def work(batch: Batch) -> Done:
        if folders[2] in batch.folders:
            raise MemoryError("no room")
        return seal_one(batch)

    outcomes = sealed(run(of_size(folders, 5), inline(), work))
    problems = {one.folder: one.problem for one in outcomes if one.problem}
    assert list(problems) == [folders[2]]
    assert "MemoryError: no room" in str(problems[folders[2]])


# ---- runs that end early ---------------------------------------------------------------------------


def test_a_run_that_was_stopped_goes_on_where_it_was(
    archive: Path, expected: Contents, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("pipeline.seal_run.BATCH", 4)
    folders = folders_in(archive)
    outcomes = seal_archive(archive, folders, inline())
    first = [next(outcomes) for _ in range(5)]
    with pytest.raises(KeyboardInterrupt):
        outcomes.throw(KeyboardInterrupt)  # type: ignore[attr-defined]
    assert leftovers(archive) == []
    assert not (archive / "gathered" / "index.parquet").exists()
    rest = list(seal_archive(archive, folders, inline()))
    fresh = [one.folder for one in rest if one.fresh]
    assert set(fresh) >= {one.folder for one in first[:3]}
    assert len(fresh) < TESTS
    assert contents(folders) == expected
    assert all(one.fresh for one in seal_archive(archive, folders, inline()))


KILLED = """
import os, signal, sys
from pathlib import Path
import pipeline.seal, pipeline.sealed_files, pipeline.seal_run
from pipeline.archive import Archive, Disk
from pipeline.executors import inline

syncs = 0
def fsync(descriptor):
    global syncs
    syncs += 1
    if syncs == 45:  # five tests are published, with six syncs each; the others are half synced
        os.kill(os.getpid(), signal.SIGKILL)
    os.fsync(descriptor)

def publish(tests):
    pipeline.sealed_files.publish_hidden(tests, Disk(fsync=fsync))

pipeline.seal.publish_hidden = publish
pipeline.seal_run.BATCH = 5
root = Path(sys.argv[1])
list(pipeline.seal_run.seal_archive(root, list(Archive(root).tests()), inline()))
"""


def test_a_killed_run_leaves_whole_files_and_is_gone_on_with(archive: Path, expected: Contents) -> None:
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])}
    ended = subprocess.run([sys.executable, "-c", KILLED, str(archive)], env=environment)
    assert ended.returncode == -signal.SIGKILL
    assert leftovers(archive) != []
    folders = folders_in(archive)
    there = {
        (folder.study, folder.test_id, name): folder.parquet(name).read_bytes()
        for folder in folders
        for name in FILES
        if folder.parquet(name).exists()
    }
    assert len(there) == len(expected) // 2
    assert all(expected[key] == data for key, data in there.items())
    list(seal_archive(archive, folders, inline()))
    assert contents(folders) == expected
    assert leftovers(archive) == []


def test_workers_end_with_the_command_that_was_killed(archive: Path) -> None:
    code = (
        "import os, signal\n"
        "from pipeline.executors import processes\n"
        "if __name__ == '__main__':\n"
        "    with processes(1).begin() as pool:\n"
        "        print(pool.submit(os.getpid).result(), flush=True)\n"
        "        os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    script = archive / "killed.py"
    script.write_text(code)
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])}
    process = subprocess.Popen([sys.executable, str(script)], env=environment, stdout=subprocess.PIPE)
    # the worker holds the other end of the pipe, which ends when that has ended too
    assert process.communicate(timeout=30)[0].strip().isdigit()
    assert process.returncode == -signal.SIGKILL


def test_what_the_disk_refuses_is_said_of_that_test_alone(
    archive: Path, expected: Contents, monkeypatch: pytest.MonkeyPatch
) -> None:
    folders = folders_in(archive)
    refused = folders[3].path

    def fsync(descriptor: int) -> None:
        if Path(f"/proc/self/fd/{descriptor}").readlink().parent == refused:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(
        "pipeline.seal.publish_hidden", lambda tests: publish_hidden(tests, Disk(fsync=fsync))
    )
    problems = {one.folder: one.problem for one in seal_archive(archive, folders, inline()) if one.problem}
    assert list(problems) == [folders[3]]
    assert "No space left on device" in str(problems[folders[3]])
    assert not any(folders[3].parquet(name).exists() for name in FILES)
    good = [folder for folder in folders if folder not in problems]
    assert contents(good) == {key: expected[key] for key in contents(good)}
    assert leftovers(archive) == []


# ---- what is bad, what is stale --------------------------------------------------------------------


def test_a_bad_test_in_the_middle_is_named_and_costs_no_other(archive: Path, expected: Contents) -> None:
    folders = folders_in(archive)
    damaged, unreadable = folders[3], folders[6]
    data = damaged.journal.read_bytes()
    damaged.journal.write_bytes(data.replace(b'"watts":', b'"wAtts":', 1))
    unreadable.journal.unlink()
    unreadable.journal.mkdir()
    problems = {one.folder: one.problem for one in seal_archive(archive, folders, inline()) if one.problem}
    assert set(problems) == {damaged, unreadable}
    assert "its chain does not hold" in str(problems[damaged])
    assert "cannot be read" in str(problems[unreadable])
    good = [folder for folder in folders if folder not in problems]
    assert contents(good) == {key: expected[key] for key in contents(good)}
    # a journal that is mended is found again
    damaged.journal.write_bytes(data)
    assert [one.folder for one in seal_archive(archive, [damaged], inline()) if not one.fresh] == [damaged]


def test_only_what_is_stale_is_derived(archive: Path, expected: Contents) -> None:
    folders = folders_in(archive)
    list(seal_archive(archive, folders, inline()))
    folders[1].parquet("flags").unlink()
    folders[2].rules.write_text('[settings]\nmap_method = "half"\n')
    readings = folders[5].parquet("readings")
    readings.write_bytes(readings.read_bytes()[:-9])
    page = bytearray(folders[7].parquet("summary").read_bytes())
    page[200] ^= 1  # damage that only reading the rows shows
    folders[7].parquet("summary").write_bytes(page)
    derived = [one.folder for one in seal_archive(archive, folders, inline()) if not one.fresh]
    assert sorted(derived) == [folders[n] for n in (1, 2, 5, 7)]
    assert [one.level for one in verify(folders)] == ["fine"] * TESTS
    assert {k: v for k, v in contents(folders).items() if k[1] != folders[2].test_id} == {
        k: v for k, v in expected.items() if k[1] != folders[2].test_id
    }
    # a test that is named by itself is derived in any case
    assert [one.fresh for one in seal_tests(folders[:1], inline())] == [False]


# ---- the command -----------------------------------------------------------------------------------


def seal_command(*words: str | Path) -> tuple[int, str]:
    """Exit code and words of `cuffwatt seal`."""
    done = CliRunner().invoke(app, ["seal", *map(str, words)])
    return done.exit_code, done.stderr + str(done.exception or "")


def test_the_command_seals_what_is_stale_and_says_so(archive: Path, tmp_path: Path) -> None:
    folders = folders_in(archive)
    assert seal_command(archive) == (0, "10 tests sealed, 0 passed over\n")
    assert seal_command(archive) == (0, "0 tests sealed, 10 up to date, 0 passed over\n")
    study = [folder for folder in folders if folder.study == folders[0].study]
    folders[0].parquet("flags").unlink()
    said = f"1 test sealed, {len(study) - 1} up to date, 0 passed over\n"
    assert seal_command(folders[0].path.parent, folders[0].path) == (0, said)
    assert seal_command(folders[0].path) == (0, "1 test sealed, 0 passed over\n")
    rules = tmp_path / "rules.toml"
    rules.write_text('[settings]\nmap_method = "half"\n')
    assert seal_command(folders[0].path.parent, "--rules", rules)[0] == 0
    assert [folder.rules.is_file() for folder in folders] == [folder in study for folder in folders]
    assert [one.level for one in verify(folders)] == ["fine"] * TESTS


def test_the_command_that_was_stopped_says_how_far_it_came(
    archive: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("pipeline.seal_run.BATCH", 5)
    monkeypatch.setattr("pipeline.seal_run.own_cores", lambda _: inline())
    first = folders_in(archive)[0]

    def work(batch: Batch) -> Done:
        if first not in batch.folders:
            raise KeyboardInterrupt
        return seal_one(batch)

    monkeypatch.setattr("pipeline.seal_run.run", lambda todo, workers: run(todo, workers, work))
    code, words = seal_command(archive)
    assert code == 1
    assert "5 tests sealed so far, which stay; the same command goes on from there" in words


def test_a_cluster_that_takes_nothing_ends_the_run(archive: Path) -> None:
    class Refuses(Inline):
        def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
            raise BrokenProcessPool

    with pytest.raises(CuffwattError, match="no worker takes anything"):
        sealed(run(of_size(folders_in(archive), 5), Workers(Refuses, 2)))


def test_a_damaged_cache_is_made_anew(archive: Path) -> None:
    folders = folders_in(archive)
    list(seal_archive(archive, folders, inline()))
    path = archive / "gathered" / "summary.parquet"
    page = bytearray(path.read_bytes())
    page[60] ^= 1
    path.write_bytes(page)
    folders[0].parquet("flags").unlink()
    outcomes = list(seal_archive(archive, folders, inline()))
    assert sorted(one.folder for one in outcomes) == folders
    assert [one.folder for one in outcomes if not one.fresh] == folders[:1]
    assert pq.read_table(path, page_checksum_verification=True).num_rows == TESTS
