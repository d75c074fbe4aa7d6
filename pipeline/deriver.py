"""The deriver: keeps the tables of the test in hand and runs the ladder over them.

It alone owns the DuckDB of a test.  What it hands back are a snapshot for the planner, the flags
and readings, and the watch over the logs; all are what sql/ says at that moment, nothing is
computed a second time here.

A run costs what its statements cost, so what cannot have changed is left as it is: an entry runs
what the tables it went into go into.  What follows from samples and the time that passes is run
when the watch finds that a flag has moved, and at least every 10 s.  The watch itself is plain
Python (pipeline/log_watch.py) and asks SQL only where a bound of the last run is passed.
"""

from __future__ import annotations

from dataclasses import fields, replace
from datetime import datetime, timedelta

from pipeline.derived import Derived, Flag, ShownReading, Watched
from pipeline.events import (
    Amended,
    Event,
    ReadingMissed,
    ReadingTaken,
    Sample,
    SourceOpened,
    StageStarted,
    TestClosed,
)
from pipeline.ladder_inputs import made_from, needed_live
from pipeline.live_tables import NEW_READING_S, LiveTables
from pipeline.log_watch import Bound, LogWatch, SourceNow
from pipeline.protocol import Phase
from pipeline.rules import Rules
from pipeline.shipped import test_ladder, watch_relations
from pipeline.snapshot import Snapshot, SnapshotReading

# What a snapshot is read from: each time, or after an entry in such a phase.
_EACH_TIME = frozenset({"stages", "readings", "loads", "times"})
_AFTER = {
    "source_opened": frozenset({"sources"}),
    "rest": frozenset({"dbp_loads", "rest_values"}),
    "warmup": frozenset({"falls"}),
    "exercise": frozenset({"falls"}),
    "recovery": frozenset[str](),
}
_ALL = _EACH_TIME.union({"samples", "intervals"}, *_AFTER.values())
_DERIVED = frozenset({"flags", "uncertainty"})
# a reading under load leaves these as they were, and with them what costs most: limits of heart rate
_MAY_STAY = frozenset({"rest_values"})
_OF_REST = frozenset({"rest_values", "stage_candidates"})
_ENTERED = frozenset(
    {"reading_taken", "reading_missed", "exertion_rated", "flag_raised", "flag_acknowledged"}
)
_PROMPTED = frozenset({"reading_due", "prompt_superseded"})
_WHOLE_EVERY = timedelta(seconds=10)
# the watch asks for the whole before an entry would have to wait for it
_WATCHED_WHOLE_EVERY = timedelta(seconds=9)
# what was found not to have moved is not asked again within this
_CHECKED_FOR = timedelta(seconds=1)
_MOVING = frozenset({"sample", "journal_end"})
_LADDER = frozenset(name for name, _ in test_ladder())
_FLAG = ", ".join(field.name for field in fields(Flag))
_REST_READINGS = "select * from readings where phase = 'rest' order by reading_id"
_ELAPSED = {"elapsed_s": "seconds_between(anchor, measured_at)"}
_SHOWN = ", ".join(_ELAPSED.get(field.name, field.name) for field in fields(ShownReading))


class Deriver:
    """Events in; snapshots, flags, readings and the watch out, for one test on one thread."""

    def __init__(self, rules: Rules) -> None:
        self._tables = LiveTables(rules)
        self._logs = LogWatch(rules.settings)
        self._old = _ALL
        self._phase: Phase = "rest"
        self._stale = _LADDER
        self._where_rest_moved: frozenset[str] = frozenset()
        self._rest: list[tuple[object, ...]] = []
        self._rest_readings: list[tuple[object, ...]] | None = None
        self._changed: set[str] = set()
        self._earliest: datetime | None = None
        self._only_new = self._alone = False
        self._fresh: frozenset[str] = frozenset()
        self._end: tuple[datetime, int] | None = None
        self._seq = 0
        self._stepped_at: datetime | None = None
        self._whole_at: datetime | None = None
        self._checked_at: datetime | None = None
        self._past_changed = True
        self._moved = self._closed = self._has_limits = False

    def take(self, event: Event) -> None:
        """One recorded event."""
        self._tables.add(event)
        self._end = None
        self._seq = event.seq or 0
        if isinstance(event, Sample):
            self._logs.take(event)
        elif isinstance(event, StageStarted):
            # a reading may still belong to the stage before
            self._old |= _AFTER[self._phase]
            self._phase = event.phase
        elif isinstance(event, ReadingTaken | ReadingMissed):
            self._old |= _AFTER[self._phase]
            self._earliest = min(self._earliest or event.event_time, event.event_time)
        elif isinstance(event, SourceOpened):
            self._old |= _AFTER["source_opened"]
        elif isinstance(event, Amended):
            self._old = _ALL
            self._logs.unsure = True
        elif isinstance(event, TestClosed):
            self._closed, self._stale, self._old = True, _LADDER, _ALL

    def snapshot(self, as_of: datetime, seq: int) -> Snapshot:
        """What the planner may know at `as_of`, when `seq` was the last event."""
        self._alone = True
        return self._snapshot(as_of, seq)

    def _snapshot(self, as_of: datetime, seq: int) -> Snapshot:
        self._move_to(as_of, seq)
        names = _EACH_TIME | self._old
        if self._stepped_at is None or as_of - self._stepped_at >= _WHOLE_EVERY:
            names |= {"intervals"}
            self._stepped_at = as_of
        self._old = frozenset()
        self._refresh(names | {"samples"})
        rows = self._tables.named("snapshot_readings", watch_relations()["snapshot_readings"])
        rest = self._tables.named("sbp_rest", "select sbp_rest_mmhg from rest_values")
        return Snapshot(
            seq=seq,
            readings=tuple(SnapshotReading(**row) for row in rows),
            sbp_rest=rest[0]["sbp_rest_mmhg"] if rest else None,
            repeat_after=self._to_repeat(),
        )

    def derive(self, as_of: datetime, seq: int) -> Derived:
        """All that holds at `as_of`, when `seq` was the last event.

        Which flags hold, at which level and target, equals a run of the whole ladder over the
        same events (of flags about time and load as of the last watch, where that is less than
        1 s ago); so does all that they say, but for numbers that move with every sample or
        second, which are those of `moving_as_of`.
        """
        self._look(as_of, seq)
        if self._has_to_be_whole(as_of, seq, _WHOLE_EVERY):
            # the first time all is made, because a table that is made later undoes the kept plans
            all_of_it = self._whole_at is None or self._closed
            self._refresh(_LADDER if all_of_it else needed_live(_DERIVED))
            self._rest = self._rest_rows()
            self._tables.fill_beside("derived_to", watch_relations()["derived_to"])
            self._whole_at = self._checked_at = self._stepped_at = as_of
            self._past_changed = self._moved = False
            self._know_sources()
            if not self._has_limits:
                self._has_limits = bool(
                    self._tables.asked("limited", "select quantity from heart_rate_limits limit 1")
                )
                self._tables.fill_recent("recent_held", "heart_rate_held")
            self._tables.tidy()
            snapshot = self._snapshot(as_of, seq)
            self._rest_readings = self._tables.asked("rest_readings", _REST_READINGS)
            self._logs.bound(Bound(*row) for row in self._tables.asked("bounds", watch_relations()["bounds"]))
            self._logs.judged(as_of)
        else:
            self._only_new = (
                self._changed <= _ENTERED | _PROMPTED
                # a snapshot by itself has loads of readings without those of their diastolic
                and not self._alone
                and (self._earliest is None or as_of - self._earliest < timedelta(seconds=NEW_READING_S))
                and not self._logs.is_late(as_of)
            )
            snapshot = self._snapshot(as_of, seq)
            self._leave_rest()
            self._refresh(needed_live(_MAY_STAY) & self._stale)
            rest = self._rest_rows()
            if rest != self._rest:
                self._rest = rest
                self._stale |= self._where_rest_moved
            self._refresh(needed_live(_DERIVED) & self._stale)
            # the other bounds move little in the seconds until the next whole run
            placed = self._tables.asked("placed", watch_relations()["placed"])
            self._logs.placed(placed[0][0], as_of)
            self._only_new = False
        self._changed.clear()
        self._earliest, self._alone = None, False
        self._where_rest_moved = frozenset()
        return Derived(
            seq=seq,
            as_of=as_of,
            moving_as_of=self._whole_at or as_of,
            snapshot=snapshot,
            flags=self._flags(),
            readings=self._readings(),
        )

    def warm_up(self) -> None:
        """After the first `derive`: plan what each later one runs, so that no entry waits for it."""
        assert self._end is not None
        self._tables.fill(needed_live(_DERIVED) & {"loads", "dbp_loads"}, only_new=True)
        self._fresh = frozenset()
        self._refresh(needed_live(_DERIVED) | _ALL)
        self._fresh, self._stale = frozenset(), self._stale | needed_live(_DERIVED) - {"samples"}
        self._has_moved()
        self.derive(*self._end)

    def watch(self, as_of: datetime, seq: int) -> Watched:
        """What the logs say at `as_of`, and whether `derive` is due."""
        self._mark()
        if "sources" in self._stale:
            self._look(as_of, seq)
        return replace(
            self._logs.look(as_of),
            # by itself a flag that was raised or seen changes nothing that is shown
            differs=bool(self._stale & needed_live(_DERIVED) - {"flags"})
            or self._has_to_be_whole(as_of, seq, _WATCHED_WHOLE_EVERY),
        )

    def heart_rate_bpm(self, as_of: datetime) -> float | None:
        """Mean heart rate of the 30 s before `as_of`, as far as the logs are there."""
        return self.watch(as_of, self._seq).heart_rate_30s_bpm

    def close(self) -> None:
        """Give the memory back."""
        self._tables.close()

    def _look(self, as_of: datetime, seq: int) -> None:
        self._move_to(as_of, seq)
        if "sources" in self._stale:
            self._refresh(frozenset({"sources"}))
            self._know_sources()
        self._refresh(frozenset({"stages", "samples"}))

    def _know_sources(self) -> None:
        rows = self._tables.asked("sources_now", watch_relations()["sources_now"])
        self._logs.know(SourceNow(*row) for row in rows)

    def _move_to(self, as_of: datetime, seq: int) -> None:
        if self._end == (as_of, seq):
            return
        self._tables.set_end(as_of, seq, closed=self._closed)
        self._end, self._fresh = (as_of, seq), frozenset()
        self._mark()

    def _mark(self) -> None:
        changed = self._tables.changed - _MOVING
        if changed:
            self._changed |= changed
            self._stale |= made_from(changed, without=_MAY_STAY)
            if "rest_values" in self._stale:
                self._where_rest_moved |= made_from(_MAY_STAY)
            self._tables.changed.clear()
        if self._tables.has_late or "samples" in self._stale:
            self._stale |= {"samples"}
            self._past_changed = True
            self._tables.has_late = False

    def _refresh(self, names: frozenset[str]) -> None:
        """Run these relations but for those that are as of now already."""
        names -= self._fresh
        if "samples" in names and "samples" not in self._stale:
            self._tables.fill(frozenset({"stages"}) & names)
            self._tables.append_samples()
            self._tables.fill(names - {"stages", "samples"}, only_new=self._only_new)
        else:
            self._tables.fill(names, only_new=self._only_new)
        self._fresh |= names
        self._stale -= names

    def _leave_rest(self) -> None:
        """Leave what is made of the readings at rest, where entries left these as they were."""
        before, self._rest_readings = self._rest_readings, self._tables.asked("rest_readings", _REST_READINGS)
        if before == self._rest_readings and self._changed <= _ENTERED:
            self._stale -= _OF_REST

    def _has_to_be_whole(self, as_of: datetime, seq: int, every: timedelta) -> bool:
        if self._whole_at is None or self._past_changed or as_of - self._whole_at >= every:
            self._moved = True
        if self._moved:
            return True
        checked_for = as_of - self._checked_at if self._checked_at else _CHECKED_FOR
        if not timedelta(0) <= checked_for < _CHECKED_FOR and self._logs.is_due(as_of):
            self._look(as_of, seq)
            self._moved = self._has_moved()
            self._checked_at = as_of
            self._logs.judged(as_of)
        return self._moved

    def _has_moved(self) -> bool:
        """Whether a flag about time or load is no longer as it was derived."""
        selects = watch_relations()
        self._tables.fill_beside("recent_stages", selects["recent_stages"])
        self._tables.fill_recent("recent_gaps", "gaps")
        if self._has_limits:
            self._tables.fill_recent("recent_held", "heart_rate_held")
        return bool(self._tables.asked("moved_flags", selects["moved_flags"]))

    def _rest_rows(self) -> list[tuple[object, ...]]:
        return self._tables.asked("rest_rows", "select * from rest_values")

    def _flags(self) -> tuple[Flag, ...]:
        rows = self._tables.asked(
            "shown_flags",
            f"select {_FLAG} from flags where state <> 'withdrawn'"
            " order by array_position(['stop', 'caution', 'check', 'note'], level), target_seq, code",
        )
        return tuple(Flag(*row) for row in rows)

    def _readings(self) -> tuple[ShownReading, ...]:
        rows = self._tables.asked(
            "shown_readings",
            f"select {_SHOWN} from readings"
            " join (select study, test_id, anchor from test_opened) using (study, test_id)"
            " join (select study, test_id, reading_id, watts, heart_rate_bpm, sbp_change_rest_mmhg,"
            "  sbp_change_stage_mmhg from measures) using (study, test_id, reading_id)"
            " left join (select study, test_id, reading_id, u_sbp_mmhg, u_dbp_mmhg, u_sbp_change_rest_mmhg,"
            "  u_sbp_change_stage_mmhg from uncertainty) using (study, test_id, reading_id)"
            " order by measured_at, reading_id",
        )
        return tuple(ShownReading(*row) for row in rows)

    def _to_repeat(self) -> int | None:
        """The last loaded reading, if it is a systolic fall that no reading has confirmed yet."""
        rows = self._tables.named(
            "fallen",
            "select reading_id, crosses(fall_mmhg, operator, threshold) as fell"
            " from falls join rule on code = 'systolic_fall' order by measured_at, reading_id",
        )
        if not rows or not rows[-1]["fell"] or (len(rows) > 1 and rows[-2]["fell"]):
            return None
        return int(rows[-1]["reading_id"])
