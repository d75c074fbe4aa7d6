"""The ports and logs of a setup, ready to be run."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from adapters.csv_replay import CsvReplay
from adapters.live_sources import live_sources
from adapters.serial_port import SerialPort
from adapters.setup_file import load_setup
from adapters.source_files import read_logs
from pipeline.errors import InputError

START = datetime(2027, 1, 1, 12, 0, tzinfo=UTC)
TEST = '[test]\nstudy = "tryout"\nparticipant = "TR-01"\n'
PORT = '[sources.bike]\nkind = "serial"\nport = "{port}"\nformat = "two.toml"\nbaud = 4800\n'
STRAP = '[sources.strap]\nkind = "csv"\npath = "strap.csv"\n'
LATE = '[sources.late]\nkind = "csv"\npath = "late.csv"\n'
SHEET = '[sources.sheet]\nkind = "sheet"\npath = "sheet.csv"\n'
FILES = {
    "strap.csv": "time,heart_rate_bpm\n2026-03-14T08:30:00Z,70\n2026-03-14T08:30:02Z,71\n",
    "late.csv": "time,watts\n2026-03-14T08:30:10Z,100\n",
    "two.toml": 'delimiter = ","\nheader = false\n[time]\nform = "none"\n[watts]\ncolumn = 1\n'
    "[cadence_rpm]\ncolumn = 2\n",
    "clock.toml": 'delimiter = ","\nheader = false\n[time]\ncolumn = 1\nform = "clock"\n'
    "[watts]\ncolumn = 2\n",
    "utf16.toml": 'delimiter = ","\nheader = false\nencoding = "utf-16"\n[time]\nform = "none"\n'
    "[watts]\ncolumn = 1\n",
}


@pytest.fixture
def setup(tmp_path: Path) -> Callable[..., Any]:
    def load(text: str) -> Any:
        for name, content in FILES.items():
            (tmp_path / name).write_text(content)
        (tmp_path / "test.toml").write_text(text)
        return load_setup(tmp_path / "test.toml")

    return load


def test_ports_and_logs_in_the_order_of_the_setup(
    setup: Callable[..., Any], pty: Any, run: Callable[..., Any]
) -> None:
    sources = live_sources(setup(TEST + STRAP + SHEET + PORT.format(port=pty.port)))
    assert [(source.name, type(source)) for source in sources] == [("strap", CsvReplay), ("bike", SerialPort)]
    bike: Any = sources[1]
    bike.open()
    running = run(bike)
    opened = running.next()
    assert (opened.adapter, opened.measures) == ("serial_port", "watts,cadence_rpm")
    # the strap stands first in the setup and may have a load, for all the setup says
    assert opened.ranks == "watts=2,cadence_rpm=2"
    pty.say(b"\n120,60\n")
    assert running.until("sample").watts == 120


def test_logs_are_played_together_at_one_speed(setup: Callable[..., Any]) -> None:
    strap, late = live_sources(setup(TEST + STRAP + LATE), speed=2)
    at_s = [
        [(e.event_time - START).total_seconds() for e in source.events(START) if e.kind == "sample"]  # type: ignore[attr-defined]
        for source in (strap, late)
    ]
    assert at_s == [[0, 1], [5]]


@pytest.mark.parametrize(
    ("test", "utc"),
    [
        ('timezone = "Europe/Berlin"\n', "07:30:00"),  # +01:00 in March before the change
        ("started = 2026-01-01T00:00:00+05:30\n", "03:00:00"),
    ],
)
def test_clock_times_of_a_device_are_those_of_the_test_on_the_day_it_runs(
    setup: Callable[..., Any], pty: Any, run: Callable[..., Any], test: str, utc: str
) -> None:
    [source] = live_sources(setup(TEST + test + PORT.format(port=pty.port).replace("two", "clock")))
    source.open()  # type: ignore[attr-defined]
    running = run(source)
    pty.say(b"\n08:30:00,120\n")
    assert running.until("sample").event_time.isoformat() == f"2026-03-14T{utc}+00:00"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (PORT + PORT.replace("bike", "other"), "sources.other: port '/dev/ttyUSB0' is that of bike as well"),
        (PORT.replace('format = "two.toml"\n', ""),
         "sources.bike: a port needs a format; `cuffwatt describe /dev/ttyUSB0` proposes one"),
        (PORT.replace("two", "utf16"), "sources.bike: encoding = 'utf-16': a live device needs one"),
        (STRAP + 'align = "09:42:10"\n', "sources.strap: align = '09:42:10' needs the whole test"),
        (STRAP.replace("strap.csv", "none.csv"), "none.csv: no such file"),
    ],
)  # fmt: skip
def test_what_cannot_be_run_is_refused_in_words(setup: Callable[..., Any], text: str, words: str) -> None:
    with pytest.raises(InputError) as refused:
        live_sources(setup(TEST + text.format(port="/dev/ttyUSB0")))
    assert words in str(refused.value)


def test_a_join_refuses_a_port(setup: Callable[..., Any]) -> None:
    with pytest.raises(InputError, match=r"sources.bike: kind = 'serial' is a port, join reads files"):
        read_logs(setup(TEST + PORT.format(port="/dev/ttyUSB0")))
