"""One observer with a cuff, a dial and a stethoscope: how an invented reading comes about.

The cuff is pumped up and falls at a steady rate; sounds come with the beats.  The first beat at
or below systolic is k1, the last at or above the pressure where sounds end is k5.  What the
observer writes has the digits of the dial and of habit.  Pressures in mmHg, times in seconds.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from random import Random

from pipeline.cuff import DIAL_TOP_MMHG, PALPATION_ABOVE_MMHG, PALPATION_S, PUMP_MMHG_PER_S, RELEASE_S
from pipeline.events import Clarity, MissedReason
from pipeline.prompt import Prompt
from pipeline.simulate.choices import Choices
from pipeline.simulate.truth import Ridden, Truth, clipped
from pipeline.snapshot import SnapshotReading

K5_FLOOR_MMHG = 40.0
BREATH_S = 4.0
ZERO_WITHIN_MMHG = 4.0
LATE_BEYOND_SLACK_S = (8.0, 20.0)
FALL_MMHG = 10.0
FALL_WATTS = 20.0
FIRST_SOUND_AT_LEAST_S = 2.0


@dataclass(frozen=True)
class Reading:
    """One planned reading as it went.

    `noted_s` is the moment written down (whole seconds after the start of the test), of the
    first sound or of the failed attempt.  The `true_` pressures are those of the course at the
    moment of their sounds; `missed_because` says why there is no `k1_mmhg`; of a miss that was
    not `attempted` nothing is written anywhere.  `k4_mmhg` is written only where sounds go on.
    """

    prompt: Prompt
    attempted: bool
    late: bool
    noted_s: float
    first_sound_s: float
    last_sound_s: float
    release_s: float
    true_sbp_mmhg: float
    true_k4_mmhg: float
    true_k5_mmhg: float
    k1_mmhg: float | None = None
    k1_at_least: bool = False
    k4_mmhg: float | None = None
    k5_mmhg: float | None = None
    inflated_to_mmhg: float | None = None
    deflation_mmhg_per_s: float | None = None
    palpated_mmhg: float | None = None
    clarity: Clarity | None = None
    rpe: int | None = None
    missed_because: MissedReason | None = None

    @property
    def used(self) -> bool:
        """Whether its systolic counts: taken, no lower bound, not doubtful."""
        return self.k1_mmhg is not None and not self.k1_at_least and self.clarity != "doubtful"

    @property
    def dbp_mmhg(self) -> float | None:
        """The diastolic as written: k5, or k4 where sounds go on below 40."""
        return self.k4_mmhg if self.k4_mmhg is not None else self.k5_mmhg

    def known(self, seq: int, part: Ridden, truth: Truth, choices: Choices) -> SnapshotReading:
        """What a plan may know of it."""
        return SnapshotReading(
            seq=seq,
            measured_s=self.noted_s,
            release_s=self.release_s,
            phase=part.stage.phase,
            stage_index=part.stage_index,
            k1=self.k1_mmhg,
            k1_at_least=self.k1_at_least,
            k4=self.k4_mmhg,
            k5=self.k5_mmhg,
            dbp=self.dbp_mmhg,
            lowest=self.k5_mmhg,
            watts=truth.watts.at(self.noted_s),
            used=self.used,
            observer=choices.observer,
            arm=choices.arm,
            inflated_to=self.inflated_to_mmhg,
            clarity=self.clarity,
        )


def take(
    prompt: Prompt, part: Ridden, truth: Truth, choices: Choices, random: Random, free_from_s: float
) -> Reading:
    """The reading that answers `prompt`, in the ridden stage `part`.

    `free_from_s` is when the cuff may go up again.  A reading for which the ride ends before
    the first sound is broken off.
    """
    delay_s = abs(random.gauss(1.0, 1.0))
    late = random.random() < choices.late_share
    missed, tried = random.random() < choices.missed_share, random.random() < 0.5
    rate = choices.deflation_mmhg_per_s + random.gauss(0, choices.deflation_sd_mmhg_per_s)
    rate = max(1.0, round(rate, 1))
    wander = choices.wander_mmhg
    if part.stage.loaded and choices.wander_loaded_mmhg is not None:
        wander = choices.wander_loaded_mmhg
    wander_sbp, wander_dbp = (_bounded(random, wander) for _ in range(2))
    breath_phase = random.uniform(0, math.tau)
    beat_phase = random.random()
    clarity = _clarity(random, truth.watts.at(prompt.first_sound_due) / truth.body.watts_capacity)
    if late:
        room_s = part.planned_end_s - prompt.first_sound_due - FIRST_SOUND_AT_LEAST_S - 3
        delay_s += clipped(prompt.slack + random.uniform(*LATE_BEYOND_SLACK_S), 0, max(0.0, room_s))

    def breath(time_s: float) -> float:
        return choices.breathing_mmhg * math.sin(math.tau * time_s / BREATH_S + breath_phase)

    pump_s = max(prompt.cuff_up + delay_s, free_from_s)
    palpated, inflated_to = None, prompt.inflate_to
    if inflated_to is None:
        pump_s += PALPATION_S
        palpated = 2.0 * round((truth.sbp.at(pump_s) + _bounded(random, 4)) / 2)
        inflated_to = min(DIAL_TOP_MMHG, math.ceil((palpated + PALPATION_ABOVE_MMHG) / 10) * 10.0)
    top_s = pump_s + inflated_to / PUMP_MMHG_PER_S
    beat_s = 60 / truth.heart_rate.at(top_s)
    first_beat_s = top_s + beat_phase * beat_s

    def cuff(time_s: float) -> float:
        return inflated_to - rate * (time_s - top_s)

    first_s = first_beat_s
    while cuff(first_s) > truth.sbp.at(first_s) + wander_sbp + breath(first_s):
        first_s += beat_s
    muffled_s, last_s, beat = None, first_s, first_s
    while cuff(beat) > 0 and cuff(beat) >= _sounds_end(truth, beat, wander_dbp):
        last_s = beat
        if muffled_s is None and cuff(beat) <= truth.k4(beat) + wander_dbp:
            muffled_s = beat
        beat += beat_s
    muffled_s = last_s if muffled_s is None else muffled_s
    to_zero = truth.sounds_low(last_s) and truth.sounds_to_mmhg == 0
    k5 = 0.0 if to_zero else cuff(last_s)
    reading = Reading(
        prompt=prompt,
        attempted=True,
        late=late,
        noted_s=float(math.floor(first_s + choices.reaction_s + random.gauss(0, 0.15) + 0.5)),
        first_sound_s=first_s,
        last_sound_s=last_s,
        release_s=top_s + (inflated_to - min(prompt.listen_to, k5)) / rate + RELEASE_S,
        true_sbp_mmhg=truth.sbp.at(first_s),
        true_k4_mmhg=truth.k4(muffled_s),
        true_k5_mmhg=truth.k5(last_s),
        k1_mmhg=inflated_to if first_s == first_beat_s else _written(random, choices, cuff(first_s)),
        k1_at_least=first_s == first_beat_s,
        k4_mmhg=_written(random, choices, cuff(muffled_s)) if k5 < K5_FLOOR_MMHG else None,
        k5_mmhg=_written(random, choices, k5),
        inflated_to_mmhg=inflated_to,
        deflation_mmhg_per_s=rate,
        palpated_mmhg=palpated,
        clarity=choices.clarity or clarity,
        rpe=_rpe(random, truth, first_s) if part.stage.loaded else None,
    )
    if first_s > part.ended_s and part.stage.loaded:
        return _lost(reading, "participant_stopped", attempted=pump_s < part.ended_s, noted_s=part.ended_s)
    if missed:
        return _lost(reading, "not_heard" if tried else "not_attempted", attempted=tried, noted_s=first_s)
    return reading


def fell(readings: Sequence[SnapshotReading]) -> bool:
    """Whether the last reading is a fall: 10 mmHg or more under an earlier one at 20 W less."""
    used = [r for r in readings if r.used and r.phase in ("warmup", "exercise")]
    if not readings or not used or used[-1] is not readings[-1]:
        return False
    last = used[-1]
    earlier = [r.k1 or 0.0 for r in used[:-1] if (r.watts or 0.0) <= (last.watts or 0.0) - FALL_WATTS + 1]
    return bool(earlier) and max(earlier) - (last.k1 or 0.0) >= FALL_MMHG


def _lost(reading: Reading, reason: MissedReason, *, attempted: bool, noted_s: float) -> Reading:
    """The same reading, not taken: what it would have said is not written anywhere."""
    noted_s = float(math.floor(noted_s))
    return replace(
        reading,
        attempted=attempted,
        noted_s=noted_s,
        release_s=noted_s if attempted else reading.prompt.cuff_up,
        k1_mmhg=None,
        k1_at_least=False,
        k4_mmhg=None,
        k5_mmhg=None,
        inflated_to_mmhg=None,
        deflation_mmhg_per_s=None,
        palpated_mmhg=None,
        clarity=None,
        rpe=None,
        missed_because=reason,
    )


def _sounds_end(truth: Truth, time_s: float, wander_mmhg: float) -> float:
    return truth.k5(time_s) + (0.0 if truth.sounds_low(time_s) else wander_mmhg)


def _written(random: Random, choices: Choices, pressure: float) -> float:
    step = 2.0 if choices.even_digits else 1.0
    if pressure > 0:  # sounds down to zero are that for everybody
        pressure = max(0.0, pressure + choices.bias_mmhg)
    written = step * math.floor(pressure / step + 0.5)
    ten = 10.0 * math.floor(pressure / 10 + 0.5)
    snaps = random.random() < choices.zero_preference
    # a last sound at 4 is not written as none
    return ten if snaps and ten > 0 and abs(ten - written) <= ZERO_WITHIN_MMHG else written


def _clarity(random: Random, effort: float) -> Clarity:
    drawn = random.random()
    if drawn < 0.02 * effort:
        return "doubtful"
    return "difficult" if drawn < 0.03 + 0.3 * effort else "clear"


def _rpe(random: Random, truth: Truth, time_s: float) -> int:
    effort = truth.watts.at(time_s) / truth.body.watts_capacity
    return int(clipped(round(7 + 12 * effort + random.gauss(0, 0.7)), 6, 20))


def _bounded(random: Random, sd: float) -> float:
    return clipped(random.gauss(0, sd), -2 * sd, 2 * sd)
