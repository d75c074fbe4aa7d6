"""Sealing: journals in, the five Parquet files of each test out.

The bytes depend on the journal, the rules, sql/ and the versions of duckdb and pyarrow alone: not
on other tests, the clock, the host, the batch or the number of threads.  Everything here can be
thrown away and made again.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field

import duckdb
import pyarrow as pa

from pipeline.amendments import overlaid
from pipeline.archive import TestFolder, sweep
from pipeline.columns import Relation, published
from pipeline.errors import CuffwattError
from pipeline.file_state import FileState, journal_state, sealed_state
from pipeline.journal import JournalRead, read_journal
from pipeline.rules import Rules
from pipeline.rules import rules_of as kept_rules
from pipeline.sealed_files import (
    SCHEMA_VERSION,
    Hidden,
    file_bytes,
    is_stale,
    publish_hidden,
    schema,
    stamp,
    write_hidden,
)
from pipeline.tables import LoadedJournal, Tables

__all__ = ["BATCH", "SCHEMA_VERSION", "Sealed", "is_stale", "rules_of", "seal_all", "seal_batch"]

BATCH = 250
_WRITERS = 2  # encoding lets the other go on


@dataclass(frozen=True)
class Sealed:
    """What became of one test: sealed, or passed over with the reason in words.

    `state` says how its files were when they were made (pipeline/file_state.py), `rows` what was
    written into each of them but the samples.
    """

    folder: TestFolder
    problem: str | None = None
    chain: str = ""
    state: FileState = ""
    rows: dict[str, pa.Table] = field(default_factory=dict, repr=False, compare=False)


@dataclass(frozen=True)
class Opened:
    """A journal that was read and checked, and how the folder was before that."""

    folder: TestFolder
    journal: LoadedJournal
    before: FileState


def rules_of(folder: TestFolder) -> Rules:
    """The rules that a test is derived with: the lab's own, kept beside its journal, or the default set."""
    return kept_rules(folder.rules)


def open_test(folder: TestFolder) -> Opened:
    """Read and check one journal; CuffwattError where it cannot be sealed."""
    before = journal_state(folder.path)
    return Opened(folder, _loaded(folder, read_journal(folder.journal)), before)


def seal_batch(folders: Sequence[TestFolder], rules: Rules, threads: int = 1) -> list[Sealed]:
    """Derive these tests in one pass and publish their files; all with the same rules.

    A test whose journal cannot be used is passed over and named; the others are sealed.
    """
    outcomes: list[Sealed] = []
    opened = []
    for folder in folders:
        try:
            opened.append(open_test(folder))
        except CuffwattError as error:
            outcomes.append(Sealed(folder, str(error)))
    return outcomes + seal_opened(opened, rules, threads)


def seal_opened(tests: Sequence[Opened], rules: Rules, threads: int = 1) -> list[Sealed]:
    """Derive these journals in one pass and publish their files; all with the same rules.

    Where the pass fails it is tried again with each half, so that the test that it fails for is
    named and costs no other.
    """
    if not tests:
        return []
    try:
        return _sealed(tests, rules, threads)
    except (CuffwattError, duckdb.Error, pa.ArrowException) as error:
        if len(tests) == 1:
            return [Sealed(tests[0].folder, f"{tests[0].folder.path}: {error}")]
    half = len(tests) // 2
    return seal_opened(tests[:half], rules, threads) + seal_opened(tests[half:], rules, threads)


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


def _sealed(tests: Sequence[Opened], rules: Rules, threads: int) -> list[Sealed]:
    tables = Tables(rules, threads)
    try:
        tables.load([one.journal for one in tests])
        tables.run()
        rows = {name: _by_test(tables, relation) for name, relation in published().items()}
    finally:
        tables.close()
    digest = rules.digest

    def write(one: Opened) -> tuple[Hidden, dict[str, pa.Table]]:
        key = (one.folder.study, one.folder.test_id)
        stamped = stamp(digest, one.journal.chain)
        own = {name: parts.get(key, schema(name).empty_table()) for name, parts in rows.items()}
        sweep(one.folder.path)
        files = {f"{name}.parquet": file_bytes(name, part, stamped) for name, part in own.items()}
        del own["samples"]
        return write_hidden(one.folder.path, files), own

    with ThreadPoolExecutor(_WRITERS) as writers:
        written = list(writers.map(write, tests))
    publish_hidden([hidden for hidden, _ in written])
    outcomes = []
    for one, (hidden, own) in zip(tests, written, strict=True):
        if hidden.problem is not None:
            outcomes.append(Sealed(one.folder, hidden.problem))
        else:
            state = sealed_state(one.folder.path, one.before, hidden.found)
            outcomes.append(Sealed(one.folder, None, one.journal.chain, state, own))
    return outcomes


def _by_test(tables: Tables, relation: Relation) -> dict[tuple[str, str], pa.Table]:
    """The rows of a published relation, cut into those of each test that has any."""
    columns = ", ".join(f'"{column.name}"' for column in relation.columns)
    order = ", ".join(dict.fromkeys(("study", "test_id", *relation.order)))
    whole = tables.arrow(f"select {columns} from {relation.sql_relation} order by {order}")
    whole = whole.cast(schema(relation.name))
    counts = tables.rows(
        f"select study, test_id, count(*) as n from {relation.sql_relation} group by study, test_id"
        " order by study, test_id"
    )
    parts, start = {}, 0
    for row in counts:
        part = whole.slice(start, row["n"])
        # where a test lies in the batch must not be seen in its file
        parts[(row["study"], row["test_id"])] = (
            part if part.column(0).num_chunks == 1 else part.combine_chunks()
        )
        start += row["n"]
    return parts
