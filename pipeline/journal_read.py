"""A journal as it is read: checked whole, never repaired.

A line is one JSON object that ends `,"chain":"` + 16 hex digits + `"}` + newline; the digits are
the first of SHA-256 over every byte of the file before them.  One hash over the file checks it
whole; only where that fails, hashing on line by line names the first bad line.  It shows damage
and careless editing, and is no proof against someone who computes it again.

Where a disk refused to keep what was written, the lines since the last good sync stand in a
rescue journal beside it, `journal.rescue-N.jsonl`: it takes the place of everything from byte N
on.  Reading joins them; offsets in errors are those of the file they name.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from hashlib import sha256
from itertools import chain
from pathlib import Path

from pydantic import ValidationError

from pipeline.clock import pipeline_time
from pipeline.errors import JournalDamaged, JournalError
from pipeline.events import EVENT, JOURNAL_VERSION, Event, TestClosed, TestOpened
from pipeline.protocol import first_problem

CHAIN_KEY = b',"chain":"'
CHAIN_DIGITS = 16
CHAIN_END = b'"}\n'
# a test may be corrected, and its torn tail cut, after it was closed
AFTER_CLOSING = frozenset({"amended", "journal_repaired"})

_SEALED = CHAIN_DIGITS + len(CHAIN_END)  # bytes at a line's end that its own chain does not cover
_DIGITS = -(_SEALED - 1)  # where the digits begin in a line without its newline
_PAYLOAD = _DIGITS - len(CHAIN_KEY)  # where the event itself ends in it
_HEAD = re.compile(rb'\{"seq":(\d+),"kind":"([a-z_]+)","event_time":"')
_BLOCK = 4096
_RESCUE = re.compile(r"\.rescue-(\d+)\.jsonl$")
_RESTORE = "restore the file from a copy; the lines before it are sound"


@dataclass(frozen=True)
class Piece:
    """One file of a journal: its lines stand from byte `start` of the joined journal on."""

    path: Path
    start: int


@dataclass(frozen=True)
class JournalRead:
    """One checked journal.

    `data` are its whole lines, joined; `events` every event but the samples, of which
    `samples` says how many there are; `head` the chain of the last line ("" where there is
    none); `torn_tail` the bytes after the last newline, which were never confirmed to anyone.
    """

    path: Path
    pieces: tuple[Piece, ...]
    data: bytes
    torn_tail: bytes
    events: tuple[Event, ...]
    samples: int
    lines: int
    head: str
    counts: dict[str, int]
    last_elapsed_s: float
    end: TestClosed | None

    @property
    def closed(self) -> bool:
        """Whether the test was closed; if not, it was interrupted."""
        return self.end is not None

    @property
    def last_seq(self) -> int:
        """The number of the last line; -1 where there is none."""
        return self.lines - 1

    @property
    def opened(self) -> TestOpened:
        """The first line."""
        opened = self.events[0] if self.events else None
        if not isinstance(opened, TestOpened):
            raise _empty(self.path)
        return opened

    @property
    def as_of(self) -> datetime:
        """The pipeline time of the last line, UTC."""
        return pipeline_time(self.opened.anchor, self.last_elapsed_s)

    @property
    def rescues(self) -> tuple[Path, ...]:
        """The rescue journals that were joined, in order."""
        return tuple(piece.path for piece in self.pieces[1:])

    @property
    def plain(self) -> bool:
        """Whether the one file at `path` holds exactly `data`; else only `data` is the journal."""
        return not self.torn_tail and len(self.pieces) == 1


def rescue_path(path: Path, start: int) -> Path:
    """The rescue journal that takes the place of everything in `path` from byte `start` on."""
    return path.with_name(f"{path.stem}.rescue-{start}.jsonl")


def read_journal(path: Path, *, may_be_empty: bool = False) -> JournalRead:
    """Read and check the journal at `path` and its rescue journals; writes nothing.

    Raises JournalDamaged naming file, offset and line, JournalError where the file cannot be
    read, holds no whole line, or an event that this version does not know.
    """
    joined, pieces = _joined(path)
    whole = joined.rfind(b"\n") + 1
    data, torn_tail = joined[:whole], joined[whole:]
    if not data:
        if not may_be_empty:
            raise _empty(path)
        return JournalRead(path, pieces, b"", torn_tail, (), 0, 0, "", {}, 0.0, None)
    lines = _Lines(data, pieces)
    if not _chain_holds(data):
        raise lines.first_broken()
    kinds = lines.other_kinds()
    if kinds.get(0) != "test_opened":
        raise JournalError(path, "does not begin with test_opened; give the journal of a test")
    events = tuple(lines.event(n) for n in kinds)
    total = len(lines.each)
    counts = Counter(kinds.values())
    counts["sample"] = total - len(kinds)
    return JournalRead(
        path=path,
        pieces=pieces,
        data=data,
        torn_tail=torn_tail,
        events=events,
        samples=counts["sample"],
        lines=total,
        head=data[-_SEALED : -len(CHAIN_END)].decode(),
        counts=dict(+counts),
        last_elapsed_s=lines.event(total - 1).elapsed_s or 0.0,
        end=_checked_end(lines, kinds, events),
    )


def iter_events(journal: Path | JournalRead) -> Iterator[Event]:
    """Every event in order, samples too, as models; the journal is checked first."""
    read = read_journal(journal) if isinstance(journal, Path) else journal
    lines = _Lines(read.data, read.pieces)
    for n in range(read.lines):
        yield lines.event(n)


class _Lines:
    """The whole lines of a joined journal, and where each of them stands in its file."""

    def __init__(self, data: bytes, pieces: tuple[Piece, ...]) -> None:
        self.data = data
        self.pieces = pieces
        self.each = data.split(b"\n")[:-1]

    def where(self, n: int) -> tuple[Path, int, int]:
        """File, byte offset in it and line in it of the line with seq `n`."""
        offset = sum(len(line) + 1 for line in self.each[:n])
        piece = next(p for p in reversed(self.pieces) if p.start <= offset)
        return piece.path, offset - piece.start, self.data.count(b"\n", piece.start, offset) + 1

    def damage(self, n: int, problem: str) -> JournalDamaged:
        """The error that says what is wrong with the line with seq `n`."""
        path, offset, line = self.where(n)
        return JournalDamaged(path, f"{problem}; {_RESTORE}", offset=offset, line=line)

    def event(self, n: int) -> Event:
        """The line with seq `n` as a model."""
        try:
            event: Event = EVENT.validate_json(self.each[n][:_PAYLOAD] + b"}")
        except ValidationError as error:
            path, offset, line = self.where(n)
            problem = (
                f"seq {n} is no event of journal version {JOURNAL_VERSION} ({first_problem(error)}); "
                "read it with the version of cuffwatt named as software in the first line"
            )
            raise JournalError(path, problem, offset=offset, line=line) from None
        return event

    def first_broken(self) -> JournalDamaged:
        """The first line whose chain does not hold; there is one."""
        hasher = sha256()
        sound = 0
        for line in self.each:
            hasher.update(line[:_DIGITS])
            digits = hasher.hexdigest()[:CHAIN_DIGITS].encode()
            if line[_PAYLOAD:] + b"\n" != CHAIN_KEY + digits + CHAIN_END:
                break
            hasher.update(line[_DIGITS:] + b"\n")
            sound += 1
        return self.damage(sound, "the line is not what was written (its chain does not hold)")

    def other_kinds(self) -> dict[int, str]:
        """Seq and kind of every line but the samples, in order; JournalDamaged where a line does
        not begin with the number of its place, a kind and a time."""
        kinds = {}
        like_samples = map(bytes.startswith, self.each, _sample_heads(len(self.each)))
        for n in [n for n, like in enumerate(like_samples) if not like]:
            head = _HEAD.match(self.each[n])
            if head is None or int(head[1]) != n or head[2] == b"sample":
                raise self.damage(n, f"a line beginning with seq {n}, kind and event_time is wanted")
            kinds[n] = head[2].decode()
        return kinds


def _sample_heads(count: int) -> Iterator[bytes]:
    blocks = range(-(-count // _BLOCK))
    return chain.from_iterable(map(_sample_head_block, blocks))


@lru_cache(maxsize=32)
def _sample_head_block(block: int) -> tuple[bytes, ...]:
    first = block * _BLOCK  # made once a process: reading thousands of journals asks for them again
    return tuple(b'{"seq":%d,"kind":"sample","event_time":"' % n for n in range(first, first + _BLOCK))


def _joined(path: Path) -> tuple[bytes, tuple[Piece, ...]]:
    data = _bytes(path)
    pieces = [Piece(path, 0)]
    found = ((_RESCUE.search(p.name), p) for p in path.parent.glob(f"{path.stem}.rescue-*.jsonl"))
    for start, rescue in sorted((int(match[1]), p) for match, p in found if match):
        if start > len(data):
            raise JournalDamaged(
                pieces[-1].path,
                f"the file ends here, but {rescue.name} goes on from byte {start}; {_RESTORE}",
                offset=len(data) - pieces[-1].start,
                line=data.count(b"\n", pieces[-1].start) + 1,
            )
        data = data[:start] + _bytes(rescue)
        pieces.append(Piece(rescue, start))
    return data, tuple(pieces)


def _bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except FileNotFoundError:
        raise JournalError(path, "no journal there; give a test that was recorded or joined") from None
    except OSError as error:
        raise JournalError(path, f"cannot be read ({error.strerror}); check the file's rights") from error


def _empty(path: Path) -> JournalError:
    return JournalError(path, "holds no whole line, so the test never began; move its folder away")


def _chain_holds(data: bytes) -> bool:
    digits = sha256(memoryview(data)[:-_SEALED]).hexdigest()[:CHAIN_DIGITS].encode()
    return data.endswith(CHAIN_KEY + digits + CHAIN_END)


def _checked_end(lines: _Lines, kinds: dict[int, str], events: tuple[Event, ...]) -> TestClosed | None:
    end = next((event for event in events if isinstance(event, TestClosed)), None)
    if end is None:
        return None
    closed_at = next(n for n, kind in kinds.items() if kind == "test_closed")
    before = Counter(kind for n, kind in kinds.items() if n < closed_at)
    before["sample"] = closed_at - before.total()
    for kind in sorted(before.keys() | end.counts.keys()):
        said, came = end.counts.get(kind, 0), before[kind]
        if said != came:
            raise lines.damage(closed_at, f"test_closed counts {said} {kind}, but {came} came before it")
    for n in range(closed_at + 1, len(lines.each)):
        kind = kinds.get(n, "sample")
        if kind not in AFTER_CLOSING:
            raise lines.damage(n, f"{kind} stands after test_closed")
    return end
