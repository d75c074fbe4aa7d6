"""Finding live, from the load that is ridden, when a stage began.

What is found is journalled as a fact when it is found; a join finds its stages from the whole
log instead (pipeline/stages.py).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

from pipeline.prompt import StageInForce
from pipeline.protocol import Stage

HELD_S = 5.0
"""How long a load must be ridden before it counts; a cranked flywheel overshoots for 2 to 3 s
(common practice, no source)."""
SAMPLES = 2
STALE_S = 15.0
LEAST_WATTS = 5.0  # an idling ergometer reads a few watts


class LoadFollower:
    """Remembers the last half minute of load, by when it came, from the source that is asked first."""

    def __init__(self) -> None:
        self._samples: deque[tuple[float, float]] = deque()
        self._rank: tuple[int, float] | None = None  # of the source in use, and when it last spoke
        self.last_loaded_s: float | None = None

    def take(self, at_s: float, watts: float, rank: int = 1) -> None:
        """One sample of load in W, taken at `at_s`; `rank` 1 is the source asked first."""
        if self._rank is not None and rank > self._rank[0] and at_s < self._rank[1] + STALE_S:
            return
        if self._rank is not None and rank != self._rank[0]:
            self._samples.clear()
        self._rank = rank, at_s
        self._samples.append((at_s, watts))
        while self._samples[0][0] < at_s - 2 * STALE_S:
            self._samples.popleft()
        if watts >= 2 * LEAST_WATTS:
            self.last_loaded_s = at_s

    def began(
        self, force: StageInForce | None, following: Stage | None, recovery: Stage
    ) -> tuple[Stage, float] | None:
        """The stage that is being ridden by now, other than the one in force, and since when.

        The next load has begun when what is ridden has lain on its side of the middle for 5 s;
        recovery when it has lain below half of the load in force (and of the next) for as long.
        """
        now = 0.0
        since_s = float("-inf")
        if force is not None:
            since_s = force.started_s
            if force.stage.loaded:
                last_s = self._samples[-1][0] if self._samples else since_s
                now = force.stage.target_at(last_s - since_s) or 0.0
        wanted = following.target_watts or 0.0 if following is not None and following.loaded else None
        if force is not None and force.stage.loaded and now > LEAST_WATTS:
            low = min(now, wanted if wanted else now) / 2
            at_s = self._held(since_s, lambda watts: watts < low)
            if at_s is not None:
                return recovery, at_s
        if wanted is None or following is None or wanted == now:
            return None
        middle = (now + wanted) / 2
        if wanted > now:
            at_s = self._held(since_s, lambda watts: watts >= max(middle, LEAST_WATTS))
        else:
            at_s = self._held(since_s, lambda watts: watts <= middle)
        return None if at_s is None else (following, at_s)

    def _held(self, since_s: float, holds: Callable[[float], bool]) -> float | None:
        """Since when the samples up to the last have held without a break, if for long enough."""
        first_s, count = None, 0
        for at_s, watts in reversed(self._samples):
            if at_s <= since_s or not holds(watts):
                break
            first_s, count = at_s, count + 1
        if first_s is None or count < SAMPLES or self._samples[-1][0] - first_s < HELD_S:
            return None
        return first_s
