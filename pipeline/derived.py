"""What the deriver hands back of a live test: flags and readings as the ladder has them, and the watch."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from pipeline.snapshot import Snapshot


@dataclass(frozen=True)
class Flag:
    """A flag that holds, as in flags.parquet."""

    code: str
    level: Literal["stop", "caution", "check", "note"]
    target_seq: int
    stage_index: int | None
    phase: str | None
    flag_at: datetime | None
    quantity: str
    observed: float | None
    operator: str
    threshold: float | None
    unit: str | None
    words: str
    detail: str | None
    rule_source: str | None


@dataclass(frozen=True)
class ShownReading:
    """A reading as consoles list it."""

    reading_id: int
    status: Literal["taken", "missed", "void"]
    stage_label: str | None
    elapsed_s: float
    sbp_mmhg: float | None
    k1_at_least: bool
    dbp_mmhg: float | None
    dbp_phase: str | None
    watts: float | None
    heart_rate_bpm: float | None
    rpe: float | None
    used: bool


@dataclass(frozen=True)
class Now:
    """The last value of a measure: its age in s, and the source it is from."""

    value: float
    age_s: float
    source: str


@dataclass(frozen=True)
class Watched:
    """The watch at `as_of`; `differs`: the flags are no longer those of the last derivation."""

    as_of: datetime
    watts: Now | None
    cadence_rpm: Now | None
    heart_rate_bpm: Now | None
    heart_rate_30s_bpm: float | None
    differs: bool


@dataclass(frozen=True)
class Derived:
    """Everything that was found up to line `seq`, as of a moment."""

    seq: int
    as_of: datetime
    snapshot: Snapshot
    flags: tuple[Flag, ...]
    readings: tuple[ShownReading, ...]
