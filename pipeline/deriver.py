"""The deriver: keeps the tables of the test in hand and runs the ladder over them.

It alone owns the DuckDB of a test.  What it hands back are a snapshot for the planner and the
flags; both are what sql/ says at that moment, nothing is computed a second time here.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any

from pipeline.events import Amended, Event, ReadingMissed, ReadingTaken, SourceOpened, StageStarted
from pipeline.protocol import Phase
from pipeline.rules import Rules
from pipeline.snapshot import Snapshot, SnapshotReading
from pipeline.tables import Tables

# What a snapshot is read from.  A run costs what planning its statements costs, so what cannot
# have changed since the last one is left as it is.
_EACH_TIME = frozenset({"stages", "samples", "intervals", "readings", "loads", "times"})
_AFTER = {
    "source_opened": frozenset({"sources"}),
    "rest": frozenset({"dbp_loads", "rest_values"}),
    "warmup": frozenset({"falls"}),
    "exercise": frozenset({"falls"}),
    "recovery": frozenset[str](),
}
_ALL = _EACH_TIME.union(*_AFTER.values())


class Deriver:
    """Events in, snapshots and flags out, for one test."""

    def __init__(self, rules: Rules) -> None:
        self._tables = Tables(rules, again=True)
        self._old = _ALL
        self._phase: Phase = "rest"

    def take(self, event: Event) -> None:
        """One recorded event."""
        self._tables.add(event)
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

    def snapshot(self, as_of: datetime, seq: int) -> Snapshot:
        """What the planner may know at `as_of`, when `seq` was the last event."""
        self._tables.set_end(as_of, seq)
        self._tables.run(_EACH_TIME | self._old)
        self._old = frozenset()
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

    def flags(self, as_of: datetime, seq: int) -> list[dict[str, Any]]:
        """The flags of the ladder as of now, the most severe first."""
        self._tables.set_end(as_of, seq)
        self._tables.run()
        return self._tables.rows(
            "select * from flags order by array_position(['stop', 'caution', 'check', 'note'], level),"
            " target_seq, code"
        )

    def _to_repeat(self) -> int | None:
        """The last loaded reading, if it is a systolic fall that no reading has confirmed yet."""
        rows = self._tables.rows(
            "select reading_id, crosses(fall_mmhg, operator, threshold) as fell"
            " from falls join rule on code = 'systolic_fall' order by measured_at, reading_id"
        )
        if not rows or not rows[-1]["fell"] or (len(rows) > 1 and rows[-2]["fell"]):
            return None
        return int(rows[-1]["reading_id"])

    def heart_rate_bpm(self, as_of: datetime) -> float | None:
        """Mean heart rate of the 30 s before `as_of`, as far as the logs are there."""
        self._tables.set_end(as_of, 0)
        self._tables.run(frozenset({"sources", "stages", "samples"}))
        rows = self._tables.rows(
            "select avg(heart_rate_bpm order by sampled_at, source, seq) as bpm from samples, journal_end"
            " where heart_rate_counts and sampled_at <= as_of and sampled_at > plus_s(as_of, -30)"
        )
        return rows[0]["bpm"] if rows else None

    def close(self) -> None:
        """Give the memory back."""
        self._tables.close()
