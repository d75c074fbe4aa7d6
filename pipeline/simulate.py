"""Invented tests with known truth: the same number and choices give the same test anywhere.

`simulate_test(7)` is one usual test; `source_logs` gives it as events, `pipeline.invented` as
the files that a laboratory would have.  No person is behind any of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone
from random import Random
from typing import Any, Literal

from pipeline.auscultation import Reading
from pipeline.choices import Choices, choose_body, make_protocol, read_choices, settled_step
from pipeline.errors import UsageError
from pipeline.events import (
    MEASURES,
    EndReason,
    Event,
    ExertionRated,
    ReadingMissed,
    ReadingTaken,
    Sample,
    SourceLog,
    SourceOpened,
)
from pipeline.protocol import Protocol
from pipeline.ride import Ride
from pipeline.sensors import Log, make_logs
from pipeline.truth import Participant, Ridden, Truth, draw_body, draw_participant

INVENTED = "invented data, no real person"
FIRST_DAY = datetime(2026, 1, 12, 8, 0, tzinfo=timezone(timedelta(hours=1)))


@dataclass(frozen=True)
class SimulatedTest:
    """One invented test; times in s since `started`, which is a whole minute.

    `ridden` has the stages as they went, `readings` all planned ones with what was really
    there, `logs` what the sensors wrote.
    """

    number: int
    choices: Choices
    study: str
    test_id: str
    started: datetime
    participant: Participant
    protocol: Protocol
    truth: Truth
    ridden: tuple[Ridden, ...]
    readings: tuple[Reading, ...]
    logs: tuple[Log, ...]
    outcome: Literal["completed", "stopped"]
    end_reason: EndReason

    @property
    def ended_s(self) -> float:
        """The end of the last stage."""
        return self.ridden[-1].ended_s

    @property
    def first_load_s(self) -> float:
        """The start of the first loaded stage."""
        return next(part.started_s for part in self.ridden if part.stage.loaded)

    def at(self, time_s: float) -> datetime:
        """The moment in UTC."""
        return (self.started + timedelta(seconds=time_s)).astimezone(UTC)


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
    ride = Ride(number, chosen, participant, body, protocol)
    ride.run()
    planned = [stage.planned_s for stage in protocol.stages]
    as_planned = [part.ended_s - part.started_s for part in ride.ridden] == planned
    if chosen.stage_from is None and not as_planned:
        protocol = protocol.model_copy(update={"stage_from": "load"})
    started = chosen.started or _started(number)
    return SimulatedTest(
        number=number,
        choices=chosen,
        study=chosen.study,
        test_id=chosen.test_id or f"{code.lstrip('-')}-{started:%Y%m%d-%H%M}",
        started=started,
        participant=participant,
        protocol=protocol,
        truth=ride.truth,
        ridden=tuple(ride.ridden),
        readings=tuple(ride.readings),
        logs=make_logs(number, chosen, ride.truth, ride.ridden[-1].ended_s),
        outcome="completed" if ride.end_reason == "protocol_complete" else "stopped",
        end_reason=ride.end_reason,
    )


def source_logs(test: SimulatedTest) -> tuple[dict[str, Any], list[SourceLog]]:
    """The test without files: fields of test_opened, and one log a source.

    `TestOpened(**fields, rules_digest=..., software=...)` opens the join.  Logs come in the
    order of the setup, the readings last; times of a sensor are those of its own clock.
    """
    chosen, person = test.choices, test.participant
    opened = test.at(0)
    fields = {
        "event_time": opened,
        "source": "setup",
        "mode": "join",
        "anchor": opened,
        "test_id": test.test_id,
        "study": test.study,
        "participant": person.code,
        "visit": chosen.visit,
        "purpose": "study",
        "intent": chosen.intent,
        "age_years": person.age_years,
        "sex": person.sex,
        "height_cm": person.height_cm,
        "mass_kg": person.mass_kg,
        "arm_circumference_cm": person.arm_circumference_cm,
        "medication": "none",
        "pacemaker": False,
        "ergometer_posture": "upright",
        "rpe_scale": "6-20",
        "observer": chosen.observer,
        "people": 2,
        "bladder_length_cm": person.bladder_length_cm,
        "bladder_width_cm": person.bladder_width_cm,
        "gauge_step_mmhg": 2.0 if chosen.even_digits else 1.0,
        "gauge_checked_on": (test.started - timedelta(days=90)).date(),
        "protocol": test.protocol,
    }
    return fields, [*_sample_logs(test), _sheet(test)]


def _sample_logs(test: SimulatedTest) -> list[SourceLog]:
    result = []
    for rank, log in enumerate(test.logs, start=1):
        begins = test.at(-log.offset_s)
        align = test.choices.ergometer_clock == "align" and log.name == "ergometer"
        opened = SourceOpened(
            event_time=test.at(0),
            source=log.name,
            name=log.name,
            adapter="simulate",
            measures=",".join(
                m + ":rr" if m == "heart_rate_bpm" and log.from_rr else m for m in log.measures
            ),
            ranks=",".join(f"{measure}={rank}" for measure in MEASURES),
            clock_offset_s=0.0 if align else log.offset_s,
            clock_method="given" if log.offset_s and not align else "none",
        )
        columns = [getattr(log, measure) for measure in log.measures]
        events: list[Event] = [
            Sample(
                event_time=begins + timedelta(seconds=time_s),
                source=log.name,
                **dict(zip(log.measures, values, strict=True)),
            )
            for time_s, *values in zip(log.times_s, *columns, strict=True)
        ]
        result.append(SourceLog(opened, events, test.at(test.first_load_s) if align else None))
    return result


def _sheet(test: SimulatedTest) -> SourceLog:
    log = SourceLog(
        SourceOpened(event_time=test.at(0), source="readings", name="readings", adapter="reading_sheet")
    )
    for reading in test.readings:
        if not reading.attempted:
            continue
        moment = test.at(reading.noted_s)
        if reading.missed_because is not None:
            log.events.append(
                ReadingMissed(
                    event_time=moment, source="readings", attempted=True, reason=reading.missed_because
                )
            )
            continue
        log.events.append(
            ReadingTaken(
                event_time=moment,
                source="readings",
                k1_mmhg=reading.k1_mmhg,
                k1_at_least=True if reading.k1_at_least else None,
                k4_mmhg=reading.k4_mmhg,
                k5_mmhg=reading.k5_mmhg,
                palpated_mmhg=reading.palpated_mmhg,
                measured_source="stated",
                arm=test.choices.arm,
                inflated_to_mmhg=reading.inflated_to_mmhg,
                deflation_mmhg_per_s=reading.deflation_mmhg_per_s,
                clarity=reading.clarity,
                observer=test.choices.observer,
            )
        )
        if reading.rpe is not None:
            rated = ExertionRated(event_time=moment, source="readings", rpe=reading.rpe, rpe_scale="6-20")
            log.events.append(rated)
    return log


def _started(number: int) -> datetime:
    """A working day and a quarter of an hour of its own for each number, within some years."""
    days = number // 20 % 1000
    return FIRST_DAY + timedelta(days=days // 5 * 7 + days % 5, minutes=15 * (number % 20))
