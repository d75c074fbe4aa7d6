"""The logs between two runs of the ladder: what they say now, and when a flag could be another one.

Plain Python on the samples as they come, so that a look a second costs next to nothing.  It raises
and withdraws nothing: it only says when the flags have to be judged, which is asked of SQL
(sql/watch/moved_flags.sql).  Its bounds come from the last run (sql/watch/bounds.sql).
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from operator import attrgetter
from typing import Any, NamedTuple

from pipeline.derived import Logged, Watched
from pipeline.events import Sample
from pipeline.rules import Settings

MEASURES = ("watts", "cadence_rpm", "heart_rate_bpm")
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_KEPT_S, _TRIM_AT = 120.0, 2000
_RECENT_S, _NOW_S = 30.0, 5.0
# a limit is judged by means of 10 s, of slower logs by the last three samples
_HELD_S = 30.0
_NEAR = 1e-6
# where a bound is passed it is asked again at the next look: sums of floats may lie a hair apart
_AGAIN_S = 1.5


class SourceNow(NamedTuple):
    """What holds of one source: its ranks (None: not asked) and by how much its clock is behind."""

    name: str
    clock_offset_s: float
    watts_rank: int | None
    cadence_rank: int | None
    heart_rate_rank: int | None
    heart_rate_from_rr: bool


class Bound(NamedTuple):
    """One row of sql/watch/bounds.sql; `moment` is UTC without a zone."""

    what: str
    moment: datetime | None
    number: float | None


@dataclass
class _Track:
    """One measure of one source in its own time, s; a value that does not count is None."""

    times: list[float] = field(default_factory=list)
    values: list[float | None] = field(default_factory=list)

    def add(self, at_s: float, value: float | None) -> None:
        """Of two lines with one time the last counts."""
        if not self.times or at_s > self.times[-1]:
            self.times.append(at_s)
            self.values.append(value)
        else:
            place = bisect_left(self.times, at_s)
            if self.times[place] == at_s:
                self.values[place] = value
            else:
                self.times.insert(place, at_s)
                self.values.insert(place, value)
        if len(self.times) > _TRIM_AT and self.times[-1] - self.times[len(self.times) // 2] > _KEPT_S:
            del self.times[: len(self.times) // 2], self.values[: len(self.values) // 2]

    def counted(self, after_s: float, until_s: float) -> list[tuple[float, float]]:
        """Time and value of what counts in (after_s, until_s]."""
        part = slice(bisect_right(self.times, after_s), bisect_right(self.times, until_s))
        return [
            (at_s, value)
            for at_s, value in zip(self.times[part], self.values[part], strict=True)
            if value is not None
        ]


@dataclass
class _Ridden:
    """Sum and number of the watts of the stage in force, of all and of those after the load was set."""

    total: float = 0.0
    n: int = 0
    settled: float = 0.0
    settled_n: int = 0

    def add(self, watts: float, is_settled: bool) -> None:
        self.total, self.n = self.total + watts, self.n + 1
        if is_settled:
            self.settled, self.settled_n = self.settled + watts, self.settled_n + 1


class LogWatch:
    """Samples and bounds in; values now, and whether flags have to be judged.  Times of SQL and seconds."""

    def __init__(self, settings: Settings) -> None:
        self._counts = (
            (settings.watts_min, settings.watts_max),
            (settings.cadence_min_rpm, settings.cadence_max_rpm),
            (settings.heart_rate_min_bpm, settings.heart_rate_max_bpm),
        )
        self._grace_s = settings.load_grace_s
        self._sources: dict[str, SourceNow] = {}
        self._tracks: tuple[dict[str, _Track], ...] = ({}, {}, {})
        self._ahead: list[Sample] = []
        self._ridden: dict[int, _Ridden] = {}
        self._riding: list[tuple[int, float, float]] = []
        self._stage_s: float | None = None
        self._bounds: dict[str, list[Bound]] = {}
        # as last judged: at which moment, with which mean load, whether a silence was going on
        self._judged_s = self._passed_s = -math.inf
        self._judged_watts: float | None = None
        self._was_silent = False
        # of what came since: the earliest sample, the highest heart rate
        self._earliest_s = math.inf
        self._heard = self._heard_judged = 0
        self.unsure = False

    def take(self, sample: Sample) -> None:
        """One sample, in the order of arrival."""
        self._ahead.append(sample)

    def know(self, sources: Iterable[SourceNow]) -> None:
        """The sources as they are now."""
        self._sources = {source.name: source for source in sources}

    def bound(self, bounds: Iterable[Bound]) -> None:
        """What a run of the ladder says of when it has to be asked next."""
        self._bounds = {}
        for one in bounds:
            self._bounds.setdefault(one.what, []).append(one)
        force = self._bounds.get("force")
        started_s = _seconds(force[0].moment) if force and force[0].moment else None
        if started_s != self._stage_s:
            self._stage_s, self._ridden, self._riding, self._judged_watts = started_s, {}, [], None
            self.unsure = False
            for name, source in self._sources.items():
                track = self._tracks[0].get(name)
                for at_s, watts in track.counted(-math.inf, math.inf) if track else ():
                    self._ride(source, at_s + source.clock_offset_s, watts)

    def placed(self, moment: datetime | None, as_of: datetime) -> None:
        """The last moment of a reading, after an entry that was judged as of `as_of`."""
        if moment is not None:
            self._bounds["placed"] = [Bound("placed", moment, None)]
            if _seconds(moment) > _seconds(as_of):
                self._bounds.setdefault("due", []).append(Bound("due", moment, None))

    def is_late(self, as_of: datetime) -> bool:
        """Whether a sample came since that belongs to what was judged."""
        self._arrive(_seconds(as_of))
        return self._has_late()

    def look(self, as_of: datetime) -> Watched:
        """What the logs say at `as_of`; `differs` is left to the caller."""
        now_s = _seconds(as_of)
        self._arrive(now_s)
        logged: list[Logged] = []
        mean_30_s: float | None = None
        for measure, tracks in enumerate(self._tracks):
            found = Logged(None, None, None)
            for source in self._in_order(measure):
                track, offset_s = tracks.get(source.name), source.clock_offset_s
                recent = track.counted(now_s - _RECENT_S - offset_s, now_s - offset_s) if track else []
                if not recent:
                    continue
                newest_s = recent[-1][0]
                by_interval = measure == 2 and source.heart_rate_from_rr
                values = [value for at_s, value in recent if at_s > newest_s - _NOW_S]
                found = Logged(_mean(values, by_interval), round(now_s - newest_s - offset_s, 6), source.name)
                if measure == 2:
                    mean_30_s = _mean([value for _, value in recent], by_interval)
                break
            logged.append(found)
        return Watched(as_of, logged[0], logged[1], logged[2], mean_30_s, differs=False)

    def is_due(self, as_of: datetime) -> bool:
        """Whether a flag about time or load could be another one than when it was last `judged`."""
        now_s = _seconds(as_of)
        self._arrive(now_s)
        passed = self._has_passed(now_s)
        if passed:
            self._passed_s = now_s
        return passed or 0 <= now_s - self._passed_s <= _AGAIN_S

    def judged(self, as_of: datetime) -> None:
        """The flags were judged as of then."""
        now_s = _seconds(as_of)
        self._arrive(now_s)
        self._judged_s, self._judged_watts = now_s, self._mean_watts(now_s)
        self._was_silent = self._is_silent(now_s)
        self._earliest_s = math.inf
        self._heard_judged = self._heard

    def _has_passed(self, now_s: float) -> bool:
        force = self._bounds.get("force")
        if not force or self.unsure:
            return True
        loaded = (force[0].number or 0) > 0
        return (
            self._has_late()
            or any(self._judged_s <= _seconds(one.moment) <= now_s for one in self._bounds.get("due", ()))
            or (loaded and (force[0].number == 2 or self._has_crossed(self._mean_watts(now_s))))
            or self._was_silent
            or (loaded and self._is_silent(now_s))
            or self._may_be_held(now_s)
            or ("unheard" in self._bounds and self._heard_judged < 3 <= self._heard)
        )

    def _arrive(self, now_s: float) -> None:
        """Place what came; a log whose clock is ahead waits for its time."""
        waiting = []
        for sample in self._ahead:
            source = self._sources.get(sample.source)
            offset_s = source.clock_offset_s if source else 0.0
            own_s = _seconds(sample.event_time)
            if source is None or own_s + offset_s > now_s:
                waiting.append(sample)
                continue
            self._earliest_s = min(self._earliest_s, own_s + offset_s)
            for measure, value in enumerate(_VALUES(sample)):
                if value is None:
                    continue
                low, high = self._counts[measure]
                counts = low <= value <= high
                track = self._tracks[measure].setdefault(sample.source, _Track())
                track.add(own_s, value if counts else None)
                if measure == 0 and counts:
                    self._ride(source, own_s + offset_s, value)
                elif measure == 2 and counts and source.heart_rate_rank is not None:
                    self._heard += 1
        self._ahead = waiting

    def _ride(self, source: SourceNow, at_s: float, watts: float) -> None:
        if source.watts_rank is not None and self._stage_s is not None and at_s >= self._stage_s:
            self._riding.append((source.watts_rank, at_s, watts))

    def _mean_watts(self, now_s: float) -> float | None:
        """The mean load of the stage in force, as sql/test/36_stage_loads.sql has it, near enough."""
        if self._stage_s is None:
            return None
        # the end of a stage is outside: a sample of this very moment counts at the next look
        riding, self._riding = self._riding, []
        for rank, at_s, watts in riding:
            if at_s < now_s:
                self._ridden.setdefault(rank, _Ridden()).add(watts, at_s - self._stage_s > self._grace_s)
            else:
                self._riding.append((rank, at_s, watts))
        if not self._ridden:
            return None
        ridden = self._ridden[min(self._ridden)]
        if now_s - self._stage_s <= 3 * self._grace_s:
            return ridden.total / ridden.n if ridden.n else None
        return ridden.settled / ridden.settled_n if ridden.settled_n else None

    def _has_crossed(self, watts: float | None) -> bool:
        before = self._judged_watts
        if watts is None or before is None:
            return watts is not before
        low, high = min(watts, before) - _NEAR, max(watts, before) + _NEAR
        return any(low <= (one.number or 0) <= high for one in self._bounds.get("watts", ()))

    def _is_silent(self, now_s: float) -> bool:
        for measure, what in ((0, "watts_silent"), (2, "heart_rate_silent")):
            for one in self._bounds.get(what, ()):
                newest_s = max(
                    (self._newest_s(measure, source) for source in self._sources.values()),
                    default=-math.inf,
                )
                if now_s - max(newest_s, _seconds(one.moment)) > (one.number or 0):
                    return True
        return False

    def _newest_s(self, measure: int, source: SourceNow) -> float:
        track = self._tracks[measure].get(source.name)
        for at_s, value in zip(reversed(track.times), reversed(track.values), strict=True) if track else ():
            if value is not None:
                return at_s + source.clock_offset_s
        return -math.inf

    def _has_late(self) -> bool:
        return self._earliest_s <= max(self._moment_s("placed"), (self._stage_s or 0) - _NEAR)

    def _may_be_held(self, now_s: float) -> bool:
        """Whether a sample of what a limit of heart rate is judged by reaches it."""
        for one in self._bounds.get("bpm", ()):
            after_s = min(self._judged_s, now_s) - _HELD_S
            for name, track in self._tracks[2].items():
                offset_s = self._sources[name].clock_offset_s if name in self._sources else 0.0
                recent = track.counted(after_s - offset_s, now_s - offset_s)
                if any(bpm >= (one.number or 0) - _NEAR for _, bpm in recent):
                    return True
        return False

    def _moment_s(self, what: str) -> float:
        return max((_seconds(one.moment) for one in self._bounds.get(what, ())), default=-math.inf)

    def _in_order(self, measure: int) -> list[SourceNow]:
        def rank(source: SourceNow) -> tuple[int, str]:
            of = (source.watts_rank, source.cadence_rank, source.heart_rate_rank)[measure]
            return 9999 if of is None else of, source.name

        return sorted(self._sources.values(), key=rank)


_VALUES: Any = attrgetter(*MEASURES)


def _seconds(moment: datetime | None) -> float:
    if moment is None:
        return -math.inf
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=UTC)
    return (moment - _EPOCH) / timedelta(seconds=1)


def _mean(values: list[float], by_interval: bool) -> float:
    """Of rates from RR intervals the rate of their mean interval."""
    if by_interval:
        return len(values) / math.fsum(1 / value for value in values)
    return math.fsum(values) / len(values)
