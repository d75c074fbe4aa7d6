"""A test that is rehearsed on a clock that is moved, and the page that is served of it."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest

import pipeline.events as ev
from adapters.page.server import Facts, PageServer
from adapters.pressure_notation import Pressures
from adapters.typed_entry import Typist
from pipeline.amend import plan
from pipeline.control import Control
from pipeline.errors import CuffwattError
from pipeline.journal import Journal, read_journal
from pipeline.live import Manner
from pipeline.live_view import LiveView
from pipeline.output import CAUTION
from pipeline.protocol import parse_protocol
from pipeline.rehearsal import Rehearsal
from pipeline.rules import shipped_rules

ANCHOR = datetime(2026, 3, 14, 8, 0, tzinfo=UTC)
PROTOCOL: dict[str, Any] = {
    "stage": [
        {"phase": "rest", "minutes": 6, "readings": 1, "wait_s": 60},
        {"phase": "recovery", "minutes": 5},
    ],
    "repeat": [{"start": 50, "step": 50, "minutes": 3, "until": 150}],
}


class Rehearsed:
    """`ask` answers at once; `advance` moves the test on, with load and heart rate logged each second."""

    def __init__(self, path: Path, protocol: dict[str, Any] | None = PROTOCOL, **opened: Any) -> None:
        self.journal = Journal.create(path)
        usual = {"people": 2, "rpe_scale": "6-20", "observer": "AB-1", "age_years": 44.0}
        self.rehearsal = Rehearsal(
            ev.TestOpened(
                event_time=ANCHOR,
                source="setup",
                mode="live",
                anchor=ANCHOR,
                test_id="BEDSIDE-1",
                study="S",
                participant="P-07",
                protocol=None if protocol is None else parse_protocol(protocol, "test"),
                rules_digest="0" * 16,
                software="cuffwatt 0",
                **usual | opened,
            ),
            self.journal,
            shipped_rules(),
            Manner(),
            watched=False,
        )
        self.clock = self.rehearsal.clock
        self.changed = threading.Condition()
        self._lock = threading.RLock()
        self.refuse: CuffwattError | None = None
        self.held: list[Future[ev.Event]] | None = None
        source = {"name": "bike", "adapter": "t", "measures": "watts,heart_rate_bpm"}
        self.take(ev.SourceOpened, source="bike", ranks="watts=1,heart_rate_bpm=1", **source)
        self.view: LiveView = self.rehearsal.view

    def facts(self, before: Sequence[ev.Event] = ()) -> Facts:
        return Facts(
            clock=self.clock,
            typist=Typist(ANCHOR + timedelta(seconds=self.clock.elapsed())),
            observer="AB-1",
            correct=self.correct,
            caution=CAUTION,
            before=before,
        )

    def correct(self, seq: int, pressures: Pressures | None, reason: str, by: str) -> list[ev.Amended]:
        changes: dict[str, Any] = {"void": True}
        if pressures is not None:
            changes = {"k1_mmhg": pressures.k1_mmhg, "k5_mmhg": pressures.k5_mmhg}
        read = read_journal(self.journal.path)
        return list(plan(read, seq, changes, reason=reason, by=by, now=self.clock.now()))

    def take(self, kind: type[ev.Event], **fields: Any) -> ev.Event:
        with self._lock:
            return self.rehearsal.take(kind(**{"event_time": self.clock.now(), "source": "console"} | fields))

    def ask(self, what: ev.Event | Control) -> Future[ev.Event]:
        answer: Future[ev.Event] = Future()
        if self.held is not None:
            self.held.append(answer)
            return answer
        with self._lock:
            try:
                if self.refuse is not None:
                    raise self.refuse
                taken = isinstance(what, ev.Event)
                answer.set_result(self.rehearsal.take(what) if taken else self.rehearsal.ask(what))
            except CuffwattError as error:
                answer.set_exception(error)
            self.show()
        return answer

    def advance(self, to_s: float, watts: float | None = None, heart_rate_bpm: float | None = None) -> None:
        """Move on to `to_s`; what is logged on the way is taken every 2 s."""
        with self._lock:
            at_s = self.clock.elapsed()
            while watts is not None and at_s < to_s:
                self.rehearsal.advance(at_s)
                beats = None if heart_rate_bpm is None else heart_rate_bpm + 2 * math.sin(at_s / 9)
                self.take(ev.Sample, source="bike", watts=watts, heart_rate_bpm=beats)
                if at_s % 10 < 2:
                    self.rehearsal._watch()
                    self.show()
                at_s += 2
            self.rehearsal.advance(to_s)
            self.rehearsal._watch()
            self.rehearsal._done()
            self.show()

    def show(self, **changes: Any) -> None:
        view = self.rehearsal.view
        with self.changed:
            self.view = view if not changes else type(view)(**(view.__dict__ | changes))
            self.changed.notify_all()

    def of(self, kind: type[Any]) -> list[Any]:
        return [event for event in read_journal(self.journal.path).events if isinstance(event, kind)]

    def close(self) -> None:
        self.rehearsal.deriver.close()
        self.journal.close()


class Served:
    """A page that is served of a rehearsed test, and a device that talks with it."""

    def __init__(self, rehearsed: Rehearsed, before: Sequence[ev.Event] = (), *, share: bool = False) -> None:
        self.rehearsed = rehearsed
        self.codes: list[str] = []
        address = "127.0.0.1" if share else None
        facts = rehearsed.facts(before)
        self.server = PageServer(rehearsed, facts, port=0, address=address, show=self.codes.append)
        self.server.start()
        self.url = self.server.url
        self.device = self.new_device()

    def new_device(self) -> httpx.Client:
        return httpx.Client(base_url=self.url, headers={"Origin": self.url.rstrip("/")}, timeout=20)

    def enter(self, number: int, **what: Any) -> httpx.Response:
        """Send the entry of this number."""
        sent = {"id": f"abcdef-{number:016x}", "test_id": "BEDSIDE-1"} | what
        return self.device.post("entries", json=sent)

    def state(self, **query: Any) -> dict[str, Any]:
        answer = self.device.get("state", params=query)
        assert answer.status_code == 200, answer.text
        state: dict[str, Any] = answer.json()
        return state

    def end(self) -> None:
        self.device.close()
        self.server.end()


@pytest.fixture(scope="module")
def make_served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[[], Served]]:
    """One page for all tests of a module, where they leave it as it was."""
    made: list[Served] = []

    def make() -> Served:
        made.append(Served(Rehearsed(tmp_path_factory.mktemp("page") / "0.jsonl")))
        return made[-1]

    yield make
    for one in made:
        one.end()
        one.rehearsed.close()


@pytest.fixture
def serve(tmp_path: Path) -> Iterator[Callable[..., Served]]:
    """serve(protocol, share=, before=, **fields of test_opened): a page, and the test behind it."""
    made: list[Served] = []

    def start(
        protocol: dict[str, Any] | None = PROTOCOL, *, share: bool = False, before: Any = (), **opened: Any
    ) -> Served:
        rehearsed = Rehearsed(tmp_path / f"{len(made)}.jsonl", protocol, **opened)
        made.append(Served(rehearsed, before, share=share))
        return made[-1]

    yield start
    for one in made:
        one.end()
        one.rehearsed.close()
