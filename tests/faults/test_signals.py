"""Told to end at any moment, with streams that are closed or gone, or on a terminal of one character."""

from __future__ import annotations

import fcntl
import os
import select
import signal
import struct
import subprocess
import sys
import termios
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from pipeline.events import NoteWritten, Sample, SourceLost, StageStarted, TestClosed
from pipeline.verify import verify
from tests.pipeline.test_record_command import MAIN, SETUP, Place, Seat

LONG_S = 60.0
# a log of nine rows, which is over two seconds after its load
SHORT = ("test.toml", "--headless", "--idle-min", "0.02")


@pytest.fixture
def places(tmp_path: Path) -> Iterator[Callable[[], Place]]:
    """Folders with a setup, each for one command."""
    made: list[Place] = []

    def make() -> Place:
        folder = tmp_path / str(len(made))
        folder.mkdir()
        made.append(Place(folder))
        return made[-1]

    yield make
    for place in made:
        for process in place.started:
            process.kill()
            process.communicate()


@pytest.fixture
def place(places: Callable[[], Place]) -> Place:
    return places()


def run(place: Place, code: str, *words: str, **options: Any) -> subprocess.Popen[str]:
    """The command after some lines of Python."""
    usual: dict[str, Any] = {
        "stdin": subprocess.DEVNULL, "stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True,
        "cwd": place.path, "env": os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])},
    }  # fmt: skip
    words = (sys.executable, "-c", code + MAIN, "record", *words)
    place.started.append(subprocess.Popen(words, **usual | options))
    return place.started[-1]


def levels(place: Place) -> list[str]:
    return [finding.level for finding in verify([place.folder])]


TOLD_IN = """
import os, signal
import {module} as module
usual = module.{name}
def told(*given, **named):
    os.kill(os.getpid(), signal.{told})
    return usual(*given, **named)
module.{name} = told
"""


# the journal is there and has no line; the threads start; the files are made
MOMENTS = (
    ("pipeline.record", "publish_bytes"),
    ("pipeline.session", "Deriver"),
    ("pipeline.seal", "seal_all"),
)


def test_told_to_end_while_it_opens_or_seals_the_test_is_closed_and_sealed(places: Any) -> None:
    begun = []
    for module, name in MOMENTS:
        for told in ("SIGTERM", "SIGINT"):
            place = places()
            place.ride(9, lambda second: 50 if 1 <= second <= 3 else 0)
            code = TOLD_IN.format(module=module, name=name, told=told)
            begun.append((name, place, run(place, code, *SHORT)))
    for name, place, process in begun:
        _, err = process.communicate(timeout=LONG_S)
        assert process.returncode == 0, err
        assert levels(place) == ["fine"]
        closed = place.of(TestClosed)[0]
        assert closed.outcome == ("stopped" if name == "seal_all" else "interrupted")


def test_a_terminal_that_goes_away_while_it_opens_ends_nothing(place: Place) -> None:
    words = {"module": "pipeline.record", "name": "publish_bytes", "told": "SIGHUP"}
    process = run(place, TOLD_IN.format(**words), "test.toml", "--headless")
    place.until(lambda: place.of(Sample))
    process.terminate()
    assert process.wait(LONG_S) == 0
    assert levels(place) == ["fine"]


def test_told_to_end_at_any_moment_there_is_a_whole_test_or_none(places: Any) -> None:
    begun = [(place, place.run("test.toml", "--headless")) for place in (places() for _ in range(4))]
    for _, process in begun:
        threading.Event().wait(0.5)
        process.terminate()
    for place, process in begun:
        _, err = process.communicate(timeout=LONG_S)
        if place.folder.path.exists():
            assert process.returncode == 0, err
            assert levels(place) == ["fine"]
        else:
            assert process.returncode == -signal.SIGTERM


def test_streams_that_are_gone_cost_nothing_of_the_test(places: Any) -> None:
    ours, unread = os.pipe()
    os.close(ours)
    full = os.open("/dev/full", os.O_WRONLY)
    closed = dict.fromkeys(("stdin", "stdout", "stderr")) | {
        "preexec_fn": lambda: [os.close(number) for number in range(3)]
    }
    begun = []
    for options in (closed, {"stdout": unread, "stderr": unread}, {"stderr": full}):
        place = places()
        place.ride(9, lambda second: 50 if 1 <= second <= 3 else 0)
        begun.append((place, run(place, "", *SHORT, **options)))
    os.close(unread)
    os.close(full)
    for place, process in begun:
        process.communicate(timeout=LONG_S)
        assert process.returncode == 0
        assert levels(place) == ["fine"]
        assert place.of(TestClosed)[0].outcome == "stopped"


def test_a_terminal_of_one_character_and_back(place: Place) -> None:
    seat = Seat(place, "test.toml")
    seat.until("NOT BEGUN")

    def resize(rows: int, columns: int) -> int:
        """The place in what is written from which on it is of that size."""
        at = len(seat.written)
        fcntl.ioctl(seat.master, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))
        until("\x1b[2J", at)  # drawn anew
        return at

    def until(words: str, at: int) -> None:
        for _ in range(1000):
            if words.encode() in seat.written[at:]:
                return
            assert select.select([seat.master], [], [], LONG_S)[0]
            seat.written += os.read(seat.master, 65536)
        raise AssertionError(seat.written[at:])

    for rows, columns in ((1, 1), (2, 200), (100, 1)):
        resize(rows, columns)
    until("NOT BEGUN", resize(24, 80))
    resize(1, 1)
    seat.type("note on one character\r")
    place.until(lambda: place.of(NoteWritten))
    until("kept", resize(24, 80))
    # nobody has to see the end of it
    seat.process.send_signal(signal.SIGTERM)
    assert seat.end() == 0
    assert [note.text for note in place.of(NoteWritten)] == ["on one character"]
    assert levels(place) == ["fine"]


def test_without_a_load_and_with_a_port_that_never_comes_it_waits_until_it_is_told(place: Place) -> None:
    plain = (
        'delimiter = ","\nheader = false\ncolumns = 2\n[time]\nform = "none"\n'
        "[watts]\ncolumn = 1\n[cadence_rpm]\ncolumn = 2\n"
    )
    place.write("format.toml", plain)
    port = f'[sources.belt]\nkind = "serial"\nport = "{place.path}/nothing"\nformat = "format.toml"\n'
    place.write("test.toml", SETUP + port)
    place.ride(3)
    process = place.run(*SHORT)
    place.until(lambda: len(place.of(SourceLost)) == 2)
    lost = {one.source: one.reason for one in place.of(SourceLost)}
    assert lost["bike"] == "the recorded log has ended"
    assert "is not there; plug the device in, or correct port" in lost["belt"]
    assert process.poll() is None
    process.terminate()
    _, err = process.communicate(timeout=LONG_S)
    assert process.returncode == 0, err
    assert place.of(StageStarted) == []
    assert place.of(TestClosed)[0].outcome == "interrupted"
    assert levels(place) == ["fine"]
