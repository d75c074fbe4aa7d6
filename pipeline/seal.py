"""Sealing: journals in, the five Parquet files of each test out.

The bytes depend on the journal, the rules, sql/ and the versions of duckdb and pyarrow alone: not
on other tests, the clock, the host, the batch or the number of threads.  Everything here can be
thrown away and made again.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.amendments import overlaid
from pipeline.archive import TestFolder, publish_bytes
from pipeline.columns import Relation, published
from pipeline.errors import CuffwattError
from pipeline.journal import JournalRead, read_journal
from pipeline.rules import Rules, load_rules
from pipeline.shipped import derivation_digest
from pipeline.tables import LoadedJournal, Tables

SCHEMA_VERSION = 1
BATCH = 100

# small files: compression and dictionaries cost time and save nothing (measured); samples: delta
# for what counts up, byte-stream-split for measures, a third of the size and faster than defaults
_SMALL: dict[str, Any] = {"compression": "NONE", "use_dictionary": False, "write_page_checksum": True}
_SAMPLES: dict[str, Any] = {
    "compression": "ZSTD",
    "write_page_checksum": True,
    "use_dictionary": ["study", "test_id", "source"],
    "column_encoding": {
        "seq": "DELTA_BINARY_PACKED",
        "event_time": "DELTA_BINARY_PACKED",
        "sampled_at": "DELTA_BINARY_PACKED",
        "stage_index": "DELTA_BINARY_PACKED",
        "elapsed_s": "BYTE_STREAM_SPLIT",
        "watts": "BYTE_STREAM_SPLIT",
        "cadence_rpm": "BYTE_STREAM_SPLIT",
        "heart_rate_bpm": "BYTE_STREAM_SPLIT",
    },
}


@dataclass(frozen=True)
class Sealed:
    """What became of one test: sealed, or passed over with the reason in words."""

    folder: TestFolder
    problem: str | None = None


def rules_of(folder: TestFolder) -> Rules:
    """The rules that a test is derived with: the lab's own, kept beside its journal, or the default set."""
    return load_rules(folder.rules if folder.rules.exists() else None)


def seal_batch(folders: Sequence[TestFolder], rules: Rules, threads: int = 1) -> list[Sealed]:
    """Derive these tests in one pass and publish their files; all with the same rules.

    A test whose journal cannot be used is passed over and named; the others are sealed.
    """
    outcomes: list[Sealed] = []
    loaded: dict[tuple[str, str], tuple[TestFolder, LoadedJournal]] = {}
    for folder in folders:
        try:
            journal = _loaded(folder, read_journal(folder.journal))
            loaded[(journal.study, journal.test_id)] = (folder, journal)
        except CuffwattError as error:
            outcomes.append(Sealed(folder, str(error)))
    if loaded:
        tables = Tables(rules, threads)
        try:
            tables.load([journal for _, journal in loaded.values()])
            tables.run()
            _write_all(tables, loaded, rules)
        finally:
            tables.close()
        outcomes += [Sealed(folder) for folder, _ in loaded.values()]
    return outcomes


def seal_all(folders: Sequence[TestFolder], rules: Rules | None, threads: int = 1) -> list[Sealed]:
    """Seal these tests, each with `rules` or, where that is None, with the rules kept beside it.

    Tests with the same rules go through together, `BATCH` at a time, so that memory stays flat.
    """
    outcomes: list[Sealed] = []
    by_rules: dict[str, tuple[Rules, list[TestFolder]]] = {}
    for folder in folders:
        try:
            chosen = rules or rules_of(folder)
        except CuffwattError as error:
            outcomes.append(Sealed(folder, str(error)))
            continue
        by_rules.setdefault(chosen.digest, (chosen, []))[1].append(folder)
    for chosen, alike in by_rules.values():
        for start in range(0, len(alike), BATCH):
            outcomes += seal_batch(alike[start : start + BATCH], chosen, threads)
    return outcomes


def is_stale(folder: TestFolder, rules: Rules, chain: str) -> bool:
    """Whether the sealed files are missing or were made from another journal, rules or derivation."""
    wanted = _stamp(rules, chain)
    for name in published():
        path = folder.parquet(name)
        try:
            found = pq.read_metadata(path).metadata or {}
        except (OSError, pa.ArrowInvalid):
            return True
        if any(found.get(key.encode()) != value.encode() for key, value in wanted.items()):
            return True
    return False


def _loaded(folder: TestFolder, read: JournalRead) -> LoadedJournal:
    folder.check_ids(read.opened.study, read.opened.test_id)
    overlaid(read.events, folder.journal)  # an amendment that does not fit passes over this test alone
    return LoadedJournal(
        study=folder.study,
        test_id=folder.test_id,
        path=folder.journal,
        data=None if read.plain else read.data,
        events=read.events,
        samples=read.samples,
        chain=read.head,
        closed=read.closed,
        as_of=read.as_of,
        last_seq=read.last_seq,
    )


def _write_all(
    tables: Tables, loaded: dict[tuple[str, str], tuple[TestFolder, LoadedJournal]], rules: Rules
) -> None:
    stamps = {key: _stamp(rules, journal.chain) for key, (_, journal) in loaded.items()}
    for name, relation in published().items():
        columns = ", ".join(f'"{column.name}"' for column in relation.columns)
        order = ", ".join(dict.fromkeys(("study", "test_id", *relation.order)))
        whole = tables.arrow(f"select {columns} from {relation.sql_relation} order by {order}")
        schema = _schema(relation)
        whole = whole.cast(schema)
        counted = whole.group_by(["study", "test_id"]).aggregate([([], "count_all")]).to_pylist()
        counts = {(row["study"], row["test_id"]): row["count_all"] for row in counted}
        start = 0
        slices = {}
        for key in sorted(counts, key=lambda pair: (pair[0].encode(), pair[1].encode())):
            slices[key] = whole.slice(start, counts[key])
            start += counts[key]
        for key, (folder, _) in loaded.items():
            part = slices.get(key, schema.empty_table())
            stamp = stamps[key] | {"columns": _columns_json(relation)}
            stamped = part.replace_schema_metadata(stamp)
            options = _SAMPLES if name == "samples" else _SMALL
            sink = pa.BufferOutputStream()
            pq.write_table(stamped, sink, **options)
            publish_bytes(folder.parquet(name), sink.getvalue().to_pybytes())


def _stamp(rules: Rules, chain: str) -> dict[str, str]:
    return {
        "schema_version": str(SCHEMA_VERSION),
        "chain": chain,
        "rules_digest": rules.digest,
        "derivation_digest": derivation_digest(),
        "duckdb": duckdb.__version__,
        "pyarrow": pa.__version__,
    }


_ARROW = {
    "VARCHAR": pa.string(),
    "BIGINT": pa.int64(),
    "INTEGER": pa.int32(),
    "DOUBLE": pa.float64(),
    "BOOLEAN": pa.bool_(),
    "TIMESTAMP": pa.timestamp("us", tz="UTC"),
    "DATE": pa.date32(),
}


@cache
def _schema(relation: Relation) -> pa.Schema:
    return pa.schema(
        [
            pa.field(
                column.name,
                _ARROW[column.type],
                metadata={"unit": column.unit, "meaning": column.meaning},
            )
            for column in relation.columns
        ]
    )


@cache
def _columns_json(relation: Relation) -> str:
    return json.dumps(
        [{key: value for key, value in vars(column).items() if value} for column in relation.columns],
        sort_keys=True,
    )
