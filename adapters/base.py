"""What the adapters share: a line that cannot be used, how its text is kept, and a live source."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Protocol

from pipeline.clock import Clock
from pipeline.events import Event, LineRejected

TEXT_LIMIT = 2000


class LiveSource(Protocol):
    """Something that gives events while a test runs; one thread each is in `run`.

    `run` first puts the SourceOpened, then Sample, LineRejected, SourceLost and SourceFound as they
    come, without seq and elapsed_s.  It never raises for what happens outside, and returns within
    0.3 s after `stop` was set, with whatever it had open closed; until then it may still put.
    """

    name: str

    def run(self, put: Callable[[Event], None], stop: threading.Event, clock: Clock) -> None:
        """The body of the source's thread."""


class Rejected(ValueError):
    """A line cannot be used; the message is the reason, in words for the person who wrote the log.

    It stops nothing: whoever reads lines keeps the text with the reason and goes on.
    """


def kept_text(raw: str) -> str:
    """The text as a journal can keep it: no lone surrogates, no NUL, at most 2000 characters."""
    return raw.encode("utf-8", "backslashreplace").decode("utf-8").replace("\0", "\\x00")[:TEXT_LIMIT]


def line_rejected(raw: str, reason: str, *, moment: datetime, source: str) -> LineRejected:
    """The event that keeps a line that could not be used, or of which one field could not."""
    return LineRejected(event_time=moment, source=source, raw=kept_text(raw), reason=kept_text(reason))


def ranks_of(ranks: str | None, measures: Sequence[str]) -> str | None:
    """The ranks of what a source measures: it must not be asked first for what it lacks."""
    if ranks is None:
        return None
    return ",".join(part for part in ranks.split(",") if part.partition("=")[0] in measures)
