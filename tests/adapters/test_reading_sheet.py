"""A sheet of hand-taken pressures: every form of a row, and nothing good lost to a bad one."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.reading_sheet import COLUMNS, read_sheet
from pipeline.errors import InputError
from pipeline.events import (
    EVENT,
    ExertionRated,
    LineRejected,
    ReadingMissed,
    ReadingTaken,
    SourceLog,
    SymptomNoted,
)

STARTED = datetime(2026, 3, 14, 9, 30, tzinfo=timezone(timedelta(hours=1)))
HEADER = "time,sbp,k4,k5,arm,observer,inflated_to,deflation_per_s,clarity,rpe,note\n"
TEMPLATE = Path(__file__).parents[2] / "fixtures" / "templates" / "readings.csv"


def sheet(folder: Path, text: str | bytes, **given: Any) -> SourceLog:
    path = folder / "sheet.csv"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    options: dict[str, Any] = {"name": "sheet", "started": STARTED, "time_means": "first_sound"} | given
    return read_sheet(path, **options)


def only(log: SourceLog) -> Any:
    (event,) = log.events
    return event


def fields(event: Any) -> dict[str, Any]:
    """What is set beside kind, time and source."""
    return {
        key: value
        for key, value in event
        if value is not None and key not in ("kind", "event_time", "source", "measured_source")
    }


def rejection(log: SourceLog) -> str:
    event = only(log)
    assert isinstance(event, LineRejected)
    return event.reason


def refusal(folder: Path, text: str | bytes, **given: Any) -> str:
    with pytest.raises(InputError) as error:
        sheet(folder, text, **given)
    return str(error.value).replace(f"{folder}/", "")


def test_a_whole_row(tmp_path: Path) -> None:
    log = sheet(
        tmp_path,
        HEADER + '09:41:20,148,70,0,L,ab-1,190,2.5,Clear,13,"left arm, then right"\n',
        rpe_scale="6-20",
    )
    taken, rated = log.events
    assert isinstance(taken, ReadingTaken)
    assert taken.event_time == datetime(2026, 3, 14, 8, 41, 20, tzinfo=UTC)
    assert taken.source == "sheet"
    assert fields(taken) == {
        "k1_mmhg": 148,
        "k4_mmhg": 70,
        "k5_mmhg": 0,
        "arm": "left",
        "observer": "AB-1",
        "inflated_to_mmhg": 190,
        "deflation_mmhg_per_s": 2.5,
        "clarity": "clear",
        "note": "left arm, then right",
    }
    assert isinstance(rated, ExertionRated)
    assert rated.event_time == taken.event_time
    assert fields(rated) == {"rpe": 13, "rpe_scale": "6-20"}
    assert fields(log.opened) == {
        "name": "sheet",
        "adapter": "reading_sheet",
        "clock_offset_s": 0,
        "clock_method": "none",
    }
    assert log.opened.event_time == STARTED


def test_every_other_column(tmp_path: Path) -> None:
    log = sheet(
        tmp_path,
        "time,sbp,heard_to,palpated,position,arm_support,arm_below_heart_cm,role,deflation_per_beat,symptom\n"
        "09:41:20,148,40,140,ergometer,assessor,-5,second,3,dizzy 1\n",
    )
    taken, symptom = log.events
    assert fields(taken) == {
        "k1_mmhg": 148,
        "heard_to_mmhg": 40,
        "palpated_mmhg": 140,
        "position": "ergometer",
        "arm_support": "assessor",
        "arm_below_heart_cm": -5,
        "role": "second",
        "deflation_mmhg_per_beat": 3,
    }
    assert isinstance(symptom, SymptomNoted)
    assert fields(symptom) == {"code": "dizzy", "severity": 1}


@pytest.mark.parametrize(
    ("cells", "wanted"),
    [
        ("148,,", {"k1_mmhg": 148}),
        ("148,,82", {"k1_mmhg": 148, "k5_mmhg": 82}),
        ("148,70,<40", {"k1_mmhg": 148, "k4_mmhg": 70, "heard_to_mmhg": 40}),
        (">200,,82", {"k1_mmhg": 200, "k1_at_least": True, "k5_mmhg": 82}),
        ("148/70/0,,", {"k1_mmhg": 148, "k4_mmhg": 70, "k5_mmhg": 0}),
        (">200/70/<40,,", {"k1_mmhg": 200, "k1_at_least": True, "k4_mmhg": 70, "heard_to_mmhg": 40}),
        # a flag judges a wrong order, the sheet keeps it
        ("82,,148", {"k1_mmhg": 82, "k5_mmhg": 148}),
        ("148,60,70", {"k1_mmhg": 148, "k4_mmhg": 60, "k5_mmhg": 70}),
    ],
)
def test_pressures(tmp_path: Path, cells: str, wanted: dict[str, Any]) -> None:
    assert fields(only(sheet(tmp_path, f"time,sbp,k4,k5\n09:41:20,{cells}\n"))) == wanted


def test_dbp_is_k5(tmp_path: Path) -> None:
    assert only(sheet(tmp_path, "Time;SBP;DBP\n09:41:20;148;82\n")).k5_mmhg == 82


@pytest.mark.parametrize("arm", ["L", "l", "left", "LEFT"])
def test_arms(tmp_path: Path, arm: str) -> None:
    assert only(sheet(tmp_path, f"time,sbp,arm\n09:41:20,148,{arm}\n")).arm == "left"
    right = arm.lower().replace("left", "right").replace("l", "r")
    assert only(sheet(tmp_path, f"time,sbp,arm\n09:41:20,148,{right}\n")).arm == "right"


def test_the_observer_of_the_test_holds_where_none_is_written(tmp_path: Path) -> None:
    text = "time,sbp,observer\n09:41:20,148,\n09:44:20,150,cd-2\n"
    assert [event.observer for event in sheet(tmp_path, text, observer="AB-1").events] == ["AB-1", "CD-2"]  # type: ignore[attr-defined]


class TestMissed:
    @pytest.mark.parametrize(
        ("note", "wanted"),
        [
            ("not_heard", {"attempted": True, "reason": "not_heard"}),
            ("arm_moved", {"attempted": True, "reason": "arm_moved"}),
            ("not_attempted", {"attempted": False, "reason": "not_attempted"}),
            ("could not hear it", {"attempted": True, "reason": "other", "text": "could not hear it"}),
            ("Not_heard at all", {"attempted": True, "reason": "other", "text": "Not_heard at all"}),
            ("", {"attempted": True, "reason": "other"}),
        ],
    )
    def test_a_time_without_sbp(self, tmp_path: Path, note: str, wanted: dict[str, Any]) -> None:
        event = only(sheet(tmp_path, f"time,sbp,note\n09:41:20,,{note}\n"))
        assert isinstance(event, ReadingMissed)
        assert event.event_time == datetime(2026, 3, 14, 8, 41, 20, tzinfo=UTC)
        assert fields(event) == wanted

    def test_its_exertion_and_symptom_are_kept(self, tmp_path: Path) -> None:
        log = sheet(tmp_path, "time,sbp,rpe,symptom\n09:41:20,,15,leg_pain 2\n")
        assert [event.kind for event in log.events] == ["reading_missed", "exertion_rated", "symptom_noted"]

    @pytest.mark.parametrize(("note", "text"), [("", "palpated 140"), ("noise", "noise; palpated 140")])
    def test_what_was_palpated_goes_to_the_text(self, tmp_path: Path, note: str, text: str) -> None:
        log = sheet(tmp_path, f"time,sbp,palpated,note\n09:41:20,,140,{note}\n")
        assert only(log).text == text

    @pytest.mark.parametrize("column", ["k4", "k5", "heard_to"])
    def test_a_lower_pressure_alone_is_neither(self, tmp_path: Path, column: str) -> None:
        said = rejection(sheet(tmp_path, f"time,sbp,{column}\n09:41:20,,82\n"))
        assert said.startswith(f"line 2: {column} '82' without sbp; write the sbp, or for a missed reading")


class TestTimes:
    @pytest.mark.parametrize(
        ("time", "wanted"),
        [
            ("09:41", datetime(2026, 3, 14, 8, 41, tzinfo=UTC)),
            ("2026-03-15T09:41:20+02:00", datetime(2026, 3, 15, 7, 41, 20, tzinfo=UTC)),
        ],
    )
    def test_forms(self, tmp_path: Path, time: str, wanted: datetime) -> None:
        assert only(sheet(tmp_path, f"time,sbp\n{time},148\n")).event_time == wanted

    def test_midnight_passes(self, tmp_path: Path) -> None:
        log = sheet(tmp_path, "time,sbp\n23:58:20,148\n00:01:20,150\n", started=STARTED.replace(hour=23))
        first, second = (event.event_time for event in log.events)
        assert second - first == timedelta(minutes=3)

    @pytest.mark.parametrize(
        ("means", "source"), [("first_sound", "stated"), ("stage_end", "stated"), ("written", "estimated")]
    )
    def test_what_they_mean_says_how_the_moment_is_known(
        self, tmp_path: Path, means: str, source: str
    ) -> None:
        log = sheet(tmp_path, "time,sbp\n09:41,148\n", time_means=means)
        assert log.time_means == means
        assert only(log).measured_source == source

    # 4 of 5 are 80 %, which is not over 80 %; 5 of 6 are 83 %
    def test_whole_minutes_up_to_four_fifths(self, tmp_path: Path) -> None:
        rows = "".join(f"09:4{n}:00,148\n" for n in range(4)) + "09:45:10,148\n"
        log = sheet(tmp_path, "time,sbp\n" + rows, time_means=None)
        assert (log.time_means, len(log.events)) == ("first_sound", 5)

    def test_whole_minutes_over_four_fifths(self, tmp_path: Path) -> None:
        # a row that is rejected has no say
        rows = "".join(f"09:4{n},148\n" for n in range(5)) + "09:45:10,148\nsoon,148\n"
        said = refusal(tmp_path, "time,sbp\n" + rows, time_means=None)
        assert said.splitlines() == [
            "sheet.csv: 5 of 6 times are whole minutes, so they can mean three things; write time_means at "
            "this source of the setup:",
            "  first_sound  the moment at which the first sound was heard, to the second or nearly so",
            "  stage_end    the end of the stage that the reading belongs to",
            "  written      the moment at which the reading was written down, after the cuff was released",
        ]

    def test_no_rows_need_no_meaning(self, tmp_path: Path) -> None:
        log = sheet(tmp_path, HEADER, time_means=None)
        assert (log.time_means, log.events) == ("first_sound", [])


class TestForms:
    def test_semicolons_and_decimal_commas(self, tmp_path: Path) -> None:
        event = only(sheet(tmp_path, "time;sbp;k5;deflation_per_s\r\n09:41:20;148,5;82;2,5\r\n"))
        assert (event.k1_mmhg, event.k5_mmhg, event.deflation_mmhg_per_s) == (148.5, 82, 2.5)

    def test_byte_order_mark_remarks_empty_rows_and_short_rows(self, tmp_path: Path) -> None:
        text = b"\xef\xbb\xbf# invented\n\n" + HEADER.encode() + b",,,,,,,,,,\n# 09:40,1\n\n09:41:20,148\n"
        assert only(sheet(tmp_path, text)).k1_mmhg == 148

    def test_notes_of_windows_and_of_unicode(self, tmp_path: Path) -> None:
        for coding in ("cp1252", "utf-8"):
            assert only(sheet(tmp_path, "time,sbp,note\n09:41:20,148,müde\n".encode(coding))).note == "müde"

    def test_a_quoted_note_over_two_lines(self, tmp_path: Path) -> None:
        log = sheet(tmp_path, 'time,sbp,note\n09:41:20,148,"tired\nand hot"\n09:44:20,150,\n')
        assert [event.k1_mmhg for event in log.events] == [148, 150]  # type: ignore[attr-defined]
        assert log.events[0].note == "tired\nand hot"  # type: ignore[attr-defined]

    def test_empty_columns_at_the_end(self, tmp_path: Path) -> None:
        assert only(sheet(tmp_path, "time,sbp,,\n09:41:20,148,,\n")).k1_mmhg == 148

    def test_the_last_line_may_lack_its_end_when_it_is_whole(self, tmp_path: Path) -> None:
        assert only(sheet(tmp_path, "time,sbp\n09:41:20,148")).k1_mmhg == 148

    def test_the_examples_of_the_template(self, tmp_path: Path) -> None:
        lines = TEMPLATE.read_text(encoding="utf-8").splitlines()
        examples = [line.removeprefix("# ") for line in lines if line.startswith("# 09:")]
        log = sheet(tmp_path, "\n".join([lines[-1], *examples, ""]), rpe_scale="6-20", time_means=None)
        assert [event.kind for event in log.events].count("reading_taken") == 3
        assert [event.kind for event in log.events].count("reading_missed") == 1
        assert not [event for event in log.events if isinstance(event, LineRejected)]


@pytest.mark.parametrize(
    ("row", "said"),
    [
        (",148", "no time; write when the first sound was heard, like 09:41:20"),
        ("soon,148", "'soon' is no time"),
        ("09:41:20,high", "sbp: 'high' is no pressure in mmHg"),
        ("09:41:20,1480", "sbp: 1480 mmHg is more than a dial shows"),
        ("09:41:20,nan", "sbp: 'nan' is no pressure in mmHg"),
        ("09:41:20,148,x", "k4: 'x' is no pressure in mmHg"),
        ("09:41:20,148,,?", "k5: '?' is no pressure in mmHg"),
        ("09:41:20,148/82,,82", "sbp '148/82' holds the lower pressures and so do k4 or k5; write them once"),
        ("09:41:20,148,,82,both", "arm: 'both' is no arm; write left or right, or L or R"),
        ("09:41:20,148,,82,L,,999", "inflated_to: 999 mmHg is more than a dial shows"),
        ("09:41:20,148,,82,L,,190,0", "deflation_per_s: 0.0: should be greater than 0"),
        ("09:41:20,148,,82,L,,190,fast", "deflation_per_s: 'fast' is no number"),
        ("09:41:20,148,,82,L,,190,inf", "deflation_per_s: 'inf' is no number"),
        ("09:41:20,148,,82,L,,190,1e999", "deflation_per_s: '1e999' is no number"),
        ("09:41:20,148,,82,L,,190,2.5,loud", "clarity: 'loud': should be 'clear', 'difficult' or 'doubtful'"),
        ("09:41:20,148,,82,L,,190,2.5,clear,hard", "rpe: 'hard' is no number"),
        ("09:41:20,148,,82,L,,190,2.5,clear,5", "rpe 5 is not on the scale 6-20 of this test; correct it"),
        ("09:41:20,148,,82,L,,190,2.5,clear,13," + "x" * 2001, "note: 'xxx"),
        ("09:41:20,,,,,,,,,13," + "x" * 2001, "note: 'xxx"),
        ("09:41:20,148,,82,L,,190,2.5,clear,13,a,b", "12 cells under 11 columns; put a cell that holds ','"),
        ('09:41:20,148,,82,L,,190,2.5,clear,13,"a', "a quote is opened and not closed; close it"),
    ],
)
def test_a_wrong_row_is_kept_as_text_and_the_rows_beside_it_stay(tmp_path: Path, row: str, said: str) -> None:
    log = sheet(tmp_path, f"{HEADER}09:38:20,130\n{row}\n09:44:20,150\n", rpe_scale="6-20")
    before, rejected, after = log.events
    assert isinstance(rejected, LineRejected)
    assert rejected.raw == row[:2000]
    assert rejected.reason.startswith(f"line 3: {said}")
    assert (before.k1_mmhg, after.k1_mmhg) == (130, 150)  # type: ignore[attr-defined]
    # its own time where it has one, else that of the row before
    stated = row.startswith("09:41:20") and "cells" not in said and "quote" not in said
    wanted = datetime(2026, 3, 14, 8, 41 if stated else 38, 20, tzinfo=UTC)
    assert rejected.event_time == wanted


@pytest.mark.parametrize(
    ("columns", "cells", "said"),
    [
        ("k5,heard_to", "<40,30", "sounds heard to 40 and heard_to 30 differ; write one of them"),
        ("position", "sitting", "position: 'sitting': should be 'supine', 'semi_recumbent', 'seated',"),
        ("arm_support", "table", "arm_support: 'table': should be 'assessor', 'rest' or 'none'"),
        ("arm_below_heart_cm", "100", "arm_below_heart_cm: 100.0: should be less than or equal to 60"),
        ("role", "third", "role: 'third': should be 'primary' or 'second'"),
        ("deflation_per_beat", "-3", "deflation_per_beat: -3.0: should be greater than 0"),
        ("palpated", "x", "palpated: 'x' is no pressure in mmHg"),
        ("rpe", "21", "rpe: 21.0: should be less than or equal to 20"),
    ],
)
def test_wrong_cells_of_other_columns(tmp_path: Path, columns: str, cells: str, said: str) -> None:
    log = sheet(tmp_path, f"time,sbp,{columns}\n09:41:20,148,{cells}\n")
    assert rejection(log).startswith(f"line 2: {said}")


def test_heard_to_may_be_written_twice_when_it_is_the_same(tmp_path: Path) -> None:
    event = only(sheet(tmp_path, "time,sbp,k5,heard_to\n09:41:20,148,<40,40\n"))
    assert (event.heard_to_mmhg, event.k5_mmhg) == (40, None)


@pytest.mark.parametrize(
    ("written", "wanted"),
    [
        ("faint", {"code": "faint"}),
        ("chest_pain 0", {"code": "chest_pain", "severity": 0}),
        ("dizzy 7", {"code": "other", "text": "dizzy 7"}),
        ("Blurred sight", {"code": "other", "text": "Blurred sight"}),
    ],
)
def test_symptoms(tmp_path: Path, written: str, wanted: dict[str, Any]) -> None:
    _, symptom = sheet(tmp_path, f"time,sbp,symptom\n09:41:20,148,{written}\n").events
    assert fields(symptom) == wanted


def test_a_line_that_was_cut_off_is_not_taken_for_a_reading(tmp_path: Path) -> None:
    """`14` of `148` reads like a pressure; without its end and its cells it is not one."""
    log = sheet(tmp_path, HEADER + "09:41:20,148,,82,L,,190,2.5,clear,13,\n09:44:20,14")
    rejected = log.events[-1]
    assert isinstance(rejected, LineRejected)
    assert rejected.reason.startswith("line 3: the file ends within this line (2 of 11 cells); complete it")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "is empty, a reading sheet is wanted; write at least the header time,sbp"),
        ("# nothing\n\n", "is empty, a reading sheet is wanted"),
        (b"PK\x03\x04\x00\x00", "is no text, a reading sheet (CSV) is wanted; save it as CSV in UTF-8"),
        ("time,sbp\n".encode("utf-16"), "is no text, a reading sheet (CSV) is wanted"),
        ("when,sbp\n", "no column 'time'; found are 'when', 'sbp', wanted are at least time and sbp"),
        ("time,k5\n", "no column 'sbp'; found are 'time', 'k5', wanted are at least time and sbp"),
        ("09:41:20,148\n", "no column 'time'; found are '09:41:20', '148'"),
        (
            "time,sbp,claritty\n",
            "unknown column 'claritty'; did you mean 'clarity'?; known are time, sbp, k4,",
        ),
        ("time,sbp,,k5\n", "unknown column ''; known are time,"),
        ("time,sbp,k5,dbp\n", "column 'k5' stands twice in 'time', 'sbp', 'k5', 'dbp'; take one out"),
        ("time\tsbp\n", r"the header 'time\tsbp' is not cut by comma or semicolon; save the sheet with one"),
        ("time|sbp\n", "the header 'time|sbp' is not cut by comma or semicolon"),
    ],
)
def test_a_sheet_that_cannot_be_used(tmp_path: Path, text: str | bytes, said: str) -> None:
    assert refusal(tmp_path, text).startswith(f"sheet.csv: {said}")


class TestFiles:
    def test_missing(self, tmp_path: Path) -> None:
        with pytest.raises(InputError, match=r"none.csv: no such file, a reading sheet \(CSV\) is wanted"):
            read_sheet(tmp_path / "none.csv", name="sheet", started=STARTED, time_means=None)

    def test_a_folder(self, tmp_path: Path) -> None:
        with pytest.raises(
            InputError, match=r"is a folder, a reading sheet \(CSV\) is wanted; name the file"
        ):
            read_sheet(tmp_path, name="sheet", started=STARTED, time_means=None)

    def test_not_readable(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        def refuse(self: Path) -> bytes:
            raise PermissionError(13, "Permission denied")

        monkeypatch.setattr(Path, "read_bytes", refuse)
        with pytest.raises(InputError, match=r"cannot be read \(Permission denied\); check its permissions"):
            sheet(tmp_path, HEADER)


cell = st.one_of(
    st.just(""),
    st.integers(0, 300).map(str),
    st.sampled_from(["<40", ">200", "148/82", "L", "clear", '"', "09:41:20", "AB-1", "not_heard", ";", "\n"]),
    st.text(st.characters(exclude_categories=["Cs", "Cc"]), max_size=6),
)


@given(rows=st.lists(st.lists(cell, min_size=1, max_size=len(COLUMNS) + 1), max_size=6))
def test_whatever_rows_hold_a_good_row_is_read(
    tmp_path_factory: pytest.TempPathFactory, rows: list[list[str]]
) -> None:
    bad = "".join(",".join(row) + "\n" for row in rows)
    # the good row stands first: what follows may not reach back, and every event can be written
    text = ",".join(COLUMNS) + "\n09:41:20,148\n" + bad
    log = sheet(tmp_path_factory.mktemp("sheet"), text)
    assert fields(log.events[0]) == {"k1_mmhg": 148}
    for event in log.events:
        assert EVENT.validate_json(event.model_dump_json(exclude_none=True)) == event


def test_an_observer_by_name_costs_no_pressure_and_is_not_kept(tmp_path: Path) -> None:
    log = sheet(tmp_path, "time,sbp,k5,observer\n09:41:20,148,82,Anna\nsoon,150,80,Anna\n", observer="AB-1")
    reading, withheld, rejected = log.events
    assert isinstance(reading, ReadingTaken)
    assert (reading.k1_mmhg, reading.k5_mmhg, reading.observer) == (148, 82, None)
    assert isinstance(withheld, LineRejected)
    assert withheld.reason == (
        "observer: a code is wanted, not a name, like AB-1; the reading is kept without one"
    )
    # a row that is lost for another reason is kept as text, without the name
    assert isinstance(rejected, LineRejected)
    assert rejected.raw == "soon,150,80,(observer withheld)"
    assert "anna" not in "".join(event.model_dump_json() for event in log.events).lower()
