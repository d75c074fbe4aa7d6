"""Joining: logs and a reading sheet that were written apart become one test's journal.

The sources are put on one clock, the stages come from the protocol or from the load, and the
recorder takes everything in the order of time, as it would have live.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Literal

from pipeline.archive import Archive, TestFolder, publish_bytes
from pipeline.clock import ReplayClock, pipeline_time
from pipeline.cuff import FALL_MMHG_PER_S, lowest_sound
from pipeline.deriver import Deriver
from pipeline.errors import InputError
from pipeline.events import (
    EndReason,
    Event,
    ReadingTaken,
    Sample,
    SourceLog,
    SourceOpened,
    StageStarted,
    TestOpened,
)
from pipeline.journal import Journal
from pipeline.prompts import Planner
from pipeline.recorder import Recorder
from pipeline.rules import Rules
from pipeline.stages import Timeline, clock_offset, detected_timeline, scheduled_timeline

STAGE_END_NEAR_S = 60.0
# at one moment: what announces comes first, then the stage, then what was logged, then what was read
_ORDER = {"source_opened": 0, "stage_started": 1, "sample": 2, "line_rejected": 2}


@dataclass(frozen=True)
class JoinOrder:
    """What is to be joined: the test's first line, its sources, how its stages are to be had.

    `starts` are noted starts of stages, index -> UTC; `setup_text` and `rules_text` are kept
    beside the journal as they were given.
    """

    opened: TestOpened
    sources: Sequence[SourceLog]
    starts: Mapping[int, datetime] = field(default_factory=dict)
    end_reason: EndReason | None = None
    setup_text: str = ""
    rules_text: str | None = None


def first_moment(sources: Sequence[SourceLog]) -> datetime:
    """The earliest time in any source on its corrected clock: the start where none was noted."""
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


def join(order: JoinOrder, archive: Archive, rules: Rules) -> TestFolder:
    """Write the journal of a new test; the caller seals it.

    Raises InputError where nothing says when stages began, where a log cannot be aligned, and
    where no source has anything in common with the test; JournalExists where the test is there.
    """
    opened = order.opened
    sources = [_on_test_clock(source, opened.anchor) for source in order.sources]
    load = _load(sources, opened.anchor)
    timeline = _timeline(order, load)
    _check_overlap(sources, opened.anchor, timeline)
    coming = _in_order(sources, timeline, opened.anchor)
    folder = archive.create(opened.study, opened.test_id)
    with Journal.create(folder.journal) as journal:
        publish_bytes(folder.setup, order.setup_text.encode())
        if order.rules_text is not None:
            publish_bytes(folder.rules, order.rules_text.encode())
        clock = ReplayClock(opened.anchor)
        deriver = Deriver(rules)
        try:
            recorder = Recorder(journal, clock, deriver, _planner(order), opened.protocol)
            recorder.take(opened)
            for elapsed_s, event in coming:
                recorder.advance(elapsed_s)
                recorder.take(event)
            recorder.advance(max(clock.elapsed(), timeline.ended_s))
            recorder.close(pipeline_time(opened.anchor, timeline.ended_s), *_outcome(order, timeline))
        finally:
            deriver.close()
    return folder


def _on_test_clock(source: SourceLog, anchor: datetime) -> SourceLog:
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


def _load(sources: Sequence[SourceLog], anchor: datetime) -> list[tuple[float, float]]:
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


def _timeline(order: JoinOrder, load: list[tuple[float, float]]) -> Timeline:
    opened, protocol = order.opened, order.opened.protocol
    if protocol is not None and protocol.stage_from == "schedule":
        starts = {index: (moment - opened.anchor).total_seconds() for index, moment in order.starts.items()}
        last_s = max((elapsed_s for elapsed_s, _ in load), default=None)
        return scheduled_timeline(protocol, opened.anchor, starts=starts, last_sample_s=last_s)
    if not load:
        raise InputError(
            "nothing says when stages began: no protocol to run by and no log with a load; "
            "add [protocol] with stages, or a source that gives watts"
        )
    return detected_timeline(load, opened.anchor, protocol=protocol)


def _check_overlap(sources: Sequence[SourceLog], anchor: datetime, timeline: Timeline) -> None:
    """A log that lies wholly outside the test is a wrong clock or the wrong file."""
    for source in sources:
        times = [_elapsed(source, event, anchor) for event in source.events if isinstance(event, Sample)]
        if times and (max(times) < timeline.started_s or min(times) > timeline.ended_s):
            shown = [
                pipeline_time(anchor, s).strftime("%Y-%m-%d %H:%M:%S")
                for s in (min(times), max(times), timeline.started_s, timeline.ended_s)
            ]
            raise InputError(
                f"source {source.opened.name}: logged from {shown[0]} to {shown[1]} UTC, but the test ran "
                f"from {shown[2]} to {shown[3]} UTC; check started, the date, or give clock_offset_s or align"
            )


def _in_order(
    sources: Sequence[SourceLog], timeline: Timeline, anchor: datetime
) -> list[tuple[float, Event]]:
    """Everything that happened as (pipeline time in s, event), in the order in which it is taken.

    What came before the test was opened is taken at its opening and keeps its own time.
    """
    coming: list[tuple[float, int, int, Event]] = []

    def add(elapsed_s: float, event: Event) -> None:
        coming.append((max(0.0, elapsed_s), _ORDER.get(event.kind, 3), len(coming), event))

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
            add(before_s, event)
    return [(elapsed_s, event) for elapsed_s, _, _, event in sorted(coming, key=lambda row: row[:3])]


def _before_stage_end(event: Event, stages: Sequence[tuple[StageStarted, float]], anchor: datetime) -> Event:
    """A reading whose written time is that of a stage's end, moved to its first sound."""
    if not isinstance(event, ReadingTaken) or event.k1_mmhg is None or not stages:
        return event
    written_s = (event.event_time - anchor).total_seconds()
    stage, end_s = min(stages, key=lambda pair: abs(pair[1] - written_s))
    in_force = [one for one, _ in stages if one.event_time <= event.event_time]
    if (in_force and in_force[-1].phase == "rest") or abs(end_s - written_s) > STAGE_END_NEAR_S:
        return event
    rate = event.deflation_mmhg_per_s or FALL_MMHG_PER_S[stage.phase]
    lowest = lowest_sound(k5=event.k5_mmhg, heard_to=event.heard_to_mmhg, k4=event.k4_mmhg)
    first_s = end_s - max(0.0, event.k1_mmhg - lowest) / rate
    return event.model_copy(update={"event_time": pipeline_time(anchor, first_s)})


def _planner(order: JoinOrder) -> Planner | None:
    if order.opened.protocol is None:
        return None
    timed = all(source.time_means != "written" for source in order.sources)
    return Planner(order.opened.anchor, "planned", age_years=order.opened.age_years, timed_entries=timed)


def _outcome(
    order: JoinOrder, timeline: Timeline
) -> tuple[Literal["completed", "stopped"], EndReason | None]:
    """How the test ended: as noted; else completed when every loaded stage of the protocol was ridden."""
    if order.end_reason is not None:
        return ("completed" if order.end_reason == "protocol_complete" else "stopped"), order.end_reason
    protocol = order.opened.protocol
    if protocol is None:
        return "completed", None
    ridden = sum(event.phase in ("warmup", "exercise") for event in timeline.events)
    if ridden >= sum(stage.loaded for stage in protocol.stages):
        return "completed", "protocol_complete"
    return "stopped", None


def rules_text(path: Path | None) -> str | None:
    """The lab's rules file as it stands, to be kept with the test."""
    return None if path is None else path.read_text(encoding="utf-8")
