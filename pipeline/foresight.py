"""A look ahead: every prompt of a test before anybody has come.

Preflight prints from it the stages, windows and pressures, and the stages that have no room.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from pipeline.cuff import DBP_UNKNOWN_MMHG
from pipeline.plan import plan_stage
from pipeline.prompt import Prompt, StageInForce
from pipeline.protocol import Stage
from pipeline.snapshot import Snapshot, SnapshotReading


@dataclass(frozen=True)
class Foresight:
    """A test as it would go: its stages, and its prompts in order.  Times in s from its first stage on."""

    stages: tuple[StageInForce, ...]
    prompts: tuple[Prompt, ...]


def foresee(planned: Sequence[Stage], age_years: float | None = None) -> Foresight:
    """The course of a test in which each reading comes on time and as expected (K 70 mmHg).

    A resting stage waits for its last reading; the last stage may be open.  Ramps and marks too;
    what has no room is there with `fits` "no".
    """
    stages: list[StageInForce] = []
    prompts: list[Prompt] = []
    snapshot, start_s = Snapshot.empty, 0.0
    for index, stage in enumerate(planned):
        end_s = None if stage.planned_s is None else start_s + stage.planned_s
        stages = [replace(earlier, ended_s=earlier.ended_s or start_s) for earlier in stages]
        stages.append(StageInForce(index, stage, start_s, end_s))
        settled: set[str] = set()
        while coming := plan_stage(stages, snapshot, settled=settled, age_years=age_years):
            prompt = coming[0]
            prompts.append(prompt)
            settled.add(prompt.key)
            if prompt.fits != "no":
                snapshot = _as_expected(snapshot, stages[-1], prompt)
        start_s = max([end_s or start_s, *(p.release_s for p in prompts if p.aims_at == "rest")])
    return Foresight(tuple(stages), tuple(prompts))


def _as_expected(snapshot: Snapshot, force: StageInForce, prompt: Prompt) -> Snapshot:
    reading = SnapshotReading(
        seq=len(snapshot.readings) + 1,
        measured_s=prompt.first_sound_due,
        release_s=prompt.release_s,
        phase=force.stage.phase,
        stage_index=force.index,
        k1=prompt.expected_sbp,
        dbp=DBP_UNKNOWN_MMHG,
        watts=force.stage.target_at(prompt.first_sound_due - force.started_s),
        used=True,
        arm=prompt.arm,
    )
    readings = (*snapshot.readings, reading)
    at_rest = [r.k1 for r in readings if r.phase == "rest" and r.k1 is not None]
    sbp_rest = math.fsum(at_rest) / len(at_rest) if at_rest else None
    return replace(snapshot, readings=readings, sbp_rest=sbp_rest)
