"""A recorded test recorded again: the same where nothing is changed, and what changes where something is."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

import pipeline.events as ev
from pipeline.amend import amend
from pipeline.archive import Archive, Disk, TestFolder
from pipeline.compared import record_side, replay_side
from pipeline.control import Hold, Stop
from pipeline.difference import Difference, differences
from pipeline.errors import UsageError
from pipeline.join import JoinOrder, join
from pipeline.journal import Journal, iter_events, read_journal
from pipeline.live import Manner
from pipeline.protocol import Protocol, parse_protocol
from pipeline.rehearsal import Rehearsal
from pipeline.replay import Changes, Replayed, replay, with_readings_of
from pipeline.rules import Rules, load_rules, shipped_rules
from pipeline.simulate import source_logs

ANCHOR = datetime(2026, 3, 14, 9, 0, tzinfo=UTC)
# 3 min of rest, 50 and 100 W for 3 min each, 4 min of recovery
STAGES: dict[str, Any] = {
    "stage": [
        {"phase": "rest", "minutes": 3, "wait_s": 30, "readings": 1},
        {"phase": "recovery", "minutes": 4},
    ],
    "repeat": [{"start": 50, "step": 50, "minutes": 3, "until": 100}],
}


class Live:
    """A live test that is rehearsed."""

    def __init__(self, root: Path, **opened: Any) -> None:
        self.folder = Archive(root).create("S", "T")
        self.journal = Journal.create(self.folder.journal, Disk(fsync=lambda descriptor: None))
        fields: dict[str, Any] = {
            "event_time": ANCHOR,
            "source": "setup",
            "mode": "live",
            "anchor": ANCHOR,
            "test_id": "T",
            "study": "S",
            "participant": "P-01",
            "protocol": parse_protocol(STAGES, "test"),
            "rules_digest": shipped_rules().digest,
            "software": "test",
        }
        rules, manner = shipped_rules(), Manner(start="now")
        self.rehearsal = Rehearsal(
            ev.TestOpened(**fields | opened), self.journal, rules, manner, watched=False
        )
        measures, ranks = "watts,heart_rate_bpm", "watts=1,heart_rate_bpm=1"
        self.take(ev.SourceOpened, 0, source="bike", name="bike", adapter="t", measures=measures, ranks=ranks)
        self.logged_s = 0

    def take(self, kind: type[ev.Event], at_s: float, **fields: Any) -> ev.Event:
        self.rehearsal.advance(at_s)
        now = ANCHOR + timedelta(seconds=at_s)
        return self.rehearsal.take(kind(**{"event_time": now, "source": "console"} | fields))

    def ride(self, to_s: int, watts: float, heart_rate_bpm: float) -> None:
        """A sample every 5 s."""
        for at_s in range(self.logged_s + 5, to_s + 1, 5):
            self.take(ev.Sample, at_s, source="bike", watts=watts, heart_rate_bpm=heart_rate_bpm)
        self.logged_s = to_s

    def done(self, until_s: float) -> TestFolder:
        self.rehearsal.advance(until_s)
        assert self.rehearsal.live.closed is not None
        self.rehearsal.deriver.close()
        self.journal.close()
        return self.folder


def compared(
    folder: TestFolder, scratch: Path, rules: Rules | None = None, protocol: Protocol | None = None
) -> tuple[Replayed, list[Difference]]:
    """The replay of a test, and what differs."""
    chosen = rules or shipped_rules()
    done = replay(folder, Archive(scratch / "again"), Changes(chosen, "test", protocol))
    again = replay_side(done.folder, chosen, done.recorded)
    return done, differences(record_side(folder, scratch / "record"), again)


def said(folder: TestFolder) -> list[tuple[Any, ...]]:
    """Every line with its fields, without the snapshot a prompt was planned from and the chain."""
    return [
        tuple(event.model_dump(exclude={"snapshot_seq", "observed"}).items())
        for event in iter_events(folder.journal)
    ]


@pytest.fixture(scope="module")
def eventful(tmp_path_factory: pytest.TempPathFactory) -> TestFolder:
    """Entries of all kinds, an operator who holds and stops, a limit that is crossed, a correction."""
    live = Live(
        tmp_path_factory.mktemp("live"),
        age_years=40.0,
        limits={"heart_rate_bpm": 120.0},
        people=2,
    )
    live.ride(110, 0, 70)
    live.take(ev.ReadingTaken, 112, k1_mmhg=124.0, k5_mmhg=78.0, measured_source="estimated", arm="left")
    live.take(ev.ExertionRated, 115, rpe=6.0, rpe_scale="6-20")
    live.ride(200, 50, 95)
    live.take(ev.SymptomNoted, 202, code="dizzy", severity=1)
    live.take(ev.NoteWritten, 210, text="saddle set anew")
    live.ride(330, 50, 95)
    live.rehearsal.advance(340)
    live.rehearsal.ask(Hold(20))
    live.ride(375, 50, 98)
    first = live.take(
        ev.ReadingTaken, 382, k1_mmhg=150.0, k5_mmhg=80.0, measured_source="estimated", inflated_to_mmhg=200.0
    )
    live.take(
        ev.ReadingTaken,
        384,
        k1_mmhg=152.0,
        k5_mmhg=82.0,
        measured_source="estimated",
        role="second",
        observer="AB-2",
    )
    live.ride(430, 100, 128)
    live.rehearsal.advance(432)
    live.rehearsal.look()  # the watch sees the limit in mid-stage
    live.ride(450, 100, 128)
    live.take(
        ev.FlagAcknowledged, 452, code="protocol_limit", target_seq=live.rehearsal.live.recorder.last_seq
    )
    live.ride(480, 100, 128)
    live.rehearsal.advance(487.5)
    live.rehearsal.ask(Stop("participant_wish", "participant"))
    live.take(ev.ReadingMissed, 530, attempted=True, reason="not_heard")
    live.ride(560, 10, 105)
    folder = live.done(1200)
    assert first.seq is not None
    amend(
        folder, first.seq, {"k1_mmhg": 148.0}, reason="typed 150", by="AB-1", now=ANCHOR + timedelta(hours=2)
    )
    return folder


def test_an_eventful_live_test_comes_out_as_it_was(eventful: TestFolder, tmp_path: Path) -> None:
    kinds = {event.kind for event in read_journal(eventful.journal).events}
    assert {"flag_raised", "stage_extended", "prompt_superseded", "amended", "reading_missed"} <= kinds
    done, found = compared(eventful, tmp_path)
    assert (found, done.left_out) == ([], [])
    assert said(done.folder) == said(eventful)


def _in_order(test: Any, logs: list[ev.SourceLog]) -> list[tuple[float, ev.Event]]:
    """What the sources give, by the second at which it comes: an entry 40 s after its first sound."""
    coming: list[tuple[float, ev.Event]] = []
    for log in logs:
        coming.append((0.0, log.opened))
        for event in log.events[::5] if isinstance(log.events[0], ev.Sample) else log.events:
            late_s = log.opened.clock_offset_s if isinstance(event, ev.Sample) else 0.0
            late_s += 40 if isinstance(event, ev.ReadingTaken) else 0
            coming.append((max(0.0, (event.event_time - test.at(0)).total_seconds() + late_s), event))
    return sorted(coming, key=lambda pair: pair[0])


def test_an_invented_live_test_comes_out_as_it_was(short_test: Callable[..., Any], tmp_path: Path) -> None:
    test = short_test(4, rest_minutes=7.0, stages=2)
    fields, logs = source_logs(test)
    live = Live(tmp_path / "live", **fields | {"mode": "live"} | {"test_id": "T", "study": "S"})
    coming = _in_order(test, logs)
    for at_s, event in coming:
        live.rehearsal.advance(at_s)
        if live.rehearsal.live.closed is None:
            live.rehearsal.take(event)
    folder = live.done(coming[-1][0] + 3600)
    assert any(event.kind == "reading_due" for event in read_journal(folder.journal).events)
    done, found = compared(folder, tmp_path)
    assert found == []
    assert said(done.folder) == said(folder)


def test_a_joined_test_comes_out_as_it_was(short_test: Callable[..., Any], tmp_path: Path) -> None:
    fields, logs = source_logs(short_test(5))
    opened = ev.TestOpened(**fields | {"rules_digest": shipped_rules().digest, "software": "test"})
    folder = join(JoinOrder(opened, logs), Archive(tmp_path / "archive"), shipped_rules())
    done, found = compared(folder, tmp_path)
    assert found == []
    assert said(done.folder) == said(folder)


def test_what_came_after_a_crash_comes_after_the_gap(tmp_path: Path) -> None:
    rest = STAGES["stage"][0] | {"wait_s": 130}
    live = Live(tmp_path / "live", protocol=parse_protocol({"stage": [rest]}, "test"))
    live.ride(90, 0, 70)
    live.rehearsal.deriver.close()
    live.journal.close()
    with Journal.reopen(live.folder.journal) as journal:
        given: dict[str, Any] = {
            "gap_s": 70.0,
            "anchor": ANCHOR,
            "software": "test",
            "rules_digest": "0" * 16,
        }
        at: dict[str, Any] = {"elapsed_s": 160.0, "event_time": ANCHOR + timedelta(seconds=160)}
        journal.append([ev.TestResumed(seq=journal.next_seq, source="recorder", **at, **given)])
        journal.sync()
    done, _ = compared(live.folder, tmp_path)
    after = [
        (one.kind, one.elapsed_s) for one in iter_events(done.folder.journal) if (one.elapsed_s or 0) > 90
    ]
    # stand-by was at 130 - 20 = 110 s, in the gap: it is asked for late, when the test goes on
    assert after == [("test_resumed", 160.0), ("reading_due", 160.0), ("prompt_late", 160.0)]


def test_other_rules_raise_other_flags_and_make_other_measures(eventful: TestFolder, tmp_path: Path) -> None:
    lab = tmp_path / "lab.toml"
    lab.write_text(
        '[settings]\nmap_method = "half"\n'
        '[[rule]]\ncode = "systolic_high"\nquantity = "k1"\nthreshold = 140\n'
    )
    _, found = compared(eventful, tmp_path, load_rules(lab))
    flags = [(one.change, one.name, one.after) for one in found if one.what == "flag"]
    assert ("new", "systolic_high", "stop, holds") in flags
    means = [(one.before, one.after) for one in found if one.name == "map_mmhg" and one.what == "reading"]
    # 124/78: a third of 46 above 78, a half of 46 above 78
    assert means[0] == (pytest.approx(78 + 46 / 3), 101.0)
    assert not [one for one in found if one.what == "prompt"]


def test_another_plan_of_readings_moves_prompts_and_no_load(eventful: TestFolder, tmp_path: Path) -> None:
    plan = parse_protocol(
        {
            "stage": [STAGES["stage"][0], {"phase": "recovery", "minutes": 4, "reading_at_s": [120]}],
            "repeat": [STAGES["repeat"][0] | {"reading": "none"}],
        },
        "plan",
    )
    _, found = compared(eventful, tmp_path, protocol=plan)
    prompts = [(one.change, one.about) for one in found if one.what == "prompt" and one.name == "cuff_up_s"]
    assert ("gone", "50 W, stage end") in prompts
    assert ("new", "recovery, mark") in prompts
    assert not [one for one in found if one.what == "stage"]


def test_a_correction_of_what_is_no_longer_there_is_left_out(eventful: TestFolder, tmp_path: Path) -> None:
    [miss] = [
        event
        for event in read_journal(eventful.journal).events
        if isinstance(event, ev.ReadingMissed) and event.source == "prompts"
    ][:1]
    copy = Archive(tmp_path / "copy").create("S", "T")
    copy.journal.write_bytes(eventful.journal.read_bytes())
    amend(
        copy,
        miss.seq or 0,
        {"reason": "arm_moved"},
        reason="seen",
        by="AB-1",
        now=ANCHOR + timedelta(hours=3),
    )
    plan = parse_protocol(
        {
            "stage": [STAGES["stage"][0], {"phase": "recovery", "minutes": 4, "reading": "none"}],
            "repeat": [STAGES["repeat"][0] | {"reading": "none"}],
        },
        "plan",
    )
    done, _ = compared(copy, tmp_path, protocol=plan)
    assert len(done.left_out) == 1
    assert f"corrects reason of line {miss.seq}, which is not there now" in done.left_out[0]


def test_a_protocol_with_other_stages_is_refused() -> None:
    recorded = parse_protocol(STAGES, "test")
    longer = parse_protocol(
        {**STAGES, "repeat": [{"start": 50, "step": 50, "minutes": 3, "until": 150}]}, "plan"
    )
    with pytest.raises(UsageError, match="the protocol has 5 stages, the record has 4"):
        with_readings_of(longer, recorded)
    slower = parse_protocol(
        {**STAGES, "repeat": [{"start": 50, "step": 50, "minutes": 4, "until": 100}]}, "plan"
    )
    with pytest.raises(UsageError, match=r"stage 2 has planned_s = 240\.0, in the record '50 W' has 180\.0"):
        with_readings_of(slower, recorded)
    with pytest.raises(UsageError, match="recorded without a protocol"):
        with_readings_of(recorded, None)
