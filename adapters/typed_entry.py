"""What is typed during a test, in the trade's notation, read into events and controls.

148/82  148/70/0  148/70/<40  >200/82     a reading, and after it in any order:
    @09:41:20       the moment of the first sound, where it was not marked
    L  R            arm;  held, rested, unsupported: how it lay;  below4, above4: cm off the heart
    i190            pumped to;  p140: where the pulse went
    d2.5  b3        let down, mmHg per second or per beat
    clear  difficult  doubtful
    second          heard by a second observer;  AB-2: by this observer
k1  k5              the first and the last sound are now
missed not_heard    a reading that is not there, and why
rpe 13              exertion;  rpe 15 legs
symptom dizzy 1     also sign arrhythmia;  note what was seen;  cuff 30x12 (another bladder, cm)
ack                 the flag on top was seen;  amend 148/82 typed wrong;  amend void wrong arm
begin  next  hold 30  lower  recovery  stop exhaustion  close
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Literal, get_args

from pydantic import ValidationError

from adapters.clock_time import clock_to_utc
from adapters.pressure_notation import Pressures, parse_pressures
from adapters.suggestion import nearest
from pipeline.control import (
    HOLD_S,
    Begin,
    Close,
    Control,
    Hold,
    LowerLoad,
    NextStage,
    Recover,
    Stop,
)
from pipeline.errors import InputError
from pipeline.events import (
    CuffChanged,
    EndReason,
    Event,
    ExertionRated,
    MissedReason,
    NoteWritten,
    ReadingMissed,
    ReadingTaken,
    SignNoted,
    StoppedBy,
    SymptomNoted,
)
from pipeline.protocol import first_problem

SYMPTOMS: tuple[str, ...] = get_args(SymptomNoted.model_fields["code"].annotation)
SIGNS: tuple[str, ...] = get_args(SignNoted.model_fields["code"].annotation)
REASONS: tuple[str, ...] = get_args(EndReason)
_NOT_ATTEMPTED = ("not_attempted", "participant_stopped")
_CONTROLS: dict[str, Control] = {
    "begin": Begin(), "next": NextStage(), "lower": LowerLoad(), "recovery": Recover(), "close": Close(),
}  # fmt: skip
WORDS = (
    *_CONTROLS, "k1", "k5", "missed", "rpe", "symptom", "sign", "note", "cuff", "ack", "amend", "hold",
    "stop", "help",
)  # fmt: skip
_SUPPORT = {"held": "assessor", "rested": "rest", "unsupported": "none"}
_OBSERVER = re.compile(r"(?=.*[0-9])(?=.*[A-Z])[A-Z0-9-]{2,16}")
_AHEAD = timedelta(seconds=2)


@dataclass(frozen=True)
class Mark:
    """The first (k1) or the last sound (k5) is now."""

    sound: Literal["k1", "k5"]


@dataclass(frozen=True)
class Acknowledge:
    """The flag on top was seen."""


@dataclass(frozen=True)
class Correct:
    """The last reading is corrected: `pressures`, or None to take it out."""

    pressures: Pressures | None
    reason: str


@dataclass(frozen=True)
class Help:
    """Show what can be typed."""


@dataclass(frozen=True)
class Heard:
    """Moments that were marked for the reading in hand."""

    first: datetime | None = None
    last: datetime | None = None


Typed = Event | Control | Mark | Acknowledge | Correct | Help


@dataclass(frozen=True)
class Typist:
    """Reads what is typed.

    `started` gives the date and offset of clock times, `source` is the console's name.
    """

    started: datetime
    source: str = "terminal"

    def read(self, text: str, now: datetime, heard: Heard = Heard()) -> Typed:
        """What `text`, typed at `now`, says; `heard` are the marks of this reading.

        Raises InputError with what was given and what is wanted.
        """
        words = text.split()
        if not words:
            raise InputError("nothing was typed; a reading is written like 148/82, help shows the rest")
        word, rest = words[0].lower(), words[1:]
        if word in _CONTROLS:
            _no_more(word, rest)
            return _CONTROLS[word]
        readers: dict[str, Callable[[list[str], datetime], Typed]] = {
            "missed": self._missed, "rpe": self._rpe, "symptom": self._symptom, "sign": self._sign,
            "note": self._note, "cuff": self._cuff,
        }  # fmt: skip
        try:
            if word in readers:
                return readers[word](rest, now)
            if word in ("k1", "k5"):
                _no_more(word, rest)
                return Mark("k1" if word == "k1" else "k5")
            if word in ("ack", "help", "?"):
                _no_more(word, rest)
                return Acknowledge() if word == "ack" else Help()
            if word == "amend":
                return _correct(rest)
            if word == "hold":
                return Hold(_seconds(rest) if rest else HOLD_S)
            if word == "stop":
                return _stop(rest)
            if word[0].isalpha():
                raise InputError(
                    f"{words[0]!r} is not known{nearest(word, WORDS)}; help shows what can be typed"
                )
            return self._reading(words, now, heard)
        except ValidationError as error:
            raise InputError(f"{text.strip()!r}: {first_problem(error)}") from None

    def _reading(self, words: list[str], now: datetime, heard: Heard) -> ReadingTaken:
        pressures = parse_pressures(words[0])
        fields: dict[str, Any] = {"event_time": now, "measured_source": "estimated", "role": "primary"}
        if heard.first is not None:
            fields |= {"event_time": heard.first, "measured_source": "marked", "last_sound_at": heard.last}
        for word in words[1:]:
            fields |= self._beside(word, now)
        return ReadingTaken(
            source=self.source,
            k1_mmhg=pressures.k1_mmhg,
            k1_at_least=pressures.k1_at_least or None,
            k4_mmhg=pressures.k4_mmhg,
            k5_mmhg=pressures.k5_mmhg,
            heard_to_mmhg=pressures.heard_to_mmhg,
            **fields,
        )

    def _beside(self, word: str, now: datetime) -> dict[str, Any]:
        """What one word after the pressures says."""
        if word.startswith("@"):
            return {
                "event_time": self._stated(word[1:], now),
                "measured_source": "stated",
                "last_sound_at": None,
            }
        if word in ("L", "R", "l", "r"):
            return {"arm": "left" if word in "Ll" else "right"}
        if word in ("clear", "difficult", "doubtful"):
            return {"clarity": word}
        if word == "second":
            return {"role": "second"}
        if word in _SUPPORT:
            return {"arm_support": _SUPPORT[word]}
        number = re.fullmatch(r"(i|p|d|b|below|above)([0-9]+(?:[.,][0-9]+)?)", word)
        if number:
            value = float(number[2].replace(",", "."))
            named: dict[str, Any] = {
                "i": ("inflated_to_mmhg", value), "p": ("palpated_mmhg", value),
                "d": ("deflation_mmhg_per_s", value), "b": ("deflation_mmhg_per_beat", value),
                "below": ("arm_below_heart_cm", value), "above": ("arm_below_heart_cm", -value),
            }  # fmt: skip
            return dict([named[number[1]]])
        if _OBSERVER.fullmatch(word):
            return {"observer": word}
        raise InputError(
            f"{word!r} after the pressures is not known; wanted are @09:41:20, L or R, i190, p140, d2.5 or "
            "b3, clear, difficult, doubtful, second, held, rested, unsupported, below4, above4, or an "
            "observer's code like AB-2"
        )

    def _stated(self, text: str, now: datetime) -> datetime:
        moment = clock_to_utc(text, self.started)
        if moment > now + _AHEAD:
            raise InputError(f"@{text} is still to come; write the time of the first sound, or leave it out")
        return moment

    def _missed(self, rest: list[str], now: datetime) -> ReadingMissed:
        reasons = get_args(MissedReason)
        reason = _one_of(rest[:1], reasons, "missed", "like missed not_heard")
        return ReadingMissed(
            event_time=now,
            source=self.source,
            attempted=reason not in _NOT_ATTEMPTED,
            reason=reason,
            text=" ".join(rest[1:]) or None,
        )

    def _rpe(self, rest: list[str], now: datetime) -> ExertionRated:
        if not rest or len(rest) > 2:
            raise InputError("rpe wants a number, like rpe 13, and may say of what: rpe 15 legs")
        about = _one_of(rest[1:], ("overall", "legs", "breathing"), "rpe", "") if rest[1:] else None
        try:
            rated = float(rest[0].replace(",", "."))
        except ValueError:
            raise InputError(f"rpe {rest[0]!r} is no number; write it like rpe 13") from None
        return ExertionRated(event_time=now, source=self.source, rpe=rated, about=about)

    def _symptom(self, rest: list[str], now: datetime) -> SymptomNoted:
        code, severity, text = _noted("symptom", rest, SYMPTOMS)
        return SymptomNoted(event_time=now, source=self.source, code=code, severity=severity, text=text)

    def _sign(self, rest: list[str], now: datetime) -> SignNoted:
        code, severity, text = _noted("sign", rest, SIGNS)
        return SignNoted(event_time=now, source=self.source, code=code, severity=severity, text=text)

    def _note(self, rest: list[str], now: datetime) -> NoteWritten:
        if not rest:
            raise InputError("note wants a few words after it, like note saddle raised")
        return NoteWritten(event_time=now, source=self.source, text=" ".join(rest))

    def _cuff(self, rest: list[str], now: datetime) -> CuffChanged:
        sides = re.fullmatch(r"([0-9.,]+)x([0-9.,]+)", rest[0]) if len(rest) == 1 else None
        try:
            if sides is None:
                raise ValueError
            length, width = (float(side.replace(",", ".")) for side in sides.groups())
        except ValueError:
            raise InputError("cuff wants length x width of the bladder in cm, like cuff 30x12") from None
        return CuffChanged(
            event_time=now, source=self.source, bladder_length_cm=length, bladder_width_cm=width
        )


def inflated_again(reading: ReadingTaken, margin_mmhg: float = 4) -> bool:
    """Whether to ask if sounds were there when pumping stopped: k1 lies right under what was pumped to."""
    return (
        reading.k1_mmhg is not None
        and reading.inflated_to_mmhg is not None
        and not reading.k1_at_least
        and reading.k1_mmhg >= reading.inflated_to_mmhg - margin_mmhg
    )


def doubts(reading: ReadingTaken) -> str | None:
    """What to ask about a reading that was kept: the order of its sounds, a pair that is not likely."""
    pressures = Pressures(
        reading.k1_mmhg or 0.0,
        bool(reading.k1_at_least),
        reading.k4_mmhg,
        reading.k5_mmhg,
        reading.heard_to_mmhg,
    )
    lowest = reading.k5_mmhg if reading.k5_mmhg is not None else reading.k4_mmhg
    order = pressures.order_problem()
    if order is not None:
        return f"{order}: is it as heard?"
    if inflated_again(reading):
        return (
            f"pumped to {reading.inflated_to_mmhg:g}: were there sounds when pumping stopped? "
            f"then it is >{reading.k1_mmhg:g}"
        )
    if reading.k1_mmhg is not None and lowest is not None and lowest > 0 and reading.k1_mmhg - lowest < 10:
        return f"only {reading.k1_mmhg - lowest:g} mmHg between first and last sound: is it as heard?"
    if reading.k1_mmhg is not None and not 50 <= reading.k1_mmhg <= 300:
        return f"first sound at {reading.k1_mmhg:g} mmHg: is it as heard?"
    return None


def _noted(kind: str, rest: list[str], codes: tuple[str, ...]) -> tuple[Any, int | None, str | None]:
    code = _one_of(rest[:1], codes, kind, f"like {kind} {codes[0]} 1")
    severity = int(rest[1]) if len(rest) > 1 and rest[1] in "01234" else None
    text = " ".join(rest[2 if severity is not None else 1 :])
    return code, severity, text or None


def _one_of(given: list[str], known: tuple[str, ...], word: str, example: str) -> Any:
    if not given:
        raise InputError(f"{word} wants one of {', '.join(known)}, {example}")
    if given[0] not in known:
        raise InputError(
            f"{word} {given[0]!r} is not known{nearest(given[0], known)}; one of {', '.join(known)} is"
        )
    return given[0]


def _no_more(word: str, rest: list[str]) -> None:
    if rest:
        raise InputError(f"{word} stands alone; {' '.join(rest)!r} after it is not known")


def _seconds(rest: list[str]) -> float:
    try:
        (seconds,) = (float(part) for part in rest)
    except ValueError:
        raise InputError(f"hold {' '.join(rest)!r}: seconds are wanted, like hold 30") from None
    if not 0 < seconds <= 3600:
        raise InputError(f"hold {seconds:g}: seconds from 1 to 3600 are wanted, like hold 30")
    return seconds


def _stop(rest: list[str]) -> Stop:
    reason = _one_of(rest[:1], REASONS, "stop", "like stop exhaustion")
    by: StoppedBy = _one_of(rest[1:2], get_args(StoppedBy), "stop", "") if rest[1:] else "operator"
    _no_more(f"stop {reason} {by}", rest[2:])
    return Stop(reason, by)


def _correct(rest: list[str]) -> Correct:
    if len(rest) < 2:
        raise InputError(
            "amend wants the reading as it was, and why: amend 148/82 typed wrong, or amend void wrong arm"
        )
    pressures = None if rest[0] == "void" else parse_pressures(rest[0])
    return Correct(pressures, " ".join(rest[1:]))
