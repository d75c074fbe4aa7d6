"""Opening a live test, or going on with one: the journal, the clock and everyone around them.

`open_test` and `resume_test` give a recording whose `run` records until the test is closed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field

from pipeline.archive import DISK, Archive, Disk, TestFolder, publish_bytes
from pipeline.clock import Clock, PipelineClock
from pipeline.course import SOURCE, Course
from pipeline.errors import UsageError
from pipeline.events import Event, JournalRepaired, NoteWritten, TestOpened, TestResumed
from pipeline.journal import Journal, iter_events
from pipeline.live import LiveTest, Manner
from pipeline.prompts import Planner
from pipeline.recorder import Recorder
from pipeline.rules import Rules
from pipeline.session import DeriverThread, Session, Source

UNWATCHED = "nobody is warned: recorded without anyone watching (--headless)"


@dataclass(frozen=True)
class Kept:
    """What is kept beside the journal as it was given: the setup, and rules of the lab's own."""

    setup_text: str
    rules_text: str | None = None


@dataclass
class Recording:
    """A live test that is open: its folder, its session, its clock, and the lines it begins with."""

    folder: TestFolder
    session: Session
    opened: TestOpened
    clock: Clock
    opening: Sequence[Event] = field(default_factory=list)

    def run(self) -> None:
        """Record until the test is closed."""
        self.session.run(self.opening)


@contextmanager
def open_test(
    opened: TestOpened,
    kept: Kept,
    archive: Archive,
    rules: Rules,
    clock: Clock,
    manner: Manner,
    sources: Sequence[Source] = (),
    disk: Disk = DISK,
) -> Iterator[Recording]:
    """Begin the journal of a new test.  Raises JournalExists, ArchiveError or JournalLocked."""
    folder = archive.create(opened.study, opened.test_id, disk)
    with Journal.create(folder.journal, disk) as journal:
        try:
            publish_bytes(folder.setup, kept.setup_text.encode(), disk)
            if kept.rules_text is not None:
                publish_bytes(folder.rules, kept.rules_text.encode(), disk)
            opening: list[Event] = [opened]
            if not manner.attended:
                opening.append(NoteWritten(event_time=opened.event_time, source=SOURCE, text=UNWATCHED))
            session, _ = _session(opened, journal, rules, clock, manner, sources)
            yield Recording(folder, session, opened, clock, opening)
        finally:
            if journal.never_began:
                _take_away(folder)


@contextmanager
def resume_test(
    folder: TestFolder,
    rules: Rules,
    manner: Manner,
    sources: Sequence[Source],
    software: str,
    resumed: Callable[[TestOpened, float], PipelineClock] | None = None,
    rules_text: str | None = None,
    disk: Disk = DISK,
) -> Iterator[Recording]:
    """Go on in the same journal, with the plan where it should be by now.

    `rules_text` are other rules than before: they are kept beside the journal, so that what is shown
    from now on is what will be sealed.  `resumed` makes the clock from the opening and the last moment
    recorded.  Raises UsageError, JournalLocked, JournalDamaged, JournalClosed or JournalError.
    """
    with Journal.reopen(folder.journal, disk) as journal:
        if not journal.next_seq:
            raise UsageError(
                f"{folder.journal}: holds no whole line, so the test never began; move the folder "
                f"{folder.path} away and begin the test anew"
            )
        before = list(iter_events(folder.journal))
        opened = before[0]
        assert isinstance(opened, TestOpened)
        if opened.mode != "live":
            raise UsageError(
                f"{folder.journal}: this test was joined from files; there is nothing to go on with"
            )
        if rules_text is not None:
            publish_bytes(folder.rules, rules_text.encode(), disk)
        make = resumed or (lambda first, last_s: PipelineClock.resumed(first.anchor, last_s))
        clock = make(opened, journal.last_elapsed_s)
        session, live = _session(opened, journal, rules, clock, manner, sources)
        for event in before:
            live.again(event)
            session.heard(event)
        now = clock.now()
        opening: list[Event] = []
        if journal.repair is not None:
            opening.append(
                JournalRepaired(
                    event_time=now,
                    source=SOURCE,
                    bytes_cut=journal.repair.bytes_cut,
                    backup=journal.repair.backup,
                )
            )
        opening.append(
            TestResumed(
                event_time=now,
                source=SOURCE,
                anchor=clock.anchor,
                gap_s=round(clock.gap_s, 6),
                software=software,
                rules_digest=rules.digest,
            )
        )
        if not manner.attended:
            opening.append(NoteWritten(event_time=now, source=SOURCE, text=UNWATCHED))
        yield Recording(folder, session, opened, clock, opening)


def _take_away(folder: TestFolder) -> None:
    """A test that never began leaves nothing behind that would stand in the way of the next."""
    for path in (folder.setup, folder.rules, folder.journal):
        path.unlink(missing_ok=True)
    with suppress(OSError):
        folder.path.rmdir()


def _session(
    opened: TestOpened,
    journal: Journal,
    rules: Rules,
    clock: Clock,
    manner: Manner,
    sources: Sequence[Source],
) -> tuple[Session, LiveTest]:
    planner = None
    if opened.protocol is not None:
        planner = Planner(opened.anchor, "live", age_years=opened.age_years)
    course = Course(opened.protocol, opened.anchor)
    deriver = DeriverThread(rules, clock)
    live = LiveTest(Recorder(journal, clock, deriver, planner, course), journal, clock, manner)
    return Session(live, clock, deriver, sources), live
