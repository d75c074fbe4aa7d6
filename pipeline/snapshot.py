"""What the deriver last found of a test, as far as the cuff and the prompts need it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from pipeline.events import Arm, Clarity
from pipeline.protocol import Phase


@dataclass(frozen=True)
class SnapshotReading:
    """One primary reading, or one attempted miss (`k1` None), as the deriver found it.

    `measured_s` is the first sound, `release_s` the full release (of a miss: its time), both
    in seconds of pipeline time.  `lowest` is the pressure of the last sound listened to,
    `measured_rate` the fall in mmHg/s between marked sounds.  Void readings and those of a
    second observer are not in a snapshot.
    """

    seq: int
    measured_s: float
    release_s: float
    phase: Phase
    stage_index: int | None = None
    due_seq: int | None = None
    k1: float | None = None
    k1_at_least: bool = False
    k4: float | None = None
    k5: float | None = None
    dbp: float | None = None
    lowest: float | None = None
    watts: float | None = None
    used: bool = False
    observer: str | None = None
    arm: Arm | None = None
    inflated_to: float | None = None
    measured_rate: float | None = None
    clarity: Clarity | None = None


@dataclass(frozen=True)
class Snapshot:
    """What the deriver found up to line `seq`; readings in order of `measured_s`.

    `repeat_after` is the seq of the reading that a flag wants repeated.
    """

    empty: ClassVar[Snapshot]

    seq: int = 0
    readings: tuple[SnapshotReading, ...] = ()
    sbp_rest: float | None = None
    repeat_after: int | None = None

    @property
    def has_rest(self) -> bool:
        """Whether the resting systolic is known."""
        return self.sbp_rest is not None


Snapshot.empty = Snapshot()
