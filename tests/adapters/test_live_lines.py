"""Lines of a live device as events: times, headers, and what cannot be read."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from adapters.line_cutter import Cut
from adapters.live_lines import LiveLines
from adapters.log_format import PLAIN, LogFormat, format_digest, parse_format
from pipeline.errors import InputError
from pipeline.events import LineRejected, Sample, SourceOpened

START = datetime(2026, 3, 14, 8, 30, tzinfo=UTC)
NOW = START + timedelta(seconds=60)
TWO = {
    "delimiter": ",",
    "header": False,
    "columns": 2,
    "time": {"form": "none"},
    "watts": {"column": 1},
    "cadence_rpm": {"column": 2},
}


def lines(written: dict[str, Any] | LogFormat = TWO, **others: Any) -> LiveLines:
    fmt = written if isinstance(written, LogFormat) else parse_format(written, "format")
    return LiveLines(fmt, name="bike", adapter="serial_port", start=START, **others)


def timed(form: str) -> LiveLines:
    return lines(TWO | {"time": {"column": 1, "form": form}, "watts": {"column": 2}, "cadence_rpm": None})


def test_it_announces_itself_as_a_log_does() -> None:
    fmt = parse_format(TWO | {"columns": 3, "heart_rate_bpm": {"column": 3, "unit": "ms"}}, "format")
    source = lines(fmt, ranks="watts=1,cadence_rpm=2,heart_rate_bpm=1", clock_offset_s=-2.5)
    assert source.opened(NOW) == SourceOpened(
        event_time=NOW,
        source="bike",
        name="bike",
        adapter="serial_port",
        format_digest=format_digest(fmt),
        measures="watts,cadence_rpm,heart_rate_bpm:rr",
        ranks="watts=1,cadence_rpm=2,heart_rate_bpm=1",
        clock_offset_s=-2.5,
        clock_method="given",
    )
    assert lines().opened(NOW).clock_method == "none"


def test_a_line_without_a_time_has_that_of_its_coming() -> None:
    [event] = lines().events(Cut(b"120,61"), NOW)
    assert event == Sample(event_time=NOW, source="bike", watts=120, cadence_rpm=61)


def test_a_line_with_a_time_keeps_it() -> None:
    [event] = timed("iso8601").events(Cut(b"2026-03-14T08:30:59.5Z,120"), NOW)
    assert event.event_time == START + timedelta(seconds=59.5)
    [event] = timed("clock").events(Cut(b"08:30:58,120"), NOW)
    assert event.event_time == START + timedelta(seconds=58)


def test_elapsed_times_count_from_the_first_line_and_again_after_a_restart() -> None:
    source = timed("elapsed_s")

    def at(text: bytes, came: float) -> float:
        [event] = source.events(Cut(text), START + timedelta(seconds=came))
        return (event.event_time - START).total_seconds()

    assert at(b"1000,120", 60.0) == 60.0
    # by the device's clock one second later, though it came late
    assert at(b"1001,120", 61.2) == 61.0
    # the device started anew
    assert at(b"1,120", 70.0) == 70.0
    assert at(b"2,120", 71.1) == 71.0
    source.reopened()
    assert at(b"90,120", 100.0) == 100.0


@pytest.mark.parametrize(
    ("raw", "kept", "reason"),
    [
        (b"1\xff2,61", "1\\xff2,61", "holds what is no utf-8 text"),
        (b"12\x000,61", "12\\x000,61", "holds NUL bytes, as after a loss of power"),
        (b"120", "120", "1 cell where 2 are wanted"),
        (b"on,off", "on,off", "watts: 'on' is no number (with decimal point); "
         "cadence_rpm: 'off' is no number (with decimal point)"),
    ],
)  # fmt: skip
def test_what_cannot_be_read_is_kept_with_the_reason(raw: bytes, kept: str, reason: str) -> None:
    source = lines()
    assert source.events(Cut(raw), NOW) == [
        LineRejected(event_time=NOW, source="bike", raw=kept, reason=reason)
    ]
    assert len(source.events(Cut(b"120,61"), NOW)) == 1


def test_one_field_that_cannot_be_read_costs_no_other() -> None:
    sample, rejected = lines().events(Cut(b"120,x"), NOW)
    assert isinstance(sample, Sample)
    assert (sample.watts, sample.cadence_rpm) == (120, None)
    assert isinstance(rejected, LineRejected)
    assert rejected.raw == "120,x"


def test_what_the_cutter_found_is_the_reason() -> None:
    [event] = lines().events(Cut(b"120,61", "first_partial: 6 bytes"), NOW)
    assert isinstance(event, LineRejected)
    assert (event.raw, event.reason) == ("120,61", "first_partial: 6 bytes")


def test_remarks_are_left_out() -> None:
    assert lines().events(Cut(b"# ready"), NOW) == []


# ---- headers ----------------------------------------------------------------------------------


def test_lines_before_the_header_are_rejected_and_a_header_may_be_the_first_line() -> None:
    source = lines(PLAIN, ranks="watts=1,cadence_rpm=1,heart_rate_bpm=1")
    assert source.opened(NOW).measures == "watts,cadence_rpm,heart_rate_bpm"
    [early] = source.events(Cut(b"2026-03-14T08:31:00Z,120"), NOW)
    assert isinstance(early, LineRejected)
    assert early.reason.startswith("no header has come yet; restart the device")
    # what stands first after the opening is whole if it is a header; it has fewer measures
    [again] = source.events(Cut(b"time,watts", "first_partial: 10 bytes"), NOW)
    assert isinstance(again, SourceOpened)
    assert (again.measures, again.ranks) == ("watts", "watts=1")
    [sample] = source.events(Cut(b"2026-03-14T08:31:00Z,120"), NOW)
    assert isinstance(sample, Sample)
    assert sample.watts == 120


def test_the_same_header_says_nothing_new_and_another_one_holds_from_then_on() -> None:
    source = lines(PLAIN)
    assert source.events(Cut(b"time,watts,cadence_rpm,heart_rate_bpm"), NOW) == []
    assert source.events(Cut(b"time,watts,cadence_rpm,heart_rate_bpm"), NOW) == []
    assert source.events(Cut(b"heart_rate_bpm,cadence_rpm,watts,time"), NOW) == []
    [sample] = source.events(Cut(b"98,61,120,2026-03-14T08:31:00Z"), NOW)
    assert isinstance(sample, Sample)
    assert (sample.watts, sample.cadence_rpm, sample.heart_rate_bpm) == (120, 61, 98)


def test_columns_by_number_need_no_header() -> None:
    source = lines({"delimiter": ",", "time": {"form": "none"}, "watts": {"column": 2}})
    [header, sample] = [source.events(Cut(raw), NOW)[0] for raw in (b"unit,load", b"A,120")]
    assert isinstance(header, LineRejected)
    assert isinstance(sample, Sample)
    assert sample.watts == 120


def test_an_encoding_whose_line_ends_are_no_single_bytes_is_refused() -> None:
    with pytest.raises(
        InputError, match=r"encoding = 'utf-16': a live device needs one .* correct the format"
    ):
        lines(TWO | {"encoding": "utf-16"})
