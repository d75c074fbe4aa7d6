"""Every kind of event: what it accepts, what it refuses, and that a journal line gives it back."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError

from pipeline.events import (
    EVENT,
    KINDS,
    MEASURES,
    Amended,
    Code,
    Event,
    LineRejected,
    Name,
    NoteWritten,
    ReadingTaken,
    Sample,
    SourceLog,
    SourceOpened,
    TestClosed,
    TestOpened,
    utc_text,
)
from pipeline.protocol import Limits, Protocol, Stage

NINE = datetime(2025, 3, 4, 9, 0, tzinfo=UTC)
STAGE = Stage(label="50 W", phase="exercise", position="ergometer", planned_s=180.0, target_watts=50.0)

# what each kind needs beside seq, event_time, elapsed_s and source
NEEDED: dict[str, dict] = {
    "test_opened": {
        "mode": "live",
        "anchor": NINE,
        "test_id": "P-07-20250304-0900",
        "study": "pilot",
        "participant": "P-07",
        "rules_digest": "0",
        "software": "cuffwatt 0",
    },
    "test_resumed": {"anchor": NINE, "gap_s": 3.5, "software": "cuffwatt 0", "rules_digest": "0"},
    "source_opened": {"name": "ergometer", "adapter": "csv"},
    "sample": {"watts": 50.0},
    "line_rejected": {"raw": "5O,60", "reason": "no number"},
    "source_lost": {"reason": "unplugged"},
    "source_found": {"gap_s": 12.0},
    "stage_started": {
        "stage_index": 0,
        "label": "rest",
        "phase": "rest",
        "position": "seated",
        "by": "schedule",
    },
    "stage_extended": {"stage_index": 1, "seconds": 15.0},
    "reading_due": {
        "stage_index": 1,
        "stand_by": NINE,
        "cuff_up": NINE,
        "first_sound_due": NINE,
        "window_closes": NINE,
        "listen_to_mmhg": 50.0,
        "expected_sbp_mmhg": 150.0,
        "aims_at": "stage_end",
        "fits": "whole",
        "snapshot_seq": 3,
        "by": "live",
    },
    "prompt_late": {"due_seq": 4, "late_s": 1.5},
    "prompt_superseded": {"due_seq": 4, "reason": "the stage changed"},
    "reading_taken": {"measured_source": "marked"},
    "reading_missed": {"attempted": True, "reason": "not_heard"},
    "exertion_rated": {"rpe": 13.0},
    "symptom_noted": {"code": "dizzy"},
    "sign_noted": {"code": "st_change"},
    "note_written": {"text": "fan on"},
    "cuff_changed": {},
    "amended": {"target_seq": 9, "field": "k1_mmhg", "reason": "misread", "by": "O-1"},
    "flag_raised": {"code": "rest_short", "level": "check", "target_seq": 9},
    "flag_acknowledged": {"code": "rest_short", "target_seq": 9},
    "clock_stepped": {"cause": "wall", "step_s": -3600.0},
    "journal_repaired": {"bytes_cut": 12, "backup": "journal.torn-12.bak"},
    "test_closed": {"outcome": "completed", "counts": {"test_opened": 1}},
}


def event(kind: str, **fields: object) -> Event:
    base = {"seq": 7, "event_time": NINE, "elapsed_s": 0.5, "source": "invented"}
    return KINDS[kind](**(base | NEEDED[kind] | fields))


def line(made: Event) -> str:
    return made.model_dump_json(exclude_none=True)


def test_the_kinds_are_those_of_the_journal():
    assert set(KINDS) == set(NEEDED)
    assert len(KINDS) == 25


@pytest.mark.parametrize("kind", NEEDED)
def test_every_kind_comes_back_from_its_line(kind):
    made = event(kind)
    fields = list(json.loads(line(made)))
    assert fields[:5] == ["seq", "kind", "event_time", "elapsed_s", "source"]
    assert made.kind == kind
    assert EVENT.validate_json(line(made)) == made


@pytest.mark.parametrize("kind", NEEDED)
def test_every_kind_comes_without_a_number_from_an_adapter(kind):
    made = event(kind, seq=None, elapsed_s=None)
    assert list(json.loads(line(made)))[:3] == ["kind", "event_time", "source"]


def without_units() -> list[tuple[str, str]]:
    return [(kind, field) for kind, needed in NEEDED.items() for field in needed if kind != "sample"]


@pytest.mark.parametrize(("kind", "field"), without_units())
def test_what_a_kind_needs_cannot_be_left_out(kind, field):
    fields = json.loads(line(event(kind)))
    del fields[field]
    with pytest.raises(ValidationError, match="Field required"):
        EVENT.validate_json(json.dumps(fields))


@pytest.mark.parametrize("kind", NEEDED)
def test_an_unknown_field_is_refused(kind):
    with pytest.raises(ValidationError, match="Extra inputs are not permitted"):
        event(kind, colour="red")


def test_an_unknown_kind_is_refused():
    with pytest.raises(ValidationError, match="does not match any of the expected tags"):
        EVENT.validate_json(line(event("note_written")).replace("note_written", "dreamt"))


def test_an_event_cannot_be_changed():
    with pytest.raises(ValidationError, match="frozen"):
        event("note_written").text = "other"


def test_a_full_opening_comes_back():
    made = event(
        "test_opened",
        visit=2,
        purpose="retest",
        intent="maximal",
        age_years=54.0,
        sex="female",
        height_cm=168.0,
        mass_kg=70.5,
        arm_circumference_cm=30.0,
        medication="beta_blocker+other",
        pacemaker=False,
        ergometer_posture="upright",
        rpe_scale="6-20",
        observer="O-1",
        people=2,
        bladder_length_cm=24.0,
        bladder_width_cm=12.0,
        gauge_step_mmhg=2.0,
        gauge_checked_on=date(2024, 11, 3),
        protocol=Protocol(name="invented", stages=(STAGE,)),
        limits=Limits(heart_rate_bpm=150.0),
        timezone="Europe/Oslo",
    )
    back = EVENT.validate_json(line(made))
    assert back == made
    assert isinstance(back, TestOpened)
    assert back.protocol.stages == (STAGE,)
    assert json.loads(line(made))["gauge_checked_on"] == "2024-11-03"


# --- times


def test_a_time_is_kept_in_utc_with_microseconds_and_z():
    oslo = datetime(2025, 3, 4, 10, 0, 1, 5, tzinfo=timezone(timedelta(hours=1)))
    made = event("note_written", event_time=oslo)
    assert json.loads(line(made))["event_time"] == "2025-03-04T09:00:01.000005Z"
    assert made.event_time.tzinfo is UTC
    assert utc_text(oslo) == "2025-03-04T09:00:01.000005Z"
    assert utc_text(NINE) == "2025-03-04T09:00:00.000000Z"


@pytest.mark.parametrize("field", ["event_time", "anchor"])
def test_a_time_without_an_offset_is_refused(field):
    with pytest.raises(
        ValidationError, match=r"a time without an offset; write one that ends in Z or \+hh:mm"
    ):
        event("test_opened", **{field: datetime(2025, 3, 4, 9, 0)})  # noqa: DTZ001 - the mistake itself
    text = line(event("note_written")).replace(".000000Z", "")
    with pytest.raises(ValidationError, match="a time without an offset"):
        EVENT.validate_json(text)


# --- people and names


@pytest.mark.parametrize("code", ["P-07", "07", "A1", "STUDY-4-PART-012", "0-"])
def test_codes_are_accepted(code):
    assert event("test_opened", participant=code).participant == code


@pytest.mark.parametrize(
    "code",
    [
        "",
        "7",
        "ANNA",
        "JOHN-SMITH",
        "Anna-1",
        "anna1",
        "ANNA SMITH 1",
        "A_1",
        "É-1",
        "P-07\n",
        "STUDY-4-PART-0123",
    ],
)
@pytest.mark.parametrize(
    ("kind", "field"),
    [
        ("test_opened", "participant"),
        ("test_opened", "observer"),
        ("reading_taken", "observer"),
        ("amended", "by"),
        ("flag_acknowledged", "by"),
    ],
)
def test_a_code_that_looks_like_a_name_is_refused(kind, field, code):
    with pytest.raises(
        ValidationError, match="a code is wanted, not a name: 2 to 16 capitals, digits and hyp"
    ):
        event(kind, **{field: code})


@given(st.text(alphabet="ABCXYZ0189-", max_size=18))
def test_a_code_has_2_to_16_of_its_characters_and_a_digit(text):
    fits = 2 <= len(text) <= 16 and any(c.isdigit() for c in text)
    try:
        TypeAdapter(Code).validate_python(text)
    except ValidationError:
        assert not fits
    else:
        assert fits


@pytest.mark.parametrize("name", ["", "-a", "_a", "a b", "a/b", "..", "é", "a\n", "a" * 65])
def test_a_study_or_test_that_cannot_name_a_folder_is_refused(name):
    with pytest.raises(ValidationError):
        TypeAdapter(Name).validate_python(name)
    with pytest.raises(ValidationError):
        event("test_opened", study=name)


@pytest.mark.parametrize("name", ["a", "P-07-20250304-0900", "a" * 64, "0_-"])
def test_a_study_or_test_that_can_is_accepted(name):
    assert event("test_opened", test_id=name, study=name).study == name


# --- values


@pytest.mark.parametrize("value", [float("nan"), float("inf"), float("-inf")])
def test_no_number_that_is_none(value):
    with pytest.raises(ValidationError, match="finite number"):
        event("sample", watts=value)
    with pytest.raises(ValidationError):
        EVENT.validate_json('{"kind":"sample","event_time":"2025-03-04T09:00:00Z","source":"a","watts":NaN}')


@pytest.mark.parametrize(
    ("kind", "fields"),
    [
        ("sample", {"watts": "50"}),
        ("sample", {"seq": -1}),
        ("sample", {"seq": 1.5}),
        ("sample", {"elapsed_s": -0.1}),
        ("sample", {"source": ""}),
        ("reading_taken", {"k1_mmhg": 401.0}),
        ("reading_taken", {"k5_mmhg": -1.0}),
        ("reading_taken", {"arm": "both"}),
        ("reading_taken", {"k1_at_least": "yes"}),
        ("reading_taken", {"deflation_mmhg_per_s": 0.0}),
        ("reading_missed", {"reason": "forgot"}),
        ("exertion_rated", {"rpe": 21.0}),
        ("symptom_noted", {"severity": 5}),
        ("note_written", {"text": "x" * 2001}),
        ("amended", {"reason": ""}),
        ("test_opened", {"people": 3}),
        ("test_opened", {"journal_version": 2}),
        ("journal_repaired", {"bytes_cut": 0}),
        ("test_closed", {"counts": {"sample": 1.5}}),
    ],
)
def test_a_value_out_of_its_range_or_type_is_refused(kind, fields):
    with pytest.raises(ValidationError):
        event(kind, **fields)


@pytest.mark.parametrize("text", ["beta_blocker", "other", "none", "unknown", "beta_blocker+other"])
def test_medication_is_a_known_word_or_several(text):
    assert event("test_opened", medication=text).medication == text


@pytest.mark.parametrize("text", ["", "aspirin", "beta_blocker+", "beta_blocker+none", "other,other"])
def test_medication_of_other_words_is_refused(text):
    with pytest.raises(ValidationError):
        event("test_opened", medication=text)


# --- round trips


times = st.datetimes(datetime(1990, 1, 1), datetime(2100, 1, 1), timezones=st.just(UTC))  # noqa: DTZ001
numbers = st.none() | st.floats(allow_nan=False, allow_infinity=False)
pressures = st.none() | st.floats(0, 400)
texts = st.text(max_size=200)
base = {
    "seq": st.integers(0, 10**9),
    "event_time": times,
    "elapsed_s": st.floats(0, 10**6),
    "source": st.text(min_size=1, max_size=64),
}


@given(
    st.one_of(
        st.builds(Sample, **base, **dict.fromkeys(MEASURES, numbers)),
        st.builds(NoteWritten, **base, text=texts),
        st.builds(LineRejected, **base, raw=texts, reason=texts),
        st.builds(
            ReadingTaken,
            **base,
            k1_mmhg=pressures,
            k1_at_least=st.none() | st.booleans(),
            k4_mmhg=pressures,
            k5_mmhg=pressures,
            measured_source=st.sampled_from(["marked", "stated", "estimated"]),
            last_sound_at=st.none() | times,
            arm=st.sampled_from([None, "left", "right"]),
            clarity=st.sampled_from([None, "clear", "difficult", "doubtful"]),
            observer=st.sampled_from([None, "O-1"]),
            note=st.none() | texts,
        ),
        st.builds(
            Amended,
            **base,
            target_seq=st.integers(0, 10**9),
            field=st.text(min_size=1, max_size=40),
            value=st.one_of(numbers, st.booleans(), texts),
            reason=st.text(min_size=1, max_size=200),
            by=st.just("O-1"),
        ),
        st.builds(
            TestClosed,
            **base,
            outcome=st.sampled_from(["completed", "stopped", "interrupted"]),
            counts=st.dictionaries(st.sampled_from(sorted(KINDS)), st.integers(0, 10**6)),
        ),
    )
)
def test_any_event_comes_back_from_its_line(made):
    text = line(made)
    back = EVENT.validate_json(text)
    assert back == made
    assert line(back) == text
    assert "\n" not in text


@pytest.mark.parametrize("value", [True, False, 1.0, 0.0, 148.5, "1", "", None])
def test_an_amended_value_keeps_its_type(value):
    back = EVENT.validate_json(line(event("amended", value=value)))
    assert back.value == value
    assert type(back.value) is type(value)


def test_a_source_read_whole_has_lists_of_its_own():
    opened = SourceOpened(event_time=NINE, source="a", name="a", adapter="csv")
    first, second = SourceLog(opened), SourceLog(opened)
    first.events.append(event("sample"))
    assert (second.events, second.align_to) == ([], None)
