"""An invented cohort with known truth: people in studies, some of whom come twice.

Of every five tests four are of new people, and the fifth is the first of them again, 7 to 28 days
later.  A test depends on the number of the cohort and its own, not on how many there are.
"""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from functools import cached_property
from random import Random
from typing import Literal

from pipeline import __version__
from pipeline.errors import UsageError
from pipeline.events import NoteWritten, TestOpened
from pipeline.join import JoinOrder
from pipeline.protocol import Protocol, parse_protocol
from pipeline.rules import Rules
from pipeline.shipped import shipped
from pipeline.simulate import ride_test, start_of
from pipeline.simulate.choices import read_choices
from pipeline.simulate.invented import INVENTED, setup_text
from pipeline.simulate.observers import Observer, draw_observer
from pipeline.simulate.people import Person, draw_person
from pipeline.simulate.sensors import SHOWN_MOST_WATTS
from pipeline.simulate.simulated import SimulatedTest, source_logs

NEW_OF_FIVE = 4
RETEST_AFTER_DAYS = (7, 14, 21, 28)
OBSERVERS_A_STUDY = 3
SBP_LIMIT_MMHG = 240.0
"""The ride ends above it, so that what is read stays about the 250 mmHg of the stopping rule."""
DROPOUTS = (0, 0, 1, 2, 4)
"""Gaps of the heart-rate log, one of these numbers with the same chance; ours."""
WANDER_LOADED_MMHG = 5.0
"""With breath, beats and digits a reading under load then spreads by the 5 mmHg of
u_repeat_exercise_mmhg, and one at rest by the 3.5 mmHg of u_repeat_rest_mmhg (rules.toml)."""
TRUTH_DIGITS = 6

Intent = Literal["maximal", "submaximal", "symptom_limited"]


@dataclass(frozen=True)
class Study:
    """One invented study: all of its tests have one protocol and intent."""

    name: str
    protocol: Protocol
    intent: Intent


@dataclass(frozen=True)
class Visit:
    """One test of the cohort with everybody in it."""

    person: Person
    observer: Observer
    test: SimulatedTest
    dropouts: int

    def truth(self) -> dict[str, str | int | float]:
        """The row of truth.csv: what was really there, by names with units."""
        test, body, usual = self.test, self.test.truth.body, self.person.usual
        participant, observer, chosen = self.test.participant, self.observer, self.test.choices
        row: dict[str, str | int | float] = {
            "study": test.study,
            "test_id": test.test_id,
            "participant": participant.code,
            "visit": chosen.visit,
            "observer": observer.code,
            "protocol": test.protocol.name or "",
            "intent": chosen.intent,
            "arm": chosen.arm,
            "sex": participant.sex,
            "age_years": participant.age_years,
            "fitness_sd": self.person.fitness_sd,
            "true_capacity_watts": body.watts_capacity,
            "true_sbp_rest_mmhg": body.sbp_rest_mmhg,
            "true_dbp_rest_mmhg": body.dbp_rest_mmhg,
            "true_sbp_slope_mmhg_per_w": body.slope_mmhg_per_w,
            "true_dbp_slope_mmhg_per_w": body.diastolic_mmhg_per_w,
            "true_hr_rest_bpm": body.hr_rest_bpm,
            "true_hr_max_bpm": body.hr_max_bpm,
            "usual_sbp_rest_mmhg": usual.sbp_rest_mmhg,
            "usual_sbp_slope_mmhg_per_w": usual.slope_mmhg_per_w,
            "sounds_to_zero_from_stage": self.person.sounds_from_stage or "",
            "observer_bias_mmhg": observer.bias_mmhg,
            "observer_zero_share": observer.zero_share,
            "readings_planned": len(test.readings),
            "readings_late": sum(reading.late and reading.k1_mmhg is not None for reading in test.readings),
            "readings_missed": sum(reading.k1_mmhg is None for reading in test.readings),
            "heart_rate_dropouts": self.dropouts,
            "outcome": test.outcome,
            "end_reason": test.end_reason,
        }
        return {
            name: round(value, TRUTH_DIGITS) if isinstance(value, float) else value
            for name, value in row.items()
        }


@dataclass(frozen=True)
class Cohort:
    """The cohort of this number; `visit(i)` is its test i, from 0."""

    number: int
    studies: Sequence[Study]

    def visit(self, index: int) -> Visit:
        """Test `index` with its people."""
        fifth, place = divmod(index, NEW_OF_FIVE + 1)
        again = place == NEW_OF_FIVE
        person_number = fifth * NEW_OF_FIVE + (0 if again else place)
        visit = 2 if again else 1
        study_number = person_number % len(self.studies)
        study = self.studies[study_number]
        person = draw_person(self._random(f"person {person_number}"), f"P-{person_number:05d}")
        random = self._random(f"person {person_number} visit {visit}")
        body = person.on_visit(random, visit)
        observer = self.observers[study_number * OBSERVERS_A_STUDY + random.randrange(OBSERVERS_A_STUDY)]
        dropouts = random.choice(DROPOUTS)
        begins = start_of(person_number)
        if again:
            begins += timedelta(days=random.choice(RETEST_AFTER_DAYS))
        chosen = read_choices(
            {
                "study": study.name,
                "visit": visit,
                "purpose": "retest" if again else "study",
                "intent": study.intent,
                "protocol": study.protocol,
                "stage_from": "schedule",
                "exhausts": True,
                "sbp_limit_mmhg": SBP_LIMIT_MMHG,
                "sounds_to_mmhg": None if person.sounds_from_stage is None else 0.0,
                "sounds_from_stage": person.sounds_from_stage or 1,
                "wander_loaded_mmhg": WANDER_LOADED_MMHG,
                "arm": person.arm,
                "observer": observer.code,
                "bias_mmhg": observer.bias_mmhg,
                "zero_preference": observer.zero_preference,
                "late_share": observer.late_share,
                "missed_share": observer.missed_share,
                "deflation_mmhg_per_s": observer.deflation_mmhg_per_s,
                "heart_rate_dropouts": dropouts,
            }
        )
        key = f"{self.number} test {index}"
        test = ride_test(key, begins, chosen, person.participant, body, study.protocol)
        return Visit(person, observer, test, dropouts)

    @cached_property
    def observers(self) -> tuple[Observer, ...]:
        """Three a study, in the order of the studies."""
        codes = [f"OBS-{n}" for n in range(1, len(self.studies) * OBSERVERS_A_STUDY + 1)]
        return tuple(draw_observer(self._random(f"observer {code}"), code) for code in codes)

    def _random(self, what: str) -> Random:
        return Random(f"{self.number} {what}")


def invented_cohort(number: int, protocol: Protocol | None = None) -> Cohort:
    """The cohort of this number: three studies with shipped protocols, or one with `protocol`.

    Raises UsageError for a protocol without a loaded stage or with a load that no ergometer gives.
    """
    if protocol is not None:
        if not any(stage.loaded for stage in protocol.stages):
            raise UsageError("the protocol has no loaded stage; give it one, or leave --protocol out")
        targets = [watts for s in protocol.stages for watts in (s.target_watts, s.target_watts_to) if watts]
        if max(targets, default=0.0) > SHOWN_MOST_WATTS:
            raise UsageError(
                f"the protocol has a load of {max(targets):g} W, and nobody here rides more than "
                f"{SHOWN_MOST_WATTS:g} W; plan fewer or smaller steps"
            )
        planned = protocol.model_copy(update={"stage_from": "schedule"})
        return Cohort(number, (Study("invented", planned, "symptom_limited"),))
    return Cohort(
        number,
        (
            Study("invented-staircase", _shipped_protocol("staircase_25w_3min"), "symptom_limited"),
            Study("invented-loads", _shipped_protocol("three_loads_4min"), "submaximal"),
            Study("invented-minutes", _shipped_protocol("staircase_10w_1min"), "maximal"),
        ),
    )


def order_of(test: SimulatedTest, rules: Rules) -> JoinOrder:
    """An invented test as it is to be joined, with a note in it that it is invented."""
    fields, logs = source_logs(test)
    logs[-1].events.insert(0, NoteWritten(event_time=test.at(0), source="readings", text=INVENTED))
    return JoinOrder(
        opened=TestOpened(**fields, rules_digest=rules.digest, software=f"cuffwatt {__version__}"),
        sources=logs,
        starts={index: test.at(at_s) for index, at_s in test.noted_starts_s.items()},
        end_reason=test.end_reason,
        setup_text=setup_text(test),
    )


def _shipped_protocol(name: str) -> Protocol:
    path = shipped("fixtures") / "protocols" / f"{name}.toml"
    return parse_protocol(tomllib.loads(path.read_text(encoding="utf-8")), path.name)
