"""Joining as a whole: all of a test or nothing, the same bytes again, how it ended."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from pipeline import events as ev
from pipeline.archive import Archive, Disk
from pipeline.errors import ArchiveError, InputError, JournalExists
from pipeline.events import SourceLog
from pipeline.join import JoinOrder, join
from pipeline.journal import read_journal
from pipeline.protocol import Protocol, Stage
from pipeline.rules import rules_text, shipped_rules

ANCHOR = datetime(2026, 3, 14, 9, tzinfo=UTC)


def at(second: float) -> datetime:
    return ANCHOR + timedelta(seconds=second)


def stage(label: str, phase: Any, planned_s: float, watts: float | None = None, **fields: Any) -> Stage:
    usual = {"position": "seated" if phase == "rest" else "ergometer", "reading": "none"}
    return Stage(label=label, phase=phase, planned_s=planned_s, target_watts=watts, **usual | fields)


# 0 to 60 to 180 to 300 to 360 s; nothing is planned, so the ladder is not asked
PROTOCOL = Protocol(
    name="short",
    stages=(
        stage("rest", "rest", 60),
        stage("50 W", "exercise", 120, 50.0),
        stage("100 W", "exercise", 120, 100.0),
        stage("recovery", "recovery", 60),
    ),
)
PROMPTED = Protocol(
    name="prompted",
    stages=(stage("rest", "rest", 60), stage("50 W", "exercise", 180, 50.0, reading="end")),
)


def watts_at(second: float, stopped_s: float) -> float:
    if second < 60 or second >= stopped_s:
        return 0.0
    return 50.0 if second < 180 else 100.0


def bike(to_s: int = 360, stopped_s: float = 300) -> SourceLog:
    opened = ev.SourceOpened(event_time=ANCHOR, source="bike", name="bike", adapter="test", ranks="watts=1")
    return SourceLog(
        opened=opened,
        events=[
            ev.Sample(event_time=at(s), source="bike", watts=watts_at(s, stopped_s), heart_rate_bpm=90.0)
            for s in range(0, to_s + 1, 5)
        ],
    )


def sheet(*readings: tuple[float, float], **fields: Any) -> SourceLog:
    opened = ev.SourceOpened(event_time=ANCHOR, source="sheet", name="sheet", adapter="test")
    given = {"measured_source": "stated", "k5_mmhg": 80.0} | fields
    return SourceLog(
        opened=opened,
        events=[ev.ReadingTaken(event_time=at(s), source="sheet", k1_mmhg=k1, **given) for s, k1 in readings],
    )


def order(
    sources: Sequence[SourceLog] | None = None, protocol: Protocol | None = PROTOCOL, **fields: Any
) -> JoinOrder:
    opened = ev.TestOpened(
        event_time=ANCHOR,
        source="setup",
        mode="join",
        anchor=ANCHOR,
        test_id="T",
        study="S",
        participant="P-01",
        protocol=protocol,
        rules_digest=shipped_rules().digest,
        software="test",
    )
    return JoinOrder(opened=opened, sources=[bike()] if sources is None else sources, **fields)


@pytest.fixture
def joined(tmp_path: Path) -> Callable[..., tuple[Any, ...]]:
    """Join an order into an archive of its own and give the events but the samples."""
    places = iter(tmp_path / str(n) for n in range(9))
    return lambda one: read_journal(join(one, Archive(next(places)), shipped_rules()).journal).events


def test_everything_is_in_the_journal_once_and_in_order(tmp_path: Path) -> None:
    one = order([bike(), sheet((150, 140), (30, 120))], setup_text="[test]", rules_text="[settings]")
    seen: list[float] = []

    def watched(coming: Sequence[tuple[float, ev.Event]]) -> Any:
        for elapsed_s, event in coming:
            seen.append(elapsed_s)
            yield elapsed_s, event

    folder = join(one, Archive(tmp_path), shipped_rules(), watched)
    assert (folder.setup.read_text(), folder.rules.read_text()) == ("[test]", "[settings]")
    journal = read_journal(folder.journal)
    # 73 samples from 0 to 360 s by 5 s; 2 sources, 4 stages, 2 readings
    assert journal.counts == {
        "test_opened": 1,
        "source_opened": 2,
        "stage_started": 4,
        "sample": 73,
        "reading_taken": 2,
        "test_closed": 1,
    }
    assert seen == sorted(seen)
    assert len(seen) == 2 + 4 + 73 + 2
    taken = [event for event in journal.events if isinstance(event, ev.ReadingTaken)]
    assert [(event.elapsed_s, event.k1_mmhg) for event in taken] == [(30, 120), (150, 140)]
    end = journal.end
    assert end is not None
    assert (end.event_time, end.elapsed_s) == (at(360), 360)
    assert end.counts == {kind: n for kind, n in journal.counts.items() if kind != "test_closed"}


def test_the_same_sources_give_the_same_bytes(tmp_path: Path) -> None:
    one = order([sheet((150, 140), (30, 120)), bike()], PROMPTED)
    first, second = (join(one, Archive(tmp_path / name), shipped_rules()) for name in ("a", "b"))
    assert first.journal.read_bytes() == second.journal.read_bytes()


def test_a_reading_after_the_end_is_the_last_line_but_one(joined: Callable[..., tuple[Any, ...]]) -> None:
    events = joined(order([bike(), sheet((500, 140))]))
    assert isinstance(events[-2], ev.ReadingTaken)
    # the test ended when its stages did, the journal when the last entry was taken
    assert (events[-1].event_time, events[-1].elapsed_s) == (at(360), 500)


def test_a_planned_reading_is_asked_for_and_answered(joined: Callable[..., tuple[Any, ...]]) -> None:
    events = joined(order([bike(), sheet((205, 140))], PROMPTED))
    [due] = [event for event in events if isinstance(event, ev.ReadingDue)]
    [taken] = [event for event in events if isinstance(event, ev.ReadingTaken)]
    assert (due.by, due.aims_at, due.stage_index) == ("planned", "stage_end", 1)
    assert taken.due_seq == due.seq
    assert not [event for event in events if isinstance(event, ev.ReadingMissed)]


@pytest.mark.parametrize(
    ("fields", "log", "expected"),
    [
        ({}, bike(), ("completed", "protocol_complete")),
        # the schedule goes on to 300 s, the load ended at 250 s: over the last 30 s its mean is zero
        ({}, bike(stopped_s=250), ("stopped", None)),
        # of the last 30 s 10 s were ridden at 100 W: 2 of 6 samples, 33 W, under half of 100
        ({}, bike(stopped_s=285), ("stopped", None)),
        # 5 of 6 samples
        ({}, bike(stopped_s=300), ("completed", "protocol_complete")),
        ({}, bike(to_s=200), ("stopped", None)),
        # recovery was noted 30 s early
        ({"starts": {3: at(270)}}, bike(), ("stopped", None)),
        ({"starts": {3: at(180)}}, bike(), ("stopped", None)),
        ({"end_reason": "exhaustion"}, bike(), ("stopped", "exhaustion")),
        ({"end_reason": "protocol_complete"}, bike(stopped_s=250), ("completed", "protocol_complete")),
    ],
)
def test_how_it_ended_is_noted_or_seen_in_the_load(
    fields: Any, log: SourceLog, expected: Any, joined: Callable[..., tuple[Any, ...]]
) -> None:
    end = joined(order([log], **fields))[-1]
    assert (end.outcome, end.reason) == expected


def test_without_a_log_or_a_protocol_nothing_speaks_against_its_end(
    joined: Callable[..., tuple[Any, ...]],
) -> None:
    end = joined(order([sheet((150, 140))]))[-1]
    assert (end.outcome, end.reason) == ("completed", "protocol_complete")
    end = joined(order(protocol=None))[-1]
    assert (end.outcome, end.reason) == ("completed", None)


def test_what_says_no_stages_is_refused(tmp_path: Path) -> None:
    archive = Archive(tmp_path / "archive")
    by_load = PROTOCOL.model_copy(update={"stage_from": "load"})
    for one in (order([sheet((30, 120))], None), order([sheet((30, 120))], by_load)):
        with pytest.raises(InputError, match=r"nothing says when stages began.*add \[protocol\]"):
            join(one, archive, shipped_rules())
    assert not archive.root.exists()


def test_an_existing_test_is_refused_before_any_work(tmp_path: Path) -> None:
    archive = Archive(tmp_path)
    folder = join(order(), archive, shipped_rules())
    before = folder.journal.read_bytes()
    with pytest.raises(JournalExists, match="T of study S is there already"):
        join(order([sheet((30, 120))]), archive, shipped_rules())
    assert folder.journal.read_bytes() == before


def full(_: int, data: bytes) -> int:
    raise OSError(28, "No space left on device")


def broken(_: int) -> None:
    raise OSError(5, "Input/output error")


# writes: setup, rules, then the lines in two blocks (all that was recorded, the end); syncs: two new
# folders, setup and rules each with its folder, the journal
# with its folder, the draft, its new name
NEEDED = {"write": 4, "fsync": 10}


class Late:
    """Works for a while and then fails."""

    def __init__(self, works: int, then: Callable[..., Any], usual: Callable[..., Any]) -> None:
        self.left, self.then, self.usual = works, then, usual

    def __call__(self, *given: Any) -> Any:
        self.left -= 1
        return (self.usual if self.left >= 0 else self.then)(*given)


@pytest.mark.parametrize("works", range(11))
@pytest.mark.parametrize("call", ["write", "fsync"])
def test_a_disk_that_refuses_at_any_point_leaves_nothing(call: str, works: int, tmp_path: Path) -> None:
    usual = Disk()
    fails = {"write": full, "fsync": broken}[call]
    disk = Disk(**{call: Late(works, fails, getattr(usual, call))})
    archive = Archive(tmp_path / "archive")
    one = order(setup_text="[test]", rules_text="[settings]")
    if works < NEEDED[call]:
        with pytest.raises(ArchiveError, match=r"archive/study=S/test=T\S*: cannot be written"):
            join(one, archive, shipped_rules(), disk=disk)
        assert list(tmp_path.rglob("*")) == []
        disk = usual
    folder = join(one, archive, shipped_rules(), disk=disk)
    assert read_journal(folder.journal).closed
    assert sorted(path.name for path in folder.path.iterdir()) == [
        "journal.jsonl",
        "rules.toml",
        "setup.toml",
    ]


def test_a_failure_of_the_recorder_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: Any) -> Any:
        raise RuntimeError("of all things")

    with monkeypatch.context() as patched:
        patched.setattr("pipeline.recorder.Recorder.close", fail)
        with pytest.raises(RuntimeError):
            join(order(), Archive(tmp_path / "archive"), shipped_rules())
    assert list(tmp_path.iterdir()) == []


def test_the_text_of_a_rules_file_is_kept_as_it_is(tmp_path: Path) -> None:
    (tmp_path / "lab.toml").write_text("# ours: µ\n", encoding="utf-8")
    assert rules_text(tmp_path / "lab.toml") == "# ours: µ\n"
