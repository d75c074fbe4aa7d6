"""What a person types for an amendment, in the notation of a sheet."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest

from adapters.amendment_text import field_named, start_kept, typed_changes
from pipeline import events as ev
from pipeline.errors import InputError

ANCHOR = datetime(2026, 3, 14, 8, 30, tzinfo=UTC)
STARTED = datetime(2026, 3, 14, 9, 30, tzinfo=timezone(timedelta(hours=1)))
READING = ev.ReadingTaken(event_time=ANCHOR, source="sheet", k1_mmhg=150.0, measured_source="stated")
BOUND = READING.model_copy(update={"k1_at_least": True})
MISSED = ev.ReadingMissed(event_time=ANCHOR, source="sheet", attempted=True, reason="not_heard")
OPENED = ev.TestOpened(
    event_time=ANCHOR, source="setup", mode="join", anchor=ANCHOR, test_id="T", study="S",
    participant="P-01", rules_digest="0", software="test",
)  # fmt: skip
SOURCE = ev.SourceOpened(event_time=ANCHOR, source="bike", name="bike", adapter="csv")


@pytest.mark.parametrize(
    ("target", "name", "text", "changes"),
    [
        (READING, "sbp", "148", {"k1_mmhg": 148.0}),
        (READING, "sbp_mmhg", "148,5", {"k1_mmhg": 148.5}),
        (READING, "k1_mmhg", ">200", {"k1_mmhg": 200.0, "k1_at_least": True}),
        # a first sound that was heard is no lower bound any more
        (BOUND, "sbp", "148", {"k1_mmhg": 148.0, "k1_at_least": None}),
        (READING, "dbp", "82", {"k5_mmhg": 82.0, "heard_to_mmhg": None}),
        (READING, "k5", "<40", {"k5_mmhg": None, "heard_to_mmhg": 40.0}),
        (READING, "k4", "70", {"k4_mmhg": 70.0}),
        (READING, "pressure", "148/70/<40", {"k1_mmhg": 148.0, "k4_mmhg": 70.0, "k5_mmhg": None,
                                             "heard_to_mmhg": 40.0}),
        (READING, "inflated_to", "190", {"inflated_to_mmhg": 190.0}),
        (READING, "deflation_per_s", "2.5", {"deflation_mmhg_per_s": 2.5}),
        (READING, "arm", "L", {"arm": "left"}),
        (READING, "arm", "right", {"arm": "right"}),
        # 09:41:20 at +01:00
        (READING, "time", "09:41:20", {"event_time": "2026-03-14T08:41:20.000000Z"}),
        (READING, "event_time", "2026-03-14T09:41:20+02:00", {"event_time": "2026-03-14T07:41:20.000000Z"}),
        (READING, "note", "148", {"note": "148"}),
        (READING, "note", "null", {"note": None}),
        (READING, "sbp", "", {"k1_mmhg": None}),
        (READING, "void", "true", {"void": True}),
        (READING, "void", "no", {"void": False}),
        (MISSED, "note", "arm slipped", {"text": "arm slipped"}),
        (MISSED, "missed_reason", "arm_moved", {"reason": "arm_moved"}),
        (MISSED, "attempted", "false", {"attempted": False}),
        (OPENED, "mass_kg", "70", {"mass_kg": 70.0}),
        (OPENED, "people", "2", {"people": 2.0}),
        (OPENED, "gauge_checked_on", "2026-01-31", {"gauge_checked_on": "2026-01-31"}),
        (SOURCE, "clock_offset_s", "-12.5", {"clock_offset_s": -12.5}),
        (READING, "colour", "blue", {"colour": "blue"}),
    ],
)  # fmt: skip
def test_what_is_typed_is_read_as_on_a_sheet(target, name, text, changes):
    assert typed_changes(target, name, text, STARTED) == changes


@pytest.mark.parametrize(
    ("target", "name", "text", "said"),
    [
        (READING, "sbp", "high", "'high' is no pressure in mmHg"),
        (READING, "sbp", "500", "500 mmHg is more than a dial shows"),
        (READING, "pressure", "1/2/3/4", "is no pressure; write 148/82"),
        (READING, "time", "noon", "'noon' is no time"),
        (READING, "deflation_per_s", "fast", "deflation_mmhg_per_s = 'fast': a number is wanted, or null"),
        (READING, "void", "maybe", "void = 'maybe': true or false is wanted"),
        (READING, "k1_at_least", "2", "k1_at_least = '2': true or false is wanted"),
    ],
)
def test_what_cannot_be_read_is_said(target, name, text, said):
    with pytest.raises(InputError, match=said):
        typed_changes(target, name, text, STARTED)


def test_a_name_of_the_entry_itself_goes_before_that_of_a_sheet():
    assert field_named(READING, "note") == "note"
    assert field_named(MISSED, "note") == "text"
    assert field_named(MISSED, "sbp") == "sbp"


@pytest.mark.parametrize(
    ("setup", "zone", "started"),
    [
        ("[test]\nstarted = 2026-03-14T09:30:00+01:00\n", None, "2026-03-14T09:30:00+01:00"),
        ("[test]\nstarted = '2026-03-14T10:30:00+02:00'\n", None, "2026-03-14T10:30:00+02:00"),
        ("[test]\n", "Europe/Berlin", "2026-03-14T09:30:00+01:00"),
        ("not toml", None, "2026-03-14T08:30:00+00:00"),
        (None, None, "2026-03-14T08:30:00+00:00"),
    ],
)
def test_clock_times_mean_what_they_meant_when_the_sheet_was_read(
    setup: str | None, zone: str | None, started: str, tmp_path: Path
) -> None:
    path = tmp_path / "setup.toml"
    if setup is not None:
        path.write_text(setup)
    assert start_kept(path, ANCHOR, zone).isoformat() == started
