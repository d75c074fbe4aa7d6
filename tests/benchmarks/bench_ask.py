"""How long questions over 10,000 tests take, whole process: `python tests/benchmarks/bench_ask.py [TESTS]`.

200 tests of the invented cohort are sealed, and their Parquet files are written again under other ids
until there are as many as wanted, with links to the 200 journals and samples; the gathered tables
and their index are written from the same rows, as sealing would.  Each named question is then asked
five times, with the packages that only tests need shut out (pyarrow imports pandas and numpy where
it finds them), and two of them once with pandas over the same files.  Prints medians; fails on
nothing, because seconds say more about the machine than about the change.
"""

from __future__ import annotations

import os
import platform
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.archive import Archive, TestFolder
from pipeline.cohort.question import questions
from pipeline.file_state import current_state
from pipeline.gathered_cache import GATHERED, CacheWriter, Entry
from pipeline.seal_run import seal_archive
from pipeline.simulate.cohort import invented_cohort
from pipeline.simulate.cohort_archive import write_cohort

MADE = 200
RUNS = 5
HERE = Path(__file__).parent
CLEAN = "import sys; sys.modules.update(pandas=None, numpy=None); "
ASK = "sys.argv[0] = 'cuffwatt'; from pipeline.cli import main; main()"


def replica(folder: TestFolder, root: Path, number: int) -> tuple[TestFolder, Entry, dict[str, pa.Table]]:
    """The test again as number `number`, with another id and participant; its entry and rows."""
    copy = Archive(root).test_folder(folder.study, f"{folder.test_id}-{number}")
    copy.path.mkdir(parents=True)
    for name in ("journal.jsonl", "samples.parquet"):
        os.link(folder.path / name, copy.path / name)
    rows = {}
    for name in GATHERED:
        table = pq.read_table(folder.parquet(name), partitioning=None)
        for column, value in (("test_id", copy.test_id), ("participant", None)):
            if column in table.column_names:
                at = table.column_names.index(column)
                old = table.column(column).to_pylist()
                new = [value or f"{one}-{number}" for one in old]
                table = table.set_column(at, table.schema.field(at), pa.array(new, pa.string()))
        pq.write_table(table, copy.parquet(name), compression="NONE", use_dictionary=False)
        rows[name] = table
    made = {key.decode(): value.decode() for key, value in (table.schema.metadata or {}).items()}
    return copy, Entry(made["chain"], made["rules_digest"], current_state(copy.path)), rows


def replicas(
    folder: TestFolder, root: Path, numbers: list[int]
) -> list[tuple[TestFolder, Entry, dict[str, bytes]]]:
    """Several of one test, their rows as Arrow streams."""
    found = []
    for number in numbers:
        copy, entry, rows = replica(folder, root, number)
        found.append((copy, entry, {name: stream(table) for name, table in rows.items()}))
    return found


def stream(table: pa.Table) -> bytes:
    """A table as an Arrow stream."""
    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, table.schema) as writer:
        writer.write_table(table)
    return bytes(sink.getvalue())


def make(scratch: Path, tests: int) -> Path:
    """An archive of so many tests, gathered."""
    made = write_cohort(invented_cohort(1), min(MADE, tests), scratch / "made")
    folders = list(Archive(made).tests())
    for outcome in seal_archive(made, folders):
        if outcome.problem:
            raise SystemExit(outcome.problem)
    root = scratch / "archive"
    root.mkdir()
    writer = CacheWriter(root, None, ())
    numbers = [list(range(n, tests, len(folders))) for n in range(len(folders))]
    with ProcessPoolExecutor() as pool:
        for found in pool.map(replicas, folders, [root] * len(folders), numbers):
            for folder, entry, rows in found:
                writer.add([(folder, entry)], rows)
    writer.commit()
    return root


def run(command: list[str]) -> tuple[float, float]:
    """Seconds and peak megabytes of one whole process."""
    environment = os.environ | {"PYTHONPATH": str(HERE.parents[1])}
    begun = time.perf_counter()
    process = subprocess.Popen(command, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
    errors = process.stderr.read() if process.stderr else b""
    _, status, usage = os.wait4(process.pid, 0)
    seconds = time.perf_counter() - begun
    if status:
        raise SystemExit(f"{command} failed:\n{errors.decode()}")
    return seconds, usage.ru_maxrss / 1024


def main() -> None:
    """Measure and print the table."""
    tests = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    resource.setrlimit(resource.RLIMIT_NOFILE, (resource.getrlimit(resource.RLIMIT_NOFILE)[1],) * 2)
    scratch = Path(tempfile.mkdtemp(prefix="cuffwatt-bench-"))
    try:
        root = make(scratch, tests)
        print(f"{platform.platform()}, {os.cpu_count()} cores, {tests} tests")
        print("| question | median, s | peak, MB (at least that of this script) |")
        print("| --- | ---: | ---: |")
        for name in questions():
            ask = [sys.executable, "-c", CLEAN + ASK, "cohort", "ask", name, "--archive", str(root)]
            runs = [run([*ask, "--format", "csv"]) for _ in range(RUNS)]
            seconds, megabytes = (statistics.median(column) for column in zip(*runs, strict=True))
            print(f"| {name} | {seconds:.2f} | {megabytes:.0f} |", flush=True)
        for name in ("technique", "response_by_stage"):
            seconds, megabytes = run([sys.executable, str(HERE / "ask_in_pandas.py"), str(root), name])
            print(f"| {name}, pandas over the tests' files | {seconds:.2f} | {megabytes:.0f} |", flush=True)
    finally:
        shutil.rmtree(scratch)


if __name__ == "__main__":
    main()
