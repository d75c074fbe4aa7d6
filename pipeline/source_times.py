"""What the sources of a test hold, on its clock and in the order in which it happened.

Logs and sheets were written apart: each has its own clock, and what lies wholly outside the test
has a wrong one.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from pipeline.clock import pipeline_time
from pipeline.cuff import FALL_MMHG_PER_S, lowest_sound
from pipeline.errors import InputError
from pipeline.events import (
    Event,
    LineRejected,
    ReadingMissed,
    ReadingTaken,
    Sample,
    SourceLog,
    SourceOpened,
    StageStarted,
)
from pipeline.recorder import PAIR_WITHIN_S
from pipeline.stages import Timeline, clock_offset

STAGE_END_NEAR_S = 60.0
# a sheet whose every reading is further outside the test than this has another clock or day
OUTSIDE_S = 600.0
# at one moment: what announces comes first, then the stage, then what was logged, then what was read
_ORDER = {"source_opened": 0, "stage_started": 1, "sample": 2, "line_rejected": 2}
_ENTRY, _SECOND_ENTRY = 3, 4

Coming = tuple[float, Event]


def first_moment(sources: Sequence[SourceLog]) -> datetime:
    """The earliest time in any source on its corrected clock: the start where none was noted.

    Raises InputError where no source has any.
    """
    moments = [
        event.event_time + timedelta(seconds=source.opened.clock_offset_s)
        for source in sources
        for event in source.events
        if isinstance(event, Sample | ReadingTaken)
    ]
    if not moments:
        raise InputError(
            "no sample and no reading in any source: there is nothing to join; check [sources] in the setup"
        )
    return min(moments)


def check_content(sources: Sequence[SourceLog]) -> None:
    """Something is there to be joined, and every source that is named has a part in it."""
    first_moment(sources)
    for source in sources:
        if all(isinstance(event, LineRejected) for event in source.events):
            rejected = [event.reason for event in source.events if isinstance(event, LineRejected)]
            found = "holds nothing but its header"
            if rejected:
                found = f"not one of its {len(rejected)} lines can be read; the first is {rejected[0]}"
            raise InputError(
                f"source {source.opened.name}: {found}; fill it in, or take it out of [sources] in the setup"
            )


def on_test_clock(source: SourceLog, anchor: datetime) -> SourceLog:
    """The source with its clock offset known; its own times stay as they are."""
    opened = source.opened
    if source.align_to is not None:
        samples = [
            ((event.event_time - anchor).total_seconds(), event.watts)
            for event in source.events
            if isinstance(event, Sample) and event.watts is not None
        ]
        if not samples:
            raise InputError(
                f"source {opened.name}: align needs a load and this log has none; give clock_offset_s instead"
            )
        try:
            offset = clock_offset(samples, (source.align_to - anchor).total_seconds())
        except InputError as error:
            raise InputError(f"source {opened.name}: {error}") from None
        opened = opened.model_copy(update={"clock_offset_s": round(offset, 6), "clock_method": "aligned"})
    return SourceLog(opened=opened, events=source.events, time_means=source.time_means)


def _elapsed(source: SourceLog, event: Event, anchor: datetime) -> float:
    """When an event happened in seconds of pipeline time; below zero before the test was opened."""
    offset = source.opened.clock_offset_s if isinstance(event, Sample) else 0.0
    return (event.event_time - anchor).total_seconds() + offset


def load_of(sources: Sequence[SourceLog], anchor: datetime) -> list[tuple[float, float]]:
    """Load over time, (s, W), of the source that is asked first for watts."""
    ranked = [(rank, source) for source in sources if (rank := _watts_rank(source.opened)) is not None]
    if not ranked:
        return []
    source = min(ranked, key=lambda pair: pair[0])[1]
    samples = [
        (_elapsed(source, event, anchor), event.watts)
        for event in source.events
        if isinstance(event, Sample) and event.watts is not None
    ]
    return sorted(samples)


def _watts_rank(opened: SourceOpened) -> int | None:
    ranks = dict(part.split("=") for part in (opened.ranks or "").split(",") if part)
    return int(ranks["watts"]) if "watts" in ranks else None


def check_overlap(sources: Sequence[SourceLog], anchor: datetime, timeline: Timeline) -> None:
    """A source that lies wholly outside the test has a wrong clock or is the wrong file.

    A stage that was noted to start long after everything else is a wrong clock, too.
    """
    latest_s = 0.0
    for source in sources:
        logged = any(isinstance(event, Sample) for event in source.events)
        times = [
            _elapsed(source, event, anchor)
            for event in source.events
            if isinstance(event, Sample | ReadingTaken | ReadingMissed)
        ]
        latest_s = max([latest_s, *times])
        # a reading just before or after is a reading in no stage, which is flagged and kept
        margin_s = 0.0 if logged else OUTSIDE_S
        if times and (max(times) < timeline.started_s - margin_s or min(times) > timeline.ended_s + margin_s):
            shown = [
                pipeline_time(anchor, s).strftime("%Y-%m-%d %H:%M:%S")
                for s in (min(times), max(times), timeline.started_s, timeline.ended_s)
            ]
            cure = "or give clock_offset_s or align" if logged else "and the times on the sheet"
            raise InputError(
                f"source {source.opened.name}: {'logged' if logged else 'readings'} from {shown[0]} to "
                f"{shown[1]} UTC, but the test ran from {shown[2]} to {shown[3]} UTC; check started with its "
                f"offset (or timezone), the date, {cure}"
            )
    for started in timeline.events:
        if started.method == "noted" and started.event_time > pipeline_time(anchor, latest_s + OUTSIDE_S):
            last = pipeline_time(anchor, latest_s)
            raise InputError(
                f"stage {started.label!r} is noted to start at {started.event_time:%Y-%m-%d %H:%M:%S} UTC, "
                f"but the last sample or reading is of {last:%Y-%m-%d %H:%M:%S} UTC; correct its time in "
                "[protocol] starts"
            )


def in_order(sources: Sequence[SourceLog], timeline: Timeline, anchor: datetime) -> list[Coming]:
    """Everything that happened as (pipeline time in s, event), in the order in which it is taken.

    What came before the test was opened is taken at its opening and keeps its own time.  What a
    second observer read is taken after the reading that it is compared with.
    """
    coming: list[tuple[float, int, int, Event]] = []
    firsts_s: list[float] = []
    seconds: list[tuple[float, Event]] = []

    def add(elapsed_s: float, event: Event, at_once: int = _ENTRY) -> None:
        coming.append((max(0.0, elapsed_s), _ORDER.get(event.kind, at_once), len(coming), event))

    for source in sources:
        add(0.0, source.opened.model_copy(update={"event_time": anchor}))
    for started in timeline.events:
        add((started.event_time - anchor).total_seconds(), started)
    for source in sources:
        if source.time_means == "stage_end":
            ends = timeline.stages
            events: Sequence[Event] = [_before_stage_end(event, ends, anchor) for event in source.events]
        else:
            events = source.events
        before_s = 0.0
        for event in events:
            # a rejected line stands where it stood in its file
            before_s = before_s if event.kind == "line_rejected" else _elapsed(source, event, anchor)
            if isinstance(event, ReadingTaken) and event.role == "second":
                seconds.append((before_s, event))
                continue
            if isinstance(event, ReadingTaken):
                firsts_s.append(before_s)
            add(before_s, event)
    for second_s, event in seconds:
        near = [first_s for first_s in firsts_s if abs(first_s - second_s) <= PAIR_WITHIN_S]
        add(max([second_s, *near]), event, _SECOND_ENTRY)
    return [(elapsed_s, event) for elapsed_s, _, _, event in sorted(coming, key=lambda row: row[:3])]


def _before_stage_end(event: Event, stages: Sequence[tuple[StageStarted, float]], anchor: datetime) -> Event:
    """A reading whose written time is that of a stage's end, moved to its first sound."""
    if not isinstance(event, ReadingTaken) or event.k1_mmhg is None or not stages:
        return event
    written_s = (event.event_time - anchor).total_seconds()
    stage, end_s = min(stages, key=lambda pair: abs(pair[1] - written_s))
    # the moment at which a stage begins belongs to the one before
    in_force = [one for one, _ in stages if one.event_time < event.event_time]
    if (in_force and in_force[-1].phase == "rest") or abs(end_s - written_s) > STAGE_END_NEAR_S:
        return event
    rate = event.deflation_mmhg_per_s or FALL_MMHG_PER_S[stage.phase]
    lowest = lowest_sound(k5=event.k5_mmhg, heard_to=event.heard_to_mmhg, k4=event.k4_mmhg)
    first_s = end_s - max(0.0, event.k1_mmhg - lowest) / rate
    return event.model_copy(update={"event_time": pipeline_time(anchor, first_s)})
