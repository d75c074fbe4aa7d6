"""The threads of a live test and what passes between them.

Sources, the waker and the consoles queue; the recorder's thread, which is the one that calls
`run`, takes what is queued, writes it, and then confirms; the deriver's thread alone owns DuckDB.
A confirmation never waits for SQL.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime
from queue import Empty, SimpleQueue
from typing import Literal, Protocol

from pipeline.clock import Clock
from pipeline.control import Control, Interrupt
from pipeline.course import SOURCE
from pipeline.derived import Derived, Watched
from pipeline.deriver import Deriver
from pipeline.errors import CuffwattError, NotConfirmed, UsageError
from pipeline.events import Event, NoteWritten, Sample, SourceLost
from pipeline.live import LiveTest
from pipeline.rules import Rules
from pipeline.showing import Showing
from pipeline.snapshot import Snapshot
from pipeline.waker import HEARTBEAT_S, Waker

_BATCH = 2000
# entries that come fast share a run: after one the next begins when six times as long has passed
_REST_TIMES, _LONGEST_REST_S = 6.0, 1.0
_LOOKS_BACK_S = 10.0


class Source(Protocol):
    """A source of samples: `run` is the body of its thread, until `stop` is set."""

    name: str

    def run(self, put: Callable[[Event], None], stop: threading.Event, clock: Clock) -> None:
        """Put events as they come."""


@dataclass(frozen=True)
class Asked:
    """What a console asks, and where it waits for the answer."""

    what: Event | Control
    answer: Future[Event]


class DeriverThread(threading.Thread):
    """Runs the ladder beside the recorder: after what changes flags, to the latest, and a watch a second.

    Entries that come faster than it may run are answered together, 1 s later at most.

    To the recorder it is the deriver: `snapshot` and `heart_rate_bpm` say what was last found.
    """

    def __init__(self, rules: Rules, clock: Clock) -> None:
        super().__init__(name="deriver", daemon=True)
        self._rules, self._clock = rules, clock
        self.found: Callable[[Derived | Watched], None] = lambda found: None
        self._queue: SimpleQueue[Event | Literal["derive", "end"]] = SimpleQueue()
        self._last = Snapshot.empty
        self._heart_rate: float | None = None
        self.failed: str | None = None
        self.settled = threading.Event()
        """Set once the ladder was run, and where it never will be."""

    def take(self, event: Event) -> None:
        """One recorded event."""
        self._queue.put(event)

    def snapshot(self, as_of: datetime, seq: int) -> Snapshot:
        """The last that was found."""
        return self._last

    def heart_rate_bpm(self, as_of: datetime) -> float | None:
        """As last watched, at most a second or two ago."""
        return self._heart_rate

    def derive(self) -> None:
        """Run the ladder over what was taken so far, as soon as it is free."""
        self._queue.put("derive")

    def close(self) -> None:
        """End the thread, and give the memory back."""
        self._queue.put("end")

    def run(self) -> None:
        """The body of the thread."""
        try:
            self._run()
        except Exception as error:
            self.settled.set()
            self.failed = f"flags are no longer derived ({error}); entries are kept as before"

    def _run(self) -> None:
        deriver = Deriver(self._rules)
        seq, watched_s = 0, self._clock.elapsed()
        entered, is_warm, free_s = False, False, 0.0
        try:
            while True:
                wake_s = watched_s + HEARTBEAT_S
                if entered:
                    wake_s = min(wake_s, free_s)
                for item in self._batch(wake_s - self._clock.elapsed()):
                    if item == "end":
                        return
                    if item == "derive":
                        entered = True
                    elif isinstance(item, Event):
                        deriver.take(item)
                        seq = item.seq or 0
                begun_s = self._clock.elapsed()
                wanted = is_entry = entered and begun_s >= free_s
                # an entry's flags come before the watch, which finds nothing then that they do not
                if not wanted and begun_s >= watched_s + HEARTBEAT_S:
                    watched_s = begun_s
                    watched = deriver.watch(self._clock.now(), seq)
                    self._heart_rate = watched.heart_rate_30s_bpm
                    self.found(watched)
                    wanted = watched.differs and not entered
                if not wanted:
                    continue
                derived = deriver.derive(self._clock.now(), seq)
                self._last, entered = derived.snapshot, False
                self.settled.set()
                self.found(derived)
                if not is_warm:
                    deriver.warm_up()
                    is_warm = True
                elif is_entry:
                    ended_s = self._clock.elapsed()
                    free_s = ended_s + min(_LONGEST_REST_S, _REST_TIMES * (ended_s - begun_s))
        finally:
            deriver.close()

    def _batch(self, wait_s: float) -> list[Event | Literal["derive", "end"]]:
        """What is queued, after waiting for the first at most `wait_s`."""
        batch: list[Event | Literal["derive", "end"]] = []
        with suppress(Empty):
            batch.append(self._queue.get(timeout=max(wait_s, 1e-3)))
            while True:
                batch.append(self._queue.get_nowait())
        return batch


class Session:
    """One live test with its threads.  `run` returns when the test is closed and on disk.

    `view` is what is to be seen now; `changed` is notified when there is a new one.
    """

    def __init__(
        self, live: LiveTest, clock: Clock, deriver: DeriverThread, sources: Sequence[Source] = ()
    ) -> None:
        self._live, self._clock, self._deriver, self._sources = live, clock, deriver, sources
        self._queue: SimpleQueue[Event | Asked | Derived | Watched | None] = SimpleQueue()
        deriver.found = self.put
        self._stop = threading.Event()
        self._showing = Showing(live, clock)
        self._waker = Waker(clock, lambda: self._queue.put(None))
        self._wake_s: float | None = None
        self._interrupts = 0
        self._goes_on = False
        self.changed = threading.Condition()
        self.view = self._showing.view()

    def put(self, item: Event | Derived | Watched) -> None:
        """Queue what a source or the deriver gives."""
        self._queue.put(item)

    def ask(self, what: Event | Control) -> Future[Event]:
        """Queue an entry or a control; the answer is the journalled line, once it is on disk.

        The answer is UsageError where it cannot be done, NotConfirmed where it is not on disk.
        """
        asked = Asked(what, Future())
        self._queue.put(asked)
        return asked.answer

    def interrupt(self) -> None:
        """Close the test as interrupted; may be called from a signal handler."""
        self._interrupts += 1
        self._queue.put(Asked(Interrupt(), Future()))

    def unattended(self, why: str) -> None:
        """Nobody is there any more: go on as a test that nobody watches, and write it down."""
        manner = self._live.manner
        start = "load" if manner.start == "asked" else manner.start
        self._live.manner = replace(manner, attended=False, start=start)
        self.put(
            NoteWritten(
                event_time=self._clock.now(),
                source=SOURCE,
                text=f"{why}: nobody is watching, the recording goes on",
            )
        )

    def heard(self, event: Event) -> None:
        """One line from before an interruption."""
        self._goes_on = True
        self._showing.take(event)

    def run(self, opening: Sequence[Event]) -> None:
        """Record until the test is closed; `opening` are its first lines (or those of a resumption).

        NotConfirmed where the test was told twice to end while the disk refused: what waited is lost.
        """
        threads = [
            threading.Thread(target=self._listen, args=(source,), name=source.name, daemon=True)
            for source in self._sources
        ]
        self._deriver.start()
        self._waker.start()
        try:
            if self._goes_on:
                self.view = self._showing.view()  # what was there before may be seen while that is read
                # a reading that is due at once is planned from the readings before, not from nothing
                self._deriver.derive()
                self._deriver.settled.wait(_LOOKS_BACK_S)
            self._batch(list(opening))
            for thread in threads:
                thread.start()
            while self._live.closed is None or (self._live.not_kept and self._interrupts < 2):
                self._batch(self._queued())
        finally:
            self._stop.set()
            self._waker.shutdown()
            for thread in threads:
                if thread.ident is not None:
                    thread.join(timeout=2)
            self._deriver.close()
            self._deriver.join(timeout=5)
            self._answer_late()
            with self.changed:
                self.changed.notify_all()
        if self._live.not_kept:
            raise NotConfirmed(f"ended with lines that are not on disk, and are lost: {self._live.not_kept}")

    def _listen(self, source: Source) -> None:
        """The body of a source's thread: one that fails costs itself, and is told."""
        try:
            source.run(self.put, self._stop, self._clock)
        except Exception as error:
            why = f"reading it failed ({type(error).__name__}: {error}); nothing more of it is recorded"
            self.put(SourceLost(event_time=self._clock.now(), source=source.name, reason=why))

    def _answer_late(self) -> None:
        """Nobody waits for ever for the answer to what came after the end."""
        with suppress(Empty):
            while True:
                item = self._queue.get_nowait()
                if isinstance(item, Asked):
                    item.answer.set_exception(UsageError("the test is closed; nothing more is recorded"))

    def _queued(self) -> list[Event | Asked | Derived | Watched | None]:
        batch = [self._queue.get()]
        with suppress(Empty):
            while len(batch) < _BATCH:
                batch.append(self._queue.get_nowait())
        return batch

    def _batch(self, batch: Sequence[Event | Asked | Derived | Watched | None]) -> None:
        """Take these, write them, and confirm what was asked."""
        live, done = self._live, list[tuple[Asked, Event]]()
        for item in batch:
            if isinstance(item, Asked):
                try:
                    what = item.what
                    done.append((item, live.take(what) if isinstance(what, Event) else live.ask(what)))
                except CuffwattError as error:
                    item.answer.set_exception(error)
            elif live.closed is not None:
                continue
            elif isinstance(item, Event):
                self._showing.take(live.take(item))
            elif item is not None:
                self._found(item)
        live.tick()
        kept = live.commit()
        if live.stale:
            live.stale = False
            self._deriver.derive()
        for asked, event in done:
            self._showing.take(event)
            if kept:
                asked.answer.set_result(event)
            else:
                asked.answer.set_exception(
                    NotConfirmed(
                        f"taken, but not on disk: {live.not_kept}; it is written as soon as it can be"
                    )
                )
        if live.next_wake_s != self._wake_s:
            self._wake_s = live.next_wake_s
            self._waker.wake_at(self._wake_s)
        if any(not isinstance(item, Sample) for item in batch):
            with self.changed:
                self.view = self._showing.view(live.not_kept, self._deriver.failed)
                self.changed.notify_all()

    def _found(self, found: Derived | Watched) -> None:
        self._showing.found(found)
        if isinstance(found, Watched):
            return
        self._live.recorder.renew()
        self._live.raise_flags(found.flags)
