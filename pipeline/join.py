"""Joining: logs and a reading sheet that were written apart become one test's journal.

The sources are put on one clock, the stages come from the protocol or from the load, and the
recorder takes everything in the order of time, as it would have live.
"""

from __future__ import annotations

import errno
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

from pipeline.archive import DISK, Archive, Disk, TestFolder, not_writable, publish_bytes
from pipeline.clock import ReplayClock, pipeline_time
from pipeline.course import Course
from pipeline.deriver import Deriver
from pipeline.draft import draft, free_folder
from pipeline.errors import ArchiveError, InputError
from pipeline.events import (
    EndReason,
    SourceLog,
    StageStarted,
    TestOpened,
)
from pipeline.journal import Journal, JournalNotKept
from pipeline.prompts import Planner
from pipeline.recorder import Derives, Recorder
from pipeline.rules import Rules
from pipeline.source_times import (
    Coming,
    check_content,
    check_overlap,
    first_moment,
    in_order,
    load_of,
    on_test_clock,
)
from pipeline.stages import Timeline, detected_timeline, scheduled_timeline

__all__ = ["JoinOrder", "first_moment", "join"]

ENDED_EARLY_S = 15.0  # slow logs show a change of load this much late
STILL_LOADED_S = 30.0


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


def join(
    order: JoinOrder,
    archive: Archive,
    rules: Rules,
    watched: Callable[[Sequence[Coming]], Iterable[Coming]] = iter,
    disk: Disk = DISK,
    deriver: Callable[[Rules], Derives] = Deriver,
) -> TestFolder:
    """Write the journal of a new test; the caller seals it.

    All of it is there or nothing is: however the join ends early, the next one can begin.
    `watched` may look at what goes through, to show progress; `deriver` makes what tells the planner
    what is known on the way.  Raises InputError where nothing says when stages began, where a log
    cannot be aligned, and where a source holds nothing or has nothing in common with the test;
    JournalExists where the test is there; ArchiveError where it cannot be written.
    """
    opened = order.opened
    free_folder(archive, opened.study, opened.test_id)
    check_content(order.sources)
    sources = [on_test_clock(source, opened.anchor) for source in order.sources]
    load = load_of(sources, opened.anchor)
    timeline = _timeline(order, load)
    check_overlap(sources, opened.anchor, timeline)
    coming = in_order(sources, timeline, opened.anchor)
    with draft(archive, opened.study, opened.test_id, disk) as folder:
        publish_bytes(folder.setup, order.setup_text.encode(), disk)
        if order.rules_text is not None:
            publish_bytes(folder.rules, order.rules_text.encode(), disk)
        with Journal.create(folder.journal, disk) as journal:
            try:
                _record(
                    journal, order, deriver(rules), watched(coming), timeline, _outcome(order, timeline, load)
                )
            except JournalNotKept as error:
                raise _not_kept(archive, order, error.__cause__) from error
            if journal.rescues:
                raise _not_kept(archive, order, None)
    return archive.test_folder(opened.study, opened.test_id)


def _record(
    journal: Journal,
    order: JoinOrder,
    deriver: Derives,
    coming: Iterable[Coming],
    timeline: Timeline,
    outcome: tuple[Literal["completed", "stopped"], EndReason | None],
) -> None:
    opened = order.opened
    clock = ReplayClock(opened.anchor)
    try:
        course = Course(opened.protocol, opened.anchor)
        recorder = Recorder(journal, clock, deriver, _planner(order), course)
        recorder.take(opened)
        for elapsed_s, event in coming:
            recorder.advance(elapsed_s)
            recorder.take(event)
        recorder.advance(max(clock.elapsed(), timeline.ended_s))
        recorder.close(pipeline_time(opened.anchor, timeline.ended_s), *outcome)
    finally:
        deriver.close()


def _not_kept(archive: Archive, order: JoinOrder, cause: BaseException | None) -> ArchiveError:
    """A disk that refuses: what is in memory only, or made to last elsewhere, is no joined test."""
    folder = archive.test_folder(order.opened.study, order.opened.test_id)
    refusal = cause if isinstance(cause, OSError) else OSError(errno.EIO, "the disk cannot make it last")
    return not_writable(folder.path, refusal)


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


def _planner(order: JoinOrder) -> Planner | None:
    if order.opened.protocol is None:
        return None
    timed = all(source.time_means != "written" for source in order.sources)
    return Planner(order.opened.anchor, "planned", age_years=order.opened.age_years, timed_entries=timed)


def _outcome(
    order: JoinOrder, timeline: Timeline, load: list[tuple[float, float]]
) -> tuple[Literal["completed", "stopped"], EndReason | None]:
    """How the test ended: as noted; else completed when every loaded stage of the protocol was ridden."""
    if order.end_reason is not None:
        return ("completed" if order.end_reason == "protocol_complete" else "stopped"), order.end_reason
    protocol = order.opened.protocol
    if protocol is None:
        return "completed", None
    ridden = [stage for stage in timeline.stages if stage[0].phase in ("warmup", "exercise")]
    if len(ridden) < sum(stage.loaded for stage in protocol.stages):
        return "stopped", None
    if ridden and not _ridden_out(*ridden[-1], order.opened.anchor, load):
        return "stopped", None
    return "completed", "protocol_complete"


def _ridden_out(stage: StageStarted, end_s: float, anchor: datetime, load: list[tuple[float, float]]) -> bool:
    """Whether the last loaded stage had its planned length and, where load was logged, its load at the end.

    A schedule says what was planned; that it was ridden is in the log.
    """
    length_s = end_s - (stage.event_time - anchor).total_seconds()
    if stage.planned_s is not None and length_s < stage.planned_s - ENDED_EARLY_S:
        return False
    target = stage.target_watts_to if stage.target_watts_to is not None else stage.target_watts
    if not load or not target:
        return True
    last = [watts for at_s, watts in load if end_s - STILL_LOADED_S < at_s <= end_s]
    return bool(last) and sum(last) / len(last) >= target / 2
