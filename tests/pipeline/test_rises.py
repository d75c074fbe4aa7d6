"""Rise of systolic by METs and load, systolic at a load, and estimated oxygen uptake."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import sqrt
from typing import Any

import pytest

from pipeline.rules import shipped_rules

ADULT = {"age_years": 40.0, "mass_kg": 70.0, "medication": "none"}
CLEAR = {"clarity": "clear"}


def ride(
    make: Any,
    stages: list[tuple[Any, ...]],
    *,
    rest_bpm: float | None = 60.0,
    rest_k1: float | None = 120.0,
    stage_s: float = 180.0,
    after: tuple[Any, ...] = (),
    **opened: Any,
) -> Any:
    """Rest to 600 s with one reading, then stages of (W, bpm, k1, fields of reading, of stage)."""
    test = make(**ADULT | opened)
    test.source()
    test.stage(0, "rest")
    if rest_bpm is not None:
        test.log(0, 599, 5, heart_rate_bpm=rest_bpm)
    if rest_k1 is not None:
        test.taken(400, rest_k1, **CLEAR)
    at_s = 600.0
    for watts, bpm, k1, *fields in stages:
        taken, stage = [*fields, {}, {}][:2]
        test.stage(at_s, watts=watts, **stage)
        measured = {"watts": watts, "heart_rate_bpm": bpm}
        given = {name: value for name, value in measured.items() if value is not None}
        if given:
            test.log(at_s - 1, at_s + stage_s - 1, 1, **given)
        at_s += stage_s
        if k1 is not None:
            test.taken(at_s - 20, k1, **CLEAR | taken)
    test.stage(at_s, "recovery", 0)
    for after_s, k1 in after:
        test.taken(at_s + after_s, k1, **CLEAR)
    test.close(at_s + 200)
    return test


def near(value: float | None) -> Any:
    return None if value is None else pytest.approx(value, abs=1e-9)


# ---- rise by METs and by load -------------------------------------------------------------------

# 140 W at 70 kg: (10.8 * 2 + 7)/3.5 METs; from 120 to 190 mmHg
METS = 28.6 / 3.5
TO_190 = [(70.0, 100.0, 150), (140.0, 140.0, 190)]
RISES: dict[str, tuple[Any, float | None, float | None, str | None]] = {
    "a rise": (lambda make: ride(make, TO_190), 70 / (METS - 1), 70 / 140, None),
    "no rest": (lambda make: ride(make, TO_190, rest_k1=None), None, None, None),
    "no mass": (lambda make: ride(make, TO_190, mass_kg=None), None, None, "no_mass"),
    "no load": (lambda make: ride(make, [(None, 140.0, 190)]), None, None, "no_load"),
    "a lower bound": (
        lambda make: ride(make, [(140.0, 140.0, 190, {"k1_at_least": True})]), None, None, "lower_bound"
    ),
    "no peak": (lambda make: ride(make, [(140.0, 140.0, None)]), None, None, None),
    "just after": (
        lambda make: ride(make, [(140.0, 140.0, None)], after=((20, 185),)), None, None, "after_exercise"
    ),
    # (10.8 * 22/70 + 7)/3.5 = 2.97 METs, 23 W: 3.01
    "22 W": (lambda make: ride(make, [(22.0, 80.0, 130)]), None, None, "under_3_mets"),
    "23 W": (
        lambda make: ride(make, [(23.0, 80.0, 130)]),
        10 / ((10.8 * 23 / 70 + 7) / 3.5 - 1), 10 / 23, "outside_50_200_w",
    ),
    "fall": (lambda make: ride(make, [(140.0, 140.0, 110)]), -10 / (METS - 1), -10 / 140, None),
    "in a ramp": (
        lambda make: ride(make, [(140.0, 140.0, 190, {}, {"target_watts_to": 150.0})]),
        70 / (METS - 1), 70 / 140, "ramp",
    ),
}  # fmt: skip

# ---- at a load ----------------------------------------------------------------------------------

# predicted maximum 180, rest 60: 60 % of the reserve is 132 bpm
AT: dict[str, tuple[Any, float | None, str | None, float | None, str | None]] = {
    # 140 + 20 * 25/50; 120 and 144 bpm are 50 and 70 %
    "between": ([(75.0, 120.0, 140), (125.0, 144.0, 160)], 150.0, None, 150.0, None),
    "at a reading": ([(100.0, 132.0, 140), (125.0, 144.0, 160)], 140.0, None, 140.0, None),
    "60 W apart": ([(60.0, 120.0, 140), (120.0, 144.0, 170)], 160.0, None, 155.0, None),
    "61 W apart": ([(60.0, 120.0, 140), (121.0, 144.0, 170)], None, "not_bracketed", None, "not_bracketed"),
    "ended below": ([(50.0, 100.0, 140), (95.0, 120.0, 150)], None, "stopped_before", None, "stopped_before"),
    "begun above": ([(110.0, 140.0, 140), (150.0, 150.0, 160)], None, "not_bracketed", None, "not_bracketed"),
    "missed above": ([(75.0, 120.0, 140), (125.0, 144.0, None)], None, "missed", None, "missed"),
    "missed below": ([(75.0, 120.0, None), (125.0, 144.0, 160)], None, "missed", None, "missed"),
    "missed between": (
        [(60.0, 108.0, 140), (95.0, 130.0, None), (130.0, 144.0, 170)], None, "missed", None, "missed"
    ),
    # 75 and 125 W lie 50 W apart, whatever was missed between them
    "missed, and yet between": (
        [(75.0, 120.0, 140), (90.0, 130.0, None), (125.0, 144.0, 160)], 150.0, None, 150.0, None
    ),
    "doubtful above": (
        [(75.0, 120.0, 140), (125.0, 144.0, 160, {"clarity": "doubtful"})], None, "missed", None, "missed"
    ),
    "a lower bound above": (
        [(75.0, 120.0, 140), (125.0, 144.0, 160, {"k1_at_least": True})], None, "missed", None, "missed"
    ),
    # on the way down the pressure is another one
    "falling": ([(150.0, 150.0, 170), (80.0, 128.0, 150)], None, "not_bracketed", None, "not_bracketed"),
    # 130 mmHg at 75 W came before and does not count
    "the last of a stage": ([(75.0, 120.0, 140), (125.0, 144.0, 160)], 150.0, None, 150.0, None),
    "no load": ([(None, 120.0, 140), (None, 144.0, 160)], None, "no_load", None, "not_bracketed"),
    "no heart rate": ([(75.0, None, 140), (125.0, None, 160)], 150.0, None, None, "no_heart_rate"),
    "no stage": ([], None, "no_exercise_stage", None, "no_exercise_stage"),
    "reserve": ([(75.0, 120.0, 140), (125.0, 121.0, 160)], 150.0, None, None, "reserve_under_20"),
}  # fmt: skip

# ---- maximal oxygen uptake ----------------------------------------------------------------------

# range 110 to 0.85 * 180 = 153 bpm
VO2: dict[str, tuple[list[tuple[Any, ...]], dict[str, Any], float | None, str | None]] = {
    # 0.6 bpm/W from 114 at 50 W: 180 at 160 W; 10.8 * 160/70 + 7
    "three stages": (
        [(50.0, 114.0, None), (75.0, 129.0, None), (100.0, 144.0, None)], {}, 10.8 * 160 / 70 + 7, None
    ),
    # 108 and 156 bpm lie outside
    "outside": (
        [(40.0, 108.0, None), (50.0, 114.0, None), (100.0, 144.0, None), (150.0, 156.0, None)],
        {}, 10.8 * 160 / 70 + 7, None,
    ),
    "at the edges": ([(50.0, 110.0, None), (100.0, 153.0, None)], {}, 10.8 * (50 + 70 / 0.86) / 70 + 7, None),
    "one": ([(50.0, 114.0, None), (100.0, 160.0, None)], {}, None, "few_stages_in_range"),
    "9 bpm apart": ([(50.0, 120.0, None), (100.0, 129.0, None)], {}, None, "stages_close"),
    "falling": ([(50.0, 140.0, None), (100.0, 125.0, None)], {}, None, "hr_not_rising"),
    "ramp": (
        [(50.0, 114.0, None), (100.0, 144.0, None, {}, {"target_watts_to": 120.0})],
        {}, None, "few_stages_in_range",
    ),
    "beta-blocker": (
        [(50.0, 114.0, None), (100.0, 144.0, None)], {"medication": "beta_blocker"}, None, "beta_blocker"
    ),
    "no age": ([(50.0, 114.0, None), (100.0, 144.0, None)], {"age_years": None}, None, "no_age"),
    "under 18": ([(50.0, 114.0, None), (100.0, 144.0, None)], {"age_years": 17.0}, None, "under_18"),
    "no mass": ([(50.0, 114.0, None), (100.0, 144.0, None)], {"mass_kg": None}, None, "no_mass"),
    "unknown": (
        [(50.0, 114.0, None), (100.0, 144.0, None)],
        {"medication": None}, 10.8 * 160 / 70 + 7, "medication_unknown",
    ),
    "short": (
        [(50.0, 114.0, None), (100.0, 144.0, None)], {"stage_s": 150.0}, 10.8 * 160 / 70 + 7, "not_steady"
    ),
}  # fmt: skip


@pytest.fixture(scope="module")
def derived(invented: Any, derive: Callable[..., Any]) -> Any:
    """All cases, derived in one pass."""
    cases = {f"rise {name}": happens(invented) for name, (happens, *_) in RISES.items()}
    for name, (stages, *_) in AT.items():
        cases[f"at {name}"] = ride(invented, stages, **{"rest_bpm": 160.0} if name == "reserve" else {})
    cases["at the last of a stage"].taken(700, 130, **CLEAR)
    cases |= {f"vo2 {name}": ride(invented, given, **facts) for name, (given, facts, *_) in VO2.items()}
    return derive(cases)


@pytest.mark.parametrize("name", RISES)
def test_rises(derived: Any, name: str) -> None:
    _, by_met, by_watt, note = RISES[name]
    [row] = derived.rows("sbp_rises", f"rise {name}")
    assert row["sbp_rise_mmhg_per_met"] == near(by_met)
    assert row["sbp_rise_mmhg_per_w"] == near(by_watt)
    assert row["sbp_rise_note"] == note


def test_u_of_a_rise(derived: Any) -> None:
    [row] = derived.rows("sbp_rises", "rise a rise")
    # 5 mmHg in exercise, 3.5 at rest, and 1 % of 70 mmHg
    u = sqrt(5**2 + 3.5**2 + 0.7**2)
    assert row["u_sbp_rise_mmhg_per_met"] == near(u / (METS - 1))
    assert row["u_sbp_rise_mmhg_per_w"] == near(u / 140)


@pytest.mark.parametrize("name", AT)
def test_at_a_load(derived: Any, name: str) -> None:
    _, at_watts, watts_note, at_reserve, reserve_note = AT[name]
    [row] = derived.rows("sbp_at_loads", f"at {name}")
    assert (row["sbp_at_watts"], row["sbp_at_percent_reserve"]) == (100, 60)
    assert (row["sbp_at_watts_mmhg"], row["sbp_at_watts_note"]) == (near(at_watts), watts_note)
    assert (row["sbp_at_percent_reserve_mmhg"], row["sbp_at_percent_reserve_note"]) == (
        near(at_reserve),
        reserve_note,
    )


def test_u_at_a_load(derived: Any) -> None:
    # half of each of two readings of 5 mmHg; at a reading its own
    assert derived.rows("sbp_at_loads", "at between")[0]["u_sbp_at_watts_mmhg"] == near(sqrt(2 * 2.5**2))
    assert derived.rows("sbp_at_loads", "at at a reading")[0]["u_sbp_at_watts_mmhg"] == near(5)


def test_another_load_by_the_rules(invented: Any, alone: Callable[..., Any]) -> None:
    rules = shipped_rules()
    settings = rules.settings.model_copy(update={"sbp_at_watts": 90.0, "sbp_at_percent_reserve": 55.0})
    test = ride(invented, [(75.0, 120.0, 140), (125.0, 144.0, 160)])
    [row] = alone(test, replace(rules, settings=settings)).rows("sbp_at_loads", "T")
    # 140 + 20 * 15/50, and 140 + 20 * 5/20
    assert (row["sbp_at_watts"], row["sbp_at_watts_mmhg"]) == (90, near(146))
    assert (row["sbp_at_percent_reserve"], row["sbp_at_percent_reserve_mmhg"]) == (55, near(145))


@pytest.mark.parametrize("name", VO2)
def test_estimated_maximal_oxygen_uptake(derived: Any, name: str) -> None:
    _, _, vo2, note = VO2[name]
    [row] = derived.rows("vo2max_estimates", f"vo2 {name}")
    assert (row["vo2max_est_ml_kg_min"], row["vo2max_est_note"]) == (near(vo2), note)
    assert row["vo2max_est_method"] == (None if vo2 is None else "acsm")


def test_u_of_estimated_oxygen_uptake(derived: Any) -> None:
    [row] = derived.rows("vo2max_estimates", "vo2 three stages")
    # 160 W is 85 W beyond the mean of 50, 75 and 100 W, whose squares about it sum to 1250
    u_watts = sqrt(10**2 + 3**2 * (1 / 3 + 85**2 / 1250)) / 0.6
    assert row["u_vo2max_est_ml_kg_min"] == near(10.8 / 70 * u_watts)
    assert row["vo2max_est_n"] == 3


def test_two_stages_in_print(invented: Any, alone: Callable[..., Any]) -> None:
    """NHANES, appendix G: at 40 years 23.3 and 31.4 mL/kg/min at 120 and 140 bpm give 47.6."""
    rules = shipped_rules()
    wide = rules.settings.model_copy(update={"vo2max_hr_max_share": 1.0})
    watts = [(vo2 - 7) * 70 / 10.8 for vo2 in (23.3, 31.4)]
    test = ride(invented, [(watts[0], 120.0, None), (watts[1], 140.0, None)])
    [row] = alone(test, replace(rules, settings=wide)).rows("vo2max_estimates", "T")
    assert row["vo2max_est_ml_kg_min"] == pytest.approx(47.6, abs=0.05)
