"""A live test in one thread, on a clock that is moved: for replays, benchmarks and tests.

The recorder, the planner, the ladder and what is shown are those of a live test; only the threads
are not there.
"""

from __future__ import annotations

from types import TracebackType

from pipeline.clock import ReplayClock
from pipeline.control import Control
from pipeline.course import Course
from pipeline.derived import Derived
from pipeline.deriver import Deriver
from pipeline.events import Event, TestClosed, TestOpened
from pipeline.journal import Journal
from pipeline.live import LiveTest, Manner
from pipeline.live_view import LiveView
from pipeline.prompts import Planner
from pipeline.recorder import Recorder
from pipeline.rules import Rules
from pipeline.showing import Showing


class Rehearsal:
    """A test from its opening on.  `watched` runs the watch every second, as live; else flags about time
    are found with the next entry or stage.  Close it to give the memory back.
    """

    def __init__(
        self, opened: TestOpened, journal: Journal, rules: Rules, manner: Manner, *, watched: bool = True
    ) -> None:
        self.clock = ReplayClock(opened.anchor)
        self.deriver = Deriver(rules)
        planner = None
        if opened.protocol is not None:
            planner = Planner(opened.anchor, "live", age_years=opened.age_years)
        course = Course(opened.protocol, opened.anchor)
        recorder = Recorder(journal, self.clock, self.deriver, planner, course)
        self.live = LiveTest(recorder, journal, self.clock, manner)
        self._showing = Showing(self.live, self.clock)
        self._watched = watched
        self._watch_s = 0.0
        self._overdue = False  # something was due at the moment that was last moved to
        self.derived: Derived | None = None
        self.take(opened)

    def __enter__(self) -> Rehearsal:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.deriver.close()

    @property
    def view(self) -> LiveView:
        """What consoles would show."""
        return self._showing.view(self.live.not_kept)

    def take(self, event: Event) -> Event:
        """An event that comes now."""
        recorded = self.live.take(event)
        self._showing.take(recorded)
        self._done()
        return recorded

    def ask(self, control: Control) -> Event:
        """What the operator asks now."""
        recorded = self.live.ask(control)
        self._showing.take(recorded)
        self._done()
        return recorded

    def look(self) -> None:
        """See whether the flags are still those that were found last, as the watch does."""
        self._watch()
        self._done()

    def end(self, closed: TestClosed) -> None:
        """Close the test now, with the outcome and reason of `closed`."""
        self._showing.take(self.live.end(closed.outcome, closed.reason, closed.stopped_by))
        self._done()

    def advance(self, to_s: float) -> None:
        """Move the clock on, through every moment at which something is due, until the test is closed."""
        if self._overdue and to_s > self.clock.elapsed():
            self._overdue = False
            self.live.tick()
            self._done()
        while self.live.closed is None:
            wake_s = self.live.next_wake_s
            watch_s = self._watch_s + 1 if self._watched else None
            next_s = min(moment for moment in (wake_s, watch_s, to_s) if moment is not None)
            # what happens at a moment comes before what is due at it
            if next_s >= to_s:
                self._overdue |= wake_s is not None and wake_s <= to_s
                break
            self.clock.move_to(max(next_s, self.clock.elapsed()))
            self.live.tick()
            if watch_s is not None and next_s >= watch_s:
                self._watch()
            self._done()
        self.clock.move_to(max(to_s, self.clock.elapsed()))

    def _watch(self) -> None:
        self._watch_s = self.clock.elapsed()
        watched = self.deriver.watch(self.clock.now(), self.live.recorder.last_seq)
        self._showing.found(watched)
        if watched.differs:
            self.live.stale = True

    def _done(self) -> None:
        """What a batch ends with: the flags, and the disk."""
        if self.live.stale and self.live.closed is None:
            self.live.stale = False
            self.derived = self.deriver.derive(self.clock.now(), self.live.recorder.last_seq)
            self._showing.found(self.derived)
            self.live.recorder.renew()
            self.live.raise_flags(self.derived.flags)
        self.live.commit()
