"""Lines on their way to disk: written whole, made last, or kept in memory and said so.

`JournalFile` knows nothing of events.  A short or failed write is cut back to the last whole
line and the rest waits in memory.  A failed sync is never tried again on the same descriptor,
which may then report success for bytes that are gone: the lines since the last good sync, and
all that follow, go to a rescue journal, which takes the place of everything from that byte on.
"""

from __future__ import annotations

import contextlib
import errno
import os
from pathlib import Path

from pipeline.archive import DISK, Disk, publish_bytes, temporary
from pipeline.errors import JournalError
from pipeline.journal_read import JournalRead, rescue_path


class JournalNotKept(JournalError, OSError):
    """The disk refused; the lines named are in memory only, until `retry` or `sync` succeeds."""

    def __init__(self, path: Path, problem: str, *, offset: int = 0, line: int = 1) -> None:
        JournalError.__init__(self, path, problem, offset=offset, line=line)


class JournalFile:
    """The file in hand of the journal at `path`, first of all the one that `lock` has open.

    Positions count bytes of the joined journal.  `rescues` lists the rescue journals; it grows
    whenever one is begun.
    """

    def __init__(self, path: Path, lock: int, disk: Disk = DISK) -> None:
        self.path = path
        self.rescues: list[Path] = []
        self._disk = disk
        self._lock = self._file = lock
        self._start = 0  # where the file in hand begins
        self._written = self._synced = 0  # whole lines up to here
        self._lines = 0  # whole lines written
        self._unsynced = bytearray()  # written since the last good sync
        self._pending = b""  # not written
        self._ragged = False  # the file may end in part of a line
        self._believed = True  # no sync of the file in hand has failed

    @property
    def position(self) -> int:
        """Bytes of whole lines written."""
        return self._written

    @property
    def waiting(self) -> int:
        """Lines that are in memory only."""
        lines = self._pending.count(b"\n")
        return lines if self._believed else lines + self._unsynced.count(b"\n")

    def go_on(self, read: JournalRead) -> Path | None:
        """Stand behind the last whole line that was read; make all of it last.

        A torn tail is cut off and kept beside the journal, in the file returned.
        """
        self.rescues = list(read.rescues)
        if self.rescues:
            self._file = os.open(self.rescues[-1], os.O_RDWR | os.O_APPEND | os.O_CLOEXEC)
        self._start = read.pieces[-1].start
        self._written = self._synced = len(read.data)
        self._lines = read.lines
        backup = None
        if read.torn_tail:
            backup = self._backup_path()
            publish_bytes(backup, read.torn_tail, self._disk)
            self._cut()
        self._disk.fsync(self._file)
        return backup

    def put(self, lines: bytes) -> None:
        """Write whole lines behind all others; JournalNotKept if they must wait in memory."""
        self._pending += lines
        self.retry()

    def retry(self) -> None:
        """Write what waits in memory; JournalNotKept if the disk still refuses."""
        if not self._believed:
            self._rescue()
        elif self._pending:
            self._write()

    def sync(self) -> None:
        """Make every line last, in a rescue journal if need be; JournalNotKept if it cannot be."""
        refused = None
        try:
            self.retry()
        except JournalNotKept as error:
            refused = error
        if self._unsynced and self._believed:
            try:
                self._disk.fsync(self._file)
                self._synced = self._written
                self._unsynced.clear()
            except OSError:
                self._believed = False
                self._rescue()
        if refused is not None and self.waiting:
            raise refused

    def close(self) -> None:
        """Let the files and the lock go."""
        if self._file not in (self._lock, -1):
            os.close(self._file)
        if self._lock >= 0:
            os.close(self._lock)
        self._lock = self._file = -1

    def _write(self) -> None:
        block, written, problem = self._pending, 0, OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        try:
            if self._ragged:
                self._cut()
            written = self._disk.write(self._file, block)
        except OSError as error:
            problem = error
        whole = block.rfind(b"\n", 0, written) + 1
        self._unsynced += block[:whole]
        self._written += whole
        self._lines += block.count(b"\n", 0, whole)
        self._pending = block[whole:]
        if self._pending:
            self._ragged = True  # where it cannot be cut now, the next write cuts first
            with contextlib.suppress(OSError):
                self._cut()
            raise self._not_kept(f"cannot be written ({problem.strerror})") from problem

    def _cut(self) -> None:
        self._disk.truncate(self._file, self._written - self._start)
        self._ragged = False

    def _rescue(self) -> None:
        lines = bytes(self._unsynced) + self._pending
        final = rescue_path(self.path, self._synced)
        tmp = temporary(final)
        file = -1
        try:
            file = os.open(tmp, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_APPEND | os.O_CLOEXEC, 0o666)
            if self._disk.write(file, lines) < len(lines):
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            self._disk.fsync(file)
            tmp.replace(final)
            self._disk.sync_folder(final.parent)
        except OSError as error:
            if file >= 0:
                os.close(file)
                tmp.unlink(missing_ok=True)
            raise self._not_kept(
                f"cannot be made to last, nor can {final.name} ({error.strerror})"
            ) from error
        if self._file != self._lock:
            os.close(self._file)
        self._file, self._start = file, self._synced
        self._lines += self._pending.count(b"\n")
        self._written = self._synced = self._synced + len(lines)
        self._unsynced.clear()
        self._pending = b""
        self._ragged, self._believed = False, True
        self.rescues.append(final)

    def _backup_path(self) -> Path:
        names = (
            f"{self.path.stem}.torn-{self._written}{more}"
            for more in ("", *map("-{}".format, range(2, 1000)))
        )
        return next(p for p in (self.path.with_name(f"{name}.bak") for name in names) if not p.exists())

    def _not_kept(self, problem: str) -> JournalNotKept:
        first = self._lines - (0 if self._believed else self._unsynced.count(b"\n"))
        return JournalNotKept(
            self.path,
            f"{problem}; the {self.waiting} lines from seq {first} on are in memory only: free space or "
            "mend the disk, they are written again as soon as it allows",
            offset=self._written if self._believed else self._synced,
            line=first + 1,
        )
