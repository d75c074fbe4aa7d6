"""Times as noted: offset and date of the start, also over midnight and a change of the clocks."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.clock_time import clock_to_utc
from pipeline.errors import InputError

CET = timezone(timedelta(hours=1))
MORNING = datetime(2026, 3, 14, 9, 30, tzinfo=CET)


@pytest.mark.parametrize(
    ("text", "started", "wanted"),
    [
        ("09:41:20", MORNING, datetime(2026, 3, 14, 8, 41, 20, tzinfo=UTC)),
        ("9:41", MORNING, datetime(2026, 3, 14, 8, 41, tzinfo=UTC)),
        ("09:41:20,5", MORNING, datetime(2026, 3, 14, 8, 41, 20, 500000, tzinfo=UTC)),
        ("09:28", MORNING, datetime(2026, 3, 14, 8, 28, tzinfo=UTC)),
        ("2026-03-14T09:41:20Z", MORNING, datetime(2026, 3, 14, 9, 41, 20, tzinfo=UTC)),
        ("2026-03-14 09:41", MORNING, datetime(2026, 3, 14, 8, 41, tzinfo=UTC)),
        # midnight passes during the test, in the offset of the test and not in UTC
        ("00:05", MORNING.replace(hour=23, minute=50), datetime(2026, 3, 14, 23, 5, tzinfo=UTC)),
        ("23:55", MORNING.replace(hour=0, minute=10), datetime(2026, 3, 13, 22, 55, tzinfo=UTC)),
        # the clocks go forward at 02:00: the offset of the start holds, +01:00
        (
            "03:10",
            datetime(2026, 3, 29, 1, 50, tzinfo=ZoneInfo("Europe/Berlin")),
            datetime(2026, 3, 29, 2, 10, tzinfo=UTC),
        ),
    ],
)
def test_moments(text: str, started: datetime, wanted: datetime) -> None:
    assert clock_to_utc(text, started) == wanted


@pytest.mark.parametrize(
    "text", ["", "0941", "9.41", "24:00", "09:60", "2026-03-14", "2026-13-14T09:41", "soon"]
)
def test_what_is_no_time(text: str) -> None:
    with pytest.raises(InputError, match=r"is no time .*write 09:41, 09:41:20 or 2026-03-14T09:41:20\+01:00"):
        clock_to_utc(text, MORNING)


def test_a_start_without_an_offset() -> None:
    with pytest.raises(InputError, match="2026-03-14T09:30:00 has no offset; write it with one"):
        clock_to_utc("09:41", MORNING.replace(tzinfo=None))


@given(
    st.datetimes(datetime(2000, 1, 2), datetime(2099, 12, 30)),  # noqa: DTZ001 - the offset comes below
    st.integers(-14 * 60, 14 * 60),
    st.integers(-11 * 3600, 11 * 3600),
)
def test_the_clock_of_a_moment_gives_the_moment(local: datetime, offset_min: int, away_s: int) -> None:
    started = local.replace(microsecond=0, tzinfo=timezone(timedelta(minutes=offset_min)))
    moment = started + timedelta(seconds=away_s)
    assert clock_to_utc(f"{moment:%H:%M:%S}", started) == moment
