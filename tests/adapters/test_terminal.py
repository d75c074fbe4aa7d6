"""The terminal itself, on a pseudo-terminal: bytes in and out, its state before and after."""

from __future__ import annotations

import fcntl
import os
import pty
import select
import struct
import termios
import threading
from collections.abc import Iterator
from concurrent.futures import Future

import pytest

from adapters.terminal import Terminal, needs_terminal
from adapters.terminal_screen import Line
from pipeline.errors import UsageError


class Screen:
    """Stands for a desk: shows what was pressed."""

    def __init__(self) -> None:
        self.pressed: list[str] = []
        self.sizes: set[tuple[int, int]] = set()
        self.bells = 0
        self.fails = False

    def press(self, key: str) -> None:
        if self.fails:
            raise RuntimeError("a fault")
        self.pressed.append(key)

    def settle(self) -> None:
        pass

    def strokes(self) -> int:
        strokes, self.bells = self.bells, 0
        return strokes

    def screen(self, columns: int, rows: int) -> list[Line]:
        self.sizes.add((columns, rows))
        return [Line("unmoved", "alarm"), Line("pressed: " + " ".join(self.pressed))]


class Seat:
    """A pseudo-terminal with the thread that shows the screen on it."""

    def __init__(self) -> None:
        self.master, self.slave = pty.openpty()
        self.resize(80, 24)
        self.before = termios.tcgetattr(self.slave)
        self.desk, self.lost = Screen(), Future[str]()
        self.terminal = Terminal(self.desk, self.lost.set_result, self.slave, self.slave)  # type: ignore[arg-type]
        self.thread = threading.Thread(target=self.terminal.run, daemon=True)
        self.thread.start()

    def resize(self, columns: int, rows: int) -> None:
        fcntl.ioctl(self.slave, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))

    def until(self, words: str) -> str:
        """What is written until `words` come; fails after 10 s of silence."""
        written = b""
        while words.encode() not in written:
            assert select.select([self.master], [], [], 10)[0], written
            written += os.read(self.master, 65536)
        return written.decode()

    def end(self) -> None:
        self.terminal.stop()
        self.thread.join(10)
        assert not self.thread.is_alive()


@pytest.fixture
def seat() -> Iterator[Seat]:
    seat = Seat()
    yield seat
    seat.end()
    for end in (seat.master, seat.slave):
        try:
            os.close(end)
        except OSError:
            continue  # a test has closed it


def test_it_draws_what_changed_and_leaves_the_terminal_as_it_was(seat: Seat) -> None:
    first = seat.until("pressed: ")
    assert "\x1b[?1049h" in first  # the other screen, without the cursor
    assert "\x1b[?25l" in first
    assert "unmoved" in first
    os.write(seat.master, b"ab\x1b[24~")
    again = seat.until("pressed: a b f12")
    assert "unmoved" not in again
    seat.desk.bells = 2
    seat.until("\x07\x07")
    # no key makes a signal and none freezes the display
    os.write(seat.master, b"\x03\x13\x1a")
    seat.until("ctrl-c")
    assert seat.thread.is_alive()
    seat.end()
    assert "\x1b[?25h\x1b[?1049l" in seat.until("\x1b[?1049l")
    assert termios.tcgetattr(seat.slave) == seat.before
    assert not seat.lost.done()


def test_a_new_size_is_drawn_anew(seat: Seat) -> None:
    seat.until("pressed: ")
    seat.resize(60, 16)
    assert "unmoved" in seat.until("pressed: ")
    assert seat.desk.sizes == {(80, 24), (60, 16)}


def test_a_terminal_that_goes_away_is_told(seat: Seat) -> None:
    seat.until("pressed: ")
    os.close(seat.master)
    assert seat.lost.result(10) == "the terminal went away"
    assert seat.terminal.gone


def test_a_fault_of_the_display_is_told_and_the_terminal_given_back(seat: Seat) -> None:
    seat.until("pressed: ")
    seat.desk.fails = True
    os.write(seat.master, b"x")
    assert seat.lost.result(10) == "the terminal's display failed (RuntimeError: a fault)"
    seat.until("\x1b[?1049l")
    assert termios.tcgetattr(seat.slave) == seat.before


def test_without_a_terminal_it_is_said_before_anything_is_opened(monkeypatch: pytest.MonkeyPatch) -> None:
    with open(os.devnull) as nothing:  # noqa: PTH123
        monkeypatch.setattr("sys.stdin", nothing)
        with pytest.raises(UsageError, match=r"no terminal to type at .* use --headless"):
            needs_terminal()
