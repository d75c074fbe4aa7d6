"""The five Parquet files of a test: their schemas, what is stamped into them, how they are written.

A file says what it was made from (chain of the journal, rules, derivation, schema version, duckdb and
pyarrow): a test is stale where that is no longer what it would be made from now.
"""

from __future__ import annotations

import json
import os
from collections.abc import Collection, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.archive import DISK, Disk, TestFolder, not_writable, temporary
from pipeline.columns import Relation, published
from pipeline.shipped import derivation_digest

if TYPE_CHECKING:
    from pipeline.rules import Rules

SCHEMA_VERSION = 1
_SYNCS = 32  # that wait for the disk together

# small files: compression, dictionaries and statistics cost time and save nothing (measured); samples:
# delta for what counts up, byte-stream-split for measures, a third of the size and faster than defaults
_SMALL: dict[str, Any] = {
    "compression": "NONE",
    "use_dictionary": False,
    "write_statistics": False,
    "write_page_checksum": True,
    "store_schema": False,
}
_SAMPLES: dict[str, Any] = {
    "compression": "ZSTD",
    "write_statistics": False,
    "write_page_checksum": True,
    "store_schema": False,
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
_ARROW = {
    "VARCHAR": pa.string(),
    "BIGINT": pa.int64(),
    "INTEGER": pa.int32(),
    "DOUBLE": pa.float64(),
    "BOOLEAN": pa.bool_(),
    "TIMESTAMP": pa.timestamp("us", tz="UTC"),
    "DATE": pa.date32(),
}
# a Parquet file that is not what it should be raises one of these
UNREADABLE = (OSError, ValueError, pa.ArrowException)


def stamp(rules_digest: str, chain: str) -> dict[str, str]:
    """What the files of a test carry that is made now from this journal with these rules."""
    import duckdb  # a question that reads what was gathered asks for no version

    return {
        "schema_version": str(SCHEMA_VERSION),
        "chain": chain,
        "rules_digest": rules_digest,
        "derivation_digest": derivation_digest(),
        "duckdb": duckdb.__version__,
        "pyarrow": pa.__version__,
    }


@cache
def schema(name: str) -> pa.Schema:
    """The columns of one sealed file."""
    return pa.schema([pa.field(one.name, _ARROW[one.type]) for one in published()[name].columns])


def file_bytes(name: str, rows: pa.Table, stamped: Mapping[str, str]) -> bytes:
    """The Parquet file of these rows, which have the columns of `schema(name)`.

    Units, meanings and all else that the dictionary says of the columns stand under the key `columns`
    of the file, as JSON, where every reader of Parquet finds them.
    """
    sink = pa.BufferOutputStream()
    with pq.ParquetWriter(sink, rows.schema, **(_SAMPLES if name == "samples" else _SMALL)) as writer:
        writer.write_table(rows)
        writer.add_key_value_metadata({**stamped, "columns": _columns_json(published()[name])})
    written: bytes = sink.getvalue().to_pybytes()
    return written


@dataclass
class Hidden:
    """The files of one test, written under hidden names; `problem` says why they were not published.

    `found` are size and time of each as written, which it keeps under its final name.
    """

    folder: Path
    hidden: dict[str, Path] = field(default_factory=dict)
    found: dict[str, os.stat_result] = field(default_factory=dict)
    problem: str | None = None


def write_hidden(folder: Path, files: Mapping[str, bytes], disk: Disk = DISK) -> Hidden:
    """Write files beside what is there, to be published."""
    one = Hidden(folder)
    with _refused(one):
        for name, data in files.items():
            one.hidden[name] = tmp = temporary(folder / name)
            descriptor = os.open(tmp, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666)
            try:
                rest = data
                while rest:
                    rest = rest[disk.write(descriptor, rest) :]
            finally:
                os.close(descriptor)
    return one


def publish_hidden(tests: Sequence[Hidden], disk: Disk = DISK) -> None:
    """Give the files of these tests their names, each whole and made to last.

    Every file is synced before it is renamed and every folder after, all of one step at once: a disk
    makes many syncs that wait together last as fast as one.
    """

    def sync(one: Hidden) -> None:
        with _refused(one):
            for name, tmp in one.hidden.items():
                descriptor = os.open(tmp, os.O_RDONLY)
                try:
                    disk.fsync(descriptor)
                    one.found[name] = os.fstat(descriptor)
                finally:
                    os.close(descriptor)

    def rename(one: Hidden) -> None:
        with _refused(one):
            for name, tmp in one.hidden.items():
                tmp.replace(one.folder / name)

    def sync_folder(one: Hidden) -> None:
        with _refused(one):
            disk.sync_folder(one.folder)

    with ThreadPoolExecutor(_SYNCS) as pool:
        for step in (sync, rename, sync_folder):
            list(pool.map(step, [one for one in tests if one.problem is None]))


@contextmanager
def _refused(one: Hidden) -> Iterator[None]:
    """What the disk refuses is said of this test, whose hidden files go; it costs no other."""
    try:
        yield
    except OSError as error:
        for tmp in one.hidden.values():
            tmp.unlink(missing_ok=True)
        one.problem = str(not_writable(one.folder, error))


def found_stamp(path: Path | str) -> dict[str, str] | None:
    """What stands in a sealed file about its origin; None where it is not there or cannot be read."""
    try:
        found = pq.read_metadata(path).metadata or {}
    except UNREADABLE:
        return None
    return {key.decode(): value.decode("utf-8", "replace") for key, value in found.items()}


def is_stale(folder: TestFolder, rules: Rules, chain: str) -> bool:
    """Whether the sealed files are missing or were made from another journal, rules or derivation."""
    wanted = stamp(rules.digest, chain)
    for name in published():
        found = found_stamp(folder.parquet(name))
        if found is None or any(found.get(key) != value for key, value in wanted.items()):
            return True
    return False


def read_sealed(path: Path | str, columns: Collection[str] | None = None) -> pa.Table:
    """The rows of one sealed file, every page checked; one of UNREADABLE where that cannot be."""
    with pq.ParquetFile(path, page_checksum_verification=True) as file:
        return file.read(None if columns is None else list(columns))


@cache
def _columns_json(relation: Relation) -> str:
    return json.dumps(
        [{key: value for key, value in vars(column).items() if value} for column in relation.columns],
        sort_keys=True,
    )
