"""What the terminal says of readings, flags and times, as short texts."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime, timedelta

from pipeline.derived import Logged, ShownReading
from pipeline.live_view import FlagShown

_BESIDE_LABEL = 53
_LABEL = 18


@dataclass(frozen=True)
class Wall:
    """Clock times of a test: `anchor` is its opening, in the zone that is shown."""

    anchor: datetime

    def at(self, elapsed_s: float) -> str:
        """Seconds of pipeline time as a clock time, 09:41:20."""
        return f"{self.anchor + timedelta(seconds=elapsed_s):%H:%M:%S}"

    def of(self, moment: datetime) -> str:
        """A moment as a clock time."""
        return f"{moment.astimezone(self.anchor.tzinfo):%H:%M:%S}"


def minutes_left(seconds: float) -> str:
    """What is left, as 1:05; the last second is 0:01, then 0:00."""
    whole = max(0, math.ceil(seconds))
    return f"{whole // 60}:{whole % 60:02d}"


def minutes_gone(seconds: float) -> str:
    """What has passed, as 1:05."""
    whole = max(0, math.floor(seconds))
    return f"{whole // 60}:{whole % 60:02d}"


def logged_words(logged: Logged | None, unit: str, since_s: float) -> str:
    """A value and its age; `since_s` passed since it was looked up."""
    if logged is None or logged.value is None:
        return f"- {unit}"
    age_s = (logged.age_s or 0.0) + max(0.0, since_s)
    return f"{logged.value:.0f} {unit} {age_s:.0f} s ago"


def pressure_words(reading: ShownReading) -> str:
    """148/82, >200/82, 148/<40 where sounds went on, or what became of it."""
    if reading.status == "missed":
        return "missed"
    if reading.k1_mmhg is None:
        return "-"
    systolic = f"{'>' if reading.k1_at_least else ''}{reading.k1_mmhg:g}"
    if reading.dbp_mmhg is not None:
        return f"{systolic}/{reading.dbp_mmhg:g}"
    return f"{systolic}/-"


def heading(columns: int) -> str:
    """What stands above the lines of readings."""
    width = _label_width(columns)
    return (
        f"{'time':<8}  {'stage'[:width]:<{width}} {'mmHg':>9}    {'W':>5} {'bpm':>4} {'rpe':>4}  "
        f"{'rest':>5} {'before':>6}"
    )


def reading_line(reading: ShownReading, wall: Wall, columns: int) -> str:
    """One line under `heading`; the change from rest and from the stage before is that of systolic."""
    width = _label_width(columns)
    changes = f"{_change(reading.sbp_change_rest_mmhg):>5} {_change(reading.sbp_change_stage_mmhg):>6}"
    if reading.status == "void":
        changes = "void"
    elif reading.status == "taken" and not reading.used:
        changes = (reading.used_note or "not used").replace("_", " ")
    return (
        f"{wall.at(reading.elapsed_s):<8}  {(reading.stage_label or 'no stage')[:width]:<{width}} "
        f"{pressure_words(reading):>9} {reading.dbp_phase or '':<2} {_number(reading.watts):>5} "
        f"{_number(reading.heart_rate_bpm):>4} {_number(reading.rpe):>4}  {changes}"
    )


def flag_words(shown: FlagShown, wall: Wall) -> str:
    """Level, when, what is outside what; the level is a word, never a colour alone."""
    start = f"{shown.level.upper()} {wall.at(shown.raised_s)} "
    flag = shown.flag
    if flag is None:
        return f"{start}{shown.code.replace('_', ' ')}: was outside, no longer is"
    words = [flag.words or shown.code.replace("_", " ")]
    if flag.quantity != "presence" and flag.observed is not None and flag.threshold is not None:
        unit = f" {flag.unit}" if flag.unit else ""
        words.append(f"{flag.observed:.4g}{unit} (limit {flag.operator} {flag.threshold:g})")
    if flag.detail:
        words.append(flag.detail.replace("_", " "))
    return start + "; ".join(words)


def _label_width(columns: int) -> int:
    return max(2, min(_LABEL, columns - _BESIDE_LABEL))


def _number(value: float | None) -> str:
    return "-" if value is None else f"{value:.0f}"


def _change(value: float | None) -> str:
    return "-" if value is None else f"{value:+.0f}"
