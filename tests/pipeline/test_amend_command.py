"""`cuffwatt amend` as a person uses it.

One invented test: rest from 09:30:00 to 09:38:00 local time with readings at 09:35:40 (120/80)
and 09:37:00, then 50 W to 09:40:00 with one at 09:39:25 (140/80), recovery to 09:42:00.
"""

from __future__ import annotations

import csv
import io
import json
import shutil
import sys
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest

from pipeline import cli, cli_join, clock
from pipeline.archive import Archive, TestFolder
from pipeline.events import Amended, ExertionRated, ReadingTaken, Sample, SourceOpened, StageStarted
from pipeline.journal import Journal, iter_events, read_journal
from pipeline.seal import seal_all

NOW = datetime(2026, 3, 20, 8, 15, tzinfo=UTC)
START = datetime(2026, 3, 14, 8, 30, tzinfo=UTC)
FILES = {
    "test.toml": """
[test]
study = "tryout"
participant = "TR-01"
id = "T1"
started = 2026-03-14T09:30:00+01:00
observer = "AB-1"
[participant]
age_years = 40
mass_kg = 80
[protocol]
file = "protocol.toml"
[sources.bike]
kind = "csv"
path = "bike.csv"
[sources.sheet]
kind = "sheet"
path = "sheet.csv"
time_means = "first_sound"
""",
    "protocol.toml": """
name = "short"
[[stage]]
label = "rest"
phase = "rest"
position = "seated"
minutes = 8
readings = 2
[[stage]]
label = "50 W"
phase = "exercise"
position = "ergometer"
minutes = 2
watts = 50
reading = "end"
[[stage]]
label = "recovery"
phase = "recovery"
position = "ergometer"
minutes = 2
reading = "none"
""",
    "sheet.csv": "time,sbp,dbp,rpe\n09:35:40,120,80,\n09:37:00,122,80,\n09:39:25,140,80,9\n",
    "bike.csv": "time,watts,heart_rate_bpm\n"
    + "".join(
        f"{(START + timedelta(seconds=second)).isoformat()},{50 if 480 <= second < 600 else 0},100\n"
        for second in range(0, 721, 5)
    ),
}


@dataclass
class Ran:
    """What a command left: exit code, stdout, stderr."""

    code: int
    out: str
    err: str

    def fails(self, code: int, *words: str) -> None:
        """Words on stderr, no traceback, nothing on stdout."""
        assert (self.code, self.out) == (code, ""), self.err
        assert "Traceback" not in self.err
        assert all(word in self.err for word in words), self.err


@pytest.fixture(scope="module")
def joined(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("joined")
    for name, text in FILES.items():
        (folder / name).write_text(text)
    cli_join.join_setup(folder / "test.toml", folder / "archive", None)
    return folder / "archive"


@pytest.fixture
def folder(joined: Path, tmp_path: Path) -> TestFolder:
    """The test, joined and sealed, to be spoiled."""
    shutil.copytree(joined, tmp_path / "archive")
    return Archive(tmp_path / "archive").find("T1")


@pytest.fixture
def amend(
    folder: TestFolder, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Callable[..., Ran]:
    """amend(SEQ, FIELD, VALUE, ...) of the test on 20 March 2026; the reason and the code are given."""
    monkeypatch.setattr(clock, "wall_now", lambda: NOW)

    def run(*words: Any, command: str = "amend", test: str = "T1", why: bool = True) -> Ran:
        given = ["--reason", "typed wrong", "--by", "AB-1"] if why else []
        archive = ["--archive", str(tmp_path / "archive")]
        monkeypatch.setattr(sys, "argv", ["cuffwatt", command, test, *map(str, words), *given, *archive])
        capsys.readouterr()
        code: Any = 0
        try:
            cli.main()
        except SystemExit as ended:
            code = ended.code or 0
        return Ran(code, *capsys.readouterr())

    return run


def seqs(folder: TestFolder, kind: type) -> list[int]:
    return [event.seq for event in iter_events(folder.journal) if isinstance(event, kind)]


def rows(folder: TestFolder, name: str = "readings") -> list[dict[str, Any]]:
    table: list[dict[str, Any]] = pq.read_table(folder.parquet(name)).to_pylist()
    return table


def last(folder: TestFolder) -> dict[str, Any]:
    """The reading of 50 W as it stands in the sealed files."""
    [row] = [row for row in rows(folder) if row["reading_id"] == seqs(folder, ReadingTaken)[-1]]
    return row


def test_a_pressure_is_corrected_and_what_changed_is_shown(
    amend: Callable[..., Ran], folder: TestFolder
) -> None:
    reading = seqs(folder, ReadingTaken)[-1]
    ran = amend(reading, "sbp", "148", "--format", "csv")
    assert ran.code == 0
    told = {(row["row"], row["column"]): row for row in csv.DictReader(io.StringIO(ran.out))}
    changed = told[str(reading), "sbp_mmhg"]
    assert (changed["relation"], changed["before"], changed["after"]) == ("readings", "140.0", "148.0")
    # 148 - 80
    assert told[str(reading), "pulse_pressure_mmhg"]["after"] == "68.0"
    assert ran.err.splitlines()[0] == (
        f"line {reading} (reading_taken): k1_mmhg 140 -> 148; by AB-1 at 2026-03-20 08:15 UTC: typed wrong"
    )
    row = last(folder)
    assert (row["sbp_mmhg"], row["originals"]) == (148, '{"k1_mmhg": 140.0}')
    [made] = [event for event in read_journal(folder.journal).events if isinstance(event, Amended)]
    assert (made.event_time, made.by, made.reason) == (NOW, "AB-1", "typed wrong")


def test_on_a_terminal_the_reading_is_shown_before_and_after(
    amend: Callable[..., Ran], folder: TestFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "100")
    reading = seqs(folder, ReadingTaken)[-1]
    out = amend(reading, "pressure", ">200/<60", "--format", "table").out
    shown = [line.split() for line in out.splitlines() if line.split()[:1] == [str(reading)]]
    assert [line[4] for line in shown] == ["140/80", ">200/<=60"]
    assert "What it changed" in out
    assert max(map(len, out.splitlines())) <= 100
    # what is said in words beside the table is not in it
    assert "originals" not in out
    told = amend(reading, "--list", "--format", "table", why=False)
    cells = [line.split() for line in told.out.splitlines()]
    assert ["k1_mmhg", "200", "140"] in cells
    assert ["k1_at_least", "true", "none"] in cells
    assert ["heard_to_mmhg", "60", "none"] in cells
    # corrected once more by the number alone, it is no lower bound any more
    amend(reading, "sbp", "190")
    assert (last(folder)["sbp_mmhg"], last(folder)["k1_at_least"]) == (190, False)


def test_a_clock_time_is_that_of_the_sheet(amend: Callable[..., Ran], folder: TestFolder) -> None:
    assert amend(seqs(folder, ReadingTaken)[-1], "time", "09:39:30").code == 0
    assert last(folder)["measured_at"] == START + timedelta(minutes=9, seconds=30)


def test_an_offset_below_zero_is_no_option(amend: Callable[..., Ran], folder: TestFolder) -> None:
    bike = seqs(folder, SourceOpened)[0]
    before = rows(folder, "samples")
    assert amend(bike, "clock_offset_s", "-5").code == 0
    after = rows(folder, "samples")
    moved = {a["sampled_at"] - b["sampled_at"] for a, b in zip(after, before, strict=True)}
    assert moved == {timedelta(seconds=-5)}
    assert "bike=-5.000 s given" in rows(folder, "summary")[0]["clock_offsets"]


def test_a_reading_is_taken_out_and_the_rating_beside_it_corrected(
    amend: Callable[..., Ran], folder: TestFolder
) -> None:
    assert amend(seqs(folder, ExertionRated)[0], "rpe", "11").code == 0
    assert (last(folder)["rpe"], last(folder)["originals"]) == (11, '{"rpe": 9.0}')
    ran = amend(seqs(folder, ReadingTaken)[-1], "void", "true", "--format", "table")
    assert (last(folder)["status"], last(folder)["sbp_mmhg"]) == ("void", 140)
    assert "void" in ran.out


def test_the_files_are_those_that_sealing_anew_makes(amend: Callable[..., Ran], folder: TestFolder) -> None:
    amend(seqs(folder, ReadingTaken)[-1], "sbp", "148")
    amend(seqs(folder, StageStarted)[1], "time", "09:38:05")
    made = {path.name: path.read_bytes() for path in folder.path.glob("*.parquet")}
    for name in made:
        (folder.path / name).unlink()
    seal_all([folder], None)
    assert {path.name: path.read_bytes() for path in folder.path.glob("*.parquet")} == made
    assert len(made) == 5


def test_the_rules_of_the_test_hold(amend: Callable[..., Ran], folder: TestFolder) -> None:
    folder.rules.write_text('[settings]\nmap_method = "half"\n')
    # sealed with other rules before: compared with what these rules gave
    ran = amend(seqs(folder, ReadingTaken)[-1], "sbp", "150", "--format", "json")
    [change] = [one for one in json.loads(ran.out) if one["column"] == "map_mmhg"]
    # 80 + 60/2, 80 + 70/2
    assert (change["before"], change["after"]) == (110, 115)


def test_what_can_be_amended_is_listed_and_nothing_written(
    amend: Callable[..., Ran], folder: TestFolder
) -> None:
    before = folder.journal.read_bytes()
    ran = amend("--list", "--format", "json", why=False)
    assert ran.err == "nothing was amended so far\n"
    listed = {(row["kind"], row["field"]): row for row in json.loads(ran.out)}
    reading = listed["reading_taken", "k1_mmhg"]
    assert (reading["seq"], reading["value"], reading["original"], reading["amended"]) == (
        seqs(folder, ReadingTaken)[-1], "140", "140", False,
    )  # fmt: skip
    assert {"test_opened", "source_opened", "stage_started", "exertion_rated", "test_closed"} <= {
        kind for kind, _ in listed
    }
    out = amend("--list", "--format", "table", why=False).out
    for words in ("What can be amended in tryout/T1", "name bike", "k1_mmhg 120", "label rest"):
        assert words in " ".join(out.split())
    assert folder.journal.read_bytes() == before
    amend(seqs(folder, ReadingTaken)[-1], "void", "true")
    told = amend("--list", "--format", "table", why=False)
    assert "void, due_seq" in " ".join(told.out.split())
    assert "void false -> true; by AB-1" in told.err


@pytest.mark.parametrize("form", ["csv", "json", "table"])
def test_verify_tells_what_was_amended_in_every_form(
    form: str, amend: Callable[..., Ran], folder: TestFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "200")
    reading = seqs(folder, ReadingTaken)[-1]
    amend(reading, "sbp", "148")
    ran = amend("--format", form, command="verify", why=False)
    assert ran.code == 0
    assert (
        f"line {reading} (reading_taken): k1_mmhg 140 -> 148; by AB-1 at 2026-03-20 08:15 UTC: typed wrong"
        in ran.out
    )
    assert "amended" in ran.out


def sample(folder: TestFolder) -> int:
    return seqs(folder, Sample)[0]


def reading(folder: TestFolder) -> int:
    return seqs(folder, ReadingTaken)[-1]


@pytest.mark.parametrize(
    ("seq", "rest", "code", "said"),
    [
        (99999, ["sbp", "148"], 2, "line 99999 is not there, and cannot be amended"),
        (sample, ["watts", "50"], 2, "is a sample of a log, and cannot be amended"),
        (reading, ["colour", "blue"], 2, "has no field 'colour' to amend; it has event_time, due_seq"),
        (reading, ["elapsed_s", "soon"], 2, "has no field 'elapsed_s' to amend"),
        (reading, ["sbp", "high"], 1, "'high' is no pressure in mmHg"),
        (reading, ["arm", "third"], 1, "should be 'left' or 'right'"),
        (reading, ["time", "11:00"], 1, "lies outside the test, which ran from"),
        (reading, ["time", "noon"], 1, "'noon' is no time"),
        (reading, ["sbp", "140"], 2, "says k1_mmhg 140 already; nothing was written"),
        (reading, ["sbp", "148", "--by", "Anna"], 2, "by = 'Anna': a code is wanted, not a name"),
        (reading, ["sbp", "148", "--reason", " "], 2, "the reason is empty"),
        (reading, ["sbp", "148", "--reason", ""], 2, "--reason not given; write cuffwatt amend T1 SEQ"),
        (reading, ["sbp"], 2, "VALUE not given"),
        (reading, [], 2, "FIELD, VALUE not given"),
        (reading, ["sbp", "148", "--list"], 2, "--list shows and writes nothing; leave out FIELD"),
        (99999, ["--list"], 2, "line 99999 is not there"),
        ("first", ["sbp", "148"], 2, "'seq': Input should be a valid integer"),
        (reading, ["sbp", "148", "--wrong"], 2, "unexpected extra argument"),
    ],
)
def test_a_wrong_use_is_said_and_writes_nothing(
    seq: Any, rest: list[str], code: int, said: str, amend: Callable[..., Ran], folder: TestFolder,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    monkeypatch.setenv("COLUMNS", "200")
    before = {path: path.read_bytes() for path in folder.path.iterdir()}
    words = [*rest]
    given = [] if "--list" in rest else ["--reason", "typed wrong", "--by", "AB-1"]
    # what a case gives itself goes before
    ran = amend(seq(folder) if callable(seq) else seq, *given, *words, why=False)
    ran.fails(code, said)
    assert {path: path.read_bytes() for path in folder.path.iterdir()} == before


def test_without_anything_all_that_is_wanted_is_named(amend: Callable[..., Ran]) -> None:
    amend(why=False).fails(2, "SEQ, FIELD, VALUE, --reason, --by not given", "cuffwatt amend T1 --list")


def test_an_unknown_test_is_said(amend: Callable[..., Ran]) -> None:
    amend(5, "sbp", "148", test="P9").fails(2, "no test 'P9' in", "give a test id, STUDY/TEST or a path")


def test_a_journal_that_another_process_holds_is_left_alone(
    amend: Callable[..., Ran], folder: TestFolder
) -> None:
    with Journal.reopen(folder.journal, to_amend=True):
        before = folder.journal.read_bytes()
        amend(reading(folder), "sbp", "148").fails(1, "another recorder has it open")
        assert folder.journal.read_bytes() == before


def test_a_damaged_journal_is_left_alone(amend: Callable[..., Ran], folder: TestFolder) -> None:
    seq = reading(folder)
    data = bytearray(folder.journal.read_bytes())
    data[300] ^= 1
    folder.journal.write_bytes(bytes(data))
    amend(seq, "sbp", "148").fails(1, "journal.jsonl: line 1, byte 0: the line is not what was written")
    amend("--list", why=False).fails(1, "line 1, byte 0")
    assert folder.journal.read_bytes() == bytes(data)


def test_a_test_that_was_not_closed_is_amended_and_that_is_said(
    amend: Callable[..., Ran], folder: TestFolder
) -> None:
    seq = reading(folder)
    lines = folder.journal.read_bytes().splitlines(True)
    folder.journal.write_bytes(b"".join(lines[:-1]))
    ran = amend(seq, "sbp", "148")
    assert ran.code == 0
    assert "the test was never closed; the amendment is kept all the same" in ran.err
    assert last(folder)["sbp_mmhg"] == 148


def test_what_cannot_be_sealed_is_amended_all_the_same(amend: Callable[..., Ran], folder: TestFolder) -> None:
    """An amendment written by hand that does not fit stops sealing; the next one mends it."""
    seq = reading(folder)
    with Journal.reopen(folder.journal, to_amend=True) as journal:
        wrong = Amended(
            seq=journal.next_seq, event_time=NOW, elapsed_s=journal.last_elapsed_s, source="hand",
            target_seq=seq, field="k1_mmhg", value="high", reason="by hand", by="AB-1",
        )  # fmt: skip
        journal.append([wrong])
        journal.sync()
    ran = amend(seq, "sbp", "148")
    assert ran.code == 0, ran.err
    assert "could not be made before this amendment, so there is nothing to compare with" in ran.err
    assert last(folder)["sbp_mmhg"] == 148


def test_where_the_files_cannot_be_made_the_journal_keeps_it(
    amend: Callable[..., Ran], folder: TestFolder
) -> None:
    folder.rules.write_text("nonsense")
    ran = amend(reading(folder), "sbp", "148")
    ran.fails(1, "the journal is whole, its files are not made", "rules.toml: not valid TOML")
    assert isinstance(read_journal(folder.journal).events[-1], Amended)
