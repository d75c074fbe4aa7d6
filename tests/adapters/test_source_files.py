"""The files of a setup, each read by its adapter with what the setup says of it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from adapters.setup_file import load_setup
from adapters.source_files import read_logs, read_sheets
from pipeline.errors import InputError
from pipeline.events import ExertionRated, ReadingTaken, Sample

TEST = '[test]\nstudy = "tryout"\nparticipant = "TR-01"\nobserver = "AB-1"\nrpe_scale = "6-20"\n'
STARTED = "started = 2026-03-14T09:30:00+01:00\n"
BIKE = '[sources.bike]\nkind = "csv"\npath = "bike.csv"\n'
STRAP = '[sources.strap]\nkind = "csv"\npath = "strap.csv"\nformat = "strap.toml"\n'
SHEET = '[sources.sheet]\nkind = "sheet"\npath = "sheet.csv"\n'
FILES = {
    "bike.csv": "time,watts\n2026-03-14T08:30:00Z,0\n2026-03-14T08:30:01Z,50\n",
    # elapsed seconds and RR intervals: 60000 / 750 ms = 80 bpm
    "strap.csv": "t;rr\n0,5;750\n1,5;750\n",
    "strap.toml": 'delimiter = ";"\ndecimal_comma = true\n[time]\ncolumn = "t"\nform = "elapsed_s"\n'
    '[heart_rate_bpm]\ncolumn = "rr"\nunit = "ms"\n',
    "sheet.csv": "time,sbp,dbp,observer,rpe\n09:35:20,120,80,,11\n09:36:50,124,82,CD-2,\n",
}


@pytest.fixture
def setup(tmp_path: Path) -> Callable[..., Any]:
    """(text of the setup, files to write otherwise) -> the loaded setup."""

    def load(text: str, **others: str) -> Any:
        for name, content in (FILES | others).items():
            (tmp_path / name).write_text(content)
        (tmp_path / "test.toml").write_text(text)
        return load_setup(tmp_path / "test.toml")

    return load


def test_logs_come_in_the_order_of_the_setup_with_their_ranks(setup: Callable[..., Any]) -> None:
    strap, bike = read_logs(setup(TEST + STARTED + STRAP + SHEET + BIKE))
    assert [log.opened.name for log in (strap, bike)] == ["strap", "bike"]
    # each is asked for what it measures; the strap stands before the bike
    assert (strap.opened.ranks, bike.opened.ranks) == ("heart_rate_bpm=1", "watts=2")
    assert [event.heart_rate_bpm for event in strap.events if isinstance(event, Sample)] == [80, 80]
    # 0.5 s after 09:30:00+01:00
    assert strap.events[0].event_time == datetime(2026, 3, 14, 8, 30, 0, 500000, tzinfo=UTC)
    assert [event.watts for event in bike.events if isinstance(event, Sample)] == [0, 50]


def test_the_clock_of_a_log_is_as_the_setup_says(setup: Callable[..., Any]) -> None:
    [plain] = read_logs(setup(TEST + STARTED + BIKE))
    assert (plain.opened.clock_offset_s, plain.opened.clock_method, plain.align_to) == (0, "none", None)
    [given] = read_logs(setup(TEST + STARTED + BIKE + "clock_offset_s = -12.5\n"))
    assert (given.opened.clock_offset_s, given.opened.clock_method) == (-12.5, "given")
    # zero that was found to be zero is given, too
    [zero] = read_logs(setup(TEST + STARTED + BIKE + "clock_offset_s = 0.0\n"))
    assert (zero.opened.clock_offset_s, zero.opened.clock_method) == (0, "given")
    [aligned] = read_logs(setup(TEST + STARTED + BIKE + 'align = "09:38:00"\n'))
    assert aligned.align_to == datetime(2026, 3, 14, 8, 38, tzinfo=UTC)
    assert aligned.events[0].event_time == plain.events[0].event_time


def test_a_noted_time_without_a_date_needs_the_start(setup: Callable[..., Any]) -> None:
    with pytest.raises(InputError, match=r"sources\.bike: align = '09:38:00' is a clock time without a date"):
        read_logs(setup(TEST + BIKE + 'align = "09:38:00"\n'))


def test_a_port_is_no_file(setup: Callable[..., Any]) -> None:
    port = '[sources.bike]\nkind = "serial"\nport = "/dev/ttyUSB0"\n'
    with pytest.raises(InputError, match=r"sources\.bike: kind = 'serial' is a port, join reads files"):
        read_logs(setup(TEST + STARTED + port))


def test_what_a_log_is_refused_for_passes_through(setup: Callable[..., Any]) -> None:
    with pytest.raises(InputError, match=r"bike\.csv: is empty"):
        read_logs(setup(TEST + STARTED + BIKE, **{"bike.csv": ""}))
    with pytest.raises(InputError, match=r"strap\.toml"):
        read_logs(setup(TEST + STARTED + STRAP, **{"strap.toml": "nonsense"}))


def test_a_sheet_has_the_observer_and_scale_of_the_test(setup: Callable[..., Any]) -> None:
    loaded = setup(TEST + STARTED + BIKE + SHEET)
    [sheet] = read_sheets(loaded, loaded.test.started)
    readings = [event for event in sheet.events if isinstance(event, ReadingTaken)]
    assert [reading.observer for reading in readings] == ["AB-1", "CD-2"]
    assert readings[0].event_time == datetime(2026, 3, 14, 8, 35, 20, tzinfo=UTC)
    [exertion] = [event for event in sheet.events if isinstance(event, ExertionRated)]
    assert (exertion.rpe, exertion.rpe_scale) == (11, "6-20")
    assert sheet.time_means == "first_sound"


def test_a_sheet_may_have_an_observer_and_a_meaning_of_its_own(setup: Callable[..., Any]) -> None:
    loaded = setup(TEST + STARTED + SHEET + 'observer = "EF-3"\ntime_means = "written"\n')
    [sheet] = read_sheets(loaded, loaded.test.started)
    readings = [event for event in sheet.events if isinstance(event, ReadingTaken)]
    assert [reading.observer for reading in readings] == ["EF-3", "CD-2"]
    assert (sheet.time_means, readings[0].measured_source) == ("written", "estimated")


def test_without_a_start_the_anchor_dates_a_sheet_in_its_zone(setup: Callable[..., Any]) -> None:
    anchor = datetime(2026, 3, 14, 8, 30, tzinfo=UTC)
    loaded = setup(TEST + 'timezone = "Europe/Berlin"\n' + BIKE + SHEET)
    [sheet] = read_sheets(loaded, anchor)
    # 09:35:20 in Berlin, which is an hour ahead of UTC in March
    first = next(event for event in sheet.events if isinstance(event, ReadingTaken))
    assert first.event_time == datetime(2026, 3, 14, 8, 35, 20, tzinfo=UTC)


def test_logs_and_sheets_are_told_apart(setup: Callable[..., Any]) -> None:
    loaded = setup(TEST + STARTED + BIKE)
    assert read_sheets(loaded, loaded.test.started) == []
    assert read_logs(setup(TEST + STARTED + SHEET)) == []
