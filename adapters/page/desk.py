"""Takes entries from devices, each once, and says what became of them."""

from __future__ import annotations

import threading
from collections.abc import Iterable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from typing import Protocol

from adapters.page.sent import SOURCE, Reader, Sent
from adapters.typed_entry import doubts
from pipeline.control import Control, Hold
from pipeline.errors import CuffwattError, InputError, NotConfirmed
from pipeline.events import Event, ReadingTaken
from pipeline.live_view import LiveView

PATIENCE_S = 10.0


class Recorded(Protocol):
    """The test that is being recorded, as far as the page needs it."""

    view: LiveView
    changed: threading.Condition

    def ask(self, what: Event | Control) -> Future[Event]:
        """Queue an entry or a control; answered when it is on disk."""


@dataclass(frozen=True)
class Answer:
    """What became of an entry: on disk as these lines; or not (yet), and why.

    `waits`: it was taken and is not on disk yet, so that it is to be asked about again.
    `doubt` asks about a reading that was kept.
    """

    lines: tuple[Event, ...] = ()
    error: str | None = None
    waits: bool = False
    doubt: str | None = None

    @property
    def kept(self) -> bool:
        """Whether all of it is on disk."""
        return self.error is None and not self.waits


class Desk:
    """One for all devices.  `before` are the lines of the test from before an interruption.

    An id is answered once and for all: asked again, also by another device or after a restart,
    it gets the answer of the first time and nothing is entered.
    """

    def __init__(self, recorded: Recorded, reader: Reader, before: Iterable[Event] = ()) -> None:
        self._recorded, self._reader = recorded, reader
        self._lock = threading.Lock()
        self._asked: dict[str, Sequence[Future[Event]]] = {}
        self._left: dict[int, str] = {}
        for event in before:
            if event.source.startswith(SOURCE):
                known: Future[Event] = Future()
                known.set_result(event)
                entry_id = event.source.removeprefix(SOURCE)
                self._asked[entry_id] = [*self._asked.get(entry_id, ()), known]

    def enter(self, sent: Sent) -> Answer:
        """Take it, or find it again, and wait for the disk; never raises."""
        try:
            with self._lock:
                futures = self._asked.get(sent.id)
                if futures is None:
                    futures = self._ask(sent)
                    self._asked[sent.id] = futures
        except CuffwattError as error:
            return Answer(error=str(error))
        answer = self._answer(futures)
        if answer.error is not None and not answer.waits:
            with self._lock:
                self._left = {stage: one for stage, one in self._left.items() if one != sent.id}
        return answer

    def _ask(self, sent: Sent) -> Sequence[Future[Event]]:
        view = self._recorded.view
        if sent.test_id != view.test_id:
            raise InputError(
                f"this was entered for test {sent.test_id}, and {view.test_id} is being recorded; "
                "forget it here, and note it where that test is kept"
            )
        wanted = self._reader.read(sent)
        if any(not isinstance(one, Event | Hold) for one in wanted):
            # two people press at the same moment, and mean the same step
            if sent.stage is None:
                raise InputError("the test is moved on with the buttons under Course, and stopped with STOP")
            shown = 0 if view.stage is None else view.stage.index + 1
            if sent.stage != shown or shown in self._left:
                raise InputError("the test has moved on since that was shown; look again, then press again")
            self._left[shown] = sent.id
        return [self._recorded.ask(one) for one in wanted]

    def _answer(self, futures: Sequence[Future[Event]]) -> Answer:
        lines: list[Event] = []
        for future in futures:
            try:
                lines.append(future.result(timeout=PATIENCE_S))
            except TimeoutError:
                return Answer(tuple(lines), "the recorder has not answered yet; ask again", waits=True)
            except NotConfirmed as error:
                if not self._recorded.view.kept:
                    return Answer(tuple(lines), str(error), waits=True)
            except CuffwattError as error:
                return Answer(tuple(lines), str(error))
        reading = next((line for line in lines if isinstance(line, ReadingTaken)), None)
        return Answer(tuple(lines), doubt=None if reading is None else doubts(reading))
