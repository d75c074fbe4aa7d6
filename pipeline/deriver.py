"""The deriver: keeps the tables of the test in hand and runs the ladder over them.

It alone owns the DuckDB of a test.  What it hands back are a snapshot for the planner, the flags
and readings, and the watch over the logs; all are what sql/ says at that moment, nothing is
computed a second time here.

A run costs what its statements cost, so what cannot have changed is left as it is: an entry runs
what the tables it went into go into.  What follows from samples and the time that passes is run
when the watch finds that a flag has moved, and at least every 10 s.
"""

from __future__ import annotations

from dataclasses import fields
from datetime import datetime, timedelta

from pipeline.derived import Derived, Flag, Logged, ShownReading, Watched
from pipeline.events import (
    Amended,
    Event,
    ReadingMissed,
    ReadingTaken,
    SourceOpened,
    StageStarted,
    TestClosed,
)
from pipeline.ladder_inputs import made_from, needed_live
from pipeline.live_tables import LiveTables
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
_WHOLE_EVERY = timedelta(seconds=10)
# an entry within this of a watch does not ask again what the watch has just found
_CHECKED_FOR = timedelta(seconds=1)
_MOVING = frozenset({"sample", "journal_end"})
_LADDER = frozenset(name for name, _ in test_ladder())
_FLAG = ", ".join(field.name for field in fields(Flag))
_SHOWN = ", ".join(
    {"elapsed_s": "seconds_between(anchor, measured_at)"}.get(field.name, field.name)
    for field in fields(ShownReading)
)


class Deriver:
    """Events in; snapshots, flags, readings and the watch out, for one test on one thread."""

    def __init__(self, rules: Rules) -> None:
        self._tables = LiveTables(rules)
        self._old = _ALL
        self._phase: Phase = "rest"
        self._stale = _LADDER
        self._where_rest_moved: frozenset[str] = frozenset()
        self._rest: list[tuple[object, ...]] = []
        self._fresh: frozenset[str] = frozenset()
        self._end: tuple[datetime, int] | None = None
        self._seq = 0
        self._stepped_at: datetime | None = None
        self._whole_at: datetime | None = None
        self._checked_at: datetime | None = None
        self._past_changed = True
        self._closed = self._has_limits = False

    def take(self, event: Event) -> None:
        """One recorded event."""
        self._tables.add(event)
        self._end = None
        self._seq = event.seq or 0
        if isinstance(event, StageStarted):
            # a reading may still belong to the stage before
            self._old |= _AFTER[self._phase]
            self._phase = event.phase
        elif isinstance(event, ReadingTaken | ReadingMissed):
            self._old |= _AFTER[self._phase]
        elif isinstance(event, SourceOpened):
            self._old |= _AFTER["source_opened"]
        elif isinstance(event, Amended):
            self._old = _ALL
        elif isinstance(event, TestClosed):
            self._closed, self._stale, self._old = True, _LADDER, _ALL

    def snapshot(self, as_of: datetime, seq: int) -> Snapshot:
        """What the planner may know at `as_of`, when `seq` was the last event."""
        self._move_to(as_of, seq)
        names = _EACH_TIME | self._old
        if self._stepped_at is None or as_of - self._stepped_at >= _WHOLE_EVERY:
            names |= {"intervals"}
            self._stepped_at = as_of
        self._old = frozenset()
        self._refresh(names | {"samples"})
        rows = self._tables.rows(
            "select readings.reading_id as seq, due_seq, stage_index, phase,"
            " seconds_between(anchor, measured_at) as measured_s, k1_mmhg as k1, k1_at_least, k4_mmhg as k4,"
            " k5_mmhg as k5, dbp_mmhg as dbp, lowest_mmhg as lowest, watts, used, readings.observer, arm,"
            " inflated_to_mmhg as inflated_to,"
            " seconds_between(anchor, coalesce(released_at, measured_at)) as release_s,"
            " deflation_between_mmhg_per_s as measured_rate, clarity"
            " from readings join test_opened using (study, test_id)"
            " left join loads using (study, test_id, reading_id)"
            " left join times using (study, test_id, reading_id)"
            " where phase is not null and (status = 'missed' and attempted"
            "  or status = 'taken' and role = 'primary')"
            " order by measured_at, reading_id"
        )
        rest = self._tables.rows("select sbp_rest_mmhg from rest_values")
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
        if self._has_to_be_whole(as_of):
            # the first time all is made, because a table that is made later undoes the kept plans
            all_of_it = self._whole_at is None or self._closed
            self._refresh(_LADDER if all_of_it else needed_live(_DERIVED))
            self._rest = self._rest_rows()
            self._tables.fill_beside("derived_to", watch_relations()["derived_to"])
            self._whole_at = self._checked_at = as_of
            self._past_changed = False
            if not self._has_limits:
                self._has_limits = bool(
                    self._tables.asked("limited", "select quantity from heart_rate_limits limit 1")
                )
                self._tables.fill_recent("recent_held", "heart_rate_held")
            snapshot = self.snapshot(as_of, seq)
        else:
            snapshot = self.snapshot(as_of, seq)
            self._refresh(needed_live(_MAY_STAY) & self._stale)
            rest = self._rest_rows()
            if rest != self._rest:
                self._rest = rest
                self._stale |= self._where_rest_moved
            self._refresh(needed_live(_DERIVED) & self._stale)
        self._where_rest_moved = frozenset()
        self._tables.tidy()
        return Derived(
            seq=seq,
            as_of=as_of,
            moving_as_of=self._whole_at or as_of,
            snapshot=snapshot,
            flags=self._flags(),
            readings=self._readings(),
        )

    def watch(self, as_of: datetime, seq: int) -> Watched:
        """What the logs say at `as_of`, and whether `derive` is due."""
        self._look(as_of, seq)
        select = watch_relations()["watched"]
        row = self._tables.asked("watched", f"select * exclude (study, test_id) from ({select})")[0]
        return Watched(
            as_of=as_of,
            watts=Logged(*row[0:3]),
            cadence_rpm=Logged(*row[3:6]),
            heart_rate_bpm=Logged(*row[6:9]),
            heart_rate_30s_bpm=row[9],
            differs=bool(self._stale & needed_live(_DERIVED)) or self._has_to_be_whole(as_of),
        )

    def heart_rate_bpm(self, as_of: datetime) -> float | None:
        """Mean heart rate of the 30 s before `as_of`, as far as the logs are there."""
        return self.watch(as_of, self._seq).heart_rate_30s_bpm

    def close(self) -> None:
        """Give the memory back."""
        self._tables.close()

    def _look(self, as_of: datetime, seq: int) -> None:
        """Go on to `as_of`, with stages and samples as of then."""
        self._move_to(as_of, seq)
        self._refresh(frozenset({"stages", "samples"}) | (frozenset({"sources"}) & self._stale))

    def _move_to(self, as_of: datetime, seq: int) -> None:
        if self._end == (as_of, seq):
            return
        self._tables.set_end(as_of, seq, closed=self._closed)
        self._end, self._fresh = (as_of, seq), frozenset()
        changed = self._tables.changed - _MOVING
        if changed:
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
            self._tables.fill(names - {"stages", "samples"})
        else:
            self._tables.fill(names)
        self._fresh |= names
        self._stale -= names

    def _has_to_be_whole(self, as_of: datetime) -> bool:
        if self._whole_at is None or self._past_changed or as_of - self._whole_at >= _WHOLE_EVERY:
            return True
        if self._checked_at is None or not timedelta(0) <= as_of - self._checked_at < _CHECKED_FOR:
            self._checked_at = None if self._has_moved() else as_of
        return self._checked_at is None

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
        rows = self._tables.rows(
            "select reading_id, crosses(fall_mmhg, operator, threshold) as fell"
            " from falls join rule on code = 'systolic_fall' order by measured_at, reading_id"
        )
        if not rows or not rows[-1]["fell"] or (len(rows) > 1 and rows[-2]["fell"]):
            return None
        return int(rows[-1]["reading_id"])
