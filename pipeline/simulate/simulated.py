"""An invented test, and the same as events: what a join takes, without any files."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Literal

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
from pipeline.simulate.auscultation import Reading
from pipeline.simulate.choices import Choices
from pipeline.simulate.sensors import Log
from pipeline.simulate.truth import Participant, Ridden, Truth


@dataclass(frozen=True)
class SimulatedTest:
    """One invented test; times in s since `started`, which is a whole minute.

    `ridden` has the stages as they went, `readings` all planned ones with what was really
    there, `logs` what the sensors wrote.
    """

    number: int | str
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

    @property
    def noted_starts_s(self) -> dict[int, float]:
        """Stages that did not begin where the one before was planned to end, index -> start."""
        starts, due_s = {}, 0.0
        for part in self.ridden:
            if part.started_s != due_s:
                starts[part.stage_index] = part.started_s
            due_s = part.started_s + (part.stage.planned_s or 0.0)
        return starts

    def at(self, time_s: float) -> datetime:
        """The moment in UTC."""
        return (self.started + timedelta(seconds=time_s)).astimezone(UTC)


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
        "purpose": chosen.purpose,
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
        measures = log.measures
        begins = test.at(-log.offset_s)
        align = test.choices.ergometer_clock == "align" and log.name == "ergometer"
        opened = SourceOpened(
            event_time=test.at(0),
            source=log.name,
            name=log.name,
            adapter="csv_log",
            measures=",".join(m + ":rr" if m == "heart_rate_bpm" and log.from_rr else m for m in measures),
            ranks=",".join(f"{m}={rank}" for m in MEASURES if m in measures),
            clock_offset_s=0.0 if align else log.offset_s,
            clock_method="given" if log.offset_s and not align else "none",
        )
        columns = [getattr(log, measure) for measure in measures]
        events: list[Event] = [
            Sample(
                event_time=begins + timedelta(seconds=time_s),
                source=log.name,
                **dict(zip(measures, values, strict=True)),
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
