"""What is shown of an invented test is the whole ladder over its journal, and all of it is sealed."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest

import pipeline.events as ev
from pipeline.archive import Archive
from pipeline.journal import Journal, iter_events
from pipeline.live import Manner
from pipeline.rehearsal import Rehearsal
from pipeline.rules import Rules, load_rules, shipped_rules
from pipeline.seal import seal_all
from pipeline.simulate import simulate_test, source_logs
from pipeline.tables import Tables

TYPED_S, LOGGED_S = 40.0, 0.3
"""From a first sound to its entry, and from a sample to its coming."""
SHORT = {"rest_minutes": 1.0, "stages": 2, "stage_minutes": 1.5, "recovery_minutes": 1.0, "rest_readings": 1}


class Shown:
    """One invented test that is rehearsed; every so often what is shown is compared with another ladder."""

    def __init__(self, root: Path, number: int, rules: Rules | None = None, **choices: Any) -> None:
        self.test = simulate_test(number, **SHORT | choices)
        opened, logs = source_logs(self.test)
        # stages come from the record
        opened |= {"mode": "live", "protocol": None, "test_id": "T", "study": "S", "participant": "P-01"}
        rules = rules or shipped_rules()
        self.folder = Archive(root).create("S", "T")
        self.journal = Journal.create(self.folder.journal)
        self.rehearsal = Rehearsal(
            ev.TestOpened(**opened, rules_digest=rules.digest, software="test"),
            self.journal, rules, Manner(follows=True), watched=False,
        )  # fmt: skip
        self.live = self.rehearsal.live
        self.reference, self._known = Tables(rules), 0
        self.ever: set[tuple[str, int]] = set()
        self.stops: set[tuple[str, int]] = set()
        self.acknowledged: dict[tuple[str, int], datetime] = {}
        self.checked = 0
        self._come = self._arrivals(logs)

    def _arrivals(self, logs: Any) -> list[tuple[float, ev.Event]]:
        come: list[tuple[float, int, ev.Event]] = []
        for index, part in enumerate(self.test.ridden):
            stage = part.stage.model_dump(
                include={"label", "phase", "position", "target_watts", "target_watts_to", "planned_s"}
            )
            given = {"event_time": self.test.at(part.started_s), "source": "recorder", "by": "schedule"}
            come.append((part.started_s, 1, ev.StageStarted(**given, **stage, stage_index=index)))
        for log in logs:
            come.append((0.0, 0, log.opened))
            shift_s = log.opened.clock_offset_s or 0.0
            for event in log.events:
                late_s = LOGGED_S if isinstance(event, ev.Sample) else TYPED_S
                at_s = (event.event_time - self.test.at(0)).total_seconds() + shift_s + late_s
                come.append((max(0.0, at_s), 2, event))
        return [(at_s, event) for at_s, _, event in sorted(come, key=lambda one: one[:2])]

    def follow(self, *, check_s: float) -> None:
        """To the end of the test, comparing at every entry and every `check_s` seconds."""
        next_s = check_s
        for at_s, event in self._come:
            while next_s < at_s:
                self.rehearsal.advance(next_s)
                self.compare()
                next_s += check_s
            self.rehearsal.advance(at_s)
            self.rehearsal.take(event)
            if not isinstance(event, ev.Sample):
                self.compare()
            if isinstance(event, ev.ReadingTaken):
                self.acknowledge()

    def acknowledge(self) -> None:
        """See the flag on top."""
        top = next((one for one in self.rehearsal.view.flags if not one.acknowledged), None)
        if top is not None:
            event = ev.FlagAcknowledged(
                event_time=self.rehearsal.clock.now(), source="console", code=top.code,
                target_seq=top.target_seq, by="AB-1",
            )  # fmt: skip
            self.rehearsal.take(event)
            self.acknowledged[top.code, top.target_seq] = event.event_time

    def compare(self) -> None:
        """What is shown against every relation run anew over what is in the journal."""
        self.rehearsal.look()
        events = list(iter_events(self.folder.journal))
        for event in events[self._known :]:
            self.reference.add(event)
        self._known = len(events)
        self.reference.set_end(self.rehearsal.clock.now(), events[-1].seq, closed=False)
        self.reference.run()
        rows = self.reference.rows("select * from flags where state <> 'withdrawn' and level <> 'note'")
        holding = {(row["code"], row["target_seq"]): row["level"] for row in rows}
        view = self.rehearsal.view
        shown = {(one.code, one.target_seq): one for one in view.flags}
        held = {key: one.level for key, one in shown.items() if one.flag is not None}
        assert held == holding, self.rehearsal.clock.elapsed()
        self.ever |= set(shown)
        self.stops |= {key for key, one in shown.items() if one.level == "stop"}
        # those of level stop stay until somebody has seen them
        assert {key for key in self.stops if key not in self.acknowledged} <= set(shown)
        self.checked += 1

    def sealed(self) -> list[dict[str, Any]]:
        """The flags of the test, closed and sealed."""
        self.live.end("completed", None, None)
        self.live.commit()
        self.journal.close()
        self.rehearsal.deriver.close()
        self.reference.close()
        assert [outcome.problem for outcome in seal_all([self.folder], None)] == [None]
        return list(pq.read_table(self.folder.parquet("flags")).to_pylist())


def test_what_is_shown_is_the_ladder_and_all_of_it_is_sealed(tmp_path: Path) -> None:
    one = Shown(tmp_path, 2, heart_rate_dropouts=2, heart_rate_hz=0.5, ergometer_offset_s=2.0)
    one.follow(check_s=150)
    assert one.checked > 10
    rows = one.sealed()
    assert {row["state"] for row in rows} <= {"holds", "withdrawn", "late"}
    told = {(row["code"], row["target_seq"]): row for row in rows if row["raised_at"] is not None}
    assert set(told) >= one.ever
    # whatever was not shown is a note, or came with the end
    assert {row["state"] for key, row in told.items()} <= {"holds", "withdrawn"}
    for key, moment in one.acknowledged.items():
        assert (told[key]["acknowledged_at"], told[key]["acknowledged_by"]) == (moment, "AB-1")


@pytest.fixture
def high(tmp_path: Path) -> Callable[[float], Any]:
    """(systolic, rules) -> a test with one reading at 100 s, what is shown of it, and its amendment."""

    class High:
        def __init__(self, k1: float, rules: Rules | None = None) -> None:
            self.one = Shown(tmp_path, 3, rules)
            self.one.rehearsal.advance(60)
            self.rehearsal = self.one.rehearsal
            stage = {"label": "50 W", "phase": "exercise", "position": "ergometer", "target_watts": 50.0}
            self.enter(ev.StageStarted, stage_index=0, by="operator", **stage)
            self.rehearsal.advance(100)
            self.seq = self.enter(ev.ReadingTaken, k1_mmhg=k1, k5_mmhg=80.0, measured_source="stated").seq

        def enter(self, kind: type[ev.Event], **fields: Any) -> ev.Event:
            now = self.rehearsal.clock.now()
            return self.rehearsal.take(kind(event_time=now, source="console", **fields))

        def amend(self, value: float | bool, field: str = "k1_mmhg") -> None:
            self.rehearsal.advance(self.rehearsal.clock.elapsed() + 5)
            given = {"field": field, "value": value, "reason": "typed wrong", "by": "AB-1"}
            self.enter(ev.Amended, target_seq=self.seq, **given)
            self.one.compare()

        def shown(self) -> tuple[str, bool, bool] | None:
            """Level, whether it was seen, whether it holds."""
            flags = {flag.code: flag for flag in self.rehearsal.view.flags if flag.target_seq == self.seq}
            flag = flags.get("systolic_high")
            return flag and (flag.level, flag.acknowledged, flag.flag is not None)

    return High


def test_a_flag_that_was_seen_must_be_seen_again_when_it_says_stop(high: Any, tmp_path: Path) -> None:
    # a caution where the shipped rules say stop; of a lower bound they still say stop, from 250 mmHg on
    (tmp_path / "rules.toml").write_text(
        '[[rule]]\ncode = "systolic_high"\nquantity = "k1"\nlevel = "caution"\n'
        'operator = ">"\nthreshold = 220\nunit = "mmHg"\nwords = "high"\nsource = "invented"\n'
    )
    test = high(260.0, load_rules(tmp_path / "rules.toml"))
    assert test.shown() == ("caution", False, True)
    test.enter(ev.FlagAcknowledged, code="systolic_high", target_seq=test.seq, by="AB-1")
    assert test.shown() == ("caution", True, True)
    test.amend(True, "k1_at_least")
    assert test.shown() == ("stop", False, True)
    [row] = [row for row in test.one.sealed() if row["code"] == "systolic_high"]
    assert (row["level"], row["acknowledged_at"], row["state"]) == ("stop", None, "holds")


def test_a_stop_that_no_longer_holds_is_shown_until_it_is_seen_and_sealed_as_withdrawn(high: Any) -> None:
    test = high(260.0)
    assert test.shown() == ("stop", False, True)
    test.amend(150.0)
    assert test.shown() == ("stop", False, False)
    test.rehearsal.advance(150)
    moment = test.rehearsal.clock.now()
    test.enter(ev.FlagAcknowledged, code="systolic_high", target_seq=test.seq, by="AB-1")
    test.one.acknowledged["systolic_high", test.seq] = moment
    assert test.shown() is None
    test.rehearsal.advance(160)
    test.one.compare()
    rows = {(row["code"], row["target_seq"]): row for row in test.one.sealed()}
    row = rows["systolic_high", test.seq]
    assert (row["state"], row["level"]) == ("withdrawn", "stop")
    assert (row["acknowledged_at"], row["acknowledged_by"]) == (moment, "AB-1")
    assert row["raised_at"] == test.one.test.at(100) + timedelta(0)
