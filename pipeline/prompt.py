"""A prompt: one wanted reading with its times, and the stage that it belongs to."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from pipeline.events import Arm
from pipeline.protocol import Stage

AimsAt = Literal["stage_end", "mark", "rest", "immediate", "repeat"]
Fits = Literal["whole", "systolic", "no"]


@dataclass(frozen=True)
class StageInForce:
    """A stage as it is ridden.  `planned_end_s` has extensions in it and is None when open."""

    index: int
    stage: Stage
    started_s: float
    planned_end_s: float | None = None
    ended_s: float | None = None


@dataclass(frozen=True)
class Prompt:
    """A wanted reading: when to stand by, pump, hear the first sound and be done, and how high.

    `key` names what is wanted (stage and which of its readings) and stays when the times move.
    `inflate_to` is None for the first reading of a test, where the pulse is felt; `above_dial`
    says that 300 mmHg is not enough.  `t1`, `t2`, `tail`, `slack` are the seconds to the first
    sound, on to the last, on to full release, and to spare.
    """

    key: str
    stage_index: int
    aims_at: AimsAt
    fits: Fits
    stand_by: float
    cuff_up: float
    first_sound_due: float
    window_closes: float
    inflate_to: float | None
    listen_to: float
    expected_sbp: float
    expected_dbp: float
    snapshot_seq: int
    t1: float
    t2: float
    tail: float
    slack: float
    above_dial: bool = False
    arm: Arm | None = None

    @property
    def release_s(self) -> float:
        """When the cuff will be empty if all goes as planned."""
        return self.first_sound_due + self.t2 + self.tail


@dataclass(frozen=True)
class Standing:
    """A prompt that was issued at `issued_s` and is not answered, superseded or missed."""

    prompt: Prompt
    issued_s: float
