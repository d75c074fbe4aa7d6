"""What is typed during a test: every notation, and every way of getting it wrong."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from typing import Any, get_args

import pytest

from adapters.pressure_notation import Pressures
from adapters.typed_entry import (
    REASONS,
    Acknowledge,
    Correct,
    Heard,
    Help,
    Mark,
    Typist,
    doubts,
    inflated_again,
)
from pipeline.control import Begin, Close, Hold, LowerLoad, NextStage, Recover, Stop
from pipeline.errors import InputError
from pipeline.events import EndReason, Event, MissedReason, ReadingTaken

BERLIN = timezone(timedelta(hours=1))
TYPIST = Typist(datetime(2026, 3, 14, 9, 30, tzinfo=BERLIN))
NOW = datetime(2026, 3, 14, 8, 41, 30, tzinfo=UTC)  # 09:41:30 on the wall
NO_MARKS = Heard()


def said(text: str, heard: Heard = NO_MARKS) -> dict[str, Any]:
    """The fields that `text` gives beside kind, source and role."""
    event = TYPIST.read(text, NOW, heard)
    assert isinstance(event, Event)
    assert event.source == "terminal"
    return {
        name: value for name, value in event if value is not None and name not in ("kind", "source", "role")
    }


@pytest.mark.parametrize(
    ("text", "fields"),
    [
        ("148/82", {"k1_mmhg": 148, "k5_mmhg": 82}),
        ("148", {"k1_mmhg": 148}),
        ("148/70/0", {"k1_mmhg": 148, "k4_mmhg": 70, "k5_mmhg": 0}),
        ("148/70/<40", {"k1_mmhg": 148, "k4_mmhg": 70, "heard_to_mmhg": 40}),
        (">200/82", {"k1_mmhg": 200, "k1_at_least": True, "k5_mmhg": 82}),
        ("148/82 L", {"arm": "left"}),
        ("148/82 r", {"arm": "right"}),
        ("148/82 held", {"arm_support": "assessor"}),
        ("148/82 rested", {"arm_support": "rest"}),
        ("148/82 unsupported", {"arm_support": "none"}),
        ("148/82 below4", {"arm_below_heart_cm": 4}),
        ("148/82 above4,5", {"arm_below_heart_cm": -4.5}),
        ("148/82 i190 p140", {"inflated_to_mmhg": 190, "palpated_mmhg": 140}),
        ("148/82 d2.5", {"deflation_mmhg_per_s": 2.5}),
        ("148/82 b3", {"deflation_mmhg_per_beat": 3}),
        ("148/82 doubtful", {"clarity": "doubtful"}),
        ("148/82 AB-2", {"observer": "AB-2"}),
    ],
)
def test_a_reading_is_written_in_the_trades_notation(text: str, fields: dict[str, Any]) -> None:
    usual = {"event_time": NOW, "measured_source": "estimated"}
    if text.partition(" ")[2]:
        usual |= {"k1_mmhg": 148, "k5_mmhg": 82}
    assert said(text) == usual | fields


def test_marks_and_stated_times_are_the_first_sound() -> None:
    first, last = NOW - timedelta(seconds=20), NOW - timedelta(seconds=4)
    marked = said("148/82", Heard(first, last))
    assert (marked["event_time"], marked["last_sound_at"]) == (first, last)
    assert marked["measured_source"] == "marked"
    stated = said("148/82 @09:41:20", Heard(first, last))
    # 09:41:20 in +01:00; what is stated takes the place of what was marked
    assert stated["event_time"] == datetime(2026, 3, 14, 8, 41, 20, tzinfo=UTC)
    assert stated["measured_source"] == "stated"
    assert "last_sound_at" not in stated


def test_a_second_observer_is_named_so() -> None:
    typed = TYPIST.read("150/80 second AB-2", NOW)
    assert isinstance(typed, ReadingTaken)
    assert (typed.role, typed.observer) == ("second", "AB-2")
    first = TYPIST.read("150/80", NOW)
    assert isinstance(first, ReadingTaken)
    assert first.role == "primary"


@pytest.mark.parametrize(
    ("text", "meant"),
    [
        ("begin", Begin()),
        ("NEXT", NextStage()),
        ("lower", LowerLoad()),
        ("recovery", Recover()),
        ("close", Close()),
        ("hold", Hold(30.0)),
        ("hold 45", Hold(45.0)),
        ("stop exhaustion", Stop("exhaustion", "operator")),
        ("stop participant_wish participant", Stop("participant_wish", "participant")),
        ("k1", Mark("k1")),
        ("k5", Mark("k5")),
        ("ack", Acknowledge()),
        ("help", Help()),
        ("?", Help()),
        ("amend 148/82 typed wrong", Correct(Pressures(148, k5_mmhg=82), "typed wrong")),
        ("amend void wrong arm", Correct(None, "wrong arm")),
    ],
)
def test_words_ask_for_something(text: str, meant: Any) -> None:
    assert TYPIST.read(text, NOW) == meant


@pytest.mark.parametrize(
    ("text", "fields"),
    [
        ("missed not_heard", {"attempted": True, "reason": "not_heard"}),
        ("missed not_attempted", {"attempted": False, "reason": "not_attempted"}),
        (
            "missed arm_moved they grabbed it",
            {"attempted": True, "reason": "arm_moved", "text": "they grabbed it"},
        ),
        ("rpe 13", {"rpe": 13}),
        ("rpe 15,5 legs", {"rpe": 15.5, "about": "legs"}),
        ("symptom dizzy 1", {"code": "dizzy", "severity": 1}),
        ("symptom dizzy on getting up", {"code": "dizzy", "text": "on getting up"}),
        ("sign arrhythmia", {"code": "arrhythmia"}),
        ("note saddle raised", {"text": "saddle raised"}),
        ("cuff 30x12,5", {"bladder_length_cm": 30, "bladder_width_cm": 12.5}),
    ],
)
def test_words_note_something(text: str, fields: dict[str, Any]) -> None:
    assert said(text) == {"event_time": NOW} | fields


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("  ", "nothing was typed"),
        ("148/8x", "'8x' is no pressure in mmHg"),
        ("1480/82", "1480 mmHg is more than a dial shows"),
        ("148/82 left", "'left' after the pressures is not known; wanted are @09:41:20"),
        ("148/82 @9h", "9h"),
        ("148/82 @09:50:00", "@09:50:00 is still to come"),
        ("148/82 d0", "deflation_mmhg_per_s"),
        ("stopp exhaustion", "'stopp' is not known"),
        ("begin now", "begin stands alone; 'now' after it is not known"),
        ("ack all", "ack stands alone"),
        ("k1 now", "k1 stands alone"),
        ("missed", "missed wants one of not_attempted"),
        ("missed not_herd", "missed 'not_herd' is not known"),
        ("rpe", "rpe wants a number"),
        ("rpe hard", "rpe 'hard' is no number"),
        ("rpe 30", "rpe"),
        ("rpe 13 arms", "rpe 'arms' is not known"),
        ("symptom", "symptom wants one of chest_pain"),
        ("symptom dizy", "symptom 'dizy' is not known"),
        ("sign dizzy", "sign 'dizzy' is not known"),
        ("note", "note wants a few words"),
        ("cuff 30", "cuff wants length x width"),
        ("cuff 3.0.0x12", "cuff wants length x width"),
        ("hold long", "hold 'long': seconds are wanted"),
        ("hold 0", "hold 0: seconds from 1 to 3600"),
        ("stop", "stop wants one of protocol_complete"),
        ("stop tired", "stop 'tired' is not known"),
        ("stop exhaustion nobody", "stop 'nobody' is not known"),
        ("stop exhaustion operator now", "stop exhaustion operator stands alone"),
        ("amend 148/82", "amend wants the reading as it was, and why"),
        ("amend 148/8x typed wrong", "'8x' is no pressure"),
    ],
)
def test_what_cannot_be_read_is_said_with_what_is_wanted(text: str, words: str) -> None:
    with pytest.raises(InputError) as problem:
        TYPIST.read(text, NOW)
    assert words in str(problem.value)


def test_every_reason_can_be_typed() -> None:
    for reason in get_args(EndReason):
        assert TYPIST.read(f"stop {reason}", NOW) == Stop(reason)
    assert get_args(EndReason) == REASONS
    # the recorder alone writes not_entered, and a person may correct that
    for reason in get_args(MissedReason):
        assert said(f"missed {reason}")["reason"] == reason


@pytest.mark.parametrize(
    ("text", "asked"),
    [
        ("148/82", None),
        ("148/82 i190", None),
        ("82/148", "k5 148 is not below k1 82"),
        ("148/90/95", "k5 95 is above k4 90"),
        # pumped to 150, the first sound 2 below it
        ("148/82 i150", "pumped to 150: were there sounds when pumping stopped? then it is >148"),
        (">148/82 i150", None),
        ("90/84", "only 6 mmHg between"),
        ("45/20", "first sound at 45 mmHg"),
        ("310/120", "first sound at 310 mmHg"),
        ("148/70/0", None),
    ],
)
def test_what_is_not_likely_is_asked_about(text: str, asked: str | None) -> None:
    reading = TYPIST.read(text, NOW)
    assert isinstance(reading, ReadingTaken)
    doubt = doubts(reading)
    assert doubt is None if asked is None else doubt is not None and asked in doubt


def test_sounds_right_under_what_was_pumped_to() -> None:
    for k1, again in ((146, True), (145, False)):  # at most 4 below 150
        reading = TYPIST.read(f"{k1}/82 i150", NOW)
        assert isinstance(reading, ReadingTaken)
        assert inflated_again(reading) is again
