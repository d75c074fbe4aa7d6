"""The gathered tables of an archive: the rows of all its tests in one file a relation.

    ARCHIVE/gathered/index.parquet  stages.parquet  readings.parquet  flags.parquet  summary.parquet

A cache and nothing else: sealing writes it from its own batches, and whatever reads it checks each test
against the index first (pipeline/gathered.py).  All five carry one `generation`; where they do
not, a writer was killed between two of them and none is used.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.archive import TestFolder, not_writable, publish, sweep, temporary
from pipeline.columns import published
from pipeline.file_state import FileState, holds
from pipeline.sealed_files import SCHEMA_VERSION, UNREADABLE, found_stamp, schema
from pipeline.shipped import default_rules, derivation_digest

FOLDER = "gathered"
GATHERED = tuple(name for name in published() if name != "samples")
_INDEX = pa.schema([(name, pa.string()) for name in ("study", "test_id", "chain", "rules_digest", "state")])
_ROWS = 20_000  # in a row group: of tens of columns each question reads a few
Key = tuple[str, str]


@dataclass(frozen=True)
class Entry:
    """One test of the index: what its rows were made from, and how its files were then."""

    chain: str
    rules_digest: str
    state: FileState


@dataclass(frozen=True)
class Index:
    """What the gathered tables hold."""

    entries: dict[Key, Entry]

    def holds(self, key: Key, folder: str, names: Collection[str]) -> bool:
        """Whether what was gathered of this test is what its files `names` say, which lie in `folder`."""
        entry = self.entries.get(key)
        return entry is not None and holds(folder, entry.state, names)


def gathered_path(root: Path, name: str) -> Path:
    """The file of one relation, or of the index."""
    return root / FOLDER / f"{name}.parquet"


def program() -> str:
    """What the gathered rows depend on beside journals and rules files: sql/, the schema, the default rules.

    Where this is another than the index has, no entry says anything.
    """
    digest = hashlib.sha256(f"{SCHEMA_VERSION} {derivation_digest()} ".encode())
    digest.update(default_rules().read_bytes())
    for name in GATHERED:
        digest.update(schema(name).to_string().encode())
    return digest.hexdigest()[:16]


def load_index(root: Path) -> Index | None:
    """The index of the gathered tables; None where there are none that can be used."""
    try:
        index = pq.read_table(gathered_path(root, "index"))
    except UNREADABLE:
        return None
    made = {key.decode(): value.decode() for key, value in (index.schema.metadata or {}).items()}
    if made.get("program") != program() or index.schema.names != _INDEX.names:
        return None
    for name in GATHERED:
        found = found_stamp(gathered_path(root, name))
        if found is None or found.get("generation") != made.get("generation"):
            return None
    columns = [index.column(name).to_pylist() for name in _INDEX.names]
    entries = {
        (study, test_id): Entry(chain, rules_digest, state)
        for study, test_id, chain, rules_digest, state in zip(*columns, strict=True)
    }
    return Index(entries)


class CacheWriter:
    """Writes the gathered tables of `root` anew: the rows of `index` but of `dropped`, then what is added.

    Nothing is to be seen before `commit`; `discard` leaves what was there.  Rows of one test are
    never taken from two places.  Raises ArchiveError where nothing can be written there, another of
    UNREADABLE where rows that were to be kept cannot be read.
    """

    def __init__(self, root: Path, index: Index | None, dropped: Collection[Key]) -> None:
        self._root = root
        self._entries: dict[Key, Entry] = {}
        self._waiting: dict[str, list[pa.Table]] = {name: [] for name in GATHERED}
        folder = root / FOLDER
        try:
            folder.mkdir(exist_ok=True)
            sweep(folder)
            self._paths = {name: temporary(gathered_path(root, name)) for name in GATHERED}
            self._writers = {
                name: pq.ParquetWriter(path, schema(name), compression="ZSTD", write_page_checksum=True)
                for name, path in self._paths.items()
            }
        except OSError as error:
            raise not_writable(folder, error) from error
        if index is not None:
            gone = set(dropped)
            self._entries = {key: one for key, one in index.entries.items() if key not in gone}
            try:
                self._keep(gone)
            except UNREADABLE:
                self.discard()
                raise

    def add(self, entries: Iterable[tuple[TestFolder, Entry]], rows: dict[str, bytes]) -> None:
        """The rows of some tests, as Arrow IPC streams by relation."""
        for folder, entry in entries:
            self._entries[folder.study, folder.test_id] = entry
        for name, stream in rows.items():
            with pa.ipc.open_stream(stream) as reader:
                self._take(name, reader.read_all())

    def commit(self) -> None:
        """Make what was written the gathered tables; ArchiveError where that cannot be."""
        order = sorted(self._entries)
        columns = [
            [study for study, _ in order],
            [test_id for _, test_id in order],
            *([getattr(self._entries[key], name) for key in order] for name in _INDEX.names[2:]),
        ]
        generation = hashlib.sha256(repr(columns).encode()).hexdigest()[:16]
        made = {"program": program(), "generation": generation}
        index = pa.table(columns, schema=_INDEX).replace_schema_metadata(made)
        path = temporary(gathered_path(self._root, "index"))
        try:
            for name, writer in self._writers.items():
                self._flush(name)
                writer.add_key_value_metadata(made)
                writer.close()
            pq.write_table(index, path, compression="ZSTD")
        except OSError as error:
            self.discard()
            path.unlink(missing_ok=True)
            raise not_writable(gathered_path(self._root, "index"), error) from error
        self._paths["index"] = path  # last: it says which rows the others hold
        for name, written in self._paths.items():
            publish(written, gathered_path(self._root, name))

    def discard(self) -> None:
        """Leave the gathered tables as they were."""
        for writer in self._writers.values():
            writer.close()
        for path in self._paths.values():
            path.unlink(missing_ok=True)

    def _keep(self, gone: set[Key]) -> None:
        for name in GATHERED:
            with pq.ParquetFile(gathered_path(self._root, name), page_checksum_verification=True) as file:
                for group in range(file.num_row_groups):
                    self._take(name, without(file.read_row_group(group), gone))

    def _take(self, name: str, rows: pa.Table) -> None:
        # names and types alone: metadata are written once, from the schema
        waiting = self._waiting[name]
        waiting.append(rows.cast(schema(name)))
        if sum(len(part) for part in waiting) >= _ROWS:
            self._flush(name)

    def _flush(self, name: str) -> None:
        if self._waiting[name]:
            self._writers[name].write_table(pa.concat_tables(self._waiting[name]))
            self._waiting[name] = []


def without(rows: pa.Table, gone: Collection[Key]) -> pa.Table:
    """The rows but those of these tests."""
    if not gone:
        return rows
    keys = zip(rows.column("study").to_pylist(), rows.column("test_id").to_pylist(), strict=True)
    return rows.filter(pa.array([key not in gone for key in keys], pa.bool_()))
