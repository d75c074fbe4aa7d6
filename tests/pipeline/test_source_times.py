"""Sources on the clock of the test: what is refused, what is moved, in which order it is taken."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from pipeline import events as ev
from pipeline.errors import InputError
from pipeline.events import SourceLog
from pipeline.protocol import Protocol, Stage
from pipeline.source_times import (
    check_content,
    check_overlap,
    first_moment,
    in_order,
    load_of,
    on_test_clock,
)
from pipeline.stages import Timeline, scheduled_timeline

ANCHOR = datetime(2026, 3, 14, 9, tzinfo=UTC)
PROTOCOL = Protocol(
    name="two",
    stages=(
        Stage(label="rest", phase="rest", position="seated", planned_s=300.0, reading="none"),
        Stage(
            label="50 W",
            phase="exercise",
            position="ergometer",
            planned_s=180.0,
            target_watts=50.0,
            reading="none",
        ),
    ),
)
TIMELINE: Timeline = scheduled_timeline(PROTOCOL, ANCHOR)  # 0 to 300 to 480 s


def at(second: float) -> datetime:
    return ANCHOR + timedelta(seconds=second)


def source(
    name: str, *events: ev.Event, time_means: ev.TimeMeans = "first_sound", **opened: Any
) -> SourceLog:
    return SourceLog(
        opened=ev.SourceOpened(event_time=ANCHOR, source=name, name=name, adapter="test", **opened),
        events=list(events),
        time_means=time_means,
    )


def sample(second: float, watts: float | None = 0.0, **measures: Any) -> ev.Sample:
    return ev.Sample(event_time=at(second), source="bike", watts=watts, **measures)


def reading(second: float, k1: float | None = 140.0, **fields: Any) -> ev.ReadingTaken:
    given = {"measured_source": "stated", "k5_mmhg": 80.0} | fields
    return ev.ReadingTaken(event_time=at(second), source="sheet", k1_mmhg=k1, **given)


def rejected(second: float, reason: str = "line 2: no number") -> ev.LineRejected:
    return ev.LineRejected(event_time=at(second), source="sheet", raw="x", reason=reason)


def test_the_first_moment_is_on_the_corrected_clock() -> None:
    slow = source("bike", sample(10), sample(20), clock_offset_s=-30.0, clock_method="given")
    assert first_moment([slow, source("sheet", reading(-5))]) == at(-20)
    with pytest.raises(InputError, match=r"no sample and no reading in any source.*check \[sources\]"):
        first_moment([source("sheet", rejected(0))])


def test_a_source_that_holds_nothing_is_named() -> None:
    good = source("bike", sample(1))
    check_content([good, source("sheet", reading(60), rejected(70))])
    with pytest.raises(InputError, match="source sheet: holds nothing but its header; fill it in"):
        check_content([good, source("sheet")])
    with pytest.raises(
        InputError, match="source sheet: not one of its 2 lines can be read; the first is line 2"
    ):
        check_content([good, source("sheet", rejected(0), rejected(0, "line 3: no time"))])
    with pytest.raises(InputError, match="there is nothing to join"):
        check_content([])


def test_an_aligned_log_is_moved_as_a_whole() -> None:
    # rest until 100 s of its own clock, load from then on; the load was noted to begin at 300 s
    log = source("bike", *(sample(s, 0.0 if s < 100 else 50.0) for s in range(0, 200, 5)))
    log.align_to = at(300)
    moved = on_test_clock(log, ANCHOR)
    assert (moved.opened.clock_offset_s, moved.opened.clock_method) == (200.0, "aligned")
    assert moved.events == log.events


def test_a_log_that_cannot_be_aligned_says_why() -> None:
    without = source("bike", sample(0, None, heart_rate_bpm=70.0))
    without.align_to = at(300)
    with pytest.raises(InputError, match="source bike: align needs a load and this log has none; give clock"):
        on_test_clock(without, ANCHOR)
    flat = source("bike", sample(0), sample(60))
    flat.align_to = at(300)
    with pytest.raises(InputError, match="source bike: align: the load never rises"):
        on_test_clock(flat, ANCHOR)


def test_load_comes_from_the_source_that_is_asked_first() -> None:
    second = source("a", sample(2, 20.0), sample(1, 10.0), ranks="watts=2")
    first = source("b", sample(5, 50.0), sample(6, None, cadence_rpm=60.0), ranks="watts=1,cadence_rpm=1",
                   clock_offset_s=3.0, clock_method="given")  # fmt: skip
    assert load_of([second, first], ANCHOR) == [(8.0, 50.0)]
    assert load_of([second], ANCHOR) == [(1.0, 10.0), (2.0, 20.0)]
    assert load_of([source("c", sample(1), ranks="heart_rate_bpm=1"), source("d")], ANCHOR) == []


@pytest.mark.parametrize(
    "sources",
    [
        # in part outside: what is inside counts
        [source("bike", sample(-50), sample(1))],
        [source("bike", sample(480), sample(900))],
        # up to ten minutes off a reading is a reading in no stage, which is flagged
        [source("sheet", reading(-599))],
        [source("sheet", reading(480 + 599))],
        [source("sheet", reading(10_000), reading(400))],
        # nothing with a time
        [source("sheet", rejected(9000))],
    ],
)
def test_sources_that_meet_the_test_are_taken(sources: list[SourceLog]) -> None:
    check_overlap(sources, ANCHOR, TIMELINE)


def test_a_source_wholly_outside_the_test_is_refused() -> None:
    with pytest.raises(
        InputError,
        match=r"source bike: logged from 2026-03-14 09:08:01 to 2026-03-14 09:15:00 UTC, but the test ran "
        r"from 2026-03-14 09:00:00 to 2026-03-14 09:08:00 UTC; .*clock_offset_s or align",
    ):
        check_overlap([source("bike", sample(481), sample(900))], ANCHOR, TIMELINE)
    with pytest.raises(InputError, match="source bike: logged from"):
        check_overlap(
            [source("bike", sample(10), clock_offset_s=-11.0, clock_method="given")], ANCHOR, TIMELINE
        )
    for second in (-601, 480 + 601):
        with pytest.raises(InputError, match=r"source sheet: readings from .* and the times on the sheet"):
            check_overlap([source("sheet", reading(second))], ANCHOR, TIMELINE)


def test_a_stage_noted_long_after_everything_is_refused() -> None:
    noted = scheduled_timeline(PROTOCOL, ANCHOR, starts={1: 36_300.0})
    log = [source("bike", sample(0), sample(480))]
    with pytest.raises(
        InputError,
        match=r"stage '50 W' is noted to start at 2026-03-14 19:05:00 UTC, but the last sample or reading is "
        r"of 2026-03-14 09:08:00 UTC; correct its time in \[protocol\] starts",
    ):
        check_overlap(log, ANCHOR, noted)
    check_overlap(log, ANCHOR, scheduled_timeline(PROTOCOL, ANCHOR, starts={1: 480.0 + 600.0}))


def test_at_one_moment_announcing_comes_first_then_the_stage_the_log_the_reading() -> None:
    sheet = source("sheet", reading(300), reading(-40))
    bike = source("bike", sample(299), sample(300), sample(301))
    coming = in_order([sheet, bike], TIMELINE, ANCHOR)
    assert [(moment, event.kind) for moment, event in coming] == [
        (0.0, "source_opened"),
        (0.0, "source_opened"),
        (0.0, "stage_started"),
        (0.0, "reading_taken"),
        (299.0, "sample"),
        (300.0, "stage_started"),
        (300.0, "sample"),
        (300.0, "reading_taken"),
        (301.0, "sample"),
    ]
    # what came before the opening keeps its own time
    assert coming[3][1].event_time == at(-40)


def test_a_rejected_line_stands_where_it_stood_in_its_file() -> None:
    log = source("bike", sample(10), rejected(999), sample(20), clock_offset_s=5.0, clock_method="given")
    other = source("sheet", reading(18))
    kinds = [event.kind for _, event in in_order([log, other], TIMELINE, ANCHOR)]
    assert kinds[-5:] == ["sample", "line_rejected", "reading_taken", "sample", "stage_started"]


def test_a_second_observer_is_taken_after_the_first() -> None:
    first = source("sheet", reading(300, 140.0))
    second = source("other", reading(271, 141.0, role="second"), reading(200, 142.0, role="second"))
    taken = [
        (moment, event.k1_mmhg)
        for moment, event in in_order([second, first], TIMELINE, ANCHOR)
        if isinstance(event, ev.ReadingTaken)
    ]
    # 29 s before the first observer's: the same beats; 100 s before: alone
    assert taken == [(200.0, 142.0), (300.0, 140.0), (300.0, 141.0)]


@pytest.mark.parametrize(
    ("second", "fields", "expected"),
    [
        # (140 - 80) / 2.5 mmHg/s = 24 s before the end at 480 s, at most 60 s from what was written
        (480, {}, 456),
        (540, {}, 456),
        (541, {}, 541),
        (425, {}, 456),
        # stated 4 mmHg/s: 15 s; the lowest is what was heard last: (140 - 40) / 2.5 = 40 s
        (480, {"deflation_mmhg_per_s": 4.0}, 465),
        (480, {"k5_mmhg": None, "heard_to_mmhg": 40.0}, 440),
        # a K4 is the lowest known where no later sound was noted: (140 - 90) / 2.5 = 20 s
        (480, {"k5_mmhg": None, "k4_mmhg": 90.0}, 460),
        # in the resting stage, its end included, the time is that of the first sound
        (120, {}, 120),
        (300, {}, 300),
        # no systolic, nothing to reckon from
        (480, {"k1": None}, 480),
    ],
)
def test_the_end_of_a_stage_becomes_the_first_sound(second: float, fields: Any, expected: float) -> None:
    fields = dict(fields)
    sheet = source("sheet", reading(second, fields.pop("k1", 140.0), **fields), time_means="stage_end")
    [taken] = [e for _, e in in_order([sheet], TIMELINE, ANCHOR) if isinstance(e, ev.ReadingTaken)]
    assert taken.event_time == at(expected)
