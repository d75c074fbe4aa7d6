"""The cuff before and during a reading: how high to pump, how long it takes, when it is down.

Everything here is arithmetic on pressures (mmHg), loads (W) and seconds; no clock, no events.
`Snapshot` is what the deriver last found; the functions use nothing else about the test.
Unless a source is named, a constant is common practice without one and is tuned by benchmarks.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from pipeline.protocol import Phase
from pipeline.snapshot import Snapshot, SnapshotReading

LOADED: tuple[Phase, ...] = ("warmup", "exercise")

SBP_UNKNOWN_MMHG = 130.0
"""Expected systolic where nothing is known; on the high side, because pumping too low costs a reading."""
DBP_UNKNOWN_MMHG = 70.0
SBP_PER_W = 0.4
"""Rise of systolic with load until the test shows its own; about 10 mmHg a MET."""
SBP_PER_W_RANGE = (0.1, 0.8)
SLOPE_READINGS = 3
SLOPE_SPAN_W = 50.0
ABOVE_LOWER_BOUND_MMHG = 20.0
RECOVERY_LAG_S = 120.0
"""Back at baseline after 5 to 7 min on average (Dimkpa & Ugwu, Int J Exerc Sci 2009): three times this."""
NOT_RECOVERED_MMHG = 20.0
EXPECTED_TOP_MMHG = 400.0
"""The highest pressure that an event may hold; a wild load must not stop the recorder."""

MARGIN_MMHG = {"rest": 30.0, "warmup": 40.0, "exercise": 40.0, "recovery": 40.0}
"""How far to pump above the expected systolic; 40 under load is the usual protocol text."""
FLOOR_REST_MMHG = 150.0
FLOOR_FIRST_MMHG = 200.0
FLOOR_KNOWN_MMHG = 160.0
FLOOR_READINGS = 2
CHILD_BELOW_YEARS = 16.0
DIAL_TOP_MMHG = 300.0

PALPATION_MMHG = 160.0
PALPATION_S = 60.0
PALPATION_ABOVE_MMHG = 30.0
"""The usual 20 to 30 mmHg above the pressure at which the pulse goes."""

PUMP_MMHG_PER_S = 30.0
FALL_MMHG_PER_S = {"rest": 3.0, "warmup": 2.5, "exercise": 2.5, "recovery": 2.5}
FALL_RANGE_MMHG_PER_S = (2.0, 4.0)
"""2 to 4 mmHg/s until sounds start is the usual instruction."""
FALL_READINGS = 3
LISTEN_MMHG = {"rest": 30.0, "warmup": 40.0, "exercise": 40.0, "recovery": 40.0}
LISTEN_BELOW_DBP_MMHG = 20.0
RELEASE_S = 3.0
SLACK_S = 15.0
SLACK_SHARE = 0.20
"""Such that 97 % of whole readings end in their stage (tests/benchmarks/bench_prompts.py)."""
MARK_REACTION_S = 10.0
"""From cuff_up to pumping where a moment is aimed at; elsewhere the slack has it."""
ENTRY_S = 10.0
"""From full release to the numbers being typed."""

GAP_S = {"rest": 60.0, "warmup": 30.0, "exercise": 30.0, "recovery": 30.0}
"""From full release to the next pumping.  At least 30 s: venous congestion of the arm."""


@dataclass(frozen=True)
class Durations:
    """How a reading runs, in seconds: pump to first sound, to last sound, to full release, slack.

    `rate` is the fall in mmHg/s, `dbp` the diastolic counted on, `listen_to` the pressure down
    to which to listen before letting go.
    """

    rate: float
    dbp: float
    listen_to: float
    t1: float
    t2: float
    tail: float
    slack: float


def sbp_per_watt(readings: Sequence[SnapshotReading]) -> float:
    """Rise of systolic in mmHg/W: least squares of k1 on watts, else 0.4; held to 0.1 to 0.8.

    Asks for three used loaded readings that span 50 W.
    """
    points = [
        (r.watts, r.k1)
        for r in readings
        if r.used and r.phase in LOADED and r.watts is not None and r.k1 is not None
    ]
    loads = [watts for watts, _ in points]
    if len(points) < SLOPE_READINGS or max(loads) - min(loads) < SLOPE_SPAN_W:
        return SBP_PER_W
    mean_load = math.fsum(loads) / len(points)
    mean_k1 = math.fsum(k1 for _, k1 in points) / len(points)
    across = math.fsum((watts - mean_load) * (k1 - mean_k1) for watts, k1 in points)
    along = math.fsum((watts - mean_load) ** 2 for watts in loads)
    low, high = SBP_PER_W_RANGE
    return min(high, max(low, across / along))


def expected_sbp(
    snapshot: Snapshot, phase: Phase, *, stage_index: int, planned_watts: float | None = None
) -> float:
    """Expected systolic E in mmHg of a reading in stage `stage_index` at `planned_watts`.

    Rest: the last k1 of the stage.  Loaded: the last used loaded k1 plus the rise for the load
    that comes on top; load that falls is not used.  Recovery: the previous k1, the first time
    the last loaded one; without any, what the load just left (`planned_watts`) makes of the
    resting one.  Doubtful readings say nothing here; a lower bound counts 20 mmHg more.
    """
    telling = [r for r in snapshot.readings if r.k1 is not None and (r.used or r.k1_at_least)]
    at_rest = SBP_UNKNOWN_MMHG if snapshot.sbp_rest is None else snapshot.sbp_rest
    loaded = [r for r in telling if r.phase in LOADED]
    if phase == "rest":
        expected = _last_pressure([r for r in telling if r.stage_index == stage_index], SBP_UNKNOWN_MMHG)
    elif phase == "recovery":
        # a doubtful pressure of exercise says more about the peak than a good one at rest
        ridden = loaded or [r for r in snapshot.readings if r.k1 is not None and r.phase in LOADED]
        recovered = [r for r in telling if r.phase == "recovery"]
        unread = at_rest + SBP_PER_W * (planned_watts or 0.0)
        expected = _last_pressure(recovered or ridden, unread)
    else:
        expected = _expected_loaded(loaded, at_rest, planned_watts)
    return min(EXPECTED_TOP_MMHG, expected)


def recovered_sbp(snapshot: Snapshot, last: float, unloaded_s: float, at_s: float) -> float:
    """What is left at `at_s` of `last` mmHg, on its way back to rest since load ended at `unloaded_s`.

    Exponential with RECOVERY_LAG_S, from the last reading on where that came later.  `last` where
    the resting systolic is not known or not lower.
    """
    if snapshot.sbp_rest is None or last <= snapshot.sbp_rest:
        return last
    read = [r.measured_s for r in snapshot.readings if r.k1 is not None and (r.used or r.k1_at_least)]
    since_s = max([unloaded_s, *read])
    left = math.exp(-max(0.0, at_s - since_s) / RECOVERY_LAG_S)
    return snapshot.sbp_rest + (last - snapshot.sbp_rest) * left


def _last_pressure(readings: Sequence[SnapshotReading], otherwise: float) -> float:
    if not readings or readings[-1].k1 is None:
        return otherwise
    return readings[-1].k1 + (ABOVE_LOWER_BOUND_MMHG if readings[-1].k1_at_least else 0.0)


def _expected_loaded(loaded: Sequence[SnapshotReading], at_rest: float, planned_watts: float | None) -> float:
    per_watt = sbp_per_watt(loaded)
    used = [r for r in loaded if r.used]
    if used:
        last = used[-1]
        rise = 0.0
        if planned_watts is not None and last.watts is not None:
            rise = per_watt * max(0.0, planned_watts - last.watts)
        by_load = _last_pressure(used, at_rest) + rise
    else:
        by_load = at_rest + per_watt * (planned_watts or 0.0)
    if loaded and loaded[-1].k1_at_least:
        # the higher of the two: after one reading lost to a low cuff the next must not be
        return max(by_load, _last_pressure(loaded, at_rest))
    return by_load


def floor_mmhg(snapshot: Snapshot, phase: Phase, age_years: float | None = None) -> float:
    """The least pressure to pump to: 150 at rest; 200 until two exercise readings, then 160.

    Zero under 16 years; an age that is not known counts as adult.  Warm-up and recovery go
    with exercise, the readings counted are the used ones of phase exercise.
    """
    if age_years is not None and age_years < CHILD_BELOW_YEARS:
        return 0.0
    if phase == "rest":
        return FLOOR_REST_MMHG
    known = sum(1 for r in snapshot.readings if r.used and r.phase == "exercise")
    return FLOOR_KNOWN_MMHG if known >= FLOOR_READINGS else FLOOR_FIRST_MMHG


def inflate_to(expected: float, phase: Phase, floor: float) -> float:
    """Pressure to pump to: margin above `expected`, at least `floor`, up to the next ten, at most 300."""
    wanted = max(expected + MARGIN_MMHG[phase], floor)
    # a slope leaves 190.0000000001 where 190 is meant
    return min(DIAL_TOP_MMHG, math.ceil((wanted - 1e-6) / 10) * 10.0)


def above_dial(expected: float, phase: Phase) -> bool:
    """Whether `inflate_to` had to stop at the top of the dial."""
    return expected + MARGIN_MMHG[phase] > DIAL_TOP_MMHG


def palpated_pump(expected: float) -> float:
    """Pressure to plan the first reading of a test with: 160, or 30 above `expected` mmHg.

    30 above the palpated pressure is what will be pumped to, so a high expectation counts.
    """
    return max(PALPATION_MMHG, expected + PALPATION_ABOVE_MMHG)


def observer_rate(readings: Sequence[SnapshotReading], phase: Phase) -> float:
    """Fall in mmHg/s to plan with: median of this observer's last three measured ones of `phase`.

    This observer is who took the last reading.  Without one the default of the phase; always
    held to 2 to 4.
    """
    observer = readings[-1].observer if readings else None
    measured = [
        r.measured_rate
        for r in readings
        if r.phase == phase and r.observer == observer and r.measured_rate is not None
    ]
    low, high = FALL_RANGE_MMHG_PER_S
    return min(high, max(low, median(measured[-FALL_READINGS:]) if measured else FALL_MMHG_PER_S[phase]))


def expected_dbp(readings: Sequence[SnapshotReading], phase: Phase) -> float:
    """Diastolic K to plan with: the last one of `phase`, else the last one, else 70 mmHg."""
    known = [(r.phase, r.dbp) for r in readings if r.dbp is not None]
    return next(
        (dbp for of_phase, dbp in reversed(known) if of_phase == phase),
        known[-1][1] if known else DBP_UNKNOWN_MMHG,
    )


def durations(
    snapshot: Snapshot, phase: Phase, expected: float, pumped_to: float | None, reaction_s: float = 0.0
) -> Durations:
    """How long a reading takes for which `pumped_to` mmHg are pumped `reaction_s` after cuff_up.

    `pumped_to` None is the first reading of a test, where the pulse is felt first: t1 has 60 s
    more in it.
    """
    before_s = reaction_s + (PALPATION_S if pumped_to is None else 0.0)
    if pumped_to is None:
        pumped_to = palpated_pump(expected)
    rate = observer_rate(snapshot.readings, phase)
    dbp = expected_dbp(snapshot.readings, phase)
    listen_to = max(LISTEN_MMHG[phase], dbp - LISTEN_BELOW_DBP_MMHG)
    last = max(dbp, LISTEN_MMHG[phase])
    t1 = before_s + pumped_to / PUMP_MMHG_PER_S + max(0.0, pumped_to - expected) / rate
    t2 = max(0.0, expected - last) / rate
    return Durations(
        rate=rate,
        dbp=dbp,
        listen_to=listen_to,
        t1=t1,
        t2=t2,
        tail=max(0.0, last - listen_to) / rate + RELEASE_S,
        slack=SLACK_S + SLACK_SHARE * (t1 + t2),
    )


def fall_rate(
    phase: Phase,
    *,
    measured: float | None = None,
    per_s: float | None = None,
    per_beat: float | None = None,
    heart_rate_bpm: float | None = None,
) -> float:
    """The fall in mmHg/s of one reading: measured, else stated per second, else per beat, else default."""
    if measured is not None:
        return measured
    if per_s is not None:
        return per_s
    if per_beat is not None and heart_rate_bpm is not None:
        return per_beat * heart_rate_bpm / 60
    return FALL_MMHG_PER_S[phase]


def lowest_sound(
    *, k5: float | None, heard_to: float | None, k4: float | None, planned_dbp: float | None = None
) -> float:
    """Pressure in mmHg down to which sounds were heard: k5, heard_to, k4, the K planned with, 70."""
    known = (k5, heard_to, k4, planned_dbp)
    return next((pressure for pressure in known if pressure is not None), DBP_UNKNOWN_MMHG)


def last_sound(measured_s: float, k1: float, lowest: float, rate: float) -> float:
    """Moment of the last sound in seconds, from the first sound at `measured_s`."""
    return measured_s + (k1 - lowest) / rate


def full_release(measured_s: float, k1: float, lowest: float, listen_to: float, rate: float) -> float:
    """Moment in seconds at which the cuff is empty: listened down, then 3 s to let go."""
    return measured_s + (k1 - min(listen_to, lowest)) / rate + RELEASE_S


def estimate_first_sound(
    entry_s: float,
    k1: float,
    lowest: float,
    rate: float,
    phase: Phase,
    *,
    listen_to: float | None = None,
    cuff_up: float = 0.0,
    stage_end_s: float | None = None,
) -> float:
    """Moment of the first sound in seconds of an entry that came without a time.

    Entry - 10 s - the way from k1 down to where listening ended.  With a prompt give its
    `listen_to`, its `cuff_up` (not before it) and the end of its stage where that is over (not
    after it); without one the bounds are the start of the test and the entry.
    """
    down_to = min(LISTEN_MMHG[phase] if listen_to is None else listen_to, lowest)
    estimate = max(cuff_up, entry_s - ENTRY_S - (k1 - down_to) / rate)
    return min(estimate, entry_s if stage_end_s is None else min(entry_s, stage_end_s))
