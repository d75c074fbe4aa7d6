"""Sealing: the same bytes whatever the batch, the threads and the time zone; nothing good is lost."""

from __future__ import annotations

import json
import math
import os
import shutil
import time
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from pipeline.archive import Archive, TestFolder
from pipeline.columns import published
from pipeline.events import Amended, Event, NoteWritten
from pipeline.journal import read_journal
from pipeline.rules import load_rules, shipped_rules
from pipeline.seal import SCHEMA_VERSION, is_stale, rules_of, seal_all, seal_batch
from pipeline.shipped import derivation_digest

ROW_GROUP = 122_880  # rows that DuckDB gives one thread: below that a second one has nothing to do
FILES = ("samples", "stages", "readings", "flags", "summary")
TESTS = 50
CHOICES: Sequence[dict[str, Any]] = (
    {"study": "S-1"},
    {"study": "S-2", "sounds_to_mmhg": 0.0, "heart_rate_dropouts": 5},
    {"study": "S-1", "ramp_to_watts": 180.0, "ramp_minutes": 5.0, "pedals_hz": 0.5},
    {"study": "S-2", "missed_share": 0.4, "late_share": 0.4, "heart_rate_log": "rr"},
    {"study": "S-1", "heart_rate_hz": 0.0, "ergometer_offset_s": 61.5},
)


@pytest.fixture(scope="module")
def written(
    tmp_path_factory: pytest.TempPathFactory,
    short_test: Callable[..., Any],
    timed_events: Callable[..., Any],
    numbered: Callable[..., list[Event]],
    closed: Callable[..., list[Event]],
    write_journal: Callable[..., TestFolder],
) -> list[TestFolder]:
    """The journals of 50 invented tests, nothing sealed; every eleventh is not closed."""
    archive = Archive(tmp_path_factory.mktemp("written"))
    folders = []
    for number in range(TESTS):
        chosen = dict(CHOICES[number % len(CHOICES)])
        if number in (5, 20, 35):
            chosen["ergometer_hz"] = 10.0
        test = short_test(number, **chosen)
        events = numbered(timed_events(test))
        folders.append(write_journal(archive, events if number % 11 == 10 else closed(events, test.ended_s)))
    return folders


@pytest.fixture(scope="module")
def sealed(written: list[TestFolder]) -> list[TestFolder]:
    """The same, sealed in one batch."""
    assert [one.problem for one in seal_batch(written, shipped_rules())] == [None] * TESTS
    rows = sum(pq.read_metadata(folder.parquet("samples")).num_rows for folder in written)
    assert rows > ROW_GROUP
    return written


@pytest.fixture
def some(written: list[TestFolder], tmp_path: Path) -> list[TestFolder]:
    """Three of the journals in an archive of their own, for whoever changes files."""
    return copied(written[:3], tmp_path / "some")


def copied(folders: Sequence[TestFolder], root: Path) -> list[TestFolder]:
    copies = [Archive(root).test_folder(folder.study, folder.test_id) for folder in folders]
    for folder, copy in zip(folders, copies, strict=True):
        copy.path.mkdir(parents=True)
        shutil.copy(folder.journal, copy.journal)
    return copies


def contents(folders: Sequence[TestFolder]) -> dict[tuple[str, str, str], bytes]:
    return {
        (folder.study, folder.test_id, name): folder.parquet(name).read_bytes()
        for folder in folders
        for name in FILES
    }


def differing(one: dict[tuple[str, str, str], bytes], other: dict[tuple[str, str, str], bytes]) -> list[Any]:
    assert one.keys() == other.keys()
    return [key for key in one if one[key] != other[key]]


def table(folder: TestFolder, name: str) -> pa.Table:
    return pq.ParquetFile(folder.parquet(name)).read()


# ---- the same bytes ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("size", "threads"), [(1, 1), (7, 1), (7, 2), (50, 1), (50, 2)], ids=lambda value: str(value)
)
def test_bytes_do_not_depend_on_batch_or_threads(
    size: int, threads: int, sealed: list[TestFolder], tmp_path: Path
) -> None:
    # batches of one are the dear ones: a fifth of the tests says it too
    folders = sealed[::5] if size == 1 else sealed
    again = copied(folders, tmp_path)
    for start in range(0, len(again), size):
        outcomes = seal_batch(again[start : start + size], shipped_rules(), threads)
        assert [one.problem for one in outcomes] == [None] * len(outcomes)
    assert differing(contents(folders), contents(again)) == []


def test_batches_of_one_with_two_threads(sealed: list[TestFolder], tmp_path: Path) -> None:
    folders = sealed[1::10]
    again = copied(folders, tmp_path)
    for folder in again:
        seal_batch([folder], shipped_rules(), 2)
    assert differing(contents(folders), contents(again)) == []


def test_bytes_do_not_depend_on_the_order_or_on_what_stood_there(
    sealed: list[TestFolder], tmp_path: Path
) -> None:
    folders = sealed[:10]
    again = copied(folders, tmp_path)
    again[0].parquet("readings").write_bytes(b"not a Parquet file")
    for _ in range(2):
        seal_all(list(reversed(again)), None)
        assert differing(contents(folders), contents(again)) == []


@pytest.fixture
def time_zone(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[str], None]]:
    def set_zone(name: str) -> None:
        monkeypatch.setenv("TZ", name)
        time.tzset()

    before = os.environ.get("TZ")
    yield set_zone
    if before is None:
        monkeypatch.delenv("TZ", raising=False)
    else:
        monkeypatch.setenv("TZ", before)
    time.tzset()


@pytest.mark.parametrize("zone", ["America/New_York", "Asia/Kolkata", "Pacific/Kiritimati"])
def test_bytes_do_not_depend_on_the_time_zone(
    zone: str, time_zone: Callable[[str], None], sealed: list[TestFolder], tmp_path: Path
) -> None:
    folders = sealed[:5]
    again = copied(folders, tmp_path)
    time_zone(zone)
    seal_batch(again, shipped_rules())
    assert differing(contents(folders), contents(again)) == []


# ---- bad input never loses good input ---------------------------------------------------------


def damaged(folder: TestFolder) -> None:
    data = folder.journal.read_bytes()
    folder.journal.write_bytes(data.replace(b'"watts":', b'"wAtts":', 1))


def moved(folder: TestFolder) -> None:
    """A journal of another test in this folder."""
    other = folder.path.parent / "test=OTHER"
    other.mkdir()
    shutil.move(folder.journal, other / "journal.jsonl")


def empty(folder: TestFolder) -> None:
    folder.journal.write_bytes(b"")


def gone(folder: TestFolder) -> None:
    folder.journal.unlink()


@pytest.mark.parametrize(
    ("harm", "words"),
    [(damaged, "its chain does not hold"), (empty, "holds no whole line"), (gone, "no journal there")],
)
def test_a_bad_journal_is_named_and_the_others_are_sealed(
    harm: Callable[[TestFolder], None], words: str, some: list[TestFolder]
) -> None:
    harm(some[1])
    outcomes = {one.folder: one.problem for one in seal_batch(some, shipped_rules())}
    problem = outcomes.pop(some[1])
    assert problem is not None
    assert str(some[1].journal) in problem
    assert words in problem
    assert outcomes == {some[0]: None, some[2]: None}
    assert all(folder.parquet(name).exists() for folder in outcomes for name in FILES)
    assert not any(some[1].parquet(name).exists() for name in FILES)


def test_a_journal_in_the_wrong_folder_is_named(some: list[TestFolder]) -> None:
    moved(some[1])
    wrong = Archive(some[1].path.parents[1]).test_folder(some[1].study, "OTHER")
    outcomes = {one.folder: one.problem for one in seal_batch([some[0], wrong], shipped_rules())}
    assert outcomes[some[0]] is None
    assert outcomes[wrong] is not None
    assert f"test {some[1].test_id}; move it to" in outcomes[wrong]


def test_a_bad_rules_file_is_named_and_the_others_are_sealed(some: list[TestFolder]) -> None:
    some[0].rules.write_text("[settings]\nload_window = 30\n")
    outcomes = {one.folder: one.problem for one in seal_all(some, None)}
    problem = outcomes.pop(some[0])
    assert problem is not None
    assert str(some[0].rules) in problem
    assert set(outcomes.values()) == {None}


def test_the_rules_kept_beside_a_test_hold_for_it_alone(some: list[TestFolder]) -> None:
    some[0].rules.write_text('[settings]\nmap_method = "half"\n')
    seal_all(some, None)
    methods = [set(table(folder, "readings")["map_method"].to_pylist()) - {None} for folder in some]
    assert methods == [{"half"}, {"third"}, {"third"}]
    assert not is_stale(some[0], rules_of(some[0]), read_journal(some[0].journal).head)


def test_a_torn_tail_and_a_rescue_journal(
    written: list[TestFolder], tmp_path: Path, sealed: list[TestFolder]
) -> None:
    torn, rescued = copied(written[:2], tmp_path)
    with torn.journal.open("ab") as file:
        file.write(b'{"seq":99999,"kind":"sample","event_ti')
    # a disk that would not sync: the last lines stand beside the journal, which still holds some of them
    data = rescued.journal.read_bytes()
    cut = data.index(b"\n", len(data) // 2) + 1
    rescued.journal.write_bytes(data[: cut + 700])
    rescued.journal.with_name(f"journal.rescue-{cut}.jsonl").write_bytes(data[cut:])
    assert not read_journal(torn.journal).plain
    assert not read_journal(rescued.journal).plain

    assert {one.problem for one in seal_batch([torn, rescued], shipped_rules())} == {None}
    assert differing(contents(sealed[:2]), contents([torn, rescued])) == []


# ---- stale ------------------------------------------------------------------------------------


def test_stale_when_the_journal_went_on(
    some: list[TestFolder],
    closed: Callable[..., list[Event]],
    write_journal: Callable[..., TestFolder],
    tmp_path: Path,
) -> None:
    from pipeline.journal import Journal

    folder, rules = some[0], shipped_rules()
    chain = read_journal(folder.journal).head
    assert is_stale(folder, rules, chain)  # nothing is sealed yet
    seal_batch([folder], rules)
    assert not is_stale(folder, rules, chain)

    with Journal.reopen(folder.journal, to_amend=True) as journal:
        readings = table(folder, "readings").to_pylist()
        amended = Amended(
            seq=journal.next_seq,
            elapsed_s=journal.last_elapsed_s,
            event_time=datetime(2026, 3, 14, tzinfo=UTC),
            source="amend",
            target_seq=readings[0]["reading_id"],
            field="void",
            value=True,
            reason="wrong arm",
            by="O-1",
        )
        journal.append([amended])
        journal.sync()
    head = read_journal(folder.journal).head
    assert is_stale(folder, rules, head)
    seal_batch([folder], rules)
    assert not is_stale(folder, rules, head)
    assert table(folder, "readings").to_pylist()[0]["status"] == "void"


def test_stale_with_other_rules(some: list[TestFolder], tmp_path: Path) -> None:
    own = tmp_path / "rules.toml"
    own.write_text('[settings]\nvo2_method = "acsm_old"\n')
    seal_batch(some[:1], shipped_rules())
    chain = read_journal(some[0].journal).head
    assert is_stale(some[0], load_rules(own), chain)
    seal_batch(some[:1], load_rules(own))
    assert not is_stale(some[0], load_rules(own), chain)


def test_stale_with_another_derivation(some: list[TestFolder], monkeypatch: pytest.MonkeyPatch) -> None:
    seal_batch(some[:1], shipped_rules())
    monkeypatch.setattr("pipeline.sealed_files.derivation_digest", lambda: "0" * 16)
    assert is_stale(some[0], shipped_rules(), read_journal(some[0].journal).head)


@pytest.mark.parametrize("name", FILES)
def test_stale_when_a_file_is_missing_or_is_none(name: str, sealed: list[TestFolder], tmp_path: Path) -> None:
    folder = copied(sealed[:1], tmp_path)[0]
    for file in FILES:
        shutil.copy(sealed[0].parquet(file), folder.parquet(file))
    chain = read_journal(folder.journal).head
    assert not is_stale(folder, shipped_rules(), chain)
    folder.parquet(name).write_bytes(b"PAR1 torn")
    assert is_stale(folder, shipped_rules(), chain)
    folder.parquet(name).unlink()
    assert is_stale(folder, shipped_rules(), chain)


# ---- what stands in the files -----------------------------------------------------------------


@pytest.mark.parametrize("name", FILES)
def test_files_carry_units_meanings_and_origin(name: str, sealed: list[TestFolder]) -> None:
    folder = sealed[0]
    schema = pq.read_schema(folder.parquet(name))
    columns = published()[name].columns
    assert schema.names == [column.name for column in columns]
    of_file = {k.decode(): v.decode() for k, v in pq.read_metadata(folder.parquet(name)).metadata.items()}
    listed = json.loads(of_file.pop("columns"))
    assert [one["name"] for one in listed] == schema.names
    for one, column in zip(listed, columns, strict=True):
        assert (one.get("unit", ""), one["meaning"]) == (column.unit, column.meaning)
    assert of_file == {
        "schema_version": str(SCHEMA_VERSION),
        "chain": folder.journal.read_bytes()[-19:-3].decode(),  # the digits at the end of its last line
        "rules_digest": shipped_rules().digest,
        "derivation_digest": derivation_digest(),
        "duckdb": duckdb.__version__,
        "pyarrow": pa.__version__,
    }


@pytest.mark.parametrize("name", FILES)
def test_times_are_microseconds_utc(name: str, sealed: list[TestFolder]) -> None:
    types = {field.name: field.type for field in pq.read_schema(sealed[0].parquet(name))}
    times = {column for column, kind in types.items() if pa.types.is_timestamp(kind)}
    assert times == {column.name for column in published()[name].columns if column.type == "TIMESTAMP"}
    assert all(types[column] == pa.timestamp("us", tz="UTC") for column in times)


def test_the_times_are_those_of_the_journal(sealed: list[TestFolder]) -> None:
    folder = sealed[0]
    lines = [json.loads(line) for line in folder.journal.read_bytes().splitlines()]
    written = {line["seq"]: line["event_time"] for line in lines if line["kind"] == "sample"}
    for row in table(folder, "samples").to_pylist():
        assert row["event_time"] == datetime.fromisoformat(written.pop(row["seq"]))
    assert written == {}


@pytest.mark.parametrize("name", FILES)
def test_study_and_test_are_those_of_the_folder(name: str, sealed: list[TestFolder]) -> None:
    for folder in sealed:
        content = table(folder, name)
        assert set(content["study"].to_pylist()) <= {folder.study}
        assert set(content["test_id"].to_pylist()) <= {folder.test_id}
    assert table(sealed[0], name).num_rows > 0


def test_reading_a_folder_as_hive_partitions_is_not_needed(sealed: list[TestFolder]) -> None:
    paths = [str(folder.parquet("summary")) for folder in sealed]
    with duckdb.connect() as db:
        rows = db.execute(
            "select study, test_id from read_parquet($paths, hive_partitioning = false, union_by_name = true)"
            " order by study, test_id",
            {"paths": paths},
        ).fetchall()
    assert rows == sorted((folder.study, folder.test_id) for folder in sealed)


def test_no_infinity_and_nothing_that_is_no_number(sealed: list[TestFolder]) -> None:
    found = [
        (folder.test_id, name, column, value)
        for folder in sealed
        for name in FILES
        for column, values in table(folder, name).to_pydict().items()
        for value in values
        if isinstance(value, float) and not math.isfinite(value)
    ]
    assert found == []


def test_rows_stand_in_their_published_order(sealed: list[TestFolder]) -> None:
    for name, relation in published().items():
        keys = [
            tuple(row[key] for key in relation.order)
            for folder in sealed[:10]
            for row in table(folder, name).to_pylist()
        ]
        by_test = [table(folder, name).num_rows for folder in sealed[:10]]
        start = 0
        for length in by_test:
            assert keys[start : start + length] == sorted(keys[start : start + length])
            start += length


def test_a_test_without_samples_readings_or_stages_has_files_with_no_rows(
    tmp_path: Path,
    short_test: Callable[..., Any],
    timed_events: Callable[..., Any],
    numbered: Callable[..., list[Event]],
    closed: Callable[..., list[Event]],
    write_journal: Callable[..., TestFolder],
    sealed: list[TestFolder],
) -> None:
    test = short_test(900, study="S-3")
    opened = [pair for pair in timed_events(test) if pair[1].kind == "test_opened"]
    note = NoteWritten(event_time=test.at(5), source="typed", text="fell ill before it began")
    events = closed(numbered([*opened, (5.0, note)]), 10.0)
    bare = write_journal(Archive(tmp_path), events)
    # once alone and once beside a test that has all of it
    for batch in ([bare], [bare, *copied(sealed[:1], tmp_path / "beside")]):
        assert {one.problem for one in seal_batch(batch, shipped_rules())} == {None}
        for name in ("samples", "stages", "readings"):
            content = table(bare, name)
            assert content.num_rows == 0
            assert content.schema.equals(table(sealed[0], name).schema)
        assert table(bare, "summary").num_rows == 1
        assert not is_stale(bare, shipped_rules(), read_journal(bare.journal).head)
