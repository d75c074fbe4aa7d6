"""The course of a test: which stage was begun, which comes next, which is lower."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest

import pipeline.events as ev
from pipeline.course import OWN_RECOVERY, Course
from pipeline.protocol import Protocol, parse_protocol

ANCHOR = datetime(2026, 3, 14, 9, 0, tzinfo=UTC)
STAIRCASE = parse_protocol(
    {
        "stage": [
            {"phase": "rest", "minutes": 8},
            {"phase": "warmup", "minutes": 2, "watts": 25},
            {"phase": "recovery", "minutes": 6},
        ],
        "repeat": [{"start": 50, "step": 25, "minutes": 3, "until": 100}],
    },
    "test",
)


def course(protocol: Protocol | None = STAIRCASE) -> Course:
    return Course(protocol, ANCHOR)


def begin(one: Course, *labels: str, every_s: float = 180.0) -> None:
    """The stages so called, one after another."""
    for number, label in enumerate(labels):
        stages = one.protocol.stages if one.protocol else ()
        stage = next(stage for stage in stages if stage.label == label)
        one.begin(one.started(stage, number * every_s, "schedule"))


def started(**fields: Any) -> ev.StageStarted:
    usual = {"label": "50 W", "phase": "exercise", "position": "ergometer", "target_watts": 50.0}
    return ev.StageStarted(event_time=ANCHOR, source="t", stage_index=7, by="detected", **usual | fields)


def test_a_stage_is_that_of_the_protocol_by_what_it_is_called() -> None:
    one = course()
    one.begin(started())
    assert one.stages[-1].stage is STAIRCASE.stages[2]
    one.begin(started(target_watts=60.0, planned_s=90.0))
    other = one.stages[-1].stage
    assert (other.reading, other.target_watts, other.planned_s) == ("none", 60.0, 90.0)
    # a load below zero is what a motor-driven ergometer logs; a plan has none
    one.begin(started(target_watts=-5.0))
    assert one.stages[-1].stage.target_watts == 0.0


def test_the_stages_follow_the_protocol() -> None:
    one = course()
    assert (one.force, one.next, one.lower) == (None, STAIRCASE.stages[0], None)
    begin(one, "rest", "25 W")
    # 25 W begins at 180 s and lasts 120 s
    assert [(stage.started_s, stage.planned_end_s, stage.ended_s) for stage in one.stages] == [
        (0.0, 480.0, 180.0),
        (180.0, 300.0, None),
    ]
    assert one.next is STAIRCASE.stages[2]
    one.extend(ev.StageExtended(event_time=ANCHOR, source="t", stage_index=1, seconds=30))
    assert one.stages[-1].planned_end_s == 330.0


def test_the_load_goes_back_by_one_stage_and_not_up_by_itself() -> None:
    one = course()
    begin(one, "rest", "25 W", "50 W", "75 W")
    assert not one.backed_off
    lower = one.lower
    assert lower is not None
    assert lower.label == "50 W"
    one.begin(one.started(lower, 700.0, "operator"))
    assert one.backed_off
    assert one.stages[-1].index == 4
    assert one.next is not None
    assert one.next.label == "75 W"
    assert one.lower is not None
    assert one.lower.label == "25 W"
    one.begin(one.started(one.next, 800.0, "operator"))
    assert not one.backed_off


def test_under_the_lowest_load_there_is_none() -> None:
    one = course()
    begin(one, "rest", "25 W")
    assert one.lower is None


def test_recovery_is_that_of_the_protocol_else_the_usual_one() -> None:
    one = course()
    begin(one, "rest", "25 W")
    assert one.recovery is STAIRCASE.stages[-1]
    one.begin(one.started(one.recovery, 400.0, "operator"))
    assert one.next is None
    bare = course(Protocol(stages=STAIRCASE.stages[:-1]))
    begin(bare, "rest", "25 W")
    assert bare.recovery is OWN_RECOVERY
    bare.begin(bare.started(OWN_RECOVERY, 400.0, "operator"))
    assert bare.stages[-1].stage is OWN_RECOVERY
    assert bare.next is None
    # found in a log without a plan, it asks for nothing
    bare.begin(started(label="recovery", phase="recovery", target_watts=None))
    assert bare.stages[-1].stage.reading == "none"


@pytest.mark.parametrize(
    ("last_s", "out"),
    # 100 W begins at 4 x 180 = 720 s and lasts to 900 s
    [(900.0, True), (899.5, True), (800.0, False)],
)
def test_a_test_is_ridden_out_when_its_last_load_was_ridden_to_the_end(last_s: float, out: bool) -> None:
    one = course()
    begin(one, "rest", "25 W", "50 W", "75 W")
    assert not one.ridden_out
    begin(one, "rest")  # begun anew: what was ridden stays
    one = course()
    begin(one, "rest", "25 W", "50 W", "75 W", "100 W")
    one.begin(one.started(one.recovery, last_s, "operator"))
    assert one.ridden_out is out
