"""Lines out of the bytes of a live device: a line exists only with its ending.

What a time-out leaves behind is never taken for a line: `12.3` and `4` would be two plausible
numbers.  Memory stays bounded whatever comes.
"""

from __future__ import annotations

from typing import NamedTuple

LINE_LIMIT_BYTES = 2000
"""No device of this kind sends longer lines; a wrong baud rate does."""


class Cut(NamedTuple):
    """The bytes of a line without its ending, and why it cannot be used where it cannot."""

    raw: bytes
    problem: str | None = None


class LineCutter:
    """Cuts what one opened port gives; the next opening takes a new one.

    `line_ending` is that of the format; a "\\r" beside "\\n" is taken off whatever it is.  With
    `drop_first` what comes before the first ending is the rest of a line that began before the
    port was opened.  A line that paused for more than `stall_s` seconds in its middle may be two
    that run together, so it is cut out.  Empty lines are none.
    """

    def __init__(self, line_ending: str, *, drop_first: bool, stall_s: float) -> None:
        self._mark = b"\r" if line_ending == "\r" else b"\n"
        self._first = drop_first
        self._stall_s = stall_s
        self._held = bytearray()
        self._length = 0
        self._paused_s = self._latest_s = 0.0

    def feed(self, octets: bytes, at_s: float) -> list[Cut]:
        """The lines that end in `octets`, which came at `at_s` seconds of any steady clock."""
        cuts: list[Cut] = []
        if not octets:
            return cuts
        if self._length:
            self._paused_s = max(self._paused_s, at_s - self._latest_s)
        self._latest_s = at_s
        *ended, begun = octets.split(self._mark)
        for piece in ended:
            self._add(piece, cuts)
            self._finish(cuts)
        self._add(begun, cuts)
        return cuts

    def end(self, why: str) -> list[Cut]:
        """What is left of a line when the port is closed; `why` is the reason, in words."""
        cuts: list[Cut] = []
        if self._length:
            self._finish(cuts, f"cut in mid-line: {why}")
        return cuts

    def _add(self, piece: bytes, cuts: list[Cut]) -> None:
        fitted = self._length <= LINE_LIMIT_BYTES
        self._held += piece[: max(0, LINE_LIMIT_BYTES - len(self._held))] if fitted else b""
        self._length += len(piece)
        if fitted and self._length > LINE_LIMIT_BYTES:
            # at once, because an ending may never come
            reason = f"no line end within {LINE_LIMIT_BYTES} bytes: no text, or the wrong baud rate"
            cuts.append(Cut(bytes(self._held), reason))
            self._held.clear()

    def _finish(self, cuts: list[Cut], problem: str | None = None) -> None:
        raw = bytes(self._held).strip(b"\r\n")
        if self._length > LINE_LIMIT_BYTES:
            dropped = self._length - LINE_LIMIT_BYTES
            cuts.append(Cut(b"", f"{dropped} more bytes of an over-long line, not kept"))
        elif raw.strip():
            if self._first:
                problem = (
                    f"first_partial: {self._length} bytes before the first line end after the port was "
                    "opened, so the line may have begun before"
                )
            elif problem is None and self._paused_s > self._stall_s:
                problem = (
                    f"paused for {self._paused_s:.1f} s in mid-line: its end may be that of another line"
                )
            cuts.append(Cut(raw, problem))
        self._held.clear()
        self._length = 0
        self._paused_s = 0.0
        self._first = False
