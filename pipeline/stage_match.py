"""Which detected stage is which stage of the protocol.

An alignment in order: every detected stage is one stage of the protocol or none, and stages of
the protocol may be left out (not ridden, or an early end).  Loads decide, durations and phases
help.  What load does not tell apart is divided by planned minutes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from pipeline.load_points import NEAR_ZERO_WATTS
from pipeline.load_stages import DetectedStage
from pipeline.protocol import Protocol, Stage

LOAD_WATTS = 10.0  # a load this far off (or LOAD_SHARE of the target) costs 1
LOAD_SHARE = 0.1
SLOPE_SHARE = 0.3
SAME_LOAD_WATTS = 2.0
NO_LOAD_PLANNED = 0.3
OTHER_SHAPE = 9.0  # a ramp for a held load: never
OTHER_PHASE = 1.0
OTHER_PHASE_UNPLANNED = 4.0
LEFT_OUT = 0.1
EXTRA = 0.8


@dataclass(frozen=True)
class Match:
    """A detected stage and the protocol stage that it is, or None where it is none of them.

    `divided` marks a piece of one detected load that the protocol has as several stages; it
    was cut by their planned minutes, and its `samples` are shared out by time.
    """

    detected: DetectedStage
    stage_index: int | None
    divided: bool = False


def match_to_protocol(detected: Sequence[DetectedStage], protocol: Protocol) -> list[Match]:
    """Every detected stage, in order, with its place in the protocol.

    Rest before the first load is divided among the protocol's stages without load there
    (supine, seated, on the ergometer, unloaded pedalling), counted back from the first rise by
    planned minutes; the first of them takes what is over, and those with no time left were not
    had.  One load that the protocol has as several stages running is divided forwards.
    """
    stages = protocol.stages
    lead = next((n for n, stage in enumerate(stages) if not _unloaded(stage)), len(stages))
    rest = [stage for stage in detected if stage.phase == "rest"]
    loaded = detected[len(rest) :]
    matches: list[Match] = []
    for stage in rest:
        matches += _divided_rest(stage, stages[:lead], rises=bool(loaded))
    places = _aligned(loaded, stages[lead:])
    taken = {lead + place for place in places if place is not None}
    for stage, place in zip(loaded, places, strict=True):
        if place is None:
            matches.append(Match(stage, None))
        else:
            matches += _divided_load(stage, lead + place, stages, lead, taken)
    return matches


def _unloaded(stage: Stage) -> bool:
    if stage.phase == "rest":
        return True
    low = stage.target_watts is None or stage.target_watts <= NEAR_ZERO_WATTS
    return stage.loaded and low and stage.target_watts_to is None


def _divided_rest(stage: DetectedStage, planned: Sequence[Stage], *, rises: bool) -> list[Match]:
    if not planned:
        return [Match(stage, None)]
    starts: list[tuple[int, float]] = []
    if rises:
        now = stage.ended_s
        for index in range(len(planned) - 1, -1, -1):
            if now <= stage.started_s:
                break
            now = max(stage.started_s, now - (planned[index].planned_s or math.inf))
            starts.insert(0, (index, now))
        starts[0] = (starts[0][0], stage.started_s)
    else:
        # no rise to count back from: the log ended at rest
        now = stage.started_s
        for index, one in enumerate(planned):
            if starts and now >= stage.ended_s:
                break
            starts.append((index, now))
            now += one.planned_s or math.inf
    return _pieces(stage, starts)


def _divided_load(
    stage: DetectedStage, place: int, stages: Sequence[Stage], lead: int, taken: set[int]
) -> list[Match]:
    """The stage itself, or its pieces where stages beside its place are the same load."""
    first, end = place, place + 1
    if not stage.ramp:
        while first - 1 >= lead and first - 1 not in taken and _alike(stages[first - 1], stages[place]):
            first -= 1
        while end < len(stages) and end not in taken and _alike(stages[end], stages[place]):
            end += 1
    starts: list[tuple[int, float]] = []
    now = stage.started_s
    for index in range(first, end):
        if starts and now >= stage.ended_s:
            break
        starts.append((index, now))
        now += stages[index].planned_s or math.inf
    return _pieces(stage, starts)


def _alike(one: Stage, other: Stage) -> bool:
    if one.loaded != other.loaded or one.target_watts_to is not None or other.target_watts_to is not None:
        return False
    if one.target_watts is None or other.target_watts is None:
        return not one.loaded
    return abs(one.target_watts - other.target_watts) <= SAME_LOAD_WATTS


def _pieces(stage: DetectedStage, starts: Sequence[tuple[int, float]]) -> list[Match]:
    if len(starts) == 1:
        return [Match(stage, starts[0][0])]
    ends = [second for _, second in starts[1:]] + [stage.ended_s]
    matches: list[Match] = []
    for (index, second), end in zip(starts, ends, strict=True):
        share = (end - second) / stage.length_s if stage.length_s else 1.0
        piece = replace(stage, started_s=second, ended_s=end, samples=round(stage.samples * share))
        matches.append(Match(piece, index, divided=True))
    return matches


def _aligned(detected: Sequence[DetectedStage], planned: Sequence[Stage]) -> list[int | None]:
    """The place of each detected stage in `planned`, at the least cost in all."""
    rows, columns = len(detected), len(planned)
    cost = [[0.0] * (columns + 1) for _ in range(rows + 1)]
    step = [["end"] * (columns + 1) for _ in range(rows + 1)]
    for i in range(rows + 1):
        for j in range(columns + 1):
            # of equal costs the earlier stage of the protocol is taken
            choices: list[tuple[float, int, str]] = []
            if j:
                choices.append((cost[i][j - 1] + LEFT_OUT, 0, "left out"))
            if i and j:
                fit = _misfit(detected[i - 1], planned[j - 1], last=i == rows)
                choices.append((cost[i - 1][j - 1] + fit, 1, "match"))
            if i:
                length = min(120.0, detected[i - 1].length_s)
                choices.append((cost[i - 1][j] + EXTRA + length / 60, 2, "extra"))
            if choices:
                cost[i][j], _, step[i][j] = min(choices)
    places: list[int | None] = [None] * rows
    i, j = rows, columns
    while step[i][j] != "end":
        if step[i][j] == "left out":
            j -= 1
            continue
        i -= 1
        if step[i + 1][j] == "match":
            j -= 1
            places[i] = j
    return places


def _misfit(found: DetectedStage, planned: Stage, *, last: bool) -> float:
    """0 for a stage as planned, about 1 for one that is just still likely to be it."""
    recovering = found.phase == "recovery"
    if found.ramp != (planned.target_watts_to is not None):
        return OTHER_SHAPE
    if planned.target_watts is None:
        load = NO_LOAD_PLANNED
    elif found.watts_from is None or found.watts_to is None or planned.target_watts_to is None:
        load = _off(found.watts, planned.target_watts)
    else:
        # an early end leaves a ramp shorter, not flatter
        rate = (found.watts_to - found.watts_from) / max(found.length_s, 1.0)
        wanted = (planned.target_watts_to - planned.target_watts) / (planned.planned_s or 1.0)
        load = _off(found.watts_from, planned.target_watts) / 4 + (
            ((rate - wanted) / (SLOPE_SHARE * abs(wanted))) ** 2 if wanted else OTHER_SHAPE
        )
    phase = 0.0
    if recovering != (planned.phase == "recovery"):
        phase = OTHER_PHASE_UNPLANNED if planned.target_watts is None else OTHER_PHASE
    length = 0.0
    if planned.planned_s and not last and not recovering and not found.ramp:
        length = min(1.0, abs(math.log2(max(found.length_s, 1.0) / planned.planned_s))) * 0.3
    return load + phase + length


def _off(watts: float, target: float) -> float:
    return ((watts - target) / max(LOAD_WATTS, LOAD_SHARE * target)) ** 2
