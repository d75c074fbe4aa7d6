"""Uncertainties a second time: propagation by the package `uncertainties`, resolution by Monte Carlo.

The Monte Carlo is after JCGM 101:2008: true pressures drawn over more than 20 mmHg, a uniform
phase of the beat, a cuff that falls evenly, a dial read to its nearest graduation.
"""

from __future__ import annotations

from dataclasses import replace
from statistics import stdev
from typing import Any

import numpy as np
import pytest
from uncertainties import ufloat

from pipeline.rules import shipped_rules

DRAWS = 80_000
STEP_MMHG = 2.0
REST_U, LOADED_U, FACTOR, SCALE = 3.5, 5.0, 1.5, 0.01


def u_of(expression: Any) -> float:
    return float(expression.std_dev)


def changed(later: Any, earlier: Any) -> Any:
    """The difference under a factor of scale of 1 +- 1 %, which both share."""
    return (later - earlier) * ufloat(1, SCALE)


@pytest.mark.parametrize("method", ["third", "two_fifths", "half", "heart_rate"])
def test_formulas_against_the_package(tiny_test: Any, method: str) -> None:
    shipped = shipped_rules()
    test = tiny_test(replace(shipped, settings=shipped.settings.model_copy(update={"map_method": method})))
    test.stage(0, 0, "rest")
    test.log(0, 600, 0.0, 60.0)
    test.reading(400, 118, 78, clarity="clear")
    test.reading(500, 126, 82, clarity="difficult")
    test.stage(1, 600, "exercise", 100)
    test.log(600, 760, 100.0, 118.0)
    test.log(760, 780, 100.0, 124.0)
    test.reading(775, 163, 85, clarity="clear")
    *_, row = test.readings(780)

    k1, k5, product = ufloat(163, LOADED_U), ufloat(85, LOADED_U), row["rate_pressure_product"]
    # of 30 samples at most 15 are of 124 bpm
    sd = stdev([118.0] * 15 + [124.0] * 15)
    rate = ufloat(121, sd)
    factor = {"third": 1 / 3, "two_fifths": 0.4, "half": 0.5, "heart_rate": 0.33 + 0.0012 * 121}[method]
    assert product == pytest.approx(163 * 121, rel=1e-12)
    assert row["u_rate_pressure_product"] == pytest.approx(u_of(k1 * rate), rel=1e-9)
    assert row["u_pulse_pressure_mmhg"] == pytest.approx(u_of(k1 - k5), rel=1e-9)
    assert row["u_map_mmhg"] == pytest.approx(u_of(k5 + factor * (k1 - k5)), rel=1e-9)

    at_rest = [
        (ufloat(118, REST_U), ufloat(78, REST_U)),
        (ufloat(126, REST_U * FACTOR), ufloat(82, REST_U * FACTOR)),
    ]
    sbp = sum(s for s, _ in at_rest) / 2
    dbp = sum(d for _, d in at_rest) / 2
    rest_factor = 0.33 + 0.0012 * 60 if method == "heart_rate" else factor
    mean = sum(d + rest_factor * (s - d) for s, d in at_rest) / 2
    expected = {
        "u_sbp_change_rest_mmhg": changed(k1, sbp),
        "u_dbp_change_rest_mmhg": changed(k5, dbp),
        "u_sbp_change_stage_mmhg": changed(k1, sbp),
        "u_dbp_change_stage_mmhg": changed(k5, dbp),
        "u_map_change_stage_mmhg": changed(k5 + factor * (k1 - k5), mean),
        "u_pulse_pressure_change_stage_mmhg": changed(k1 - k5, sbp - dbp),
    }
    assert {name: row[name] for name in expected} == pytest.approx(
        {name: u_of(value) for name, value in expected.items()}, rel=1e-9
    )


def first_sounds(per_s: float, heart_rate_bpm: float, breathing: float = 0.0, beat_sd: float = 0.0) -> Any:
    """Reading minus true systolic of `DRAWS` readings: the dial at the first beat above the cuff."""
    random = np.random.default_rng(20260314)
    # whole graduations wide, so that every place between two marks is as likely
    true = random.uniform(110, 134, DRAWS)
    cuff = 160 + random.uniform(0, per_s * 60 / heart_rate_bpm, DRAWS)
    breath = random.uniform(0, 2 * np.pi, DRAWS)
    found = np.full(DRAWS, np.nan)
    beats = int((160 - 80) / (per_s * 60 / heart_rate_bpm)) + 2
    for beat in range(beats):
        at_s = beat * 60 / heart_rate_bpm
        pressure = cuff - per_s * at_s
        # 15 breaths a minute; `breathing` from peak to trough
        systolic = true + breathing / 2 * np.sin(breath + 2 * np.pi * at_s / 4)
        systolic = systolic + random.normal(0, beat_sd, DRAWS) if beat_sd else systolic
        heard = np.isnan(found) & (systolic >= pressure)
        found[heard] = pressure[heard]
    return np.round(found / STEP_MMHG) * STEP_MMHG - true


CASES = [(rate, per_s) for rate in (50.0, 80.0, 120.0, 180.0) for per_s in (2.0, 3.0, 4.0)]


@pytest.fixture(scope="module")
def published(tiny_test: Any) -> dict[tuple[float, float], dict[str, Any]]:
    """(bpm, mmHg/s) -> the row of a resting reading taken so."""
    rows = {}
    for rate, per_s in CASES:
        test = tiny_test(gauge_step_mmhg=STEP_MMHG)
        test.stage(0, 0, "rest")
        test.log(360, 400, 0.0, rate)
        test.reading(390, 122, 80, deflation_mmhg_per_s=per_s)
        (rows[rate, per_s],) = test.readings(400)
    return rows


@pytest.mark.parametrize(("rate", "per_s"), CASES)
def test_resolution_at_constant_pressure(published: Any, rate: float, per_s: float) -> None:
    # mean -d/2 and variance d^2/12 + g^2/12, of 80,000 draws
    error = first_sounds(per_s, rate)
    row = published[rate, per_s]
    assert -error.mean() == pytest.approx(row["resolution_offset_sbp_mmhg"], abs=0.015)
    assert error.std() == pytest.approx(row["u_read_sbp_mmhg"], rel=0.01)


@pytest.mark.parametrize(("rate", "per_s"), [(50.0, 3.0), (180.0, 2.0)])
def test_resolution_with_breathing_is_reported(
    published: Any, record_property: Any, rate: float, per_s: float
) -> None:
    """Breathing of 5 mmHg and 3 mmHg from beat to beat: why u_sbp is never resolution alone, and why
    no offset is given in exercise (its sign is not that of constant pressure)."""
    error = first_sounds(per_s, rate, breathing=5.0, beat_sd=3.0)
    record_property("offset_mmhg", round(float(error.mean()), 2))
    record_property("sd_mmhg", round(float(error.std()), 2))
    row = published[rate, per_s]
    assert error.std() > row["u_read_sbp_mmhg"]
    assert error.mean() > -row["resolution_offset_sbp_mmhg"]
