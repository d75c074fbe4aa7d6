"""What a test looks like on a terminal; expected texts are written out by hand."""

from __future__ import annotations

from collections import defaultdict
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from pipeline.archive import Archive, TestFolder
from pipeline.errors import ArchiveError
from pipeline.view import flags_cells, measures_words, reading_cells, show_test, stage_cells, summary_words

OPENED = datetime(2026, 3, 14, 8, 30, tzinfo=UTC)


def row(**fields: Any) -> dict[str, Any]:
    """A row with these values; every other column is null."""
    return defaultdict(lambda: None, fields)


def reading(**fields: Any) -> dict[str, Any]:
    usual = {
        "reading_id": 7, "elapsed_s": 670.0, "stage_label": "50 W", "status": "taken", "sbp_mmhg": 140.0,
        "dbp_mmhg": 80.0, "dbp_phase": "K5", "watts": 50.4, "heart_rate_bpm": 99.6, "map_mmhg": 100.0,
        "sbp_change_rest_mmhg": 20.0, "in_window": True, "role": "primary", "k1_at_least": False,
    }  # fmt: skip
    return row(**usual | fields)


def test_a_reading_is_one_line_of_whole_numbers() -> None:
    assert reading_cells(reading()) == {
        "id": "7",
        "time": "11:10",
        "label": "50 W",
        "pressure": "140/80",
        "phase": "K5",
        "watts": "50",
        "bpm": "100",
        "map": "100",
        "change": "+20",
        "remark": "",
    }


@pytest.mark.parametrize(
    ("fields", "pressure", "remark"),
    [
        ({"k1_at_least": True, "used_note": "lower_bound"}, ">140/80", "a lower bound"),
        ({"dbp_mmhg": None, "dbp_upper_mmhg": 40.0}, "140/<=40", ""),
        ({"dbp_mmhg": None}, "140/-", ""),
        ({"sbp_mmhg": None, "used_note": "no_systolic"}, "-", "no systolic"),
        ({"status": "missed", "missed_reason": "not_heard"}, "missed", "not heard"),
        ({"status": "void", "amendments": "void"}, "140/80", "void, amended"),
        ({"in_window": False}, "140/80", "outside window"),
        ({"in_window": None}, "140/80", ""),
        ({"role": "second", "in_window": False, "used_note": "second_observer"}, "140/80", "second observer"),
        ({"stage_label": None, "in_window": False}, "140/80", "in no stage"),
        ({"used_note": "doubtful", "in_window": False}, "140/80", "doubtful, outside window"),
        ({"used_note": "entered_twice"}, "140/80", "entered twice, the first counts"),
        ({"used_note": "some_new_code"}, "140/80", "some new code"),
    ],
)
def test_what_is_particular_about_a_reading_is_said(fields: Any, pressure: str, remark: str) -> None:
    cells = reading_cells(reading(**fields))
    assert (cells["pressure"], cells["remark"]) == (pressure, remark)


def test_a_stage_has_its_times_and_loads() -> None:
    stage = row(
        started_s=540.0, ridden_s=179.6, label="30 W", phase="exercise", position="semi_recumbent",
        target_watts=30.0, watts_mean=30.2, stage_hr_bpm=93.4,
    )  # fmt: skip
    assert list(stage_cells(stage).values()) == [
        "9:00",
        "3:00",
        "30 W",
        "exercise",
        "semi recumbent",
        "30",
        "30",
        "93",
    ]
    assert stage_cells(row(**stage | {"target_watts_to": 220.0}))["target"] == "30-220"
    assert stage_cells(row(**stage | {"target_watts": None}))["target"] == "-"


def flag(code: str, level: str, seq: int = 0, at_s: float | None = None, **fields: Any) -> dict[str, Any]:
    usual = {"quantity": "presence", "observed": 1.0, "operator": ">=", "threshold": 1.0, "unit": "",
             "words": f"words of {code}", "state": "holds"}  # fmt: skip
    flag_at = None if at_s is None else OPENED + timedelta(seconds=at_s)
    return row(code=code, level=level, target_seq=seq, flag_at=flag_at, **usual | fields)


def test_flags_say_what_was_found_against_which_limit_and_where() -> None:
    flags = [
        flag("few_loads", "check", quantity="stages", observed=2.0, operator="<", threshold=3.0,
             unit="stages"),
        flag("outside_window", "note", 7, 670, detail="last sound 17 s after the window"),
        flag("systolic_fall", "caution", 7, 670, quantity="fall", observed=18.25, threshold=10.0, unit="mmHg",
             detail="18 below 170"),
        flag("reading_missed", "note", 9, 600, stage_index=1, detail="not_entered"),
        flag("systolic_high", "stop", 8, 900, quantity="k1", observed=260.0, operator=">", threshold=250.0,
             unit="mmHg"),
    ]  # fmt: skip
    readings = [reading(), reading(reading_id=8, sbp_mmhg=260.0, stage_label="100 W")]
    cells = flags_cells(flags, readings, [row(stage_index=1, label="50 W")], OPENED)
    assert [tuple(str(cell) for cell in one.values()) for one in cells] == [
        ("stop", "15:00", "100 W, 260/80", "systolic high: words of systolic_high", "260 mmHg (limit > 250)"),
        ("caution", "11:10", "50 W, 140/80", "systolic fall: words of systolic_fall",
         "18.25 mmHg (limit >= 10); 18 below 170"),
        ("check", "", "the test", "few loads: words of few_loads", "2 stages (limit < 3)"),
        ("note", "10:00", "50 W", "reading missed: words of reading_missed", "not entered"),
        ("note", "11:10", "50 W, 140/80", "outside window: words of outside_window",
         "last sound 17 s after the window"),
    ]  # fmt: skip


def test_what_a_flag_means_is_said_once() -> None:
    cells = flags_cells([flag("odd_digit", "note", n, n) for n in (1, 2)], [], [], OPENED)
    assert [cell["flag"] for cell in cells] == ["odd digit: words of odd_digit", "odd digit"]


def test_a_withdrawn_flag_has_neither_words_nor_time_and_says_that_it_was_shown() -> None:
    withdrawn = row(
        code="systolic_high", level="stop", target_seq=7, quantity=None, observed=260.0, threshold=250.0,
        state="withdrawn",
    )  # fmt: skip
    [cell] = flags_cells([withdrawn], [reading()], [], OPENED)
    found = "260 (limit 250); shown during the test, holds no longer"
    assert [str(value) for value in cell.values()] == ["stop", "", "50 W, 140/80", "systolic high", found]


def test_one_line_sums_a_test_up() -> None:
    summary = row(
        readings_taken=1, readings_missed=2, flags_stop=0, flags_caution=1, flags_check=0, flags_note=3,
        lines_rejected=0, clock_offsets="a=0.000 s none; b=-12.500 s given",
    )  # fmt: skip
    assert summary_words(summary) == (
        "1 reading taken, 2 missed; flags: 1 caution, 3 note; clocks moved: b=-12.500 s given"
    )
    quiet = summary | {"flags_caution": 0, "flags_note": 0, "lines_rejected": 1, "clock_offsets": None}
    assert summary_words(quiet) == "1 reading taken, 2 missed; flags: none; 1 line could not be read"


MEASURED: list[tuple[dict[str, Any], str]] = [
    ({}, ""),
    ({"watts_peak": 187.4, "watts_peak_is_limit": False}, "highest load 187 W"),
    ({"watts_peak": 187.5, "watts_peak_is_limit": True}, "peak load 188 W"),
    ({"hr_peak_bpm": 171.6}, "highest heart rate 172 bpm"),
    (
        {"sbp_peak_mmhg": 220.0, "sbp_peak_source": "last_exercise", "sbp_peak_at_least": True},
        "systolic at the end of exercise >=220 mmHg",
    ),
    (
        {"sbp_peak_mmhg": 176.0, "sbp_peak_source": "immediate", "sbp_peak_at_least": False},
        "systolic just after exercise 176 mmHg",
    ),
    (
        {"hr_peak_bpm": 172.0, "hr_recovery_1min_bpm": 25.4, "recovery_mode": "passive"},
        "highest heart rate 172 bpm; heart rate 1 min later -25 bpm (passive)",
    ),
    ({"hr_recovery_1min_bpm": 25.4}, "heart rate 1 min later -25 bpm"),
    (
        {"vo2max_est_ml_kg_min": 38.2, "u_vo2max_est_ml_kg_min": 4.6},
        "VO2max by extrapolation 38 mL/kg/min (u 5)",
    ),
]


@pytest.mark.parametrize(("fields", "words"), MEASURED)
def test_one_line_says_how_far_it_went(fields: dict[str, Any], words: str) -> None:
    assert measures_words(row(**fields)) == words


@pytest.fixture
def sealed(tmp_path: Path) -> TestFolder:
    """A test whose sealed files hold what a terminal shows of them, written by hand."""
    folder = Archive(tmp_path).create("S", "T")
    stages = [
        {"started_s": 0.0, "ridden_s": 480.0, "label": "rest", "phase": "rest", "position": "seated",
         "target_watts": None, "target_watts_to": None, "watts_mean": 0.0, "stage_hr_bpm": 70.0,
         "stage_index": 0},
        {"started_s": 480.0, "ridden_s": 180.0, "label": "fifty watts at sixty turns a minute",
         "phase": "exercise", "position": "ergometer", "target_watts": 50.0, "target_watts_to": None,
         "watts_mean": 50.0, "stage_hr_bpm": 100.0, "stage_index": 1},
    ]  # fmt: skip
    columns = ("reading_id", "elapsed_s", "stage_label", "status", "sbp_mmhg", "dbp_mmhg", "dbp_phase",
               "watts", "heart_rate_bpm", "map_mmhg", "sbp_change_rest_mmhg", "in_window", "role",
               "k1_at_least",
               "dbp_upper_mmhg", "used_note", "missed_reason", "amendments")  # fmt: skip
    readings = [
        {name: one[name] for name in columns}
        for one in (
            reading(),
            reading(reading_id=8, elapsed_s=4325.0, used_note="entered_twice", in_window=False),
        )
    ]
    flags = [dict(flag("systolic_fall", "caution", 7, 670, quantity="fall", observed=18.0, threshold=10.0,
                       unit="mmHg") | {"detail": "18 below 170 mmHg", "stage_index": 1})]  # fmt: skip
    summary = {
        "readings_taken": 2, "readings_missed": 0, "flags_stop": 0, "flags_caution": 1, "flags_check": 0,
        "flags_note": 0, "lines_rejected": 0, "clock_offsets": None, "opened_at": OPENED,
        "watts_peak": 50.4, "watts_peak_is_limit": False, "hr_peak_bpm": 101.0, "sbp_peak_mmhg": None,
        "hr_recovery_1min_bpm": None, "vo2max_est_ml_kg_min": None,
    }  # fmt: skip
    for name, rows in (("stages", stages), ("readings", readings), ("flags", flags), ("summary", [summary])):
        pq.write_table(pa.Table.from_pylist(rows), folder.parquet(name))
    return folder


@pytest.mark.parametrize("width", [80, 100])
def test_the_tables_can_be_read_in_a_narrow_terminal(
    width: int, sealed: TestFolder, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", str(width))
    show_test(sealed, "table")
    out, err = capsys.readouterr()
    assert max(map(len, out.splitlines())) <= width
    words = out.split()
    for whole in ("start", "min:s", "mmHg", "SBP/DBP", "exercise", "ergometer", "minute", "turns", "72:05"):
        assert whole in words, whole
    # one reading, one line
    [line] = [line for line in out.splitlines() if "11:10" in line and "140/80" in line and "K5" in line]
    assert line.split()[-5:] == ["K5", "50", "100", "100", "+20"]
    assert "caution" in words
    assert err.startswith(
        "2 readings taken, 0 missed; flags: 1 caution\nhighest load 50 W; highest heart rate 101 bpm\n"
    )


def test_no_flags_and_no_readings_are_said(sealed: TestFolder, capsys: pytest.CaptureFixture[str]) -> None:
    for name in ("flags", "readings"):
        pq.write_table(pq.read_table(sealed.parquet(name)).slice(0, 0), sealed.parquet(name))
    show_test(sealed, "table")
    out = capsys.readouterr().out
    assert "no readings\n" in out
    assert out.endswith("no flags\n")


def test_csv_is_the_readings_alone(sealed: TestFolder, capsys: pytest.CaptureFixture[str]) -> None:
    show_test(sealed, "csv")
    out, err = capsys.readouterr()
    assert out.startswith("reading_id,elapsed_s,stage_label,")
    assert len(out.splitlines()) == 3
    assert str(sealed.path) in err


@pytest.mark.parametrize(("spoil", "said"), [(None, "no such file"), (b"PAR1", "cannot be read")])
def test_a_sealed_file_that_cannot_be_read_says_how_to_make_it(
    spoil: bytes | None, said: str, sealed: TestFolder
) -> None:
    sealed.parquet("flags").unlink()
    if spoil is not None:
        sealed.parquet("flags").write_bytes(spoil)
    with pytest.raises(ArchiveError, match=rf"flags\.parquet: {said}; .* with: cuffwatt seal "):
        show_test(sealed, None)
