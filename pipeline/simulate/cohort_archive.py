"""An invented cohort on disk: an archive of journals that a join would have written, and its truth.

    FOLDER/archive/study=S/test=T/journal.jsonl  setup.toml
    FOLDER/truth.csv

The journals go through the recorder; what the planner knows on the way comes from a stand-in for
the deriver, which makes them in a tenth of the time and the same to the byte.  Nothing is synced:
what is lost is made again from its number.
"""

from __future__ import annotations

import contextlib
import csv
import io
import multiprocessing
import os
import shutil
import signal
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from pipeline.archive import Archive, Disk, publish_bytes
from pipeline.draft import new_folder
from pipeline.errors import ArchiveError, CuffwattError
from pipeline.join import join
from pipeline.rules import shipped_rules
from pipeline.simulate.cohort import Cohort, order_of
from pipeline.simulate.stand_in import StandIn

ARCHIVE_NAME = "archive"
TRUTH_NAME = "truth.csv"
ALONE_UP_TO = 20
"""So few tests are made before another process has begun."""
_AT_ONCE = 8
_UNSYNCED = Disk(fsync=lambda descriptor: None)

Row = dict[str, str | int | float]


@dataclass(frozen=True)
class _Refused:
    """Why a test could not be written, in words that go from one process to another."""

    words: str


def write_cohort(
    cohort: Cohort,
    tests: int,
    folder: Path,
    *,
    processes: int | None = None,
    watched: Callable[[Sequence[int]], Iterable[int]] = iter,
) -> Path:
    """Write tests 0 to `tests` - 1 and truth.csv into a new or empty folder; returns the archive.

    With `processes` (default: one a core) at a time; the files do not depend on how many.
    `watched` may look at the numbers of the tests as they are done.  Raises UsageError for a
    folder that is not empty or cannot be made, ArchiveError where a test cannot be written; however
    it ends early, nothing that it wrote stays.
    """
    new_folder(folder)
    root = folder / ARCHIVE_NAME
    try:
        with _workers(tests, processes) as each:
            rows = []
            done = each(partial(_write, cohort, root), range(tests))
            for _, row in zip(watched(range(tests)), done, strict=True):
                if isinstance(row, _Refused):
                    raise ArchiveError(row.words)
                rows.append(row)
        publish_bytes(folder / TRUTH_NAME, _csv(rows).encode(), _UNSYNCED)
    except BaseException:
        shutil.rmtree(root, ignore_errors=True)
        raise
    return root


def _write(cohort: Cohort, root: Path, index: int) -> Row | _Refused:
    """Write test `index`; its row of the truth."""
    visit, rules = cohort.visit(index), shipped_rules()
    try:
        join(order_of(visit.test, rules), Archive(root), rules, disk=_UNSYNCED, deriver=StandIn)
    except CuffwattError as error:
        return _Refused(str(error))
    return visit.truth()


Each = Callable[[Callable[[int], Row | _Refused], Iterable[int]], Iterable[Row | _Refused]]


@contextlib.contextmanager
def _workers(tests: int, processes: int | None) -> Iterator[Each]:
    """A `map` that keeps the order, over as many processes as are worth it."""
    count = min(processes or os.cpu_count() or 1, tests)
    if count == 1 or (processes is None and tests <= ALONE_UP_TO):
        yield map
        return
    # only the first process hears the keyboard; it ends the others
    ignore = (signal.SIGINT, signal.SIG_IGN)
    with multiprocessing.get_context("spawn").Pool(count, signal.signal, ignore) as pool:
        yield partial(pool.imap, chunksize=_AT_ONCE)


def _csv(rows: Sequence[Row]) -> str:
    text = io.StringIO()
    writer = csv.DictWriter(text, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()
