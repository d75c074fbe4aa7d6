"""A recorded test recorded again, on a clock that is moved: with other rules or other readings.

What happened comes in as it came: samples, entries, symptoms, stages, sources that went and came,
each at its pipeline time, entries as they were typed.  What the recorder makes of it is made anew:
prompts, what was missed, flags.  Stages are those that were ridden, so another plan of readings
moves no load.  A joined test is joined again: nobody was there, so its prompts are planned and its
flags are never shown.
"""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import dataclass, field
from typing import Protocol as Interface

from pipeline.archive import Archive, Disk, TestFolder, publish_bytes
from pipeline.clock import ReplayClock, pipeline_time
from pipeline.course import Course
from pipeline.deriver import Deriver
from pipeline.draft import draft
from pipeline.errors import UsageError
from pipeline.events import (
    Amended,
    Event,
    ExertionRated,
    FlagAcknowledged,
    FlagRaised,
    JournalRepaired,
    ReadingMissed,
    ReadingTaken,
    StageExtended,
    StageStarted,
    TestClosed,
    TestOpened,
    TestResumed,
)
from pipeline.journal import Journal, JournalRead, iter_events, read_journal
from pipeline.line_names import line_names, made_by_recorder
from pipeline.live import HELD, Manner
from pipeline.prompts import Planner
from pipeline.protocol import Protocol
from pipeline.recorder import Recorder
from pipeline.rehearsal import Rehearsal
from pipeline.rules import Rules

# a replay can be made again, so its disk need not be waited for
_UNSYNCED = Disk(fsync=lambda descriptor: None)


@dataclass(frozen=True)
class Changes:
    """What is other than in the record: the rules (always said), the protocol, the rules file to keep."""

    rules: Rules
    software: str
    protocol: Protocol | None = None
    rules_text: str | None = None


@dataclass
class Replayed:
    """The test as it was recorded again; `recorded` says which line of the record each line was."""

    folder: TestFolder
    recorded: dict[int, int] = field(default_factory=dict)
    left_out: list[str] = field(default_factory=list)


def replay(record: TestFolder, archive: Archive, changes: Changes) -> Replayed:
    """Record the test of `record` again, into `archive`; the caller seals it.

    `left_out` says in words what had no place any more (a correction of what is no longer there).
    Raises UsageError where another protocol does not have the stages of the record, what
    `read_journal` raises, JournalExists or ArchiveError.
    """
    read = read_journal(record.journal)
    opened = read.opened.model_copy(
        update={"rules_digest": changes.rules.digest, "software": changes.software}
    )
    if changes.protocol is not None:
        protocol = with_readings_of(changes.protocol, read.opened.protocol)
        opened = opened.model_copy(update={"protocol": protocol})
    result = Replayed(archive.test_folder(record.study, record.test_id))
    with draft(archive, record.study, record.test_id, _UNSYNCED) as folder:
        if record.setup.exists():
            publish_bytes(folder.setup, record.setup.read_bytes(), _UNSYNCED)
        if changes.rules_text is not None:
            publish_bytes(folder.rules, changes.rules_text.encode(), _UNSYNCED)
        with Journal.create(folder.journal, _UNSYNCED) as journal:
            _Again(read, opened, journal, result).run(changes.rules)
    return result


def with_readings_of(wanted: Protocol, recorded: Protocol | None) -> Protocol:
    """The recorded stages with the plan of readings of `wanted`, which has the same stages.

    Labels and positions are those of the record.  UsageError names the first stage that differs.
    """
    if recorded is None:
        raise UsageError(
            "the test was recorded without a protocol, so there is no plan of readings to change; "
            "leave out --protocol"
        )
    if len(wanted.stages) != len(recorded.stages):
        raise UsageError(
            f"the protocol has {len(wanted.stages)} stages, the record has {len(recorded.stages)}; a replay "
            "changes readings only, so give the same stages with other readings"
        )
    stages = []
    for number, (new, old) in enumerate(zip(wanted.stages, recorded.stages, strict=True), start=1):
        for name in ("phase", "target_watts", "target_watts_to", "planned_s"):
            given, found = getattr(new, name), getattr(old, name)
            if given != found:
                raise UsageError(
                    f"stage {number} has {name} = {given}, in the record {old.label!r} has {found}; a replay "
                    "changes readings only, so give the same stages with other readings"
                )
        stages.append(new.model_copy(update={"label": old.label, "position": old.position}))
    return recorded.model_copy(update={"stages": tuple(stages)})


class _Recording(Interface):
    """Who records: a live test, or a join."""

    recorder: Recorder
    clock: ReplayClock

    def advance(self, to_s: float) -> None:
        """Move the clock on, through what is due before `to_s`."""

    def take(self, event: Event) -> Event:
        """Record what comes now."""

    def look(self) -> None:
        """See which flags hold now."""

    def end(self, closed: TestClosed) -> None:
        """Close as the record was closed."""


class _Live:
    """A live test whose stages and end come from the record."""

    def __init__(self, rehearsal: Rehearsal, closed_s: float | None) -> None:
        self._rehearsal, self._closed_s = rehearsal, closed_s
        self.recorder, self.clock = rehearsal.live.recorder, rehearsal.clock
        self.advance, self.look, self.end = rehearsal.advance, rehearsal.look, rehearsal.end

    def take(self, event: Event) -> Event:
        timed = isinstance(event, StageStarted) and event.by == "schedule"
        if timed or (isinstance(event, StageExtended) and event.reason != HELD):
            self._rehearsal.live.tick()  # what is due at a moment comes before the stage that it begins
        if self._closed_s is not None and self.clock.elapsed() >= self._closed_s:
            return self._rehearsal.live.take(event)  # it ended the test, so no flag was shown after it
        return self._rehearsal.take(event)


class _Joined:
    """A join, in the order of time."""

    def __init__(self, opened: TestOpened, journal: Journal, deriver: Deriver, *, timed: bool) -> None:
        planner = None
        if opened.protocol is not None:
            planner = Planner(opened.anchor, "planned", age_years=opened.age_years, timed_entries=timed)
        self.clock = ReplayClock(opened.anchor)
        course = Course(opened.protocol, opened.anchor)
        self.recorder = Recorder(journal, self.clock, deriver, planner, course)
        self.advance, self.take = self.recorder.advance, self.recorder.take
        self.take(opened)

    def look(self) -> None:
        """Nothing: nobody is there."""

    def end(self, closed: TestClosed) -> None:
        self.recorder.close(closed.event_time, closed.outcome, closed.reason, closed.stopped_by)


class _Again:
    """One replay: what came in the record, given to who records."""

    def __init__(self, read: JournalRead, opened: TestOpened, journal: Journal, result: Replayed) -> None:
        self._read, self._opened, self._journal, self._result = read, opened, journal, result
        self._names = line_names(read.events, read.opened)
        self._seqs: dict[int, int] = {0: 0}  # of what happened: seq in the record -> seq

    def run(self, rules: Rules) -> None:
        """Record it all."""
        with ExitStack() as stack:
            recording: _Recording
            if self._opened.mode == "live":
                manner = Manner(follows=True)
                rehearsal = Rehearsal(self._opened, self._journal, rules, manner, watched=False)
                end = self._read.end
                recording = _Live(stack.enter_context(rehearsal), None if end is None else end.elapsed_s)
            else:
                deriver = Deriver(rules)
                stack.callback(deriver.close)
                timed = not any(
                    isinstance(event, ReadingTaken) and event.measured_source == "estimated"
                    for event in self._read.events
                )
                recording = _Joined(self._opened, self._journal, deriver, timed=timed)
            closed = False
            for event in iter_events(self._read):
                if event.seq == 0:
                    continue
                if closed:
                    self._correct(recording.recorder, event)
                    continue
                self._give(recording, event)
                closed = isinstance(event, TestClosed)
            if not closed:
                recording.recorder.flush()
        self._result.recorded.update({seq: old for old, seq in self._seqs.items()})

    def _give(self, recording: _Recording, event: Event) -> None:
        at_s = event.elapsed_s or 0.0
        if isinstance(event, TestResumed):
            recording.clock.move_to(at_s)  # nothing was recorded in the gap, and nobody was asked
        else:
            recording.advance(at_s)
        if isinstance(event, TestClosed):
            recording.end(event)
        elif isinstance(event, FlagRaised):
            recording.look()
        elif not isinstance(event, JournalRepaired) and not made_by_recorder(event):
            self._take(recording, event)

    def _take(self, recording: _Recording, event: Event) -> None:
        if (typed := self._as_it_came(recording.recorder, event)) is not None:
            recorded = recording.take(typed)
            self._seqs[event.seq or 0] = recorded.seq or 0

    def _as_it_came(self, recorder: Recorder, event: Event) -> Event | None:
        """The event without what the recorder added; None where it no longer has a target."""
        came = event.model_copy(update={"seq": None, "elapsed_s": None})
        if isinstance(event, ReadingTaken):
            came = came.model_copy(update={"due_seq": None, "pair_seq": None})
            if event.measured_source == "estimated":  # the recorder put it where the first sound was
                entered_at = pipeline_time(self._opened.anchor, event.elapsed_s or 0.0)
                came = came.model_copy(update={"event_time": entered_at})
            return came
        if isinstance(event, ReadingMissed) and event.due_seq is not None:
            return came.model_copy(update={"due_seq": None, "stage_index": None})
        if isinstance(event, ExertionRated) and event.due_seq is not None:
            return came.model_copy(update={"due_seq": self._seq_of(recorder, event.due_seq)})
        if isinstance(event, FlagAcknowledged | Amended):
            target = self._seq_of(recorder, event.target_seq)
            if target is None:
                self._left_out(event)
                return None
            return came.model_copy(update={"target_seq": target})
        return came

    def _correct(self, recorder: Recorder, event: Event) -> None:
        """A correction of the closed test."""
        typed = self._as_it_came(recorder, event) if isinstance(event, Amended) else None
        if typed is not None:
            numbers = {"seq": self._journal.next_seq, "elapsed_s": self._journal.last_elapsed_s}
            self._journal.append([typed.model_copy(update=numbers)])

    def _seq_of(self, recorder: Recorder, seq: int) -> int | None:
        """Where the line `seq` of the record is now; None where it is not there any more."""
        if seq in self._seqs:
            return self._seqs[seq]
        recorder.flush()
        events = read_journal(self._journal.path).events
        names = line_names(events, self._opened, {new: old for old, new in self._seqs.items()})
        return next((new for new, name in names.items() if name == self._names.get(seq)), None)

    def _left_out(self, event: FlagAcknowledged | Amended) -> None:
        """Say which correction has no target; a flag that is not shown needs nobody who saw it."""
        if isinstance(event, Amended):
            self._result.left_out.append(
                f"line {event.seq} corrects {event.field} of line {event.target_seq}, which is not there now"
            )
