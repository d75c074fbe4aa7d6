"""Units of load and heart rate against pint, and worked examples in print.

The examples are those of course sheets and problem sets; the address stands beside each.
"""

from __future__ import annotations

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.log_format import parse_format
from adapters.log_line import LineReader, bpm_of_rr_ms, watts_of_kgm_per_min, watts_of_kp

UNITS = pint.UnitRegistry()
KGM_PER_MIN = UNITS.kilogram_force * UNITS.meter / UNITS.minute
POUND_KG = 0.45359237


def vo2_ml_kg_min(kgm_per_min: float, mass_kg: float) -> float:
    """The cycle equation in the form of the sheets: 1.8 * (kgm/min) / mass + 7."""
    return 1.8 * kgm_per_min / mass_kg + 7


def logged_watts(load: str, **keys: object) -> float:
    """What a log that says `load` in the unit given comes to."""
    written = {
        "delimiter": ",",
        "header": False,
        "time": {"form": "none"},
        "watts": {"column": 1, **keys},
    }
    watts = LineReader(parse_format(written, "a log")).read(load).watts
    assert watts is not None
    return watts


@given(st.floats(0, 5000))
def test_kgm_per_min_against_pint(kgm_per_min: float) -> None:
    expected = (kgm_per_min * KGM_PER_MIN).to(UNITS.watt).magnitude
    assert watts_of_kgm_per_min(kgm_per_min) == pytest.approx(expected, rel=1e-12)


@given(st.floats(0, 10), st.sampled_from([3.0, 6.0, 6.28]), st.floats(0, 200))
def test_kp_against_pint(kp: float, metres_per_rev: float, rpm: float) -> None:
    force, speed = kp * UNITS.kilogram_force, metres_per_rev * rpm * UNITS.meter / UNITS.minute
    expected = (force * speed).to(UNITS.watt).magnitude
    assert watts_of_kp(kp, metres_per_rev=metres_per_rev, rpm=rpm) == pytest.approx(expected, rel=1e-12)


@given(st.floats(200, 3000))
def test_rr_intervals_against_pint(rr_ms: float) -> None:
    expected = (1 / (rr_ms * UNITS.millisecond)).to(1 / UNITS.minute).magnitude
    assert bpm_of_rr_ms(rr_ms) == pytest.approx(expected, rel=1e-12)


def test_one_watt_is_6_118_kgm_per_min() -> None:
    # 60 / 9.80665; printed as 6, 6.116, 6.118, 6.12 and 6.13
    assert 1 / watts_of_kgm_per_min(1) == pytest.approx(6.1183, abs=5e-5)


def test_62_kg_at_450_kgm_per_min() -> None:
    # https://ar.scribd.com/doc/316171074/ACSM-Metabolic-Equations prints 20 mL/kg/min, 13 + 7 on the way
    assert vo2_ml_kg_min(450, 62) == pytest.approx(20, abs=0.1)
    watts = logged_watts("450", unit="kgm/min")
    assert watts == pytest.approx(73.55, abs=0.005)  # 450 * 9.80665 / 60 = 73.5499
    # the same through watts: 60 / 9.80665 kgm/min to the watt
    assert vo2_ml_kg_min(watts * 60 / 9.80665, 62) == pytest.approx(20.065, abs=5e-4)


def test_540_kgm_per_min_by_six_and_exactly() -> None:
    # same sheet: 540 / 6 = 90 W, which is 2 % more than the load is
    exact = logged_watts("540", unit="kgm/min")
    assert 540 / 6 == 90
    assert exact == pytest.approx(88.26, abs=0.005)
    assert 90 / exact - 1 == pytest.approx(0.02, abs=5e-4)


def test_190_lb_2_kg_70_rpm_6_m() -> None:
    # https://docsbay.net/in-class-metabolic-calculations: 840 kgm/min, 24.51 mL/kg/min, 7 MET
    watts = logged_watts("2", unit="kp", metres_per_rev=6, rpm=70)
    kgm_per_min = (watts * UNITS.watt).to(KGM_PER_MIN).magnitude
    assert kgm_per_min == pytest.approx(840, rel=1e-12)
    assert vo2_ml_kg_min(kgm_per_min, 190 / 2.2) == pytest.approx(24.51, abs=0.005)
    assert vo2_ml_kg_min(kgm_per_min, 190 / 2.2) / 3.5 == pytest.approx(7, abs=0.005)
    # the sheet's 2.2 lb to the kg against the exact pound
    assert vo2_ml_kg_min(kgm_per_min, 190 * POUND_KG) == pytest.approx(24.544, abs=5e-4)


def test_half_a_kp_at_60_rpm_is_about_30_watts() -> None:
    # a published method says 0.5 kp at 60 rpm is about 30 W; 180 kgm/min with 6 m a turn
    assert logged_watts("0.5", unit="kp", metres_per_rev=6, rpm=60) == pytest.approx(29.4, abs=0.05)
    assert logged_watts("180", unit="kgm/min") == pytest.approx(29.4, abs=0.05)
