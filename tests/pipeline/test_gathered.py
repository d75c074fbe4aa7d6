"""The gathered tables are the union of the tests' own files, whatever happened to those since."""

from __future__ import annotations

import os
import random
import shutil
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from pipeline.archive import Archive, TestFolder
from pipeline.errors import ArchiveError, CuffwattError
from pipeline.events import Amended
from pipeline.executors import inline
from pipeline.gathered import Gathered, gathered
from pipeline.gathered_cache import GATHERED, load_index
from pipeline.journal import Journal, read_journal
from pipeline.seal import is_stale, rules_of
from pipeline.seal_run import seal_archive, seal_tests

TESTS = 6
Rows = list[tuple[Any, ...]]


@pytest.fixture(scope="module")
def made(
    tmp_path_factory: pytest.TempPathFactory,
    short_test: Callable[..., Any],
    timed_events: Callable[..., Any],
    numbered: Callable[..., Any],
    closed: Callable[..., Any],
    write_journal: Callable[..., TestFolder],
) -> Path:
    """An archive of six invented tests with slow logs in two studies, sealed and gathered."""
    archive = Archive(tmp_path_factory.mktemp("made"))
    for number in range(TESTS):
        slow = {"ergometer_hz": 0.1, "heart_rate_hz": 0.1}
        test = short_test(number, study=f"S-{number % 2}", test_id=f"T{number}", **slow)
        write_journal(archive, closed(numbered(timed_events(test)), test.ended_s))
    assert [one.problem for one in seal(archive.root)] == [None] * TESTS
    return archive.root


@pytest.fixture
def root(made: Path, tmp_path: Path) -> Path:
    """The same in an archive of its own, with the times of its files."""
    shutil.copytree(made, tmp_path / "archive")
    # copies get their folders' times back only when all is in them; the index is made again
    seal(tmp_path / "archive")
    return tmp_path / "archive"


def seal(root: Path) -> list[Any]:
    return list(seal_archive(root, list(Archive(root).tests()), inline()))


def rows_of(result: Gathered, name: str) -> Rows:
    """All rows of a relation, as a question sees them."""
    with duckdb.connect() as db:
        parts = []
        for number, source in enumerate(result.relations[name]):
            db.register(f"part_{number}", source)
            parts.append(f"select * from part_{number}")
        rows = db.execute(" union all by name ".join(parts)).fetchall()
    return sorted(rows, key=repr)


def in_files(folders: list[TestFolder], name: str) -> Rows:
    """The same from the files alone, read by other means."""
    paths = [str(folder.parquet(name)) for folder in folders]
    if not paths:
        return []
    with duckdb.connect() as db:
        query = "select * from read_parquet($paths, hive_partitioning = false)"
        return sorted(db.execute(query, {"paths": paths}).fetchall(), key=repr)


def fresh(root: Path) -> list[TestFolder]:
    """The tests whose files are made from their journals: the journals read whole, the files too."""
    found = []
    for folder in Archive(root).tests():
        try:
            journal = read_journal(folder.journal)
            folder.check_ids(journal.opened.study, journal.opened.test_id)
            if is_stale(folder, rules_of(folder), journal.head):
                continue
            for name in GATHERED:
                pq.read_table(folder.parquet(name), page_checksum_verification=True)
        except (CuffwattError, OSError, pa.ArrowException):
            continue
        found.append(folder)
    return found


def check(root: Path) -> Gathered:
    """Hold what a question reads against the files; the result."""
    result = gathered(Archive(root))
    expected = fresh(root)
    for name in GATHERED:
        assert rows_of(result, name) == in_files(expected, name), name
    report = result.report
    assert report.gathered + report.own_files == len(expected)
    assert report.tests == sum(1 for _ in Archive(root).tests())
    named = {(one.study, one.test_id) for one in report.passed_over}
    assert named == {(f.study, f.test_id) for f in Archive(root).tests()} - {
        (f.study, f.test_id) for f in expected
    }
    return result


def void_first_reading(folder: TestFolder) -> None:
    with Journal.reopen(folder.journal, to_amend=True) as journal:
        assert journal.found is not None
        taken = next(event.seq for event in journal.found.events if event.kind == "reading_taken")
        amended = Amended(
            seq=journal.next_seq,
            elapsed_s=journal.last_elapsed_s,
            event_time=datetime(2026, 3, 14, tzinfo=UTC),
            source="amend",
            target_seq=taken or 0,
            field="void",
            value=True,
            reason="wrong arm",
            by="O-1",
        )
        journal.append([amended])
        journal.sync()


def with_metadata(path: Path, **changes: str) -> None:
    """The same rows with other words about their origin."""
    table = pq.read_table(path)
    found = pq.read_metadata(path).metadata
    before = {key.decode(): value.decode() for key, value in found.items() if key != b"ARROW:schema"}
    pq.write_table(table.replace_schema_metadata(before | changes), path)


def test_all_come_from_the_gathered_tables(root: Path) -> None:
    report = check(root).report
    assert (report.gathered, report.own_files, report.passed_over) == (TESTS, 0, [])
    assert report.words() == "6 tests: 6 gathered, 0 from their own files"


def test_without_the_cache_all_come_from_their_own_files(root: Path) -> None:
    shutil.rmtree(root / "gathered")
    report = check(root).report
    assert (report.gathered, report.own_files) == (0, TESTS)


@pytest.mark.parametrize("name", ["readings", "index"])
def test_tables_of_two_writers_are_not_mixed(name: str, root: Path, tmp_path: Path) -> None:
    shutil.copy(root / "gathered" / f"{name}.parquet", tmp_path / "before")
    void_first_reading(next(Archive(root).tests()))
    seal(root)
    shutil.copy(tmp_path / "before", root / "gathered" / f"{name}.parquet")
    assert load_index(root) is None
    assert check(root).report.own_files == TESTS
    seal(root)
    assert check(root).report.gathered == TESTS


def test_a_damaged_cache_is_not_used(root: Path) -> None:
    for name in (*GATHERED, "index"):
        (root / "gathered" / f"{name}.parquet").write_bytes(b"PAR1 no more")
    assert check(root).report.own_files == TESTS


def test_another_version_of_the_program_uses_no_row_of_the_cache(
    root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("pipeline.gathered_cache.derivation_digest", lambda: "0" * 16)
    assert load_index(root) is None


def test_what_is_passed_over_is_named_with_the_reason(root: Path) -> None:
    tests = list(Archive(root).tests())
    tests[0].parquet("readings").write_bytes(b"PAR1 torn")
    with_metadata(tests[1].parquet("summary"), schema_version="0")
    void_first_reading(tests[2])
    for path in tests[3].path.glob("*.parquet"):
        path.unlink()
    shutil.copytree(tests[4].path, tests[4].path.parent / "test=COPY")
    result = gathered(Archive(root))
    why = {one.test_id: (one.why, one.words) for one in result.report.passed_over}
    expected = {
        tests[0].test_id: ("unreadable", "readings.parquet is missing or cannot be read"),
        tests[1].test_id: ("other_schema", "summary.parquet has schema version 0, this cuffwatt reads 1"),
        tests[2].test_id: ("stale", "was made from another journal"),
        tests[3].test_id: ("never_sealed", "never sealed; run cuffwatt seal"),
        "COPY": ("misplaced", f"its files are those of {tests[4].study}/{tests[4].test_id}"),
    }
    assert why.keys() == expected.keys()
    for test_id, (code, words) in expected.items():
        assert why[test_id][0] == code
        assert words in why[test_id][1]
    assert (result.report.gathered, result.report.own_files) == (2, 0)
    assert result.report.words() == (
        "7 tests: 2 gathered, 0 from their own files, 5 passed over "
        "(1 misplaced, 1 never sealed, 1 other schema, 1 stale, 1 unreadable)"
    )
    for name in GATHERED:
        assert rows_of(result, name) == in_files(tests[4:], name)


def test_bad_rules_and_a_damaged_page_are_named(root: Path) -> None:
    tests = list(Archive(root).tests())
    tests[0].rules.write_text("[settings]\nload_window = 30\n")
    summary = tests[1].parquet("summary")
    data = bytearray(summary.read_bytes())
    data[200] ^= 1
    summary.write_bytes(data)
    why = {one.test_id: one.words for one in gathered(Archive(root)).report.passed_over}
    assert str(tests[0].rules) in why[tests[0].test_id]
    assert "summary.parquet cannot be read" in why[tests[1].test_id]
    assert len(why) == 2


def test_an_empty_archive_and_none(tmp_path: Path) -> None:
    (tmp_path / "study=S").mkdir()
    result = gathered(Archive(tmp_path))
    assert result.report.tests == 0
    assert all(rows_of(result, name) == [] for name in GATHERED)
    with pytest.raises(ArchiveError, match="name the archive with --archive"):
        gathered(Archive(tmp_path / "none"))


def test_samples_come_from_the_tests_own_files(root: Path) -> None:
    tests = list(Archive(root).tests())
    void_first_reading(tests[0])
    result = gathered(Archive(root), ("samples", "summary"))
    assert set(result.relations) == {"samples", "summary"}
    assert rows_of(result, "samples") == in_files(tests[1:], "samples")


def test_a_torn_tail_and_a_rescue_journal_do_not_hide_the_end(root: Path) -> None:
    torn, rescued = list(Archive(root).tests())[:2]
    with torn.journal.open("ab") as file:
        file.write(b'{"seq":99999,"kind":"sample","event_ti')
    data = rescued.journal.read_bytes()
    cut = data.index(b"\n", len(data) // 2) + 1
    rescued.journal.write_bytes(data[: cut + 70])
    rescued.journal.with_name(f"journal.rescue-{cut}.jsonl").write_bytes(data[cut:])
    report = check(root).report
    assert (report.gathered, report.own_files) == (TESTS - 2, 2)
    seal(root)
    # lines in two files are looked at each time: only one of them is in the index
    assert check(root).report.own_files == 1


@pytest.mark.parametrize("seed", range(2))
def test_whatever_happened_a_question_reads_the_union_of_the_files(
    seed: int, root: Path, tmp_path: Path
) -> None:
    draw = random.Random(f"gathered {seed}")
    outside = tmp_path / "outside"
    shutil.copytree(root, outside)

    def some() -> TestFolder | None:
        tests = list(Archive(root).tests())
        return draw.choice(tests) if tests else None

    def amend(test: TestFolder) -> None:
        void_first_reading(test)

    def delete(test: TestFolder) -> None:
        shutil.rmtree(test.path)

    def copy_in(test: TestFolder) -> None:
        there = draw.choice(list(Archive(outside).tests()))
        into = root / there.path.relative_to(outside)
        # a copy with the times of what it was copied from, or with those of now; over what is there or not
        copy = draw.choice([shutil.copy, shutil.copy2])
        shutil.copytree(there.path, into, copy_function=copy, dirs_exist_ok=True)

    def seal_one(test: TestFolder) -> None:
        list(seal_tests([test], inline()))

    def seal_all(test: TestFolder) -> None:
        seal(root)

    def lose_file(test: TestFolder) -> None:
        test.parquet(draw.choice(GATHERED)).unlink(missing_ok=True)

    def damage(test: TestFolder) -> None:
        path = test.parquet(draw.choice(GATHERED))
        if path.exists():
            path.write_bytes(path.read_bytes()[:-1])

    def own_rules(test: TestFolder) -> None:
        test.rules.write_text(f'[settings]\nmap_method = "{draw.choice(["half", "third"])}"\n')

    def file_of_another(test: TestFolder) -> None:
        other = some()
        name = draw.choice(GATHERED)
        if other and other.parquet(name).exists() and test.parquet(name).exists():
            # in place: no file comes or goes
            test.parquet(name).write_bytes(other.parquet(name).read_bytes())

    steps = (
        amend,
        delete,
        copy_in,
        copy_in,
        seal_one,
        seal_all,
        lose_file,
        damage,
        own_rules,
        file_of_another,
    )
    for _ in range(10):
        test = some()
        if test is None:
            break
        draw.choice(steps)(test)
        check(root)
    seal(root)
    report = check(root).report
    assert report.passed_over == []
    assert report.own_files == 0
    assert os.listdir(root / "gathered")  # noqa: PTH208
