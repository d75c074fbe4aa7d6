"""The journal of one test as it is written: what is in it happened, nothing else did.

One JSON object a line, whole lines only, one writer that holds the lock.  The states in which
a journal can be:

    open       lines are appended; `sync` makes them last
    behind     the disk refused a write: the file ends in a whole line, the rest waits in memory
    rescued    a sync failed: the lines since the last good one stand in a rescue journal
    closed     test_closed is written; only a correction may follow
"""

from __future__ import annotations

import fcntl
import os
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from types import TracebackType

from pipeline.archive import DISK, Disk, journal_exists, not_writable
from pipeline.errors import CuffwattError, JournalClosed, JournalError, JournalLocked
from pipeline.events import KINDS, Event, TestClosed
from pipeline.journal_file import JournalFile, JournalNotKept
from pipeline.journal_read import (
    AFTER_CLOSING,
    CHAIN_DIGITS,
    CHAIN_END,
    CHAIN_KEY,
    JournalRead,
    iter_events,
    read_journal,
)

__all__ = [
    "SAMPLES_SYNC_S",
    "SYNCED_KINDS",
    "Journal",
    "JournalNotKept",
    "JournalRead",
    "Repair",
    "iter_events",
    "must_sync",
    "read_journal",
]

SAMPLES_SYNC_S = 0.9  # at most this much of what devices log is lost in a power cut
_MAY_WAIT = frozenset(
    {
        "sample",
        "line_rejected",
        "source_opened",
        "source_lost",
        "source_found",
        "clock_stepped",
        "flag_raised",
    }
)
SYNCED_KINDS = frozenset(KINDS) - _MAY_WAIT


def must_sync(events: Iterable[Event]) -> bool:
    """Whether a batch must be on disk before anything else: an entry, prompt, stage, opening,
    closing or repair is in it.  The rest may wait up to SAMPLES_SYNC_S."""
    return any(event.kind in SYNCED_KINDS for event in events)


@dataclass(frozen=True)
class Repair:
    """What `reopen` cut off: `bytes_cut` bytes, kept in the file `backup` beside the journal."""

    bytes_cut: int
    backup: str


class Journal:
    """The one writer of a journal; made by `create` or `reopen`, let go by `close`.

    `next_seq`, `head` (chain of the last line, "" before the first), `last_elapsed_s` and
    `counts` (events of each kind) include lines that wait in memory.  `found` is what `reopen`
    read, `repair` what it cut.
    """

    def __init__(self, path: Path, file: JournalFile, found: JournalRead | None = None) -> None:
        self.path = path
        self.found = found
        self.repair: Repair | None = None
        self.next_seq = found.lines if found else 0
        self.head = found.head if found else ""
        self.last_elapsed_s = found.last_elapsed_s if found else 0.0
        self.counts: Counter[str] = Counter(found.counts if found else {})
        self._hasher = sha256(found.data if found else b"")
        self._file = file

    @classmethod
    def create(cls, path: Path, disk: Disk = DISK) -> Journal:
        """Begin a journal where there is none; JournalExists or ArchiveError if that cannot be."""
        try:
            lock = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_APPEND | os.O_CLOEXEC, 0o666)
        except FileExistsError:
            raise journal_exists(path) from None
        except OSError as error:
            raise not_writable(path, error) from error
        file = JournalFile(path, lock, disk)
        try:
            _take_lock(lock, path)
            disk.sync_folder(path.parent)
        except OSError as error:
            file.close()
            if isinstance(error, CuffwattError):
                raise
            path.unlink(missing_ok=True)
            raise not_writable(path, error) from error
        return cls(path, file)

    @classmethod
    def reopen(cls, path: Path, disk: Disk = DISK, *, to_amend: bool = False) -> Journal:
        """Go on with a journal: lock it, check it, cut a torn tail with a backup beside it.

        Raises JournalLocked, JournalDamaged, JournalError (no such file) or, unless it is
        reopened `to_amend`, JournalClosed.  The caller journals `repair` as journal_repaired.
        """
        try:
            lock = os.open(path, os.O_RDWR | os.O_APPEND | os.O_CLOEXEC)
        except FileNotFoundError:
            raise JournalError(path, "no journal there; give a test that was recorded or joined") from None
        except OSError as error:
            raise not_writable(path, error) from error
        file = JournalFile(path, lock, disk)
        try:
            _take_lock(lock, path)
            found = read_journal(path, may_be_empty=True)
            if found.closed and not to_amend:
                raise _closed(path, found.lines, len(found.data))
            backup = file.go_on(found)
        except BaseException as error:
            file.close()
            if isinstance(error, OSError) and not isinstance(error, CuffwattError):
                raise not_writable(path, error) from error
            raise
        journal = cls(path, file, found)
        if backup is not None:
            journal.repair = Repair(len(found.torn_tail), backup.name)
        return journal

    @property
    def closed(self) -> bool:
        """Whether test_closed was appended."""
        return "test_closed" in self.counts

    @property
    def never_began(self) -> bool:
        """Whether nothing of it ever came to disk."""
        return not self.rescues and self.path.exists() and not self.path.stat().st_size

    @property
    def rescues(self) -> tuple[Path, ...]:
        """The rescue journals; grows when one is begun, which the operator must be told."""
        return tuple(self._file.rescues)

    @property
    def waiting(self) -> int:
        """Lines that are in memory only."""
        return self._file.waiting

    def append(self, events: Sequence[Event]) -> None:
        """Write `events`, numbered on from `next_seq`, with one call; `sync` makes them last.

        A wrong batch (ValueError, JournalClosed) leaves everything as it was.  JournalNotKept
        means that they are taken, in order, but wait in memory: do not append them again.
        """
        self._check(events)
        if not events:
            return
        hasher = self._hasher.copy()
        block = bytearray()
        for event in events:
            line = event.model_dump_json(exclude_none=True).encode()[:-1] + CHAIN_KEY
            hasher.update(line)
            digits = hasher.hexdigest()[:CHAIN_DIGITS]
            end = digits.encode() + CHAIN_END
            hasher.update(end)
            block += line + end
        self._hasher = hasher
        self.head = digits
        self.next_seq += len(events)
        self.last_elapsed_s = events[-1].elapsed_s or 0.0
        self.counts.update([event.kind for event in events])
        self._file.put(bytes(block))

    def retry(self) -> None:
        """Write what waits in memory; JournalNotKept if the disk still refuses."""
        self._file.retry()

    def sync(self) -> None:
        """Make every line appended so far last; JournalNotKept if that cannot be.

        Where the file's own sync fails, the lines since the last good one, and all that follow,
        go to a rescue journal; see `rescues`.
        """
        self._file.sync()

    def close(self) -> None:
        """Let the journal and its lock go: `sync` first, this does not."""
        self._file.close()

    def __enter__(self) -> Journal:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _check(self, events: Sequence[Event]) -> None:
        closed = self.closed
        for seq, event in enumerate(events, start=self.next_seq):
            if event.seq != seq or event.elapsed_s is None:
                raise ValueError(
                    f"{event.kind} has seq {event.seq} and elapsed_s {event.elapsed_s}; "
                    f"seq {seq} and the pipeline time are wanted, give the events in order"
                )
            if (event.kind == "test_opened") != (seq == 0):
                raise ValueError(f"{event.kind} at seq {seq}; a journal begins with its one test_opened")
            if closed and event.kind not in AFTER_CLOSING:
                raise _closed(self.path, seq, self._file.position)
            if isinstance(event, TestClosed):
                closed = True
                came = self.counts + Counter(before.kind for before in events[: seq - self.next_seq])
                if +Counter(event.counts) != came:
                    raise ValueError(f"test_closed counts {event.counts}; {dict(came)} came before it")


def _take_lock(lock: int, path: Path) -> None:
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        raise JournalLocked(
            path, "another recorder has it open; end that one first, or wait until it has ended"
        ) from None


def _closed(path: Path, lines: int, offset: int) -> JournalClosed:
    return JournalClosed(
        path,
        "the test was closed, nothing may follow; correct an entry with cuffwatt amend, or begin a new test",
        offset=offset,
        line=lines + 1,
    )
