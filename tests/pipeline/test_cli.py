"""The command as a person uses it: every wrong input gives one clear error or one flag.

The files of one invented test, right in everything; each test below spoils one thing.  Rest from
0 to 480 s, 50 W to 600 s, 100 W to 720 s, 150 W to 840 s, recovery to 960 s; heart rate 70, 100,
120, 140, 100 bpm.
"""

from __future__ import annotations

import csv
import io
import json
import os
import shutil
import subprocess
import sys
import threading
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest

from adapters.log_format import load_format
from pipeline import cli, cli_join
from pipeline.archive import Archive, TestFolder
from pipeline.journal import read_journal

START = datetime(2026, 3, 14, 8, 30, tzinfo=UTC)
ENDS = (480, 600, 720, 840, 960)
WATTS = (0, 50, 100, 150, 0)
HEART_RATES = (70, 100, 120, 140, 100)
STARTED = "started = 2026-03-14T09:30:00+01:00\n"
SETUP = f"""
[test]
study = "tryout"
participant = "TR-01"
id = "T1"
{STARTED}observer = "AB-1"
ergometer_posture = "upright"

[participant]
age_years = 40
sex = "male"
mass_kg = 80
medication = "none"

[protocol]
file = "protocol.toml"

[sources.bike]
kind = "csv"
path = "bike.csv"

[sources.sheet]
kind = "sheet"
path = "sheet.csv"
time_means = "first_sound"
"""
NO_PROTOCOL = SETUP.replace('[protocol]\nfile = "protocol.toml"\n', "")
SHEET_SOURCE = SETUP[SETUP.index("[sources.sheet]") :]
LOG_SOURCE = SETUP[SETUP.index("[sources.bike]") : SETUP.index("[sources.sheet]")]
PROTOCOL = """
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
label = "100 W"
phase = "exercise"
position = "ergometer"
minutes = 2
watts = 100
reading = "end"

[[stage]]
label = "150 W"
phase = "exercise"
position = "ergometer"
minutes = 2
watts = 150
reading = "end"

[[stage]]
label = "recovery"
phase = "recovery"
position = "ergometer"
minutes = 2
reading_at_s = [60]
"""
# first sounds at 340, 420, 565, 685, 800 and 900 s after 09:30:00
SHEET = (
    "time,sbp,dbp\n09:35:40,120,80\n09:37:00,122,80\n09:39:25,140,80\n"
    "09:41:25,160,80\n09:43:20,180,80\n09:45:00,150,80\n"
)


def log(to_s: int = 960, stop_s: int = 840) -> str:
    """A sample every 5 s; the load is off from `stop_s` on."""
    lines = ["time,watts,heart_rate_bpm"]
    for second in range(0, to_s + 1, 5):
        stage = next((n for n, end in enumerate(ENDS) if second < end), 4)
        watts = WATTS[stage] if second < stop_s else 0
        moment = (START + timedelta(seconds=second)).strftime("%Y-%m-%dT%H:%M:%SZ")
        lines.append(f"{moment},{watts},{HEART_RATES[stage]}")
    return "\n".join(lines) + "\n"


LOG = log()


@dataclass
class Ran:
    """What a command left: exit code, stdout, stderr."""

    code: int
    out: str
    err: str

    def fails(self, code: int, *words: str) -> None:
        """One error in words, no traceback, nothing on stdout."""
        assert self.code == code, self.err
        said = [line for line in self.err.splitlines() if line.startswith("cuffwatt: ")]
        assert len(said) == 1, self.err
        assert "Traceback" not in self.err
        assert self.out == ""
        for word in words:
            assert word in self.err


@pytest.fixture
def cuffwatt(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Callable[..., Ran]:
    """Run the command in this process: cuffwatt("verify", path) -> Ran."""

    def run(*words: Any) -> Ran:
        monkeypatch.setattr(sys, "argv", ["cuffwatt", *map(str, words)])
        capsys.readouterr()
        code: Any = 0
        try:
            cli.main()
        except SystemExit as ended:
            code = ended.code or 0
        out, err = capsys.readouterr()
        return Ran(code, out, err)

    return run


@pytest.fixture
def inputs(tmp_path: Path) -> Callable[..., Path]:
    """Write the files of the test, spoiled where asked; gives the path of the setup."""

    def write(
        setup: str = SETUP,
        protocol: str | bytes = PROTOCOL,
        bike: str | bytes = LOG,
        sheet: str | bytes = SHEET,
        **others: str,
    ) -> Path:
        folder = tmp_path / "in"
        folder.mkdir(exist_ok=True)
        files: dict[str, str | bytes] = {"test.toml": setup, "protocol.toml": protocol, "bike.csv": bike}
        for name, content in (files | {"sheet.csv": sheet} | others).items():
            data = content if isinstance(content, bytes) else content.encode()
            (folder / name).write_bytes(data)
        return folder / "test.toml"

    return write


@pytest.fixture
def joined(cuffwatt: Callable[..., Ran], inputs: Callable[..., Path], tmp_path: Path) -> Callable[..., Ran]:
    """Join the spoiled files into tmp_path/archive."""
    return lambda *words, **spoiled: cuffwatt(
        "join", inputs(**spoiled), "--archive", tmp_path / "archive", "--format", "csv", *words
    )


@pytest.fixture(scope="module")
def in_order(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The archive with the test that is in order, to be copied."""
    folder = tmp_path_factory.mktemp("order")
    files = {"test.toml": SETUP, "protocol.toml": PROTOCOL, "bike.csv": LOG, "sheet.csv": SHEET}
    for name, text in files.items():
        (folder / name).write_text(text)
    cli_join.join_setup(folder / "test.toml", folder / "archive", None)
    return folder / "archive"


@pytest.fixture
def archive(in_order: Path, tmp_path: Path) -> Path:
    """An archive of one's own with the test that is in order."""
    shutil.copytree(in_order, tmp_path / "archive")
    return tmp_path / "archive"


def the_test(tmp_path: Path) -> TestFolder:
    [folder] = Archive(tmp_path / "archive").tests()
    return folder


def rows(tmp_path: Path, name: str) -> list[dict[str, Any]]:
    table: list[dict[str, Any]] = pq.read_table(the_test(tmp_path).parquet(name)).to_pylist()
    return table


def codes(tmp_path: Path) -> list[str]:
    return sorted(row["code"] for row in rows(tmp_path, "flags"))


def test_a_test_in_order_gives_its_readings_and_no_flag(joined: Callable[..., Ran], tmp_path: Path) -> None:
    ran = joined()
    assert ran.code == 0, ran.err
    assert codes(tmp_path) == []
    got = [
        (float(row["elapsed_s"]), row["stage_label"], row["watts"], row["heart_rate_bpm"], row["in_window"])
        for row in csv.DictReader(io.StringIO(ran.out))
    ]
    assert got == [
        (340, "rest", "0.0", "70.0", "True"),
        (420, "rest", "0.0", "70.0", "True"),
        (565, "50 W", "50.0", "100.0", "True"),
        (685, "100 W", "100.0", "120.0", "True"),
        (800, "150 W", "150.0", "140.0", "True"),
        (900, "recovery", "0.0", "100.0", "True"),
    ]
    assert "6 readings taken, 0 missed; flags: none" in ran.err
    assert "does not diagnose or decide" in ran.err
    folder = the_test(tmp_path)
    assert folder.setup.read_text() == SETUP
    assert sorted(path.name for path in folder.path.iterdir()) == [
        "flags.parquet",
        "journal.jsonl",
        "readings.parquet",
        "samples.parquet",
        "setup.toml",
        "stages.parquet",
        "summary.parquet",
    ]


WRONG: dict[str, tuple[dict[str, Any], tuple[str, ...]]] = {
    "missing log": ({"setup": SETUP.replace("bike.csv", "bikes.csv")}, ("bikes.csv", "no such file")),
    "missing sheet": ({"setup": SETUP.replace("sheet.csv", "sheets.csv")}, ("sheets.csv", "no such file")),
    "missing protocol": ({"setup": SETUP.replace("protocol.toml", "p.toml")}, ("p.toml", "no such file")),
    "empty setup": ({"setup": ""}, ("[test] is missing",)),
    "no toml": ({"setup": "hello"}, ("test.toml", "not TOML")),
    "empty log": ({"bike": ""}, ("bike.csv", "empty")),
    "log of a header": ({"bike": "time,watts\n"}, ("bike.csv", "no line")),
    "empty sheet": ({"sheet": ""}, ("sheet.csv", "empty")),
    "sheet of a header": ({"sheet": "time,sbp\n"}, ("source sheet", "take it out of [sources]")),
    "sheet without a good row": (
        {"sheet": "time,sbp\n09:35:40,abc\n09:36:40,1400\n"},
        ("source sheet", "not one of its 2 lines", "abc", "fill it in"),
    ),
    "wrong delimiter": ({"bike": LOG.replace(",", ";")}, ("bike.csv", "delimiter = ';'")),
    "wrong delimiter of the sheet": ({"sheet": SHEET.replace(",", "|")}, ("sheet.csv", "comma or semicolon")),
    "unknown column": (
        {"sheet": SHEET.replace("dbp", "diastolic")},
        ("sheet.csv", "'diastolic'", "known are"),
    ),
    "column missing": ({"sheet": SHEET.replace("sbp", "x")}, ("sheet.csv", "no column 'sbp'")),
    "binary log": ({"bike": bytes(range(256))}, ("bike.csv", "binary")),
    "binary sheet": ({"sheet": bytes(range(256))}, ("sheet.csv", "no text")),
    "binary protocol": ({"protocol": b"\xff\xfe\x00"}, ("protocol.toml", "no UTF-8")),
    "negative duration": ({"protocol": PROTOCOL.replace("minutes = 8", "minutes = -8")}, ("minutes = -8",)),
    "a name for a code": ({"setup": SETUP.replace("TR-01", "MUELLER")}, ("'MUELLER'", "a code is wanted")),
    "whole minutes": (
        {
            "setup": SETUP.replace('time_means = "first_sound"\n', ""),
            "sheet": "time,sbp\n09:36:00,120\n09:40:00,140\n",
        },
        ("2 of 2 times are whole minutes", "stage_end", "written"),
    ),
    "no sources": (
        {"setup": SETUP[: SETUP.index("[sources.bike]")]},
        ("no sample and no reading", "check [sources]"),
    ),
    "no protocol and no load": (
        {"setup": NO_PROTOCOL.replace(LOG_SOURCE, "")},
        ("nothing says when stages began", "add [protocol]"),
    ),
    "stages from a load that is not there": (
        {
            "setup": SETUP.replace('"protocol.toml"', '"protocol.toml"\nstage_from = "load"').replace(
                LOG_SOURCE, ""
            )
        },
        ("nothing says when stages began",),
    ),
    "nothing says when it began": (
        {"setup": SETUP.replace(STARTED, "").replace(LOG_SOURCE, "")},
        ("test.toml", "no log says when the test began", "write started"),
    ),
    "clock times in an unknown zone": (
        {"setup": SETUP.replace(STARTED, "")},
        ("source sheet", "2026-03-14 09:35:40", "2026-03-14 08:46:00", "check started with its offset"),
    ),
    "sheet of another day": (
        {"sheet": SHEET.replace("\n09", "\n2026-03-15T09")},
        ("source sheet", "2026-03-15 08:35:40", "the times on the sheet"),
    ),
    "log of another day": (
        {"bike": LOG.replace("2026-03-14", "2026-03-13")},
        ("source bike", "2026-03-13 08:30:00", "clock_offset_s or align"),
    ),
    "align on no load": (
        {
            "setup": SETUP.replace('"bike.csv"', '"bike.csv"\nalign = "09:38:00"'),
            "bike": "time,heart_rate_bpm\n2026-03-14T08:30:00Z,70\n2026-03-14T08:40:00Z,70\n",
        },
        ("source bike", "align needs a load", "give clock_offset_s"),
    ),
    "align on a load that never rises": (
        {
            "setup": SETUP.replace('"bike.csv"', '"bike.csv"\nalign = "09:38:00"'),
            "bike": "time,watts\n2026-03-14T08:30:00Z,0\n2026-03-14T08:40:00Z,0\n",
        },
        ("source bike", "align", "clock_offset_s"),
    ),
    "align without a date": (
        {"setup": SETUP.replace(STARTED, "").replace('"bike.csv"', '"bike.csv"\nalign = "09:38:00"')},
        ("sources.bike", "without a date", "write [test] started"),
    ),
    "a port": (
        {"setup": SETUP.replace(LOG_SOURCE, '[sources.bike]\nkind = "serial"\nport = "/dev/ttyUSB0"\n')},
        ("sources.bike", "join reads files"),
    ),
    "starts that fall": (
        {
            "setup": SETUP.replace(
                '"protocol.toml"', '"protocol.toml"\nstarts = {"50 W" = "09:41:00", "100 W" = "09:40:00"}'
            )
        },
        ("stage 3 at 09:40:00 does not come after stage 2",),
    ),
    "a start before the opening": (
        {"setup": SETUP.replace('"protocol.toml"', '"protocol.toml"\nstarts = {"rest" = "09:29:00"}')},
        ("stage 'rest' is noted 60 s before the test opened",),
    ),
    "a start in the evening": (
        {"setup": SETUP.replace('"protocol.toml"', '"protocol.toml"\nstarts = {"50 W" = "19:38:00"}')},
        ("stage '50 W' is noted to start at 2026-03-14 18:38:00", "2026-03-14 08:46:00", "starts"),
    ),
    "an id that is no folder": ({"setup": SETUP.replace('"T1"', '"../T1"')}, ("test.id = '../T1'",)),
}


@pytest.mark.parametrize("name", WRONG)
def test_what_cannot_be_used_is_one_error_and_leaves_nothing(
    name: str, joined: Callable[..., Ran], tmp_path: Path
) -> None:
    spoiled, words = WRONG[name]
    joined(**spoiled).fails(1, *words)
    assert not (tmp_path / "archive").exists()


BEFORE = "09:35:40,120,80"
FLAGGED: dict[str, tuple[dict[str, Any], list[str]]] = {
    "cut in mid-line": ({"bike": LOG[:-3]}, ["lines_rejected"]),
    "one stamp backwards": (
        {"bike": LOG.replace("08:40:00Z", "08:31:00Z")},
        ["lines_rejected"],
    ),
    "two forms of time": (
        {"bike": LOG.replace("2026-03-14T08:45:30Z", "08:45:30")},
        ["lines_rejected"],
    ),
    "sheet cut in mid-line": ({"sheet": SHEET[:-4]}, ["lines_rejected", "reading_missed"]),
    # a log with the stamps of every sample twice: each counts once
    "duplicate stamps": ({"bike": "".join(line * 2 for line in LOG.splitlines(True)[1:])}, []),
    # the sum of both is outside every limit: 80 - 140 mmHg
    "pressures swapped": (
        {"sheet": SHEET.replace("140,80", "80,140")},
        ["diastolic_high", "implausible_pair"],
    ),
    "before the start": (
        {"sheet": SHEET.replace(BEFORE, "09:28:40,120,80")},
        ["no_stage", "rest_single"],
    ),
    "after the end": ({"sheet": SHEET.replace("09:45:00", "10:05:00")}, ["no_stage", "reading_missed"]),
    # 50, 100, 150 W in kgm/min, 6.12 to the watt, under a heading that says watts
    "load in another unit": (
        {"bike": LOG.replace(",50,", ",306,").replace(",100,", ",612,").replace(",150,", ",918,")},
        ["load_off_target"] * 3,
    ),
    # 18.7/10.7 kPa are 140/80 mmHg
    "pressure in another unit": (
        {"sheet": SHEET.replace("140,80", "18.7,10.7")},
        ["diastolic_unresolved", "implausible_pair"],
    ),
    "a lower bound": ({"sheet": SHEET.replace("160,80", ">160,80")}, ["systolic_above_cuff"]),
    "entered twice": ({"sheet": SHEET + "09:43:19,180,80\n"}, ["entered_twice", "entered_twice"]),
}


@pytest.mark.parametrize("name", FLAGGED)
def test_what_is_doubtful_is_kept_and_flagged(name: str, joined: Callable[..., Ran], tmp_path: Path) -> None:
    spoiled, expected = FLAGGED[name]
    if name == "duplicate stamps":
        spoiled = {"bike": "time,watts,heart_rate_bpm\n" + str(spoiled["bike"])}
    ran = joined(**spoiled)
    assert ran.code == 0, ran.err
    assert codes(tmp_path) == expected
    # what was good is there: five readings or more, and every sample but those of the bad line
    assert sum(row["status"] == "taken" for row in rows(tmp_path, "readings")) >= 5
    assert len(rows(tmp_path, "samples")) >= 192


def test_lines_that_cannot_be_read_are_named(joined: Callable[..., Ran]) -> None:
    ran = joined(sheet=SHEET + "09:46:00,1400,80\n" + "x,1,2\n" * 3)
    assert "sheet: not read: line 8: sbp: 1400 mmHg is more than a dial shows" in ran.err
    assert ran.err.count("sheet: not read: line") == 3
    assert "sheet: not read: 1 more line, kept in the journal" in ran.err
    assert "4 lines could not be read" in ran.err


def test_a_column_under_another_name_is_missed(joined: Callable[..., Ran], tmp_path: Path) -> None:
    ran = joined(bike=LOG.replace("watts", "power"))
    assert "no log gives watts, so no reading has it" in ran.err
    assert "no log gives heart_rate_bpm" not in ran.err
    joined(
        setup=SETUP.replace('"T1"', '"T2"'), bike=LOG.replace("watts", "power").replace("heart_rate", "pulse")
    ).fails(1, "bike.csv", "'power'", "'pulse_bpm'")


def test_an_existing_test_is_never_overwritten(
    joined: Callable[..., Ran], archive: Path, tmp_path: Path
) -> None:
    before = {path: path.read_bytes() for path in the_test(tmp_path).path.iterdir()}
    joined(sheet=SHEET.replace("140", "144")).fails(
        1, "T1 of study tryout is there already", "another id in [test]"
    )
    assert {path: path.read_bytes() for path in the_test(tmp_path).path.iterdir()} == before


def test_an_archive_that_cannot_be_made_is_named(
    cuffwatt: Callable[..., Ran], inputs: Callable[..., Path], tmp_path: Path
) -> None:
    setup = inputs()
    (tmp_path / "file").write_text("mine")
    for place in (tmp_path / "file", tmp_path / "file" / "below"):
        cuffwatt("join", setup, "--archive", place).fails(1, str(place), "cannot be written", "--archive")
    assert (tmp_path / "file").read_text() == "mine"


def test_a_folder_for_a_setup_is_named(cuffwatt: Callable[..., Ran], tmp_path: Path) -> None:
    cuffwatt("join", tmp_path).fails(1, str(tmp_path), "is a folder", "test.toml")


def test_without_a_start_the_log_gives_it(joined: Callable[..., Ran], tmp_path: Path) -> None:
    setup = SETUP.replace(STARTED, 'timezone = "Europe/Berlin"\n').replace('id = "T1"\n', "")
    assert joined(setup=setup).code == 0
    # the first sample is at 08:30:00 UTC, 09:30 in Berlin
    assert the_test(tmp_path).test_id == "TR-01-20260314-0930"
    assert codes(tmp_path) == []


def test_logs_alone_and_a_sheet_alone_can_be_joined(joined: Callable[..., Ran], tmp_path: Path) -> None:
    assert joined(setup=SETUP.replace(SHEET_SOURCE, "")).code == 0
    assert {row["status"] for row in rows(tmp_path, "readings")} == {"missed"}
    shutil.rmtree(tmp_path / "archive")
    assert joined(setup=SETUP.replace(LOG_SOURCE, "")).code == 0
    assert [row["sbp_mmhg"] for row in rows(tmp_path, "readings")] == [120, 122, 140, 160, 180, 150]
    assert {row["watts_note"] for row in rows(tmp_path, "readings")} == {"no_sample"}


def test_stages_come_from_the_load_where_asked_or_without_a_protocol(
    joined: Callable[..., Ran], tmp_path: Path
) -> None:
    by_load = SETUP.replace('"protocol.toml"', '"protocol.toml"\nstage_from = "load"')
    for setup, labels in (
        (by_load, ["rest", "50 W", "100 W", "150 W", "recovery"]),
        (NO_PROTOCOL, ["rest", "50 W", "100 W", "150 W", "recovery 0 W"]),
    ):
        shutil.rmtree(tmp_path / "archive", ignore_errors=True)
        assert joined(setup=setup).code == 0
        stages = rows(tmp_path, "stages")
        assert [row["started_s"] for row in stages] == [0, 480, 600, 720, 840]
        assert {row["started_by"] for row in stages} == {"detected"}
        got = [row["label"] for row in stages]
        assert got[:4] == labels[:4]
        assert got[4].startswith("recovery")


def test_a_log_is_aligned_by_its_first_load(joined: Callable[..., Ran], tmp_path: Path) -> None:
    # written five hours slow: the load that began at 09:38:00 (08:38 UTC) stands at 03:38 UTC
    ran = joined(
        setup=SETUP.replace('"bike.csv"', '"bike.csv"\nalign = "09:38:00"'), bike=LOG.replace("T08", "T03")
    )
    assert ran.code == 0
    assert "clocks moved: bike=18000.000 s aligned" in ran.err
    assert [row["watts"] for row in rows(tmp_path, "readings")] == [0, 0, 50, 100, 150, 0]


def test_noted_starts_move_the_stages(joined: Callable[..., Ran], tmp_path: Path) -> None:
    setup = SETUP.replace('"protocol.toml"', '"protocol.toml"\nstarts = {"50 W" = "09:38:10"}')
    assert joined(setup=setup).code == 0
    # those after it follow by their planned 120 s
    assert [row["started_s"] for row in rows(tmp_path, "stages")] == [0, 490, 610, 730, 850]


def test_a_second_observer_is_compared_with_the_first(joined: Callable[..., Ran], tmp_path: Path) -> None:
    sources = SETUP + SHEET_SOURCE.replace("sheet", "second", 1).replace("sheet.csv", "second.csv")
    second = "time,sbp,dbp,role,observer\n09:39:22,150,80,second,CD-2\n09:41:26,162,80,second,CD-2\n"
    assert joined(setup=sources, **{"second.csv": second}).code == 0
    readings = rows(tmp_path, "readings")
    firsts = {row["sbp_mmhg"]: row["reading_id"] for row in readings if row["role"] != "second"}
    pairs = [(row["sbp_mmhg"], row["pair_seq"]) for row in readings if row["role"] == "second"]
    # written 3 s before and 1 s after the first observer's
    assert pairs == [(150, firsts[140]), (162, firsts[160])]
    # 150 against 140 is over 4 mmHg apart, 162 against 160 is not
    assert codes(tmp_path).count("observers_apart") == 1


def test_written_times_are_moved_to_the_first_sound(joined: Callable[..., Ran], tmp_path: Path) -> None:
    # per beat, 2 mmHg at 100 bpm are 10/3 mmHg/s; entry at 09:39:55 = 595 s; the sheet's last
    # diastolic 80 gives listen_to 60: 595 - 10 - (140 - 60) / (10/3) = 561
    sheet = "time,sbp,dbp,deflation_per_beat\n09:36:00,120,80,3\n09:37:20,122,80,3\n09:39:55,140,80,2\n"
    setup = SETUP.replace('"first_sound"', '"written"')
    assert joined(setup=setup, sheet=sheet).code == 0
    taken = [row for row in rows(tmp_path, "readings") if row["status"] == "taken"]
    assert taken[2]["elapsed_s"] == pytest.approx(561)
    assert {row["measured_source"] for row in taken} == {"estimated"}
    assert {row["in_window"] for row in taken} == {None}


def test_stage_ends_are_moved_to_the_first_sound(joined: Callable[..., Ran], tmp_path: Path) -> None:
    # at 2.5 mmHg/s: 600 - 60/2.5 = 576, 720 - 80/2.5 = 688, 840 - 100/2.5 = 800; at rest as written
    sheet = (
        "time,sbp,dbp\n09:36:00,120,80\n09:38:00,122,80\n09:40:00,140,80\n09:42:00,160,80\n09:44:00,180,80\n"
    )
    setup = SETUP.replace('"first_sound"', '"stage_end"')
    assert joined(setup=setup, sheet=sheet).code == 0
    taken = [row["elapsed_s"] for row in rows(tmp_path, "readings") if row["status"] == "taken"]
    assert taken == [360, 480, 576, 688, 800]


@pytest.mark.parametrize(
    ("stop_s", "outcome", "reason"), [(840, "completed", "protocol_complete"), (760, "stopped", None)]
)
def test_a_schedule_is_no_proof_that_it_was_ridden(
    stop_s: int, outcome: str, reason: str | None, joined: Callable[..., Ran], tmp_path: Path
) -> None:
    assert joined(bike=log(stop_s=stop_s)).code == 0
    [summary] = rows(tmp_path, "summary")
    assert (summary["outcome"], summary["end_reason"]) == (outcome, reason)


def test_a_join_stopped_from_the_keyboard_leaves_nothing_and_can_be_repeated(
    joined: Callable[..., Ran], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from pipeline.recorder import Recorder

    def stop(self: Recorder, *_: Any) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(Recorder, "close", stop)
        joined().fails(1, "stopped from the keyboard", "what was there before is untouched")
    assert not (tmp_path / "archive").exists()
    assert joined().code == 0


def test_a_join_that_cannot_be_sealed_keeps_its_journal(
    joined: Callable[..., Ran], cuffwatt: Callable[..., Ran], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import pipeline.seal

    def fail(folders: list[TestFolder], rules: Any) -> Any:
        return [pipeline.seal.Sealed(folder, "no such luck") for folder in folders]

    with monkeypatch.context() as patched:
        patched.setattr(pipeline.seal, "seal_all", fail)
        ran = joined()
    ran.fails(1, "no such luck", "the journal is whole", "cuffwatt seal")
    folder = the_test(tmp_path)
    assert read_journal(folder.journal).closed
    ran = cuffwatt("verify", tmp_path / "archive")
    assert ran.code == 1
    assert "not sealed yet; run cuffwatt seal" in ran.out
    assert "1 test sealed, 0 passed over" in cuffwatt("seal", tmp_path / "archive" / "study=tryout").err
    assert cuffwatt("verify", "T1", "--archive", tmp_path / "archive").code == 0


def test_a_lab_s_rules_are_kept_with_the_test(joined: Callable[..., Ran], tmp_path: Path) -> None:
    lab = tmp_path / "lab.toml"
    # 180 mmHg at 150 W is the one reading above it
    lab.write_text(f'[[rule]]\ncode = "systolic_high"\nquantity = "{_quantity()}"\nthreshold = 170\n')
    joined("--rules", tmp_path / "none.toml").fails(1, "none.toml", "no such rules file")
    ran = joined("--rules", lab)
    assert ran.code == 0, ran.err
    assert codes(tmp_path) == ["systolic_high"]
    assert the_test(tmp_path).rules.read_bytes() == lab.read_bytes()


def test_what_verify_finds_is_said_in_all_formats(
    cuffwatt: Callable[..., Ran], archive: Path, tmp_path: Path
) -> None:
    folder = the_test(tmp_path)
    [found] = json.loads(cuffwatt("verify", archive, "--format", "json").out)
    journal = read_journal(folder.journal)
    assert (found["level"], found["lines"], found["chain"]) == ("fine", journal.lines, journal.head)
    # one test named four times is verified once
    ran = cuffwatt("verify", archive, folder.path, folder.journal, archive, "--format", "csv")
    assert (ran.code, len(ran.out.splitlines())) == (0, 2)
    table = cuffwatt("verify", archive, "--format", "table")
    assert "1 test verified" in table.out
    assert "tryout/T1" in table.out
    shutil.copytree(folder.path, folder.path.parent / "T1")
    ran = cuffwatt("verify", archive, "--format", "csv")
    assert ran.code == 1
    assert [row["level"] for row in csv.DictReader(io.StringIO(ran.out))] == ["stray", "fine"]
    shutil.rmtree(folder.path)
    ran = cuffwatt("verify", archive, "--format", "csv")
    assert (ran.code, "stray" in ran.out) == (1, True)


def test_paths_that_hold_no_test_are_wrong_usage(cuffwatt: Callable[..., Ran], tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    (tmp_path / "empty").mkdir()
    cuffwatt("verify", tmp_path / "file").fails(2, "is no folder; give the folder of a test")
    cuffwatt("seal", tmp_path / "none").fails(2, "no such folder; give the folder of a test")
    cuffwatt("verify", tmp_path / "empty").fails(2, "no test there")
    cuffwatt("verify", "T1", "--archive", tmp_path / "empty").fails(2, "no test 'T1'", "0 tests")
    cuffwatt("verify", "T1", "--archive", tmp_path / "none").fails(1, "no such folder", "--archive")


def test_a_damaged_test_is_passed_over_and_the_others_are_sealed(
    joined: Callable[..., Ran], cuffwatt: Callable[..., Ran], archive: Path
) -> None:
    joined(setup=SETUP.replace('"T1"', '"T2"'))
    bad, good = Archive(archive).tests()
    bad.journal.write_bytes(bad.journal.read_bytes().replace(b'"watts":50.0', b'"watts":51.0', 1))
    before = good.parquet("readings").read_bytes()
    good.parquet("readings").unlink()
    ran = cuffwatt("seal", archive)
    assert ran.code == 1
    assert "passed over: " in ran.err
    assert "journal.jsonl: line" in ran.err
    assert "1 test sealed, 1 passed over" in ran.err
    assert good.parquet("readings").read_bytes() == before


def test_wrong_usage_ends_with_two(cuffwatt: Callable[..., Ran]) -> None:
    for words in ((), ("joinn",), ("join",), ("verify",), ("join", "x", "--format", "xml"), ("--nope",)):
        ran = cuffwatt(*words)
        assert ran.code == 2
        assert "Traceback" not in ran.err


def test_help_and_version_are_printed(cuffwatt: Callable[..., Ran]) -> None:
    from pipeline import __version__

    assert cuffwatt("--version").out == f"cuffwatt {__version__}\n"
    ran = cuffwatt("--help")
    assert (ran.code, "does not diagnose or decide" in " ".join(ran.out.split())) == (0, True)


def test_new_and_simulate_write_only_into_new_folders(cuffwatt: Callable[..., Ran], tmp_path: Path) -> None:
    ran = cuffwatt("new", tmp_path / "mine")
    assert ran.code == 0
    names = sorted(path.name for path in (tmp_path / "mine").iterdir())
    assert names == ["log_format.toml", "protocol.toml", "readings.csv", "test.toml"]
    before = (tmp_path / "mine" / "test.toml").read_bytes()
    for command in ("new", "simulate"):
        cuffwatt(command, tmp_path / "mine").fails(2, "not empty", "nothing is overwritten")
        cuffwatt(command, tmp_path / "mine" / "test.toml").fails(2, "nothing is overwritten")
        cuffwatt(command, tmp_path / "mine" / "test.toml" / "x").fails(2, "cannot be made", "choose a place")
    assert (tmp_path / "mine" / "test.toml").read_bytes() == before
    ran = cuffwatt("simulate", tmp_path / "invented", "--number", "3")
    assert ran.code == 0
    assert "invented data, no real person" in ran.err
    assert (tmp_path / "invented" / "test.toml").exists()


def test_simulate_writes_a_cohort_that_can_be_sealed(cuffwatt: Callable[..., Ran], tmp_path: Path) -> None:
    protocol = tmp_path / "short.toml"
    protocol.write_text(PROTOCOL, encoding="utf-8")
    place = tmp_path / "invented"
    ran = cuffwatt("simulate", place, "--tests", "2", "--number", "3", "--protocol", protocol)
    assert ran.code == 0
    assert "2 tests in" in ran.err
    assert "invented data, no real person; derive the files with: cuffwatt seal" in ran.err
    assert cuffwatt("seal", place / "archive").code == 0
    assert cuffwatt("verify", place / "archive").code == 0
    rows = list(csv.DictReader((place / "truth.csv").read_text(encoding="utf-8").splitlines()))
    assert [row["protocol"] for row in rows] == ["short", "short"]
    cuffwatt("simulate", place, "--tests", "2").fails(2, "not empty", "nothing is overwritten")
    other = tmp_path / "other"
    cuffwatt("simulate", other, "--protocol", protocol).fails(2, "--protocol is for a cohort", "--tests")
    cuffwatt("simulate", other, "--tests", "1", "--protocol", tmp_path / "none.toml").fails(
        1, "no such file, a protocol file is wanted; give the file of a protocol"
    )
    assert cuffwatt("simulate", other, "--tests", "0").code == 2
    assert not other.exists()


def test_describe_prints_a_format_that_the_join_takes(
    cuffwatt: Callable[..., Ran], inputs: Callable[..., Path], joined: Callable[..., Ran], tmp_path: Path
) -> None:
    inputs(bike=LOG.replace(",", ";"))
    ran = cuffwatt("describe", tmp_path / "in" / "bike.csv")
    assert ran.code == 0
    setup = SETUP.replace('"bike.csv"', '"bike.csv"\nformat = "bike.toml"')
    assert joined(setup=setup, bike=LOG.replace(",", ";"), **{"bike.toml": ran.out}).code == 0
    assert codes(tmp_path) == []
    cuffwatt("describe", tmp_path / "none.csv").fails(1, "none.csv", "no such file")
    cuffwatt("describe", tmp_path).fails(1, "is a folder")


def test_describe_listens_to_a_port(cuffwatt: Callable[..., Ran], tmp_path: Path) -> None:
    device, terminal = os.openpty()
    enough = threading.Event()

    def send() -> None:
        n = 0
        while not enough.wait(0.02):
            os.write(device, b"%d,6%d\r\n" % (100 + n // 10 % 2 * 25, n % 3))
            n += 1

    sender = threading.Thread(target=send)
    sender.start()
    try:
        ran = cuffwatt("describe", os.ttyname(terminal), "--seconds", "1", "--baud", "4800")
    finally:
        enough.set()
        sender.join()
        os.close(device)
        os.close(terminal)
    assert ran.code == 0
    assert "listening to /dev/pts/" in ran.err
    (tmp_path / "two.toml").write_text(ran.out)
    fmt = load_format(tmp_path / "two.toml")
    assert (fmt.time.form, fmt.wanted["watts.column"]) == ("none", 1)
    cuffwatt("describe", "/dev/tty-none").fails(1, "port '/dev/tty-none' is not there", "plug the device in")


def test_the_demo_is_made_once_and_shown_again(cuffwatt: Callable[..., Ran], tmp_path: Path) -> None:
    first = cuffwatt("demo", "--dir", tmp_path, "--format", "csv")
    assert first.code == 0
    assert "invented data, no real person" in first.err
    [folder] = Archive(tmp_path).tests()
    folder.parquet("readings").unlink()
    again = cuffwatt("demo", "--dir", tmp_path, "--format", "csv")
    assert "the demo from before" in again.err
    assert again.out == first.out
    table = cuffwatt("demo", "--dir", tmp_path, "--format", "table")
    assert "Stages of millpond-ringers" in table.out


def test_a_fault_of_the_program_is_said_in_words(
    cuffwatt: Callable[..., Ran], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fault(number: int) -> Any:
        raise ZeroDivisionError("of all things")

    monkeypatch.setattr("pipeline.simulate.simulate_test", fault)
    cuffwatt("simulate", tmp_path / "x").fails(
        1, "a fault of the program, not of your data: ZeroDivisionError: of all things (test_cli.py, line"
    )


def _process(*words: Any, **options: Any) -> subprocess.CompletedProcess[str]:
    """The command in a process of its own, as a shell starts it."""
    root = Path(cli.__file__).parents[1]
    program = "import sys; sys.argv[0] = 'cuffwatt'; from pipeline.cli import main; main()"
    return subprocess.run(
        [sys.executable, "-c", program, *map(str, words)],
        check=False,
        text=True,
        env=os.environ | {"PYTHONPATH": str(root)},
        timeout=60,
        **options,
    )


def test_a_reader_that_has_had_enough_is_no_error(tmp_path: Path) -> None:
    read, write = os.pipe()
    os.close(read)
    ran = _process("--help", stdout=write, stderr=subprocess.PIPE)
    os.close(write)
    assert "Traceback" not in ran.stderr
    (tmp_path / "study=s" / "test=t").mkdir(parents=True)
    (tmp_path / "study=s" / "test=t" / "journal.jsonl").write_text("")
    read, write = os.pipe()
    os.close(read)
    ran = _process("verify", tmp_path, stdout=write, stderr=subprocess.PIPE)
    os.close(write)
    assert (ran.returncode, ran.stderr) == (0, "")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
def test_an_output_that_cannot_be_written_is_said(tmp_path: Path) -> None:
    (tmp_path / "study=s" / "test=t").mkdir(parents=True)
    (tmp_path / "study=s" / "test=t" / "journal.jsonl").write_text("")
    with Path("/dev/full").open("w") as full:
        ran = _process("verify", tmp_path, stdout=full, stderr=subprocess.PIPE)
    assert ran.returncode == 1
    assert "the output cannot be written (No space left on device)" in ran.stderr
    assert "Traceback" not in ran.stderr


def test_the_command_runs_with_closed_streams(tmp_path: Path) -> None:
    script = f'"{sys.executable}" -c "from pipeline.cli import main; main()" --version >&- 2>&-'
    root = str(Path(cli.__file__).parents[1])
    ran = subprocess.run(["sh", "-c", script], check=False, env=os.environ | {"PYTHONPATH": root}, timeout=60)
    assert ran.returncode == 0


def _quantity() -> str:
    from pipeline.rules import shipped_rules

    return next(rule.quantity for rule in shipped_rules().rules if rule.code == "systolic_high")


def test_rules_given_to_seal_hold_for_the_test_from_then_on(
    cuffwatt: Callable[..., Ran], archive: Path, tmp_path: Path
) -> None:
    lab = tmp_path / "lab.toml"
    lab.write_text('[settings]\nmap_method = "half"\n')
    assert cuffwatt("seal", archive, "--rules", lab).code == 0
    (reading, *_) = rows(tmp_path, "readings")
    # 0.5 of the pulse pressure in place of a third
    assert reading["map_mmhg"] == (reading["sbp_mmhg"] + reading["dbp_mmhg"]) / 2
    assert the_test(tmp_path).rules.read_text() == lab.read_text()
    assert cuffwatt("verify", archive).code == 0
    assert cuffwatt("seal", archive).code == 0
    assert rows(tmp_path, "readings")[0]["map_method"] == "half"
