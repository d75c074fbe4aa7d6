"""The only place that reads a clock.

Pipeline time is anchored once to wall time and then follows a steady clock: CLOCK_BOOTTIME,
which neither steps nor stops in suspend, or the monotonic clock where that does not exist (a
suspend then shows as a step of the wall).  Whoever needs a time is given a Clock; live and
replay differ in nothing else.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Literal, Protocol

STEP_THRESHOLD_S = 0.5  # below the 1 s to which a marked first sound is known


def wall_now() -> datetime:
    """The wall clock in UTC with microseconds: for anchors and file stamps, never for a test."""
    return datetime.now(UTC)


def today() -> date:
    """Today's date where the machine stands."""
    return wall_now().astimezone().date()


def monotonic_s() -> float:
    """Seconds that stop in suspend; only differences mean something."""
    return time.monotonic()


def steady_s() -> float:
    """Seconds that neither step nor stop in suspend; only differences mean something."""
    boottime = getattr(time, "CLOCK_BOOTTIME", None)
    return monotonic_s() if boottime is None else time.clock_gettime(boottime)


def pipeline_time(anchor: datetime, elapsed_s: float) -> datetime:
    """The pipeline time `elapsed_s` after `anchor`: UTC, to the microsecond."""
    return anchor + timedelta(seconds=elapsed_s)


@dataclass(frozen=True)
class ClockStep:
    """What stepped, and by how many seconds (> 0: forward); pipeline time did not move."""

    cause: Literal["wall", "suspend"]
    step_s: float


class Clock(Protocol):
    """Pipeline time: `now()` is `anchor` plus `elapsed()` seconds, UTC, to the microsecond."""

    anchor: datetime

    def elapsed(self) -> float:
        """Seconds since the test was opened; never goes back."""

    def now(self) -> datetime:
        """The same moment as a UTC time."""

    def steps(self) -> list[ClockStep]:
        """What stepped since it was last asked."""


class PipelineClock:
    """Pipeline time of a live test.

    `wall` gives an aware time, `steady` and `monotonic` give seconds.  `gap_s` is what passed
    unrecorded before a resumed test went on; 0 otherwise.
    """

    def __init__(
        self,
        wall: Callable[[], datetime] = wall_now,
        steady: Callable[[], float] = steady_s,
        monotonic: Callable[[], float] = monotonic_s,
    ) -> None:
        self._wall, self._steady, self._monotonic = wall, steady, monotonic
        self.anchor = _aware(wall())
        self.gap_s = 0.0
        self._began = self._latest = 0.0
        self._wall_ahead_s = 0.0
        self._start()

    @classmethod
    def resumed(
        cls,
        anchor: datetime,
        last_elapsed_s: float,
        wall: Callable[[], datetime] = wall_now,
        steady: Callable[[], float] = steady_s,
        monotonic: Callable[[], float] = monotonic_s,
    ) -> PipelineClock:
        """The clock of a test that goes on after a crash or a restart of the machine.

        The anchor stays that of the opening, so that one anchor holds for the whole journal;
        the wall says how long the gap was.  A wall that went back gives no gap: time goes on
        from `last_elapsed_s`, and `steps()` then reports the difference.
        """
        clock = cls(wall, steady, monotonic)
        since_opening = (clock.anchor - _aware(anchor)).total_seconds()
        clock.anchor = _aware(anchor)
        clock.gap_s = max(0.0, since_opening - last_elapsed_s)
        clock._began = clock._latest = last_elapsed_s + clock.gap_s
        clock._start()
        return clock

    def _start(self) -> None:
        self._steady_start = self._steady()
        self._suspended_s = self._steady_start - self._monotonic()

    def elapsed(self) -> float:
        """Seconds since the test was opened."""
        self._latest = max(self._latest, self._began + self._steady() - self._steady_start)
        return self._latest

    def now(self) -> datetime:
        """Pipeline time, UTC."""
        return pipeline_time(self.anchor, self.elapsed())

    def steps(self, threshold_s: float = STEP_THRESHOLD_S) -> list[ClockStep]:
        """What stepped by `threshold_s` or more since it was last reported; moves nothing.

        Smaller steps add up until they are reported.  A look at the clocks that itself took
        longer than half the threshold (a busy machine) says nothing; the next one will.
        """
        before = self._steady()
        wall, monotonic = _aware(self._wall()), self._monotonic()
        after = self._steady()
        if after - before > threshold_s / 2:
            return []
        steps = []
        elapsed_s = self._began + before - self._steady_start
        wall_ahead_s = (wall - pipeline_time(self.anchor, elapsed_s)).total_seconds()
        if abs(wall_ahead_s - self._wall_ahead_s) >= threshold_s:
            steps.append(ClockStep("wall", round(wall_ahead_s - self._wall_ahead_s, 3)))
            self._wall_ahead_s = wall_ahead_s
        suspended_s = before - monotonic
        if suspended_s - self._suspended_s >= threshold_s:
            steps.append(ClockStep("suspend", round(suspended_s - self._suspended_s, 3)))
            self._suspended_s = suspended_s
        return steps


class ReplayClock:
    """A clock that moves only when told."""

    def __init__(self, anchor: datetime) -> None:
        self.anchor = _aware(anchor)
        self._elapsed_s = 0.0

    def move_to(self, elapsed_s: float) -> None:
        """Set the time to `elapsed_s` seconds after the anchor; ValueError if that is earlier."""
        if not elapsed_s >= self._elapsed_s:
            raise ValueError(
                f"the clock stands at {self._elapsed_s} s and cannot go back to {elapsed_s} s; "
                "give the moments in order"
            )
        self._elapsed_s = elapsed_s

    def elapsed(self) -> float:
        """Seconds after the anchor, as last told."""
        return self._elapsed_s

    def now(self) -> datetime:
        """The same moment as a UTC time."""
        return pipeline_time(self.anchor, self._elapsed_s)

    def steps(self, threshold_s: float = STEP_THRESHOLD_S) -> list[ClockStep]:
        """Nothing: this clock has no wall that could step."""
        return []


def _aware(moment: datetime) -> datetime:
    if moment.tzinfo is None:
        raise ValueError(f"{moment.isoformat()} has no offset; a clock needs a time with one, in UTC")
    return moment.astimezone(UTC)
