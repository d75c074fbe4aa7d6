"""Invented tests written event by event, and many of them derived in one pass.

Times are seconds since the anchor, loads W, pressures mmHg.  What is not said is not in the
journal, so that each test shows what its expected value comes from.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from pipeline import events as ev
from pipeline.archive import Archive, TestFolder
from pipeline.executors import inline
from pipeline.rules import Rules, shipped_rules
from pipeline.seal_run import seal_archive
from pipeline.tables import LoadedJournal, Tables

ANCHOR = datetime(2026, 3, 14, 9, tzinfo=UTC)


class Invented:
    """One test being written; every method gives the seq of what it added."""

    def __init__(self, **opened: Any) -> None:
        self.events: list[ev.Event] = []
        self.stages = 0
        self.end_s = 0.0
        usual = {"mode": "join", "anchor": ANCHOR, "test_id": "T", "study": "S", "participant": "P-01"}
        usual |= {"rules_digest": "0" * 16, "software": "invented"}
        self.add(ev.TestOpened, 0, **usual | opened)

    def add(self, kind: type[ev.Event], at_s: float, **fields: Any) -> int:
        seq = len(self.events)
        given = {"source": "invented", "elapsed_s": max(0.0, at_s)} | fields
        self.events.append(kind(seq=seq, event_time=self.at(at_s), **given))
        self.end_s = max(self.end_s, at_s)
        return seq

    def at(self, at_s: float) -> datetime:
        return ANCHOR + timedelta(seconds=at_s)

    def source(self, name: str = "bike", **fields: Any) -> int:
        usual = {"adapter": "csv", "ranks": "watts=1,cadence_rpm=1,heart_rate_bpm=1"}
        return self.add(ev.SourceOpened, 0, name=name, **usual | fields)

    def log(
        self, from_s: float, to_s: float, every_s: float = 1.0, source: str = "bike", **measures: Any
    ) -> None:
        """A sample every `every_s` in (from_s, to_s]; a measure is a number or a function of the time."""
        for step in range(1, int((to_s - from_s) / every_s + 1e-9) + 1):
            at_s = from_s + step * every_s
            now = {name: one(at_s) if callable(one) else one for name, one in measures.items()}
            self.add(ev.Sample, at_s, source=source, elapsed_s=None, **now)

    def stage(
        self, start_s: float, phase: str = "exercise", watts: float | None = None, **fields: Any
    ) -> int:
        index = self.stages
        self.stages += 1
        usual = {"label": f"{phase} {index}", "position": "seated" if phase == "rest" else "ergometer"}
        usual |= {"stage_index": index, "phase": phase, "target_watts": watts, "by": "schedule"}
        return self.add(ev.StageStarted, start_s, **usual | fields)

    def rest_and_loads(self, *loads: float, rest_s: float = 600, load_s: float = 180) -> None:
        """Seated rest from 0, then the loads one after another, then recovery; nothing logged."""
        self.stage(0, "rest")
        for n, watts in enumerate(loads):
            self.stage(rest_s + n * load_s, watts=watts)
        self.stage(rest_s + len(loads) * load_s, "recovery")

    def due(self, index: int, cuff_up_s: float, first_s: float, closes_s: float, **fields: Any) -> int:
        usual = {"listen_to_mmhg": 40.0, "expected_sbp_mmhg": 140.0, "aims_at": "stage_end", "fits": "whole"}
        usual |= {"snapshot_seq": 0, "by": "live"}
        moments = {"cuff_up": cuff_up_s, "first_sound_due": first_s, "window_closes": closes_s}
        usual |= {name: self.at(at_s) for name, at_s in moments.items()}
        usual["stand_by"] = self.at(cuff_up_s - 20)
        return self.add(ev.ReadingDue, cuff_up_s - 20, stage_index=index, **usual | fields)

    def taken(self, at_s: float, k1: float | None = 140.0, k5: float | None = None, **fields: Any) -> int:
        usual: dict[str, Any] = {"measured_source": "marked", "elapsed_s": at_s + 40}
        return self.add(ev.ReadingTaken, at_s, k1_mmhg=k1, k5_mmhg=k5, **usual | fields)

    def missed(self, at_s: float, **fields: Any) -> int:
        return self.add(ev.ReadingMissed, at_s, **{"attempted": False, "reason": "not_heard"} | fields)

    def amend(self, target: int, field: str, value: Any) -> int:
        return self.add(ev.Amended, self.end_s, target_seq=target, field=field, value=value,
                        reason="wrong", by="OB-1")  # fmt: skip

    def close(self, at_s: float | None = None, **fields: Any) -> int:
        return self.add(
            ev.TestClosed,
            self.end_s if at_s is None else at_s,
            **{"outcome": "completed", "counts": {}} | fields,
        )

    def journal(self, test_id: str) -> LoadedJournal:
        """The whole test under another name, ending with its last line."""
        opened = self.events[0].model_copy(update={"test_id": test_id})
        return LoadedJournal(
            study="S",
            test_id=test_id,
            path=Path(test_id),
            data=None,
            events=[opened, *self.events[1:]],
            samples=0,
            chain="0" * 16,
            closed=isinstance(self.events[-1], ev.TestClosed),
            as_of=self.at(self.end_s),
            last_seq=len(self.events) - 1,
        )


class Derived:
    """Many invented tests after one run of the ladder, asked by the name of the test."""

    def __init__(self, tables: Tables) -> None:
        self._tables = tables

    def rows(self, relation: str, name: str, order: str = "1") -> list[dict[str, Any]]:
        return self._tables.rows(
            f"select * from {relation} where test_id = $name order by {order}", name=name
        )

    def readings(self, name: str) -> list[dict[str, Any]]:
        return self.rows("measures", name, "reading_id")

    def last(self, name: str) -> dict[str, Any]:
        return self.readings(name)[-1]

    def summary(self, name: str) -> dict[str, Any]:
        [row] = self.rows("summary", name)
        return row

    def flags(self, name: str, code: str | None = None) -> list[dict[str, Any]]:
        rows = self.rows("flags", name, "target_seq, code")
        return [row for row in rows if code in (None, row["code"])]


def _derive(cases: Mapping[str, Invented], rules: Rules | None = None) -> Derived:
    tables = Tables(rules or shipped_rules())
    tables.load([invented.journal(name) for name, invented in cases.items()])
    tables.run()
    return Derived(tables)


@pytest.fixture(scope="session")
def invented() -> type[Invented]:
    """The builder of one test: `invented(**fields of test_opened)`."""
    return Invented


@pytest.fixture(scope="module")
def derive() -> Iterator[Callable[..., Derived]]:
    """(name -> Invented, rules) -> Derived, closed at the end of the module."""
    made: list[Derived] = []

    def make(cases: Mapping[str, Invented], rules: Rules | None = None) -> Derived:
        made.append(_derive(cases, rules))
        return made[-1]

    yield make
    for derived in made:
        derived._tables.close()


@pytest.fixture
def alone(derive: Callable[..., Derived]) -> Callable[..., Derived]:
    """(one Invented, rules) -> Derived; its name is T."""
    return lambda one, rules=None: derive({"T": one}, rules)


@pytest.fixture(scope="session")
def small_archive(
    tmp_path_factory: pytest.TempPathFactory,
    short_test: Callable[..., Any],
    timed_events: Callable[..., Any],
    numbered: Callable[..., Any],
    closed: Callable[..., Any],
    write_journal: Callable[..., TestFolder],
) -> Path:
    """Three small tests in two studies, sealed and gathered, under a path with quotes; not to be changed."""
    archive = Archive(tmp_path_factory.mktemp('it\'s "an" archive'))
    for number in range(3):
        slow = {"ergometer_hz": 0.1, "heart_rate_hz": 0.1}
        test = short_test(number, study=f"S-{number % 2}", test_id=f"T{number}", **slow)
        write_journal(archive, closed(numbered(timed_events(test)), test.ended_s))
    for outcome in seal_archive(archive.root, list(archive.tests()), inline()):
        assert outcome.problem is None
    return archive.root
