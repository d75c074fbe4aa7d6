"""What the deriver hands back besides the snapshot: flags, readings and the watch, as data only."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from pipeline.rule import Level
from pipeline.snapshot import Snapshot


@dataclass(frozen=True)
class Flag:
    """One flag that holds: what lies outside which limit, at which line of the journal.

    `flag_at` is the moment from which it holds (UTC; None for the whole test), `observed`,
    `threshold` and `unit` what was judged by `operator`.  Columns as in flags.parquet.
    """

    code: str
    level: Level
    target_seq: int
    stage_index: int | None
    phase: str | None
    flag_at: datetime | None
    quantity: str
    observed: float
    operator: str
    threshold: float
    unit: str | None
    words: str
    detail: str | None
    rule_source: str


@dataclass(frozen=True)
class ShownReading:
    """One reading taken or missed as a console shows it; columns as in readings.parquet.

    mmHg, W, bpm; `elapsed_s` is the first sound in seconds of pipeline time, `used_note` why a
    reading is not used; changes are from rest and from the stage before.
    """

    reading_id: int
    status: str
    used: bool
    used_note: str | None
    stage_index: int | None
    stage_label: str | None
    elapsed_s: float
    k1_mmhg: float | None
    k1_at_least: bool
    k4_mmhg: float | None
    k5_mmhg: float | None
    dbp_mmhg: float | None
    dbp_phase: str | None
    watts: float | None
    heart_rate_bpm: float | None
    rpe: float | None
    role: str
    sbp_change_rest_mmhg: float | None
    sbp_change_stage_mmhg: float | None
    u_sbp_mmhg: float | None
    u_dbp_mmhg: float | None
    u_sbp_change_rest_mmhg: float | None
    u_sbp_change_stage_mmhg: float | None


@dataclass(frozen=True)
class Derived:
    """What the ladder says of a test up to line `seq`, as of `as_of`.

    Which flags hold, at which level and target is as of now.  What else they say of time and
    load (a number that moves with every sample) is as of `moving_as_of`, at most 10 s before.
    Flags come with the most severe first, readings in order of their first sound.
    """

    seq: int
    as_of: datetime
    moving_as_of: datetime
    snapshot: Snapshot
    flags: tuple[Flag, ...]
    readings: tuple[ShownReading, ...]


@dataclass(frozen=True)
class Logged:
    """What the logs say of one measure now, and how old that is.

    The mean of the 5 s up to the newest counted sample of the first source that has one within
    30 s; all None where none has.
    """

    value: float | None
    age_s: float | None
    source: str | None


@dataclass(frozen=True)
class Watched:
    """What is to be seen of the logs at `as_of`, W, rpm and bpm.

    `heart_rate_30s_bpm` is the mean of the last 30 s, for rates stated per beat; `differs`
    whether the flags of the last derivation no longer hold as they are, so that one is due.
    """

    as_of: datetime
    watts: Logged
    cadence_rpm: Logged
    heart_rate_bpm: Logged
    heart_rate_30s_bpm: float | None
    differs: bool
