"""Pipeline time against injected wall, steady and monotonic clocks; nothing here waits."""

from __future__ import annotations

import time
from datetime import UTC, date, datetime, timedelta, timezone

import pytest
from freezegun import freeze_time

from pipeline.clock import (
    Clock,
    ClockStep,
    PipelineClock,
    ReplayClock,
    monotonic_s,
    pipeline_time,
    steady_s,
    today,
    wall_now,
)

NINE = datetime(2025, 3, 4, 9, 0, tzinfo=UTC)


class Machine:
    """A machine whose clocks are moved by hand."""

    def __init__(self) -> None:
        self.wall = NINE
        self.boottime_s = 1000.0
        self.monotonic_s = 400.0  # it slept for 600 s before the test
        self.look_takes_s = 0.0

    def run(self, seconds: float) -> None:
        self.wall += timedelta(seconds=seconds)
        self.boottime_s += seconds
        self.monotonic_s += seconds

    def sleep(self, seconds: float) -> None:
        self.wall += timedelta(seconds=seconds)
        self.boottime_s += seconds

    def step_wall(self, seconds: float) -> None:
        self.wall += timedelta(seconds=seconds)

    def look_at_wall(self) -> datetime:
        self.run(self.look_takes_s)
        return self.wall

    def sources(self) -> dict[str, object]:
        return {
            "wall": self.look_at_wall,
            "steady": lambda: self.boottime_s,
            "monotonic": lambda: self.monotonic_s,
        }

    def clock(self) -> PipelineClock:
        return PipelineClock(**self.sources())

    def resumed(self, last_elapsed_s: float, anchor: datetime = NINE) -> PipelineClock:
        return PipelineClock.resumed(anchor, last_elapsed_s, **self.sources())


def test_pipeline_time_is_anchor_plus_elapsed():
    machine = Machine()
    clock: Clock = machine.clock()
    machine.run(90.25)
    assert clock.anchor == NINE
    assert clock.elapsed() == 90.25
    assert clock.now() == datetime(2025, 3, 4, 9, 1, 30, 250000, tzinfo=UTC)


def test_the_anchor_is_utc_whatever_the_wall_says():
    machine = Machine()
    machine.wall = datetime(2025, 3, 4, 10, 0, tzinfo=timezone(timedelta(hours=1)))
    clock = machine.clock()
    assert clock.anchor == NINE
    assert clock.anchor.tzinfo is UTC
    assert clock.now().tzinfo is UTC


@pytest.mark.parametrize("step_s", [-3600.0, -0.5, 0.5, 3600.0])
def test_a_step_of_the_wall_is_reported_once_and_moves_nothing(step_s):
    machine = Machine()
    clock = machine.clock()
    machine.run(10)
    machine.step_wall(step_s)
    machine.run(1)
    assert clock.steps() == [ClockStep("wall", step_s)]
    assert clock.steps() == []
    assert clock.elapsed() == 11
    assert clock.now() == NINE + timedelta(seconds=11)


def test_a_suspend_is_reported_once_and_counts_as_time_passed():
    machine = Machine()
    clock = machine.clock()
    machine.run(10)
    machine.sleep(42)
    assert clock.steps() == [ClockStep("suspend", 42)]
    assert clock.steps() == []
    assert clock.elapsed() == 52


def test_a_wall_step_during_a_suspend_gives_both():
    machine = Machine()
    clock = machine.clock()
    machine.sleep(60)
    machine.step_wall(-5)
    assert clock.steps() == [ClockStep("wall", -5), ClockStep("suspend", 60)]


def test_steps_under_the_threshold_add_up_until_they_are_reported():
    machine = Machine()
    clock = machine.clock()
    machine.step_wall(0.3)
    assert clock.steps() == []
    machine.step_wall(0.3)
    assert clock.steps() == [ClockStep("wall", 0.6)]
    machine.step_wall(0.3)
    assert clock.steps(threshold_s=0.25) == [ClockStep("wall", 0.3)]


def test_a_slow_look_at_the_clocks_reports_nothing_and_the_next_one_does():
    machine = Machine()
    clock = machine.clock()
    machine.step_wall(-7)
    machine.look_takes_s = 3.0
    assert clock.steps() == []
    machine.look_takes_s = 0.0
    assert clock.steps() == [ClockStep("wall", -7)]


def test_elapsed_never_goes_back_even_if_the_steady_source_does():
    machine = Machine()
    clock = machine.clock()
    machine.run(5)
    assert clock.elapsed() == 5
    machine.boottime_s -= 2
    assert clock.elapsed() == 5


def test_a_resumed_clock_keeps_the_anchor_and_counts_the_gap():
    machine = Machine()
    machine.wall = NINE + timedelta(seconds=400)
    machine.boottime_s = 12.0  # the machine was started again
    clock = machine.resumed(last_elapsed_s=310.0)
    assert (clock.anchor, clock.gap_s, clock.elapsed()) == (NINE, 90, 400)
    machine.run(1)
    assert clock.now() == NINE + timedelta(seconds=401)
    assert clock.steps() == []


def test_a_resumed_clock_whose_wall_went_back_goes_on_without_a_gap():
    machine = Machine()
    machine.wall = NINE + timedelta(seconds=100)
    clock = machine.resumed(last_elapsed_s=310.0)
    assert (clock.gap_s, clock.elapsed()) == (0, 310)
    assert clock.steps() == [ClockStep("wall", -210)]  # 100 - 310


def test_a_wall_without_an_offset_is_refused():
    with pytest.raises(ValueError, match="has no offset; a clock needs a time with one"):
        PipelineClock(wall=lambda: datetime(2025, 3, 4, 9, 0))  # noqa: DTZ001 - the mistake itself
    with pytest.raises(ValueError, match="has no offset"):
        ReplayClock(datetime(2025, 3, 4, 9, 0))  # noqa: DTZ001


def test_a_replay_clock_moves_only_when_told():
    clock: Clock = ReplayClock(NINE)
    assert (clock.elapsed(), clock.now()) == (0, NINE)
    clock.move_to(61.5)
    clock.move_to(61.5)
    assert (clock.elapsed(), clock.now()) == (61.5, NINE + timedelta(seconds=61.5))
    assert clock.steps() == []


@pytest.mark.parametrize("earlier", [61.4, -1.0, float("nan")])
def test_a_replay_clock_refuses_to_go_back(earlier):
    clock = ReplayClock(NINE)
    clock.move_to(61.5)
    with pytest.raises(ValueError, match=r"stands at 61\.5 s and cannot go back to .*; give the moments in"):
        clock.move_to(earlier)
    assert clock.elapsed() == 61.5


def test_pipeline_time_is_rounded_to_the_microsecond():
    assert pipeline_time(NINE, 0.0000014) == NINE + timedelta(microseconds=1)
    assert pipeline_time(NINE, 0.1 + 0.2) == NINE + timedelta(microseconds=300000)


def test_the_wall_clock_and_the_date_come_from_here():
    with freeze_time("2025-03-04 12:00:00.123456"):
        assert wall_now() == datetime(2025, 3, 4, 12, 0, 0, 123456, tzinfo=UTC)
        assert today() == date(2025, 3, 4)
        assert PipelineClock().anchor == wall_now()


def test_the_steady_clock_counts_suspends_where_the_system_has_one(monkeypatch):
    if hasattr(time, "CLOCK_BOOTTIME"):
        before = time.clock_gettime(time.CLOCK_BOOTTIME)
        assert before <= steady_s() <= time.clock_gettime(time.CLOCK_BOOTTIME)
    monkeypatch.delattr(time, "CLOCK_BOOTTIME", raising=False)
    before = time.monotonic()
    assert before <= steady_s() <= monotonic_s()
