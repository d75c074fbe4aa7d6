"""What the adapters share: a line that cannot be used, and how its text is kept."""

from __future__ import annotations

from datetime import datetime

from pipeline.events import LineRejected

TEXT_LIMIT = 2000


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
