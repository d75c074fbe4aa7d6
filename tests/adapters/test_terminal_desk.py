"""The desk: keys in, what is asked of the recorder, what is said of the answer; on a clock that is moved."""

from __future__ import annotations

from concurrent.futures import Future
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from typing import Any

import pytest

from adapters.pressure_notation import Pressures
from adapters.terminal_bell import Bell
from adapters.terminal_desk import Desk, Facts
from adapters.terminal_words import Wall
from adapters.typed_entry import Heard, Typist
from pipeline.clock import ReplayClock
from pipeline.control import Begin, Control, Stop
from pipeline.errors import NotConfirmed, UsageError
from pipeline.events import Amended, Event, FlagAcknowledged, ReadingTaken, SignNoted, SymptomNoted
from pipeline.live_view import FlagShown, LiveView, PromptShown
from pipeline.output import CAUTION
from pipeline.prompt import Prompt, StageInForce
from pipeline.protocol import Stage

HERE = datetime(2026, 3, 14, 9, 30, tzinfo=timezone(timedelta(hours=1)))
VIEW = LiveView("T", "P-01", 0.0, "running")
STOP_FLAG = FlagShown("systolic_high", "stop", 9, 630.0, False, None)
RIDDEN = Stage(label="50 W", phase="exercise", position="ergometer", planned_s=180.0, target_watts=50.0)


class Recorded:
    """Remembers what is asked; a test answers."""

    def __init__(self) -> None:
        self.view = VIEW
        self.asked: list[tuple[Event | Control, Future[Event]]] = []
        self.interrupted = 0

    def ask(self, what: Event | Control) -> Future[Event]:
        self.asked.append((what, Future()))
        return self.asked[-1][1]

    def interrupt(self) -> None:
        self.interrupted += 1


class AtTheDesk:
    """A desk, what stands behind it, and hands."""

    def __init__(self, observer: str | None = "AB-1") -> None:
        self.recorded, self.clock = Recorded(), ReplayClock(HERE)
        self.corrected: list[tuple[Any, ...]] = []
        facts = Facts(self.clock, Wall(HERE), Typist(HERE), observer, self.correct, CAUTION)
        self.desk = Desk(self.recorded, facts)

    def correct(self, seq: int, pressures: Pressures | None, reason: str, by: str) -> list[Amended]:
        self.corrected.append((seq, pressures, reason, by))
        if reason == "same":
            raise UsageError("line 12 says so already")
        field, value = ("void", True) if pressures is None else ("k1_mmhg", pressures.k1_mmhg)
        return [
            Amended(
                event_time=self.clock.now(), source="amend", target_seq=seq, field=field, value=value,
                reason=reason, by=by,
            )
        ]  # fmt: skip

    def type(self, text: str, at_s: float | None = None) -> None:
        if at_s is not None:
            self.clock.move_to(at_s)
        for key in text:
            self.desk.press(key)
        self.desk.press("enter")

    def press(self, *keys: str, at_s: float | None = None) -> None:
        if at_s is not None:
            self.clock.move_to(at_s)
        for key in keys:
            self.desk.press(key)

    @property
    def asked(self) -> list[Event | Control]:
        return [what for what, _ in self.recorded.asked]

    def answer(self, seq: int = 12, error: Exception | None = None) -> None:
        """The recorder answers what was asked last: with a line of this number, or with an error."""
        what, answer = self.recorded.asked[-1]
        if error is not None:
            answer.set_exception(error)
        elif isinstance(what, Event):
            answer.set_result(what.model_copy(update={"seq": seq}))
        self.desk.settle()

    @property
    def said(self) -> str:
        return self.desk.typing.said


@pytest.fixture
def at() -> AtTheDesk:
    return AtTheDesk()


def test_an_entry_is_kept_when_it_is_on_disk_and_not_before(at: AtTheDesk) -> None:
    at.type("148/82", at_s=680)
    assert at.said == "148/82: being written"
    at.desk.settle()
    assert "kept" not in at.said
    at.answer(12)
    # 680 s after 09:30:00
    assert (at.said, at.desk.typing.said_style) == ("148/82 kept 09:41:20 (12)", "good")
    assert at.desk.typing.text == ""


def test_what_is_not_on_disk_is_never_shown_as_kept(at: AtTheDesk) -> None:
    at.type("148/82")
    at.answer(error=NotConfirmed("taken, but not on disk: the disk is full"))
    assert at.said == "NOT KEPT YET: 148/82: taken, but not on disk: the disk is full"
    assert at.desk.typing.said_style == "alarm"


def test_what_is_refused_stays_to_be_mended(at: AtTheDesk) -> None:
    at.type("148/8x")
    assert at.desk.typing.text == "148/8x"
    assert "'8x' is no pressure" in at.said
    assert at.asked == []
    at.press("back")
    at.type("2")
    assert at.desk.typing.text == ""
    at.answer(error=UsageError("the test is closed"))
    # refused by the recorder: the line is back
    assert (at.desk.typing.text, at.said) == ("148/82", "the test is closed")
    at.press("ctrl-u")
    assert at.desk.typing.text == ""


def test_the_space_bar_marks_the_first_and_the_last_sound(at: AtTheDesk) -> None:
    at.press(" ", at_s=680)
    at.press(" ", at_s=695)
    at.press(" ", at_s=698)  # one more beat was heard
    marked = Heard(HERE + timedelta(seconds=680), HERE + timedelta(seconds=698))
    assert at.desk.typing.heard == marked
    at.type("148/82 L", at_s=720)
    (reading,) = at.asked
    assert isinstance(reading, ReadingTaken)
    assert (reading.event_time, reading.last_sound_at) == (marked.first, marked.last)
    assert (reading.measured_source, reading.arm) == ("marked", "left")
    assert at.desk.typing.heard == Heard()
    at.answer(error=UsageError("no"))
    assert at.desk.typing.heard == marked  # with the line, the marks are back
    at.press("esc", "esc")
    assert at.desk.typing.heard == Heard()
    assert at.said == "the marks are forgotten"


def test_marks_can_be_typed(at: AtTheDesk) -> None:
    at.type("k5", at_s=10)
    assert "no first sound is marked" in at.said
    at.type("k1", at_s=20)
    at.type("k5", at_s=30)
    assert at.desk.typing.heard == Heard(HERE + timedelta(seconds=20), HERE + timedelta(seconds=30))


def test_one_key_notes_a_symptom_and_leaves_what_is_being_typed(at: AtTheDesk) -> None:
    at.press(*"148/", "f3")
    at.press("f9")
    at.press("ctrl-u", "2", "f1")
    first, second, third = at.asked
    assert isinstance(first, SymptomNoted)
    assert (first.code, first.severity) == ("dizzy", None)
    assert isinstance(second, SignNoted)
    assert second.code == "arrhythmia"
    # a digit typed before is the severity
    assert isinstance(third, SymptomNoted)
    assert (third.code, third.severity) == ("chest_pain", 2)
    assert at.desk.typing.text == ""


def test_a_line_stands_while_one_key_notes_something(at: AtTheDesk) -> None:
    at.press(*"148/", "f3")
    assert at.desk.typing.text == "148/"


def test_stop_is_one_action_whatever_is_open(at: AtTheDesk) -> None:
    at.press(*"148/", "f12")
    assert at.desk.typing.panel[0].startswith("STOP: why?")
    at.press("x")
    assert at.said == "press the key of a reason, or Esc"
    at.press("e")
    assert at.asked == [Stop("exhaustion")]
    assert at.desk.typing.panel == ()
    at.press("f12", "esc")
    assert at.desk.typing.panel == ()
    at.press("ctrl-u")
    at.type("stop leg_fatigue participant")
    at.type("begin")
    assert at.asked == [Stop("exhaustion"), Stop("leg_fatigue", "participant"), Begin()]


def test_ctrl_c_is_asked_about_once(at: AtTheDesk) -> None:
    at.press("ctrl-c", at_s=10)
    assert "once more within 5 s" in at.said
    at.press("ctrl-c", at_s=15.1)  # too late: asked again
    assert at.recorded.interrupted == 0
    at.press("ctrl-c", at_s=20)
    assert at.recorded.interrupted == 1


def test_the_flag_on_top_is_acknowledged(at: AtTheDesk) -> None:
    at.type("ack")
    assert (at.said, at.asked) == ("no flag waits to be seen", [])
    seen = replace(STOP_FLAG, code="symptom", acknowledged=True)
    at.recorded.view = replace(VIEW, flags=(seen, STOP_FLAG))
    at.type("ack")
    (event,) = at.asked
    assert isinstance(event, FlagAcknowledged)
    assert (event.code, event.target_seq, event.by) == ("systolic_high", 9, "AB-1")
    at.answer(14)
    assert at.said == "systolic high seen, kept 09:30:00 (14)"


def test_a_reading_that_is_not_likely_is_kept_and_asked_about(at: AtTheDesk) -> None:
    at.type("90/84")
    at.answer(20)
    assert at.said.startswith("90/84 kept 09:30:00 (20); only 6 mmHg between first and last sound")


def test_the_last_reading_is_corrected_with_a_reason(at: AtTheDesk) -> None:
    at.type("amend 148/82 typed wrong")
    assert (at.said, at.corrected) == ("there is no reading to correct yet", [])
    at.press("ctrl-u")
    at.type("184/82")
    at.answer(12)
    at.type("amend 148/82 typed wrong")
    assert at.corrected == [(12, Pressures(148.0, k5_mmhg=82.0), "typed wrong", "AB-1")]
    assert isinstance(at.asked[-1], Amended)
    at.answer(13)
    assert at.said == "reading 12: k1_mmhg 148 kept 09:30:00 (13)"
    at.type("amend 148/82 same")
    assert at.said == "line 12 says so already"
    at.press("ctrl-u")
    at.type("amend void wrong arm")
    at.answer(14)
    assert at.said == "reading 12: void true kept 09:30:00 (14)"
    at.type("amend 148/82 typed wrong")
    assert at.said == "there is no reading to correct yet"


def test_who_corrects_is_asked_for_where_no_observer_is_known() -> None:
    at = AtTheDesk(observer=None)
    at.type("184/82")
    at.answer(12)
    at.type("amend 148/82 typed wrong")
    assert at.said.startswith("who corrects it? type a code like AB-1")
    at.type("Anna")
    assert "'Anna' is no code of a person" in at.said
    at.press("ctrl-u")
    at.type("ab-3")
    assert at.corrected == [(12, Pressures(148.0, k5_mmhg=82.0), "typed wrong", "AB-3")]
    at.type("amend 148/82 typed wrong")
    at.press("esc")
    assert at.said == "nothing is corrected"
    at.type("rpe 13")
    assert len(at.corrected) == 1


def test_help_opens_and_any_key_closes_it(at: AtTheDesk) -> None:
    at.press("?")
    panel = at.desk.typing.panel
    assert panel[-1] == CAUTION
    assert max(len(line) for line in panel[:-1]) <= 80
    at.press("1")
    assert (at.desk.typing.panel, at.desk.typing.text) == ((), "1")
    assert len(at.desk.screen(80, 24)) == 24


# ---- the bell


def prompted(cuff_up: float, due_seq: int | None = 20) -> PromptShown:
    prompt = Prompt(
        key="1:end", stage_index=1, aims_at="stage_end", fits="whole", stand_by=cuff_up - 20, cuff_up=cuff_up,
        first_sound_due=cuff_up + 26, window_closes=cuff_up + 84, inflate_to=190.0, listen_to=50.0,
        expected_sbp=150.0, expected_dbp=70.0, snapshot_seq=4, t1=26.0, t2=32.0, tail=11.0, slack=26.0,
    )  # fmt: skip
    return PromptShown(prompt, due_seq)


def test_the_bell_sounds_for_stand_by_and_the_last_three_seconds_then_keeps_quiet() -> None:
    view = replace(VIEW, stage=StageInForce(1, RIDDEN, 600.0, 780.0), prompts=(prompted(696.0),))
    bell = Bell()
    sounded = {step / 5 for step in range(600 * 5, 800 * 5) if bell.due(view, step / 5)}
    # the stage, stand-by 20 s before, then with 3, 2 and 1 s left; nothing from 696 s on
    assert sounded == {600.0, 676.0, 693.0, 694.0, 695.0}


def test_a_flag_that_came_in_the_middle_of_a_reading_sounds_after_its_entry() -> None:
    view = replace(VIEW, prompts=(prompted(696.0),), flags=(STOP_FLAG,))
    bell = Bell()
    assert bell.due(view, 700) == 0
    entered = replace(view, prompts=())
    assert bell.due(entered, 701) == 2
    assert bell.due(entered, 702) == 0
    check = replace(STOP_FLAG, code="arm_changed", level="check")
    assert bell.due(replace(entered, flags=(check, STOP_FLAG)), 703) == 0
