"""The typed tables that journals fill, in a DuckDB of their own in memory.

`Tables` takes events one by one or whole journals in bulk (sealing) and runs the ladder of
sql/test over them; `LiveTables` (pipeline/live_tables.py) runs parts of it again and again.
Amendments are overlaid here, where events become rows.
"""

from __future__ import annotations

import json
import re
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import duckdb
import pyarrow as pa

from pipeline.amendments import Voided, amended_event, original_value, overlaid
from pipeline.bladder import bladder_rows
from pipeline.errors import CuffwattError
from pipeline.event_rows import event_rows, without_zone
from pipeline.events import Amended, Event, Sample, SourceOpened, TestOpened
from pipeline.rules import Rules, rule_rows, setting_row
from pipeline.shipped import table_statements, test_ladder

_SAMPLE_COLUMNS = (
    "{seq: 'BIGINT', kind: 'VARCHAR', event_time: 'TIMESTAMP', source: 'VARCHAR',"
    " watts: 'DOUBLE', cadence_rpm: 'DOUBLE', heart_rate_bpm: 'DOUBLE'}"
)

_NAMES = re.compile(r"create type (\w+) as varchar")
_ARROW_TYPES = {
    "BIGINT": pa.int64(),
    "DOUBLE": pa.float64(),
    "BOOLEAN": pa.bool_(),
    "TIMESTAMP": pa.timestamp("us"),
    "DATE": pa.date32(),
}
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
        self._rules = rules
        self._schemas: dict[str, pa.Schema] = {}
        self._is_small = False
        self._waiting: dict[str, list[dict[str, Any]]] = defaultdict(list)
        self._samples: list[tuple[Any, ...]] = []
        self._originals: dict[tuple[str, str, int], Event] = {}
        self._test: tuple[str, str] = ("", "")

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
                    without_zone(event.event_time),
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
        """Whole journals, once; samples straight from their files, the rest as checked models."""
        self._make_tables(_names(journals))
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
                    "as_of": without_zone(journal.as_of),
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
                "as_of": without_zone(as_of),
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
            self._db.register("waiting", pa.Table.from_pylist(rows))
            # a table, so that names become numbers once a file and not once a sample
            self._db.execute(
                "create or replace temp table journal_file as select study::study_name as study,"
                " test_id::test_name as test_id, filename from waiting"
            ).fetchall()
            self._db.execute(
                "insert into sample"
                " select study, test_id, seq, event_time, try_cast(source as source_name),"
                "  watts, cadence_rpm, heart_rate_bpm"
                f" from read_json($files, format = 'newline_delimited', columns = {_SAMPLE_COLUMNS},"
                "  filename = true, hive_partitioning = false)"
                " join journal_file using (filename) where kind = 'sample'",
                {"files": [row["filename"] for row in rows]},
            ).fetchall()

    def _add_rows(self, test: tuple[str, str], event: Event | Voided) -> None:
        void = isinstance(event, Voided)
        plain: Event = event.event if isinstance(event, Voided) else event
        if plain.seq is not None:
            self._originals.setdefault((*test, plain.seq), plain)
        for table, row in event_rows(plain):
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
        for table, _ in event_rows(target):
            # the limits come from test_opened alone, so they have no number of their own
            one = "" if table == "test_limit" else f" and seq = {target.seq}"
            self._db.execute(
                f"delete from {table} where study = $study and test_id = $test_id{one}",
                {"study": study, "test_id": test_id},
            ).fetchall()
        self._add_rows(self._test, changed)

    def _make_tables(self, names: Mapping[str, Iterable[str]]) -> None:
        for statement in table_statements():
            kind = _NAMES.search(statement)
            if kind and names.get(kind[1]):
                # compared and hashed as small numbers; numbered in the order of the names
                listed = ", ".join("'" + name.replace("'", "''") + "'" for name in sorted(names[kind[1]]))
                statement = f"create type {kind[1]} as enum ({listed})"
            self._db.execute(statement).fetchall()
        self._db.register("setting_rows", pa.Table.from_pylist([setting_row(self._rules)]))
        self._db.execute("create table setting as select * from setting_rows").fetchall()
        columns = self._db.execute(
            "select table_name, column_name, data_type from duckdb_columns() order by table_oid, column_index"
        ).fetchall()
        fields: dict[str, list[tuple[str, pa.DataType]]] = defaultdict(list)
        for table, column, kind in columns:
            fields[table].append((column, _ARROW_TYPES.get(kind, pa.string())))
        self._schemas = {table: pa.schema(of_table) for table, of_table in fields.items()}
        self._waiting["rule"] = rule_rows(self._rules)
        self._waiting["bladder"] = bladder_rows()

    def _flush(self) -> None:
        if not self._schemas:
            self._make_tables({})
        if self._samples:
            # column by column: a log has thousands of rows and one shape
            study, test_id = self._test
            columns = [
                [study] * len(self._samples),
                [test_id] * len(self._samples),
                *zip(*self._samples, strict=True),
            ]
            schema = self._schemas["sample"]
            arrays = [pa.array(column, field.type) for column, field in zip(columns, schema, strict=True)]
            self._insert_samples(pa.Table.from_arrays(arrays, schema=schema))
            self._samples = []
        for table, rows in self._waiting.items():
            if not rows:
                continue
            if len(rows) <= _FEW_ROWS:
                self._insert_few(table, rows)
            else:
                self._insert(table, pa.Table.from_pylist(rows, schema=self._schemas[table]))
            rows.clear()

    def _insert_samples(self, rows: pa.Table) -> None:
        self._insert("sample", rows)

    def _insert_few(self, table: str, rows: list[dict[str, Any]]) -> None:
        names = self._schemas[table].names
        places = ", ".join(["(" + ", ".join("?" * len(names)) + ")"] * len(rows))
        values = [row.get(name) for row in rows for name in names]
        self._db.execute(f"insert into {table} values {places}", values).fetchall()

    def _insert(self, table: str, rows: pa.Table) -> None:
        self._db.register("waiting", rows)
        self._db.execute(f"insert into {table} select * from waiting").fetchall()


def _names(journals: Sequence[LoadedJournal]) -> dict[str, set[str]]:
    events = [event for journal in journals for event in journal.events]
    return {
        "study_name": {journal.study for journal in journals},
        "test_name": {journal.test_id for journal in journals},
        "source_name": {event.name for event in events if isinstance(event, SourceOpened)}
        | {event.source for event in events if isinstance(event, Sample)},
    }


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
