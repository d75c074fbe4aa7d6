"""The desk at which a test is followed on a terminal: keys in, what is asked of the recorder, a screen out.

No terminal is touched here, and nothing waits: what was asked is looked after in `settle`.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from typing import Literal, Protocol

from adapters.pressure_notation import Pressures
from adapters.terminal_bell import Bell
from adapters.terminal_keys import SAID_BY_KEY, STOP_KEY, STOP_REASONS
from adapters.terminal_screen import Line, Style, Typing, screen
from adapters.terminal_words import Wall
from adapters.typed_entry import Acknowledge, Correct, Heard, Help, Mark, Typist, doubts
from pipeline.clock import Clock
from pipeline.control import Control, Stop
from pipeline.errors import CuffwattError, InputError, NotConfirmed
from pipeline.events import Amended, Event, FlagAcknowledged, ReadingTaken
from pipeline.live_view import LiveView

AGAIN_WITHIN_S = 5.0
LONGEST = 400
_CODE = re.compile(r"(?=.*[0-9])[A-Za-z0-9-]{2,16}")
HELP = (
    "148/82  148/70/0  148/70/<40 heard to 40  >200/82 sounds when pumping stopped",
    "after it: @09:41:20  L R  i190 pumped to  p140 pulse gone  d2.5 /s  b3 /beat",
    "  clear difficult doubtful  held rested unsupported  below4 cm  second  AB-2",
    "space, line empty: first sound; again: last sound; Esc forgets; or k1, k5",
    "missed not_heard  rpe 13  symptom dizzy 1  sign arrhythmia  note ...",
    "the last reading: amend 148/82 typed wrong  amend void wrong arm",
    "ack: the flag on top was seen  cuff 30x12  hold 30",
    "begin  next  lower  recovery  stop exhaustion  close",
    "one key each; a digit typed before is the severity:",
    *(
        "  " + "  ".join(f"{key.upper()} {what.partition(' ')[2].replace('_', ' ')}" for key, what in part)
        for part in (list(SAID_BY_KEY.items())[:6], list(SAID_BY_KEY.items())[6:])
    ),
    "F12 stop, then one key: why  Ctrl-C twice: interrupt  Ctrl-U: empty the line",
)
WHY = (
    "STOP: why? one key; Esc: do not stop",
    *(
        "  " + "  ".join(f"{key} {reason.replace('_', ' ')}" for key, reason in part)
        for part in (
            list(STOP_REASONS.items())[:5],
            list(STOP_REASONS.items())[5:10],
            list(STOP_REASONS.items())[10:13],
            list(STOP_REASONS.items())[13:],
        )
    ),
)


class Recorded(Protocol):
    """The test that is being recorded, as far as a console needs it."""

    view: LiveView

    def ask(self, what: Event | Control) -> Future[Event]:
        """Queue an entry or a control; answered when it is on disk."""

    def interrupt(self) -> None:
        """Close the test as interrupted."""


@dataclass(frozen=True)
class Facts:
    """What of a test does not change: its clock, how times are shown and read, who observes.

    `correct` plans a correction: seq of a reading, its pressures (None: void), reason, code of who.
    """

    clock: Clock
    wall: Wall
    typist: Typist
    observer: str | None
    correct: Callable[[int, Pressures | None, str, str], Sequence[Amended]]
    caution: str


@dataclass(frozen=True)
class Asked:
    """What was asked, as it was typed, and its answer."""

    text: str
    what: Event | Control
    heard: Heard
    answer: Future[Event]


class Desk:
    """What was typed and asked so far."""

    def __init__(self, recorded: Recorded, facts: Facts) -> None:
        self._recorded, self._facts = recorded, facts
        self._bell = Bell()
        self._text, self._heard = "", Heard()
        self._said = ""
        self._said_style: Style = ""
        self._panel: Literal["", "help", "stop"] = ""
        self._asked: list[Asked] = []
        self._correction: Correct | None = None
        self._taken: set[int] = set()
        self._voided: set[int] = set()
        self._warned_s: float | None = None

    @property
    def typing(self) -> Typing:
        """What the screen shows of it."""
        panel: tuple[str, ...] = ()
        if self._panel:
            panel = (*HELP, self._facts.caution) if self._panel == "help" else WHY
        return Typing(self._text, self._heard, self._said, self._said_style, panel)

    def screen(self, columns: int, rows: int) -> list[Line]:
        """The screen now."""
        facts = self._facts
        now_s = facts.clock.elapsed()
        return screen(self._recorded.view, now_s, self.typing, facts.wall, facts.caution, columns, rows)

    def strokes(self) -> int:
        """How often the bell is to sound now."""
        return self._bell.due(self._recorded.view, self._facts.clock.elapsed())

    def press(self, key: str) -> None:
        """One key, named as `Keyboard` names it."""
        if key == "ctrl-c":
            self._interrupt()
        elif key == STOP_KEY:
            self._panel = "stop"
        elif key in SAID_BY_KEY:
            severity = self._text if self._text in ("0", "1", "2", "3", "4") else ""
            if severity:
                self._text = ""
            self._read(f"{SAID_BY_KEY[key]} {severity}".strip(), by_key=True)
        elif self._panel == "stop":
            self._stop(key)
        elif self._panel == "help":
            self._panel = ""
            if key not in ("esc", "?", "enter", " "):
                self.press(key)
        elif key == "enter":
            self._enter()
        elif key == "esc":
            self._forget()
        elif key == "back":
            self._text = self._text[:-1]
        elif key == "ctrl-u":
            self._text = ""
        elif key == " " and not self._text:
            self._mark("k1" if self._heard.first is None else "k5")
        elif key == "?" and not self._text:
            self._panel = "help"
        elif len(key) == 1 and len(self._text) < LONGEST:
            self._text += key

    def settle(self) -> None:
        """Say what became of what was asked."""
        for asked in [asked for asked in self._asked if asked.answer.done()]:
            self._asked.remove(asked)
            try:
                event = asked.answer.result()
            except NotConfirmed as error:
                self._say(f"NOT KEPT YET: {asked.text}: {error}", "alarm")
            except CuffwattError as error:
                self._say(str(error), "bad")
                if not self._text:
                    self._text = asked.text
                if self._heard == Heard():
                    self._heard = asked.heard
            else:
                self._kept(asked, event)

    def _kept(self, asked: Asked, event: Event) -> None:
        said = f"{asked.text} kept {self._facts.wall.of(event.event_time)} ({event.seq})"
        if isinstance(event, ReadingTaken) and event.seq is not None:
            self._taken.add(event.seq)
            if (doubt := doubts(event)) is not None:
                self._say(f"{said}; {doubt}; amend it if not", "bad")
                return
        if isinstance(event, Amended) and event.field == "void" and event.value is True:
            self._voided.add(event.target_seq)
        self._say(said, "good")

    def _say(self, words: str, style: Style) -> None:
        self._said, self._said_style = words, style

    def _enter(self) -> None:
        text = self._text.strip()
        if not text:
            return
        if self._correction is None:
            self._read(text)
        elif _CODE.fullmatch(text):
            correction, self._correction = self._correction, None
            self._correct(correction, text, text.upper())
        else:
            self._say(
                f"{text!r} is no code of a person; one has a digit in it, like AB-1; Esc forgets it", "bad"
            )

    def _read(self, text: str, *, by_key: bool = False) -> None:
        """What was typed, or what a key stands for; what cannot be read stays there to be mended."""
        facts = self._facts
        try:
            typed = facts.typist.read(text, facts.clock.now(), self._heard)
        except InputError as error:
            self._say(str(error), "bad")
            return
        if isinstance(typed, Correct):
            self._correct(typed, text, facts.observer)
            return
        if not by_key:
            self._text = ""
        if isinstance(typed, Mark):
            self._mark(typed.sound)
        elif isinstance(typed, Acknowledge):
            self._acknowledge()
        elif isinstance(typed, Help):
            self._panel = "help"
        else:
            self._ask(typed, text)

    def _ask(self, what: Event | Control, text: str) -> None:
        heard = Heard()
        if isinstance(what, ReadingTaken):
            heard, self._heard = self._heard, heard
        self._asked.append(Asked(text, what, heard, self._recorded.ask(what)))
        self._say(f"{text}: being written", "")

    def _mark(self, sound: Literal["k1", "k5"]) -> None:
        now = self._facts.clock.now()
        if sound == "k1":
            self._heard = Heard(now)
        elif self._heard.first is None:
            self._say("no first sound is marked; mark it with the space bar or k1, then the last", "bad")
            return
        else:
            self._heard = Heard(self._heard.first, now)
        self._say("marked; type the reading, Esc forgets the marks", "")

    def _forget(self) -> None:
        """Esc: the line, then a correction that waits, then the marks."""
        if self._text:
            self._text = ""
        elif self._correction is not None:
            self._correction = None
            self._say("nothing is corrected", "")
        elif self._heard != Heard():
            self._heard = Heard()
            self._say("the marks are forgotten", "")
        else:
            self._say("", "")

    def _acknowledge(self) -> None:
        top = next((one for one in self._recorded.view.flags if not one.acknowledged), None)
        if top is None:
            self._say("no flag waits to be seen", "bad")
            return
        seen = FlagAcknowledged(
            event_time=self._facts.clock.now(),
            source=self._facts.typist.source,
            code=top.code,
            target_seq=top.target_seq,
            by=self._facts.observer,
        )
        self._ask(seen, f"{top.code.replace('_', ' ')} seen,")

    def _correct(self, correction: Correct, text: str, by: str | None) -> None:
        taken = {one.reading_id for one in self._recorded.view.readings if one.status == "taken"}
        seqs = (taken | self._taken) - self._voided
        if not seqs:
            self._say("there is no reading to correct yet", "bad")
            return
        if by is None:
            self._correction, self._text = correction, ""
            self._say("who corrects it? type a code like AB-1, then Enter; Esc forgets it", "bad")
            return
        try:
            planned = self._facts.correct(max(seqs), correction.pressures, correction.reason, by)
        except CuffwattError as error:
            self._say(str(error), "bad")
            return
        self._text = ""
        for one in planned:
            self._ask(one, f"reading {one.target_seq}: {one.field} {_plain(one.value)}")

    def _stop(self, key: str) -> None:
        if key == "esc":
            self._panel = ""
        elif key in STOP_REASONS:
            self._panel = ""
            reason = STOP_REASONS[key]
            self._ask(Stop(reason), f"stop {reason}")  # type: ignore[arg-type]  # reasons of EndReason
        else:
            self._say("press the key of a reason, or Esc", "bad")

    def _interrupt(self) -> None:
        now_s = self._facts.clock.elapsed()
        if self._warned_s is not None and now_s - self._warned_s <= AGAIN_WITHIN_S:
            self._recorded.interrupt()
            self._say("interrupted: the test is being closed", "alarm")
            return
        self._warned_s = now_s
        self._say(
            "Ctrl-C once more within 5 s closes the test as interrupted; F12 stops it with a reason", "alarm"
        )


def _plain(value: object) -> str:
    return "none" if value is None else f"{value:g}" if isinstance(value, float) else str(value).lower()
