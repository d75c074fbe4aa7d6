"""Sealing in bulk: the stale tests of an archive, batch after batch, wherever batches run.

What is not stale is left as it is, so a run that was stopped or killed goes on where it was when it is
begun again: every test has its old files or its new ones, whole.  A worker that dies takes nothing
with it: what it had in hand is done again, alone, in halves, until the test that it dies of is named.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future
from contextlib import closing
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path

import pyarrow as pa

from pipeline.archive import TestFolder, publish_bytes
from pipeline.columns import published
from pipeline.errors import ArchiveError, CuffwattError
from pipeline.executors import Workers, own_cores
from pipeline.file_state import FileState, current_state
from pipeline.gathered_cache import GATHERED, CacheWriter, Entry, Index, load_index
from pipeline.rules import Rules, load_rules, rules_text
from pipeline.seal import BATCH, Opened, Sealed, open_test, rules_of, seal_opened
from pipeline.sealed_files import UNREADABLE, is_stale, read_sealed, schema

_FAILURES = 24  # in a row: more than it takes to find one test in a batch, and all that was under way


@dataclass(frozen=True)
class Batch:
    """Some tests to be sealed in one pass; with `again` also those that are not stale.

    With `gather` the rows of all of them are wanted, but for the samples.
    """

    folders: tuple[TestFolder, ...]
    again: bool = False
    gather: bool = False


@dataclass(frozen=True)
class Outcome:
    """What became of one test: `problem` says why it was passed over, `fresh` that it was not stale."""

    folder: TestFolder
    problem: str | None = None
    fresh: bool = False
    chain: str = ""
    rules_digest: str = ""
    state: FileState = ""


@dataclass(frozen=True)
class Done:
    """A batch that was sealed: what became of each test, and the rows of those that were not passed over.

    Rows are Arrow IPC streams by relation; a slice that is pickled would take the whole with it.
    """

    outcomes: tuple[Outcome, ...]
    rows: dict[str, bytes] = field(default_factory=dict, repr=False)


def batches(folders: Sequence[TestFolder], *, again: bool = False, gather: bool = False) -> list[Batch]:
    """The tests in batches of at most BATCH, as even as can be."""
    count = -(-len(folders) // BATCH)
    bounds = [n * len(folders) // count for n in range(count + 1)] if count else [0]
    return [Batch(tuple(folders[start:stop]), again, gather) for start, stop in pairwise(bounds)]


def seal_one(batch: Batch) -> Done:
    """Seal one batch: the function that runs in a worker.

    Nothing that is wrong with a test raises; it is named in its outcome.
    """
    outcomes: list[Outcome] = []
    rows: list[dict[str, pa.Table]] = []
    stale: dict[str, tuple[Rules, list[Opened]]] = {}
    for folder in batch.folders:
        state = current_state(folder.path)  # before anything is read: what changes then is seen as changed
        try:
            rules = rules_of(folder)
            test = open_test(folder)
        except (CuffwattError, OSError) as error:
            outcomes.append(Outcome(folder, str(error)))
            continue
        digest = rules.digest
        found = None if batch.again or is_stale(folder, rules, test.journal.chain) else _read(folder)
        if found is None:
            stale.setdefault(digest, (rules, []))[1].append(test)
            continue
        rows.append(found)
        outcomes.append(Outcome(folder, None, True, test.journal.chain, digest, state))
    for digest, (rules, alike) in stale.items():
        for sealed in seal_opened(alike, rules):
            outcomes.append(_outcome(sealed, digest))
            if sealed.problem is None:
                rows.append(sealed.rows)
    return Done(tuple(outcomes), _streams(rows) if batch.gather else {})


def keep_rules(path: Path, folders: Sequence[TestFolder]) -> None:
    """Keep a rules file beside these journals; InputError where nothing could be derived with it."""
    load_rules(path)
    text = rules_text(path).encode()
    for folder in folders:
        if not (folder.rules.is_file() and folder.rules.read_bytes() == text):
            publish_bytes(folder.rules, text)


def seal_tests(folders: Sequence[TestFolder], workers: Workers | None = None) -> Iterator[Outcome]:
    """Derive these tests, stale or not; the gathered tables stay as they are."""
    todo = batches(folders, again=True)
    for done in run(todo, workers or own_cores(len(todo))):
        yield from done.outcomes


def seal_archive(
    root: Path, folders: Sequence[TestFolder], workers: Workers | None = None
) -> Iterator[Outcome]:
    """Derive what is stale of these tests of the archive at `root`, and renew its gathered tables.

    Tests whose files are as they were when they were gathered are not looked into.
    """
    index = load_index(root)
    known = index or Index({})
    seen = {
        folder: known.holds((folder.study, folder.test_id), str(folder.path), published())
        for folder in folders
    }
    todo = [folder for folder, holds in seen.items() if not holds]
    gone = {key for key in known.entries if not TestFolder.at(root, *key).journal.is_file()}
    writer = None
    if index is None or todo or gone:
        dropped = gone | {(folder.study, folder.test_id) for folder in todo}
        try:
            writer = CacheWriter(root, index, dropped)
        except ArchiveError:
            raise
        except UNREADABLE:  # it is only a cache: all tests are gathered anew
            todo = list(folders)
            seen = dict.fromkeys(folders, False)
            writer = CacheWriter(root, None, ())
    yield from (Outcome(folder, fresh=True) for folder, holds in seen.items() if holds)
    if writer is None:
        return
    try:
        parts = batches(todo, gather=True)
        for done in run(parts, workers or own_cores(len(parts))):
            writer.add(
                (
                    (one.folder, Entry(one.chain, one.rules_digest, one.state))
                    for one in done.outcomes
                    if one.problem is None
                ),
                done.rows,
            )
            yield from done.outcomes
    except BaseException:
        writer.discard()
        raise
    writer.commit()


def run(todo: Sequence[Batch], workers: Workers, work: Callable[[Batch], Done] = seal_one) -> Iterator[Done]:
    """What became of each batch, in their order; what a worker died of comes last.

    Raises CuffwattError where workers die one after the other, whatever they are given.
    """
    waiting, suspects = deque(todo), deque[Batch]()
    failures = 0
    while waiting or suspects:
        first = bool(waiting)
        queue, at_once = (waiting, workers.at_once) if first else (suspects, 1)
        before = len(queue)
        with workers.begin() as executor, closing(_in_order(executor, work, queue, at_once)) as ended:
            for batch, future in ended:
                error = future.exception()
                if error is None:
                    failures = 0
                    yield future.result()
                    continue
                failures += 1
                if failures > _FAILURES:
                    raise CuffwattError(
                        f"worker after worker died ({_words(error)}); free memory or mend the cluster, and "
                        "seal again: what was sealed stays"
                    )
                if first:  # others that died with it are innocent: each is tried alone
                    suspects.append(batch)
                elif len(batch.folders) > 1:
                    half = len(batch.folders) // 2
                    suspects.appendleft(replace(batch, folders=batch.folders[half:]))
                    suspects.appendleft(replace(batch, folders=batch.folders[:half]))
                else:
                    problem = f"{batch.folders[0].path}: {_words(error)}; the journal is untouched"
                    yield Done((Outcome(batch.folders[0], problem),))
        if len(queue) == before and not suspects:
            raise CuffwattError("no worker takes anything; mend the cluster, and seal again")


def _in_order(
    executor: Executor, work: Callable[[Batch], Done], queue: deque[Batch], at_once: int
) -> Generator[tuple[Batch, Future[Done]]]:
    """Each batch of the queue with its future, in order, so many under way; ends early with the executor."""
    under_way: deque[tuple[Batch, Future[Done]]] = deque()
    try:
        while queue or under_way:
            try:
                while queue and len(under_way) < at_once:
                    under_way.append((queue[0], executor.submit(work, queue[0])))
                    queue.popleft()
            except BrokenExecutor:
                if not under_way:
                    return
            yield under_way.popleft()
    finally:
        for _, future in under_way:
            future.cancel()


def _words(error: BaseException) -> str:
    if isinstance(error, BrokenExecutor) or type(error).__name__ == "KilledWorker":
        return "the worker that sealed it died (killed, or out of memory)"
    return f"{type(error).__name__}: {error}"


def _outcome(sealed: Sealed, digest: str) -> Outcome:
    return Outcome(sealed.folder, sealed.problem, False, sealed.chain, digest, sealed.state)


def _read(folder: TestFolder) -> dict[str, pa.Table] | None:
    """The rows of the sealed files but the samples; None where a file is not whole."""
    rows = {}
    for name in published():
        try:
            found = read_sealed(folder.parquet(name))
        except UNREADABLE:
            return None
        if not found.schema.equals(schema(name)):
            return None
        rows[name] = found.replace_schema_metadata(None)
    del rows["samples"]
    return rows


def _streams(rows: Sequence[dict[str, pa.Table]]) -> dict[str, bytes]:
    streams = {}
    for name in GATHERED if rows else ():
        sink = pa.BufferOutputStream()
        whole = pa.concat_tables([one[name] for one in rows])
        with pa.ipc.new_stream(sink, whole.schema) as stream:
            stream.write_table(whole)
        streams[name] = sink.getvalue().to_pybytes()
    return streams
