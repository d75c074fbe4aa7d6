"""Flags while a test goes on: at every tick those of the whole ladder over the same events.

The reference is another set of tables that takes the same events and runs every relation anew.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import fields
from datetime import datetime, timedelta
from typing import Any

import pytest

from pipeline import events as ev
from pipeline.derived import Flag
from pipeline.deriver import Deriver
from pipeline.protocol import Limits
from pipeline.rules import shipped_rules
from pipeline.simulate import SimulatedTest, simulate_test, source_logs
from pipeline.tables import Tables

_RAISED = ("code", "level", "target_seq", "observed", "threshold")
TYPED_S = 45.0  # from the first sound to the entry


def arrivals(test: SimulatedTest, late_s: float, **opened: Any) -> list[tuple[float, ev.Event]]:
    """The events of an invented test as a recorder gets them: second of arrival and event."""
    fields, logs = source_logs(test)
    anchor = test.at(0)
    first = ev.TestOpened(**fields | {"mode": "live"} | opened, rules_digest="0" * 16, software="test")
    come: list[tuple[float, int, ev.Event]] = [(0.0, 0, first)]
    for index, part in enumerate(test.ridden):
        stage = part.stage
        started = ev.StageStarted(
            event_time=test.at(part.started_s), source="recorder", stage_index=index, label=stage.label,
            phase=stage.phase, position=stage.position, target_watts=stage.target_watts,
            planned_s=stage.planned_s, by="schedule")  # fmt: skip
        come.append((part.started_s, 2, started))
    for log in logs:
        come.append((0.0, 1, log.opened))
        shift_s = log.opened.clock_offset_s or 0.0
        for event in log.events:
            at_s = (event.event_time - anchor).total_seconds() + shift_s
            come.append((at_s + (late_s if isinstance(event, ev.Sample) else TYPED_S), 3, event))
    come.sort(key=lambda one: one[:2])
    return [(at_s, event) for at_s, _, event in come]


def keys(flags: Iterable[Flag]) -> set[tuple[str, int, str]]:
    return {(flag.code, flag.target_seq, flag.level) for flag in flags}


class Followed:
    """A test that goes on: ticks each second, derived after entries and where the watch says so.

    What is shown is journalled as flag_raised.  The reference takes the same events and runs the
    whole ladder anew; every `check_s` seconds and after every entry both must agree.
    """

    def __init__(self, come: list[tuple[float, ev.Event]]) -> None:
        self.ahead = list(come)
        self.anchor = come[0][1].event_time
        self.deriver, self.reference = Deriver(shipped_rules()), Tables(shipped_rules())
        self.seq = -1
        self.closed = False
        self.shown: set[tuple[str, int]] = set()
        self.seen: set[str] = set()
        self.checked_whole = 0

    def take(self, event: ev.Event, second: float) -> None:
        self.seq += 1
        event = event.model_copy(update={"seq": self.seq, "elapsed_s": max(0.0, second)})
        self.closed = self.closed or isinstance(event, ev.TestClosed)
        self.deriver.take(event)
        self.reference.add(event)

    def follow(self, from_s: int, to_s: int, check_s: int) -> None:
        derived = None
        for second in range(from_s, to_s + 1):
            now, entered = self.anchor + timedelta(seconds=second), False
            while self.ahead and self.ahead[0][0] <= second:
                event = self.ahead.pop(0)[1]
                self.take(event, second)
                entered = entered or not isinstance(event, ev.Sample)
            if self.deriver.watch(now, self.seq).differs or entered or derived is None:
                derived = self.deriver.derive(now, self.seq)
            if entered or second % check_s == 0:
                expected = self.expected(now)
                assert keys(derived.flags) == keys(expected), second
                if derived.as_of == derived.moving_as_of == now:
                    self.checked_whole += 1
                    assert set(derived.flags) == set(expected), second
            for flag in derived.flags:
                if (flag.code, flag.target_seq) not in self.shown:
                    self.shown.add((flag.code, flag.target_seq))
                    self.seen.add(flag.code)
                    told = {name: getattr(flag, name) for name in _RAISED}
                    raised = ev.FlagRaised(event_time=now, source="recorder", **told)
                    self.take(raised, second)

    def expected(self, now: datetime) -> list[Flag]:
        self.reference.set_end(now, self.seq, closed=self.closed)
        self.reference.run()
        names = [field.name for field in fields(Flag)]
        rows = self.reference.rows("select * from flags where state <> 'withdrawn'")
        return [Flag(**{name: row[name] for name in names}) for row in rows]

    def close(self) -> None:
        self.deriver.close()
        self.reference.close()


SHORT = {"rest_minutes": 0.5, "stages": 2, "stage_minutes": 1.0, "recovery_minutes": 0.5, "rest_readings": 1}


@pytest.mark.parametrize(
    ("number", "late_s", "choices"),
    [
        (2, 0.4, {"heart_rate_dropouts": 2}),
        # a clock that is ahead: some samples come with times that have not been yet
        (3, -1.5, {"heart_rate_hz": 0.5, "ergometer_offset_s": 2.0}),
    ],
)
def test_flags_of_an_invented_test_hold_at_every_tick(
    number: int, late_s: float, choices: dict[str, Any]
) -> None:
    test = simulate_test(number, **SHORT | choices)
    one = Followed(arrivals(test, late_s))
    # from shortly before the first load on; what was logged at rest comes at once
    load_s = next(part.started_s for part in test.ridden if part.stage.loaded)
    one.follow(int(load_s) - 15, int(test.ended_s) + 5, check_s=30)
    assert one.checked_whole > 3
    one.close()


EVENTFUL = {"load_off_target", "load_gap", "heart_rate_gap", "few_loads"}
EVENTFUL |= {"protocol_limit", "limit_not_judged", "pressure_unwatched"}


def eventful(invented: Any) -> list[tuple[float, ev.Event]]:
    """Wrong loads, silences and limits, each of which comes or goes at a moment of its own."""
    test = invented(mode="live", age_years=40.0, limits=Limits(heart_rate_bpm=150.0, minutes=5.0))
    test.source()
    test.stage(0, "rest")
    test.taken(20, 120, 80)
    test.stage(60, "exercise", 50.0, planned_s=120.0)
    test.stage(180, "exercise", 100.0, planned_s=300.0)
    test.stage(490, "recovery")
    # 25 W too much until 100 s, then as planned: the mean comes back within 10 W before 120 s
    test.log(60, 100, watts=75.0, heart_rate_bpm=100.0)
    test.log(100, 180, watts=50.0, heart_rate_bpm=110.0)
    # a silence of 40 s, and one of heart rate alone; 160 bpm for 25 s
    test.log(220, 250, watts=100.0, heart_rate_bpm=120.0)
    test.log(250, 290, watts=100.0)
    test.log(290, 315, watts=100.0, heart_rate_bpm=160.0)
    test.log(315, 500, watts=30.0, heart_rate_bpm=120.0)
    test.close(500)
    return [((event.event_time - test.at(0)).total_seconds(), event) for event in test.events]


def test_flags_about_time_and_load_come_and_go_with_the_watch(invented: Any) -> None:
    come = [
        (at_s + (40 if event.kind == "reading_taken" else 0), event) for at_s, event in eventful(invented)
    ]
    come.sort(key=lambda one: one[0])
    one = Followed(come)
    one.follow(55, 502, check_s=60)
    assert one.seen >= EVENTFUL
    # whatever was shown is in the flags of the closed test, as one that holds or one that was withdrawn
    one.expected(one.anchor + timedelta(seconds=502))
    rows = one.reference.rows("select code, target_seq, state from flags")
    assert {(row["code"], row["target_seq"]) for row in rows} == one.shown
    assert {row["state"] for row in rows} == {"holds", "withdrawn"}
    one.close()
