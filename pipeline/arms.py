"""Which arm: both are tried on a first visit, then the one that reads higher is used."""

from __future__ import annotations

import math
from collections.abc import Sequence

from pipeline.events import Arm
from pipeline.prompt import StageInForce
from pipeline.protocol import Stage
from pipeline.snapshot import Snapshot

ARMS_APART_MMHG = 10.0


def arm_of(stage: Stage, number: int) -> Arm | None:
    """The arm of the `number`-th resting reading where both are tried: left, right, left."""
    if stage.arms != "both":
        return None
    return "left" if number % 2 else "right"


def higher_arm(stages: Sequence[StageInForce], snapshot: Snapshot) -> Arm | None:
    """The arm that reads higher by 10 mmHg or more where both were tried, else None."""
    both = next((stage.index for stage in reversed(stages) if stage.stage.arms == "both"), None)
    used = [r for r in snapshot.readings if r.used and r.stage_index == both and both is not None]
    left, right = ([r.k1 for r in used if r.arm == arm and r.k1 is not None] for arm in ("left", "right"))
    if not left or not right:
        return None
    higher = math.fsum(left) / len(left) - math.fsum(right) / len(right)
    if abs(higher) < ARMS_APART_MMHG:
        return None
    return "left" if higher > 0 else "right"
