"""The typed tables that journals fill, in a DuckDB of their own in memory.

`Tables` takes events one by one or whole journals in bulk (sealing) and runs the ladder of
sql/test over them; `LiveTables` (pipeline/live_tables.py) runs parts of it again and again.
Amendments are overlaid here, where events become rows.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import duckdb
import pyarrow as pa

from pipeline.amendments import Voided, amended_event, original_value, overlaid
from pipeline.bladder import bladder_rows
from pipeline.errors import CuffwattError
from pipeline.events import Amended, Event, Sample, SourceOpened, TestOpened
from pipeline.rules import Rules, rule_rows, setting_row
from pipeline.shipped import table_statements, test_ladder

_SAMPLE_COLUMNS = (
    "{seq: 'BIGINT', kind: 'VARCHAR', event_time: 'TIMESTAMP', source: 'VARCHAR',"
    " watts: 'DOUBLE', cadence_rpm: 'DOUBLE', heart_rate_bpm: 'DOUBLE'}"
)

# up to here values are cheaper than a table of Arrow
_FEW_ROWS = 3
# from here on what reads the samples is dearer to run than to plan
MANY_SAMPLES = 20_000


@dataclass(frozen=True)
class LoadedJournal:
    """What sealing needs of one checked journal: its lines, its events but samples, its end."""

    study: str
    test_id: str
    path: Path
    data: bytes | None  # the lines, where the one file at `path` does not hold exactly them
    events: Sequence[Event]
    samples: int
    chain: str
    closed: bool
    as_of: datetime
    last_seq: int


class Tables:
    """One in-memory DuckDB with the tables of tables.sql; owned by one thread.

    `threads` limits DuckDB's own threads; the results do not depend on it.
    """

    def __init__(self, rules: Rules, threads: int = 1) -> None:
        self._db = duckdb.connect(":memory:", config={"threads": threads})
        for statement in table_statements():
            self._db.execute(statement).fetchall()
        self._is_small = False
        self._schemas: dict[str, pa.Schema] = {}
        self._waiting: dict[str, list[dict[str, Any]]] = defaultdict(list)
        self._samples: list[tuple[Any, ...]] = []
        self._originals: dict[tuple[str, str, int], Event] = {}
        self._test: tuple[str, str] = ("", "")
        settings = setting_row(rules)
        self._db.register("setting_rows", pa.Table.from_pylist([settings]))
        self._db.execute("create table setting as select * from setting_rows").fetchall()
        self._waiting["rule"] = rule_rows(rules)
        self._waiting["bladder"] = bladder_rows()

    def close(self) -> None:
        """Give the memory back."""
        self._db.close()

    def add(self, event: Event) -> None:
        """One event of the test in hand (its first is test_opened); seen by the next `run`."""
        if isinstance(event, TestOpened):
            self._test = (event.study, event.test_id)
        if isinstance(event, Sample):
            self._samples.append(
                (
                    event.seq,
                    _naive(event.event_time),
                    event.source,
                    event.watts,
                    event.cadence_rpm,
                    event.heart_rate_bpm,
                )
            )
            return
        self._add_rows(self._test, event)
        if isinstance(event, Amended):
            self._amend_one(event)

    def load(self, journals: Sequence[LoadedJournal]) -> None:
        """Whole journals; samples straight from their files, the rest as checked models."""
        for journal in journals:
            self._test = (journal.study, journal.test_id)
            for event in journal.events:
                if event.seq is not None:
                    self._originals[(*self._test, event.seq)] = event
            for amended in overlaid(journal.events, journal.path):
                self._add_rows(self._test, amended)
            self._waiting["journal_end"].append(
                {
                    "study": journal.study,
                    "test_id": journal.test_id,
                    "as_of": _naive(journal.as_of),
                    "last_seq": journal.last_seq,
                    "chain": journal.chain,
                    "closed": journal.closed,
                }
            )
        self._load_samples([journal for journal in journals if journal.samples])
        self._is_small = len(journals) == 1 and journals[0].samples <= MANY_SAMPLES

    def set_end(self, as_of: datetime, last_seq: int, *, closed: bool = False) -> None:
        """How far the test in hand goes: the pipeline time up to which flags about time hold."""
        self._flush()
        self._db.execute("delete from journal_end").fetchall()
        study, test_id = self._test
        self._db.execute(
            "insert into journal_end values ($study, $test_id, $as_of, $last_seq, null, $closed)",
            {
                "study": study,
                "test_id": test_id,
                "as_of": _naive(as_of),
                "last_seq": last_seq,
                "closed": closed,
            },
        ).fetchall()

    def run(self) -> None:
        """Derive the relations of sql/test in order."""
        self._flush()
        if self._is_small:
            # of one short test a statement is planned longer than it runs
            self._db.execute("pragma disable_optimizer").fetchall()
        for name, _ in test_ladder():
            try:
                self._db.execute(_parsed()[name]).fetchall()
            except duckdb.Error as error:
                raise relation_failed(name, error) from error

    def arrow(self, select: str) -> pa.Table:
        """The result of a SELECT as one Arrow table."""
        return self._db.sql(select).to_arrow_table()

    def rows(self, select: str, **parameters: Any) -> list[dict[str, Any]]:
        """The result of a SELECT as dicts; times are UTC without a zone."""
        result = self._db.execute(select, parameters or None)
        names = [column[0] for column in result.description or ()]
        return [dict(zip(names, row, strict=True)) for row in result.fetchall()]

    def _load_samples(self, journals: Sequence[LoadedJournal]) -> None:
        if not journals:
            return
        with TemporaryDirectory(prefix="cuffwatt-") as scratch:
            rows = []
            for number, journal in enumerate(journals):
                path = journal.path
                if journal.data is not None:
                    path = Path(scratch) / f"{number}.jsonl"
                    path.write_bytes(journal.data)
                rows.append({"study": journal.study, "test_id": journal.test_id, "filename": str(path)})
            self._db.register("journal_files", pa.Table.from_pylist(rows))
            self._db.execute(
                "insert into sample"
                " select study, test_id, seq, event_time, source, watts, cadence_rpm, heart_rate_bpm"
                f" from read_json($files, format = 'newline_delimited', columns = {_SAMPLE_COLUMNS},"
                "  filename = true, hive_partitioning = false)"
                " join journal_files using (filename) where kind = 'sample'",
                {"files": [row["filename"] for row in rows]},
            ).fetchall()

    def _add_rows(self, test: tuple[str, str], event: Event | Voided) -> None:
        void = isinstance(event, Voided)
        plain: Event = event.event if isinstance(event, Voided) else event
        if plain.seq is not None:
            self._originals.setdefault((*test, plain.seq), plain)
        for table, row in _rows(plain):
            if isinstance(plain, Amended):
                row["original"] = original_value(self._originals.get((*test, plain.target_seq)), plain.field)
            self._waiting[table].append({"study": test[0], "test_id": test[1], "void": void} | row)

    def _amend_one(self, amended: Amended) -> None:
        study, test_id = self._test
        target = self._originals.get((study, test_id, amended.target_seq))
        if target is None:
            raise CuffwattError(
                f"{study} {test_id}: event {amended.target_seq} cannot be amended: it is a sample or not "
                "there; give the number of a reading, stage, source or other line of this test"
            )
        self._flush()
        earlier = self.rows(
            "select seq, field, value from amended where target_seq = $target order by seq",
            target=amended.target_seq,
        )
        changes = {row["field"]: json.loads(row["value"] or "null") for row in earlier}
        changed = amended_event(target, changes, f"{study} {test_id}")
        for table, _ in _rows(target):
            # the limits come from test_opened alone, so they have no number of their own
            one = "" if table == "test_limit" else f" and seq = {target.seq}"
            self._db.execute(
                f"delete from {table} where study = $study and test_id = $test_id{one}",
                {"study": study, "test_id": test_id},
            ).fetchall()
        self._add_rows(self._test, changed)

    def _flush(self) -> None:
        if self._samples:
            # column by column: a log has thousands of rows and one shape
            study, test_id = self._test
            columns = [
                [study] * len(self._samples),
                [test_id] * len(self._samples),
                *zip(*self._samples, strict=True),
            ]
            schema = self._schema("sample")
            arrays = [pa.array(column, field.type) for column, field in zip(columns, schema, strict=True)]
            self._insert_samples(pa.Table.from_arrays(arrays, schema=schema))
            self._samples = []
        for table, rows in self._waiting.items():
            if not rows:
                continue
            if len(rows) <= _FEW_ROWS:
                self._insert_few(table, rows)
            else:
                self._insert(table, pa.Table.from_pylist(rows, schema=self._schema(table)))
            rows.clear()

    def _insert_samples(self, rows: pa.Table) -> None:
        self._insert("sample", rows)

    def _schema(self, table: str) -> pa.Schema:
        if table not in self._schemas:
            self._schemas[table] = self._db.sql(f"select * from {table} limit 0").to_arrow_table().schema
        return self._schemas[table]

    def _insert_few(self, table: str, rows: list[dict[str, Any]]) -> None:
        names = self._schema(table).names
        places = ", ".join(["(" + ", ".join("?" * len(names)) + ")"] * len(rows))
        values = [row.get(name) for row in rows for name in names]
        self._db.execute(f"insert into {table} values {places}", values).fetchall()

    def _insert(self, table: str, rows: pa.Table) -> None:
        self._db.register("waiting", rows)
        self._db.execute(f"insert into {table} select * from waiting").fetchall()


def relation_failed(name: str, error: duckdb.Error) -> CuffwattError:
    """What is said when a relation cannot be derived."""
    return CuffwattError(
        f"sql: relation {name} failed ({error}); this is a fault of the program, "
        "not of your data: the journal is whole, please report it"
    )


@cache
def _parsed() -> dict[str, duckdb.Statement]:
    """The ladder as statements; parsing them anew each time is a tenth of a run."""
    return {
        name: duckdb.extract_statements(f"create or replace temp table {name} as\n{select}")[0]
        for name, select in test_ladder()
    }


def _rows(event: Event) -> list[tuple[str, dict[str, Any]]]:
    row = {name: _naive(getattr(event, name)) for name in type(event).model_fields}
    rows = [(event.kind, row)]
    if isinstance(event, TestOpened):
        row["has_protocol"] = event.protocol is not None
        for quantity, threshold in (event.limits.model_dump() if event.limits else {}).items():
            if threshold is not None:
                rows.append(("test_limit", {"quantity": quantity, "threshold": threshold}))
    elif isinstance(event, SourceOpened):
        ranks = dict(part.split("=") for part in (event.ranks or "").split(",") if part)
        row["watts_rank"] = _rank(ranks, "watts")
        row["cadence_rank"] = _rank(ranks, "cadence_rpm")
        row["heart_rate_rank"] = _rank(ranks, "heart_rate_bpm")
        row["heart_rate_from_rr"] = "heart_rate_bpm:rr" in (event.measures or "").split(",")
    elif isinstance(event, Amended):
        row["value"] = json.dumps(event.value)
    return [pair for pair in rows if pair[0] not in _UNTABLED]


# kinds that are history only: nothing is derived from them
_UNTABLED = frozenset(
    {"test_resumed", "source_lost", "source_found", "prompt_late", "note_written", "journal_repaired"}
)


def _rank(ranks: dict[str, str], measure: str) -> int | None:
    return int(ranks[measure]) if measure in ranks else None


def _naive(value: Any) -> Any:
    return value.astimezone(UTC).replace(tzinfo=None) if isinstance(value, datetime) else value
