"""Stages found in a load log, and its first rise of load, by which a log is put on another clock.

All moments are elapsed seconds; loads are watts.  A detected stage runs from its first sample
to the first sample of the next, the last one to its last sample.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from pipeline.errors import InputError
from pipeline.load_points import NEAR_ZERO_WATTS
from pipeline.load_segments import Segment, cut
from pipeline.protocol import Phase

VALID_WATTS = (-20.0, 2000.0)
PASSING_HELD_S = 8.0
PASSING_WATTS = 15.0
RECOVERY_SHARE = 0.55  # "well under": half of the highest load, and what noise adds


@dataclass(frozen=True)
class DetectedStage:
    """A sustained load in a log.

    `watts` is the median load of its samples.  A ramp (`ramp`) also has `watts_from` and
    `watts_to`, the loads at its start and end by the straight line through it; else they are
    None.  `samples` is the number of samples in it.  Phase warmup is never guessed.
    """

    started_s: float
    ended_s: float
    watts: float
    phase: Phase
    samples: int
    watts_from: float | None = None
    watts_to: float | None = None

    @property
    def ramp(self) -> bool:
        """Whether the load changes steadily instead of being held."""
        return self.watts_to is not None

    @property
    def length_s(self) -> float:
        """Seconds from start to end."""
        return self.ended_s - self.started_s

    @property
    def last_watts(self) -> float:
        """The load it ends with."""
        return self.watts if self.watts_to is None else self.watts_to


def detect_stages(samples: Iterable[tuple[float, float]], *, ramps: bool = True) -> list[DetectedStage]:
    """The stages in a log of (elapsed_s, watts), 10 Hz down to one sample in 30 s.

    A load counts as a stage when it is held for 15 s and two samples and differs by 7 W, 4 %
    and clearly more than the noise of this log from the loads beside it; no load at the very
    start or end of a log needs 5 s.  Spikes of one or two samples and drop-outs of up to some
    10 s are passed over, but for a load between two others that a log of one sample in 8 s or
    slower shows once, clearly above or below both: there a sample stands for its time.  A steady
    change of at least 75 s and 25 W, continuous or in steps of at most some 10 W each held for
    up to some 20 s, is one ramp; with `ramps=False` (a protocol of small steps) steps only.
    Loads outside -20 to 2000 W count as no sample.  Samples are sorted by time.  No valid
    sample gives an empty list.  O(n log n).
    """
    low, high = VALID_WATTS
    valid = sorted(
        (sample for sample in samples if low <= sample[1] <= high and math.isfinite(sample[0])),
        key=lambda sample: sample[0],
    )
    times = [time for time, _ in valid]
    watts = [load for _, load in valid]
    segments = _with_passing_loads(times, watts, cut(times, watts, ramps=ramps))
    found: list[DetectedStage] = []
    for segment in segments:
        ended = times[segment.end] if segment.end < len(times) else times[-1]
        stage = DetectedStage(
            times[segment.first], ended, segment.watts, "exercise", segment.end - segment.first
        )
        if segment.watts_per_s:
            start, stop = max(0.0, segment.at(stage.started_s)), max(0.0, segment.at(ended))
            middle = sorted(watts[segment.first : segment.end])[(segment.end - segment.first) // 2]
            stage = replace(stage, watts=middle, watts_from=start, watts_to=stop)
        found.append(stage)
    return _with_phases(found)


def _with_passing_loads(
    times: Sequence[float], watts: Sequence[float], segments: Sequence[Segment]
) -> list[Segment]:
    """The pieces, and between two held loads the single slow sample that belongs to neither.

    A load set too high at first, or touched before the rider gave up, is a stage, if a short
    one; a spike within a held load has the same load on both sides and stays passed over.
    """
    found = list(segments[:1])
    for right in segments[1:]:
        left = found[-1]
        low, high = sorted((left.watts, right.watts))
        passing = [
            n
            for n in (right.first, right.first - 1)
            if n + 1 < len(times)
            and times[n + 1] - times[n] >= PASSING_HELD_S
            and watts[n] > NEAR_ZERO_WATTS
            and not low - PASSING_WATTS < watts[n] < high + PASSING_WATTS
        ]
        if passing and not left.watts_per_s and not right.watts_per_s:
            n = passing[0]
            found[-1] = replace(left, end=n)
            found.append(Segment(n, n + 1, times[n], watts[n]))
            right = replace(right, first=n + 1)
        found.append(right)
    return found


def _with_phases(stages: list[DetectedStage]) -> list[DetectedStage]:
    """Rest before the first load, recovery after the last load that is near the highest."""
    loaded = [n for n, stage in enumerate(stages) if stage.ramp or stage.watts > NEAR_ZERO_WATTS]
    if not loaded:
        return [replace(stage, phase="rest") for stage in stages]
    highest = max(max(stage.watts, stage.watts_from or 0.0, stage.last_watts) for stage in stages)
    under = max(RECOVERY_SHARE * highest, NEAR_ZERO_WATTS)
    # a ramp that starts low is exercise when it ends high; one that ends low goes down
    last = max((n for n in loaded if stages[n].last_watts > under), default=loaded[-1])
    phases: list[Phase] = [
        "rest" if n < loaded[0] else "exercise" if n <= last else "recovery" for n in range(len(stages))
    ]
    return [replace(stage, phase=phase) for stage, phase in zip(stages, phases, strict=True)]


def first_rise(samples: Iterable[tuple[float, float]]) -> float | None:
    """The elapsed second at which the load first rises from none and stays: the first loaded stage.

    None where the log has no load, or is under load from its first sample on, so that the rise
    is not in it.
    """
    stages = detect_stages(samples)
    for before, stage in itertools.pairwise(stages):
        if before.phase == "rest" and stage.phase != "rest":
            return stage.started_s
    return None


def clock_offset(samples: Iterable[tuple[float, float]], noted_s: float) -> float:
    """Seconds to add to a log's times so that its first rise of load falls on the noted start.

    Raises InputError where the log has no rise to go by.
    """
    kept = list(samples)
    rise = first_rise(kept)
    if rise is not None:
        return noted_s - rise
    stages = detect_stages(kept)
    if not stages:
        what = "the log has no load sample"
    elif stages[0].phase == "rest":
        what = f"the load never rises above {NEAR_ZERO_WATTS:g} W and stays"
    else:
        what = f"the log begins under load ({stages[0].watts:.0f} W), so the first rise is not in it"
    raise InputError(
        f"align: {what}; a log is aligned by its first lasting rise of load from rest. "
        "Write clock_offset_s (seconds to add to the times of the log) instead of align"
    )
