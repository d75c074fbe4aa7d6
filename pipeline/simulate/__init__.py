"""Invented tests with known truth: the same number and choices give the same test anywhere.

`simulate_test(7)` is one usual test; `source_logs` gives it as events, `inputs` as the files
that a laboratory would have.  No person is behind any of it.
"""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from random import Random
from typing import Any

from pipeline.errors import UsageError
from pipeline.protocol import Protocol
from pipeline.simulate.choices import Choices, choose_body, make_protocol, read_choices, settled_step
from pipeline.simulate.invented import inputs
from pipeline.simulate.ride import Ride
from pipeline.simulate.sensors import make_logs
from pipeline.simulate.simulated import SimulatedTest, source_logs
from pipeline.simulate.truth import Body, Participant, draw_body, draw_participant

__all__ = ["SimulatedTest", "inputs", "simulate_test", "source_logs"]

FIRST_DAY = datetime(2026, 1, 12, 8, 0, tzinfo=timezone(timedelta(hours=1)))


def simulate_test(number: int, **choices: Any) -> SimulatedTest:
    """The invented test of this number; `simulate_test(3, stages=6, step_watts=30, exhausts=True)`.

    The choices are those of `Choices`.  Choices of the observer or the logs leave the
    participant as drawn, and the other way round.  Raises UsageError for choices that are
    unknown, out of range or would leave what adults show.
    """
    if number < 0:
        raise UsageError(f"an invented test has number {number}; give 0 or more")
    chosen = read_choices(choices)
    code = chosen.participant or f"P-{number:03d}"
    participant = draw_participant(Random(f"{number} participant"), code, chosen.sex)
    drawn = draw_body(Random(f"{number} body"), participant)
    chosen = settled_step(chosen, drawn)
    body, protocol = choose_body(number, chosen, drawn), make_protocol(chosen)
    if not any(stage.loaded for stage in protocol.stages):
        raise UsageError("the protocol has no loaded stage; give it one, or leave protocol out")
    begins = chosen.started or start_of(number)
    return ride_test(number, begins, chosen, participant, body, protocol)


def ride_test(
    number: int | str,
    begins: datetime,
    chosen: Choices,
    participant: Participant,
    body: Body,
    protocol: Protocol,
) -> SimulatedTest:
    """The test of this participant with this body, begun at `begins`; `number` draws what happens in it.

    Of the choices it takes how the ride ends, falls, sounds, the observer and the logs; body,
    participant and protocol are those given.
    """
    ride = Ride(number, chosen, participant, body, protocol)
    ride.run()
    planned = [stage.planned_s for stage in protocol.stages]
    as_planned = [part.ended_s - part.started_s for part in ride.ridden] == planned
    if chosen.stage_from is None and not as_planned:
        protocol = protocol.model_copy(update={"stage_from": "load"})
    return SimulatedTest(
        number=number,
        choices=chosen,
        study=chosen.study,
        test_id=chosen.test_id or f"{participant.code.lstrip('-')}-{begins:%Y%m%d-%H%M}",
        started=begins,
        participant=participant,
        protocol=protocol,
        truth=ride.truth,
        ridden=tuple(ride.ridden),
        readings=tuple(ride.readings),
        logs=make_logs(number, chosen, ride.truth, ride.ridden[-1].ended_s),
        outcome="completed" if ride.end_reason == "protocol_complete" else "stopped",
        end_reason=ride.end_reason,
    )


def start_of(number: int) -> datetime:
    """A working day and a quarter of an hour of its own for each number, within some years."""
    days = number // 20 % 1000
    return FIRST_DAY + timedelta(days=days // 5 * 7 + days % 5, minutes=15 * (number % 20))
