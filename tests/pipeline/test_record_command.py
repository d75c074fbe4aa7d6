"""The command `record` as a process: without anyone watching, and at a real terminal.

A log of one ergometer stands for the device.  The seconds are real, so the tests are few.
"""

from __future__ import annotations

import fcntl
import os
import pty
import select
import signal
import struct
import subprocess
import sys
import termios
import threading
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import httpx
import pytest

from pipeline import cli_archive
from pipeline.archive import Archive, TestFolder
from pipeline.errors import JournalError
from pipeline.events import (
    Amended,
    Event,
    JournalRepaired,
    NoteWritten,
    ReadingTaken,
    Sample,
    StageStarted,
    TestClosed,
    TestResumed,
    utc_text,
)
from pipeline.journal import iter_events, read_journal
from pipeline.output import CAUTION
from pipeline.verify import verify

LONG_S = 40.0
SETUP = """
[test]
study = "tryout"
participant = "TR-01"
id = "T1"
started = 2026-03-14T09:30:00+01:00
observer = "AB-1"

[protocol]
file = "protocol.toml"

[sources.bike]
kind = "csv"
path = "bike.csv"

[sources.sheet]
kind = "sheet"
path = "sheet.csv"
time_means = "first_sound"
"""
PROTOCOL = """
[[stage]]
phase = "rest"
minutes = 5

[[stage]]
phase = "exercise"
minutes = 3
watts = 50

[[stage]]
phase = "recovery"
minutes = 5
"""
MAIN = "from pipeline.cli import main; main()"


class Place:
    """A folder with a setup, and the command run in it."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.started: list[subprocess.Popen[str]] = []
        self.write("test.toml", SETUP)
        self.write("protocol.toml", PROTOCOL)
        self.ride(600)

    def write(self, name: str, text: str) -> None:
        (self.path / name).write_text(text, encoding="utf-8")

    def ride(self, seconds: int, load: Callable[[int], float] = lambda second: 0.0) -> None:
        """The log: one row a second."""
        start = datetime(2026, 3, 14, 8, 30, tzinfo=UTC)
        rows = [
            f"{(start + timedelta(seconds=second)).isoformat()},{load(second):g},70"
            for second in range(seconds)
        ]
        self.write("bike.csv", "\n".join(["time,watts,heart_rate_bpm", *rows, ""]))

    @property
    def folder(self) -> TestFolder:
        return Archive(self.path / "cuffwatt-archive").test_folder("tryout", "T1")

    def run(self, *words: str, **options: Any) -> subprocess.Popen[str]:
        usual: dict[str, Any] = {
            "stdin": subprocess.DEVNULL, "stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True,
            "cwd": self.path, "env": os.environ | {"PYTHONPATH": str(Path(cli_archive.__file__).parents[1])},
        }  # fmt: skip
        self.started.append(
            subprocess.Popen([sys.executable, "-c", MAIN, "record", *words], **usual | options)
        )
        return self.started[-1]

    def done(self, *words: str) -> tuple[int, str, str]:
        """Exit code, stdout and stderr of a run to its end."""
        process = self.run(*words)
        out, err = process.communicate(timeout=LONG_S)
        return process.returncode, out, err

    def events(self) -> list[Event]:
        try:
            return list(iter_events(self.folder.journal))
        except JournalError:
            return []

    def of(self, kind: type[Any]) -> list[Any]:
        return [event for event in self.events() if isinstance(event, kind)]

    def until(self, is_so: Callable[[], Any]) -> None:
        for _ in range(int(LONG_S / 0.1)):
            if is_so():
                return
            threading.Event().wait(0.1)
        raise AssertionError("it did not come")


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Place]:
    place = Place(tmp_path)
    yield place
    for process in place.started:
        process.kill()
        process.communicate()


# ---- nobody watches


def test_a_headless_test_begins_and_ends_with_the_load_and_is_sealed(place: Place) -> None:
    place.ride(9, lambda second: 50 if 1 <= second <= 7 else 0)
    code, out, err = place.done("test.toml", "--headless", "--idle-min", "0.02")
    assert code == 0, err
    assert "nobody is warned" in err
    assert "sources.sheet: left out" in err
    assert CAUTION in " ".join(err.split())
    assert "reading_id" in out  # what join prints, as CSV in a pipe
    assert [note.text for note in place.of(NoteWritten)] == [
        "nobody is warned: recorded without anyone watching (--headless)"
    ]
    # the first loaded stage, whatever rest the protocol has before it; held from the row at 1 s on
    first = place.of(StageStarted)[0]
    assert (first.label, first.by) == ("50 W", "detected")
    rose = place.of(Sample)[1].event_time
    assert timedelta(0) <= first.event_time - rose < timedelta(seconds=0.5)  # when it came in
    closed = place.of(TestClosed)[0]
    last_load = max(sample.event_time for sample in place.of(Sample) if sample.watts)
    # 0.02 min after the last load, or at the next moment at which anything is looked at
    assert timedelta(seconds=1.2) <= closed.event_time - last_load < timedelta(seconds=5)
    assert [finding.level for finding in verify([place.folder])] == ["fine"]
    # the test began now, whatever the setup still had
    opened = read_journal(place.folder.journal).opened
    assert opened.mode == "live"
    assert opened.anchor > datetime(2026, 3, 15, tzinfo=UTC)


def test_killed_it_is_resumed_in_the_same_journal_and_told_to_end_it_closes(place: Place) -> None:
    first = place.run("test.toml", "--headless")
    place.until(lambda: len(place.of(Sample)) >= 2)
    code, _, err = place.done("--resume", "T1", "--headless")
    assert (code, "another recorder has it open" in err) == (1, True)
    assert str(place.folder.journal) in err
    first.send_signal(signal.SIGHUP)  # a terminal that goes away ends nothing
    first.kill()
    first.communicate()
    with place.folder.journal.open("ab") as journal:
        journal.write(b'{"seq":')  # as a power cut leaves it
    levels = [finding.level for finding in verify([place.folder])]
    assert levels[:2] == ["torn", "open"]
    before = len(place.of(Sample))
    again = place.run("--resume", "T1", "--headless")
    place.until(lambda: len(place.of(Sample)) > before)
    again.send_signal(signal.SIGTERM)
    _, err = again.communicate(timeout=LONG_S)
    assert again.returncode == 0, err
    assert len(place.of(TestResumed)) == 1
    assert [repaired.bytes_cut for repaired in place.of(JournalRepaired)] == [7]
    closed = place.of(TestClosed)[0]
    assert (closed.outcome, closed.stopped_by) == ("interrupted", "recorder")
    assert [finding.level for finding in verify([place.folder])] == ["fine"]
    code, _, err = place.done("--resume", "T1", "--headless")
    assert (code, "the test was closed" in err) == (1, True)


@pytest.mark.parametrize(
    ("words", "setup", "said"),
    [
        ([], SETUP, "no terminal to type at and look at"),
        (["--headless"], "", "no setup given; write cuffwatt record SETUP"),
        (["test.toml", "--page", "--headless"], SETUP, "--page is for somebody; give one of them"),
        (["test.toml", "--share"], SETUP, "--share and --port are about the page; add --page"),
        (["test.toml", "--headless", "--idle-min", "0"], SETUP, "--idle-min 0: minutes above 0 are wanted"),
        (
            ["test.toml", "--headless"],
            SETUP + "\n[limits]\nheart_rate_bpm = 170\n",
            "with --headless nobody sees when one is crossed",
        ),
        (
            ["test.toml", "--headless"],
            SETUP[: SETUP.index("[sources.bike]")],
            "no source is live, so without anyone typing there is nothing to record",
        ),
    ],
)
def test_what_cannot_be_recorded_is_said_before_anything_is_opened(
    place: Place, words: list[str], setup: str, said: str
) -> None:
    place.write("test.toml", setup)
    code, _, err = place.done(*words)
    assert (code, said in " ".join(err.split())) == (2, True), err
    assert not (place.path / "cuffwatt-archive").exists()


def test_limits_are_only_written_down_where_that_is_said(place: Place) -> None:
    place.write("test.toml", SETUP + "\n[limits]\nheart_rate_bpm = 170\n")
    process = place.run("test.toml", "--headless", "--logging-only")
    place.until(lambda: place.of(Sample))
    process.send_signal(signal.SIGINT)
    process.communicate(timeout=LONG_S)
    assert process.returncode == 0


def test_a_resumed_test_needs_the_setup_that_it_was_kept_from(place: Place) -> None:
    process = place.run("test.toml", "--headless")
    place.until(lambda: place.of(Sample))
    process.kill()
    process.communicate()
    (place.path / "test.toml").rename(place.path / "moved.toml")
    code, _, err = place.done("--resume", "T1", "--headless")
    assert (code, "is not there any more; give it: cuffwatt record SETUP --resume T1" in err) == (2, True)
    place.folder.setup.unlink()
    code, _, err = place.done("--resume", "T1", "--headless")
    assert (code, "give the setup too: cuffwatt record SETUP --resume T1" in err) == (2, True)


# ---- at a terminal


class Seat:
    """The command at a pseudo-terminal of 80 x 24."""

    def __init__(self, place: Place, *words: str) -> None:
        self.master, slave = pty.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        self.process = place.run(
            *words, stdin=slave, stdout=slave, stderr=slave, start_new_session=True, text=False
        )
        os.close(slave)
        self.written = b""

    def until(self, words: str) -> None:
        """Read until `words` are written after what was read before."""
        at = len(self.written)
        while words.encode() not in self.written[at:]:
            assert select.select([self.master], [], [], LONG_S)[0], self.written[at:]
            self.written += os.read(self.master, 65536)

    def type(self, text: str) -> None:
        os.write(self.master, text.encode())

    def end(self) -> int:
        """Read to the end; the exit code."""
        while True:
            try:
                data = os.read(self.master, 65536)
            except OSError:  # as a pseudo-terminal says that its other side is closed
                break
            if not data:
                break
            self.written += data
        return self.process.wait(LONG_S)


def test_a_test_at_a_terminal(place: Place) -> None:
    seat = Seat(place, "test.toml")
    seat.until("NOT BEGUN")
    seat.type("begin\r")
    seat.until("begin kept")
    seat.type("  184/82 L i200\r")  # first and last sound, then the reading
    seat.until("184/82 L i200 kept")
    seat.type("amend 148/82 typed wrong\r")
    seat.until("k1_mmhg 148 kept")
    seat.type("\x1b[24~s")
    assert seat.end() == 0
    after = seat.written.rpartition(b"\x1b[?25h\x1b[?1049l")[2].decode()
    assert "148/82" in after  # the table, on the screen that was there before
    (reading,) = place.of(ReadingTaken)
    assert (reading.k1_mmhg, reading.measured_source, reading.observer) == (184, "marked", "AB-1")
    assert reading.last_sound_at is not None
    assert [(one.field, one.value, one.by) for one in place.of(Amended)] == [("k1_mmhg", 148, "AB-1")]
    # a clock time that is corrected later is of that day, not of the `started` that the setup still had
    journal = read_journal(place.folder.journal)
    clock = reading.event_time.astimezone(ZoneInfo(journal.opened.timezone or ""))
    changes = cli_archive._typed_changes(place.folder, journal, reading.seq, "time", f"{clock:%H:%M:%S}")
    assert changes == {"event_time": utc_text(reading.event_time.replace(microsecond=0))}
    (closed,) = place.of(TestClosed)
    assert (closed.outcome, closed.reason, closed.stopped_by) == ("stopped", "staff_decision", "operator")


def test_a_terminal_that_goes_away_ends_nothing(place: Place) -> None:
    seat = Seat(place, "test.toml")
    seat.until("NOT BEGUN")
    os.close(seat.master)
    gone = "the terminal went away: nobody is watching, the recording goes on"
    place.until(lambda: gone in [note.text for note in place.of(NoteWritten)])
    before = len(place.of(Sample))
    place.until(lambda: len(place.of(Sample)) > before)
    seat.process.send_signal(signal.SIGTERM)
    assert seat.process.wait(LONG_S) == 0
    assert place.of(TestClosed)[0].outcome == "interrupted"
    assert [finding.level for finding in verify([place.folder])] == ["fine"]


# ---- on the page


class Device:
    """A device with the page of a recording, at the address that the command prints."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        assert process.stderr is not None
        said = ""
        while "the page is at" not in said or not said.split()[-1].startswith("http"):
            line = process.stderr.readline()
            assert line, said
            said += line
        self.url = said.split()[-1].rstrip("/")
        self.http = httpx.Client(base_url=self.url, headers={"Origin": self.url}, timeout=LONG_S)

    def enter(self, number: int, **what: Any) -> dict[str, Any]:
        sent = {"id": f"abcdef-{number:016x}", "test_id": "T1"} | what
        answer: dict[str, Any] = self.http.post("/entries", json=sent).json()
        return answer


def test_a_test_on_the_page_is_killed_and_resumed_and_takes_no_entry_twice(place: Place) -> None:
    process = place.run("test.toml", "--page", "--port", "0")
    with (device := Device(process)).http:
        assert device.enter(1, typed="begin", stage=0)["kept"]
        assert device.enter(2, reading={"k1_mmhg": 148, "k5_mmhg": 82})["kept"]
        process.kill()
        process.communicate()
    again = place.run("--resume", "T1", "--page", "--port", "0")
    with (device := Device(again)).http:
        (reading,) = place.of(ReadingTaken)
        # its answer was lost, so the device sends it again
        answer = device.enter(2, reading={"k1_mmhg": 148, "k5_mmhg": 82})
        assert (answer["kept"], answer["lines"][0]["seq"]) == (True, reading.seq)
        assert device.enter(3, typed="note resumed")["kept"]
        correct = {"target_seq": reading.seq, "pressures": "138/82", "reason": "typed wrong", "by": "AB-1"}
        assert device.enter(4, correct=correct)["kept"]
        assert device.enter(5, typed="stop equipment", stage=1)["kept"]
        out, err = again.communicate(timeout=LONG_S)
    assert again.returncode == 0, err
    assert "138" in out
    assert len(place.of(ReadingTaken)) == 1
    assert [(one.field, one.value) for one in place.of(Amended)] == [("k1_mmhg", 138)]
    (closed,) = place.of(TestClosed)
    assert (closed.outcome, closed.reason) == ("stopped", "equipment")
    assert [finding.level for finding in verify([place.folder])] == ["fine", "amended"]
