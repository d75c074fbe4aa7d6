"""The terminal as a console of a live test: its bytes, its size and its state, in a thread of their own.

Nothing that happens here stops the recording.  The terminal is left as it was found, whatever ends.
"""

from __future__ import annotations

import os
import select
import sys
import termios
import threading
from collections.abc import Callable
from contextlib import suppress
from typing import Any

from adapters.terminal_desk import Desk
from adapters.terminal_keys import Keyboard
from adapters.terminal_screen import Line
from pipeline.errors import UsageError

FRAME_S = 0.2
ESCAPE_S = 0.05
_ON = "\x1b[?1049h\x1b[?25l\x1b[2J"
_OFF = "\x1b[0m\x1b[?25h\x1b[?1049l"
_STYLES = {
    "": "", "bold": "\x1b[1m", "dim": "\x1b[2m", "bar": "\x1b[1;7m", "alarm": "\x1b[1;97;41m",
    "good": "\x1b[1;32m", "bad": "\x1b[1;33m", "big": "\x1b[1m",
}  # fmt: skip


def needs_terminal() -> None:
    """UsageError unless somebody can type and see."""
    if not (sys.stdin and sys.stdin.isatty() and sys.stdout.isatty()):
        raise UsageError(
            "no terminal to type at and look at; record from one, or use --headless to record without "
            "entries and without anyone watching"
        )


class Terminal:
    """`run` is the body of its thread, until `stop`; `lost` is called with why when it goes away first."""

    def __init__(
        self, desk: Desk, lost: Callable[[str], None], keys_from: int = 0, shown_on: int = 1
    ) -> None:
        self._desk, self._lost, self._in, self._out = desk, lost, keys_from, shown_on
        self._ended = threading.Event()
        self._restoring = threading.Lock()
        self._before: list[Any] | None = None
        self._size = (0, 0)
        self._shown: list[Line] = []
        self.gone = False

    def run(self) -> None:
        """Draw and read keys until it is stopped or the terminal goes away."""
        why = "the terminal went away"
        try:
            self._begin()
            self._loop()
        except (OSError, termios.error):
            self.gone = True
        except Exception as error:
            self.gone, why = True, f"the terminal's display failed ({type(error).__name__}: {error})"
        finally:
            self.restore()
        if self.gone and not self._ended.is_set():
            self._lost(why)

    def stop(self) -> None:
        """End the thread within a frame."""
        self._ended.set()

    def restore(self) -> None:
        """Leave the terminal as it was; may be called again, and from any thread."""
        with self._restoring:
            before, self._before = self._before, None
            if before is None:
                return
            # a terminal that takes nothing any more must not hold up the end of the test
            with suppress(OSError):
                if select.select([], [self._out], [], FRAME_S)[1]:
                    os.write(self._out, _OFF.encode())
            with suppress(OSError, termios.error):
                termios.tcsetattr(self._in, termios.TCSANOW, before)

    def _begin(self) -> None:
        before = termios.tcgetattr(self._in)
        raw = termios.tcgetattr(self._in)
        # no signals from keys (Ctrl-C is asked about) and no Ctrl-S, which would freeze the display
        raw[0] &= ~(termios.IXON | termios.ICRNL)
        raw[3] &= ~(termios.ICANON | termios.ECHO | termios.ISIG | termios.IEXTEN)
        raw[6][termios.VMIN], raw[6][termios.VTIME] = 1, 0
        self._before = before
        termios.tcsetattr(self._in, termios.TCSAFLUSH, raw)
        self._write(_ON)

    def _loop(self) -> None:
        keyboard, begun = Keyboard(), False
        while not self._ended.is_set():
            ready, _, _ = select.select([self._in], [], [], ESCAPE_S if begun else FRAME_S)
            keys = keyboard.pause() if begun and not ready else []
            if ready:
                data = os.read(self._in, 4096)
                if not data:
                    self.gone = True
                    return
                keys = keyboard.feed(data)
            begun = keyboard.begun
            for key in keys:
                if key == "ctrl-l":
                    self._size = (0, 0)
                else:
                    self._desk.press(key)
            self._desk.settle()
            self._draw()

    def _draw(self) -> None:
        """Write the lines that changed, and the bell."""
        columns, rows = os.get_terminal_size(self._out)
        columns, rows = columns or 80, rows or 24
        parts = []
        if (columns, rows) != self._size:
            self._size, self._shown = (columns, rows), []
            parts.append("\x1b[0m\x1b[2J")
        lines = self._desk.screen(columns, rows)
        for row, line in enumerate(lines):
            if row >= len(self._shown) or self._shown[row] != line:
                # erased first: what fills the last column must not lose it
                parts.append(f"\x1b[{row + 1};1H\x1b[0m\x1b[K{_STYLES[line.style]}{line.text}\x1b[0m")
        self._shown = lines
        parts.append("\x07" * self._desk.strokes())
        text = "".join(parts)
        if text:
            self._write(text)

    def _write(self, text: str) -> None:
        data = text.encode("utf-8", "replace")
        while data:
            data = data[os.write(self._out, data) :]
