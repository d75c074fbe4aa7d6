"""The tables of one test in hand, whose relations are filled part by part, many times.

Samples are appended to what the ladder made of the earlier ones, as long as that gives what a
new run over all of them would; `recent_samples` are those of the last 120 s.
"""

from __future__ import annotations

import re
from datetime import datetime
from typing import Any

import duckdb
import pyarrow as pa

from pipeline.amendments import Voided
from pipeline.events import Event, Sample
from pipeline.kept_plans import KeptPlans
from pipeline.rules import Rules
from pipeline.shipped import test_ladder
from pipeline.tables import MANY_SAMPLES, Tables, relation_failed

# over many samples these are quicker planned anew than run as planned once
_PLANNED_ANEW = frozenset({"stage_loads", "exercise_end", "gaps", "dbp_loads", "limit_candidates"})
_RECENT = "sampled_at > (select max(plus_s(as_of, -120)) from journal_end)"
_AT_ONCE, _FEW_ROWS = 5000, 50
# what each reading gives by itself from the samples of its time, the first of which comes first
_BY_READING = ("loads", "dbp_loads")
_NEW_READINGS = "select * from readings where reading_id > (select reading_id from loaded_to)"
_LOADED_TO = (
    "select study, test_id, as_of, last_seq,"
    " coalesce((select max(reading_id) from readings), -1) as reading_id from journal_end"
)
# the load of a reading is that of the 30 s before it: all within the recent samples
NEW_READING_S = 80
_SQL_TYPES = {"string": "varchar", "int64": "bigint", "timestamp[us]": "timestamp", "double": "double"}
# a log whose clock is ahead of ours: the stage of these samples is not known yet
_AHEAD = "stage_index is null and sampled_at >= (select max(samples_until) from stages)"


class LiveTables(Tables):
    """Tables whose relations are filled when they are asked for; owned by one thread.

    `changed` collects the tables that got other rows, `has_late` whether a sample came that is
    not later than all before of its source; whoever fills the relations empties both.
    """

    def __init__(self, rules: Rules) -> None:
        super().__init__(rules)
        self._make_tables({})
        self.changed: set[str] = set()
        self.has_late = False
        self._plans = KeptPlans(self._db)
        self._latest: dict[str, datetime] = {}
        self._ahead: list[int] = []
        self._samples_seen = 0
        self._selects = dict(test_ladder())
        for name in ("arrived_sample", "new_sample"):
            self._db.execute(f"create table {name} as select * from sample").fetchall()

    def close(self) -> None:
        """Give the memory back."""
        self._plans.close()
        super().close()

    def add(self, event: Event) -> None:
        """One event of the test in hand (its first is test_opened); seen by the next `fill`."""
        if isinstance(event, Sample):
            latest = self._latest.get(event.source)
            if latest is not None and event.event_time <= latest:
                self.has_late = True
            else:
                self._latest[event.source] = event.event_time
            self._samples_seen += 1
        super().add(event)

    def fill(self, names: frozenset[str], *, only_new: bool = False) -> None:
        """Derive these relations of the ladder anew, in its order.

        `only_new`: of what each reading gives by itself from its samples, add what is missing for
        readings of the last `NEW_READING_S` that have come since, and leave the rest as it is.
        """
        self._flush()
        for name, select in test_ladder():
            if name in names and only_new and name in _BY_READING:
                if name == _BY_READING[0]:
                    self._fill("new_readings", _NEW_READINGS)
                added = _over(select, samples="recent_samples", readings="new_readings")
                self._plans.run(f"add_{name}", f"insert into {name}\n{added}")
            elif name in names:
                many = self._samples_seen > MANY_SAMPLES and name in _PLANNED_ANEW
                self._fill(name, select, optimized=many)
        if _BY_READING[0] in names:
            self._fill("loaded_to", _LOADED_TO)
        if "samples" in names:
            self._fill("recent_samples", f"select * from samples where {_RECENT}")
            self._keep_ahead("samples")

    def append_samples(self) -> None:
        """Add what came since the last `fill` of samples or the last call."""
        self._flush()
        for name in ("samples", "recent_samples") if self._ahead else ():
            self._delete(name, self._ahead)
        self._fill("appended_samples", _over(self._selects["samples"], sample="new_sample"))
        for name in ("samples", "recent_samples"):
            self._plans.run(f"append_{name}", f"insert into {name} from appended_samples")
        self._plans.run("forget_samples", f"delete from recent_samples where not ({_RECENT})")
        self._keep_ahead("appended_samples")

    def fill_beside(self, name: str, select: str) -> None:
        """A relation that is not one of the ladder."""
        self._fill(name, select)

    def fill_recent(self, name: str, relation: str) -> None:
        """What a relation of the ladder is over the last 120 s alone, as `name`."""
        self._fill(name, _over(self._selects[relation], samples="recent_samples", stages="recent_stages"))

    def asked(self, name: str, select: str) -> list[tuple[Any, ...]]:
        """The rows of a SELECT that is asked again and again."""
        return self._plans.run(name, select)

    def named(self, name: str, select: str) -> list[dict[str, Any]]:
        """The rows of a SELECT that is asked again and again, by the names of its columns."""
        return self._plans.named(name, select)

    def tidy(self) -> None:
        """Take away what emptied relations leave behind, where it is much."""
        self._plans.tidy()

    def _fill(self, name: str, select: str, *, optimized: bool = False) -> None:
        try:
            self._plans.fill(name, select, optimized=optimized)
        except duckdb.Error as error:
            raise relation_failed(name, error) from error

    def _keep_ahead(self, placed: str) -> None:
        """Let the samples whose stage is not known yet be placed anew with the next ones."""
        self._ahead = [
            seq
            for (seq,) in self._plans.run(f"ahead_of_{placed}", f"select seq from {placed} where {_AHEAD}")
        ]
        self._plans.run("forget_new", "delete from new_sample")
        if self._ahead:
            self._db.execute(
                "insert into new_sample from sample where seq in (select unnest($seqs))",
                {"seqs": self._ahead},
            ).fetchall()

    def _delete(self, name: str, seqs: list[int]) -> None:
        self._db.execute(f"delete from {name} where seq in (select unnest($seqs))", {"seqs": seqs}).fetchall()

    def _add_rows(self, test: tuple[str, str], event: Event | Voided) -> None:
        super()._add_rows(test, event)
        kind = event.event.kind if isinstance(event, Voided) else event.kind
        self.changed |= {kind, "test_limit"} if kind == "test_opened" else {kind}

    def _insert(self, table: str, rows: pa.Table) -> None:
        # registering a table of Arrow undoes the kept plans
        if rows.num_rows <= _FEW_ROWS:
            self._insert_few(table, rows.to_pylist())
            return
        super()._insert(table, rows)
        self._plans.forget()

    def _insert_samples(self, rows: pa.Table) -> None:
        if rows.num_rows > _AT_ONCE:
            super()._insert_samples(rows)
            self._db.execute("insert into new_sample select * from waiting").fetchall()
            return
        lists = {name: rows.column(name).to_pylist() for name in rows.column_names}
        columns = ", ".join(
            f"unnest(cast(${field.name} as {_SQL_TYPES[str(field.type)]}[]))" for field in rows.schema
        )
        self._db.execute(f"insert into arrived_sample select {columns}", lists).fetchall()
        for name in ("sample", "new_sample"):
            self._plans.run(f"arrive_in_{name}", f"insert into {name} from arrived_sample")
        self._plans.run("forget_arrived", "delete from arrived_sample")


def _over(select: str, **others: str) -> str:
    """The SELECT with some of its inputs replaced by others of the same columns."""
    for name, other in others.items():
        select = re.sub(rf"\b{name}\b", other, select)
    return select
