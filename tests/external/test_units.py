"""Units of load and heart rate against pint, and conversions in print.

The examples are those of course sheets and problem sets; the address stands beside each.  What
follows from the loads is in test_worked_examples.py.
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


def test_450_kgm_per_min() -> None:
    # 450 * 9.80665 / 60 = 73.5499; the sheets take 75 W for it
    assert logged_watts("450", unit="kgm/min") == pytest.approx(73.55, abs=0.005)


def test_540_kgm_per_min_by_six_and_exactly() -> None:
    # https://ar.scribd.com/doc/316171074/ACSM-Metabolic-Equations: 90 W, which is 2 % more than it is
    exact = logged_watts("540", unit="kgm/min")
    assert exact == pytest.approx(88.26, abs=0.005)
    assert 90 / exact - 1 == pytest.approx(0.02, abs=5e-4)


@pytest.mark.parametrize(
    ("kp", "rpm", "printed"),
    [
        ("2", 70, 840),  # https://docsbay.net/in-class-metabolic-calculations
        ("3", 75, 1350),  # https://studylib.net/doc/11468251/, by hand
    ],
)
def test_kp_of_the_sheets(kp: str, rpm: float, printed: float) -> None:
    watts = logged_watts(kp, unit="kp", metres_per_rev=6, rpm=rpm)
    assert (watts * UNITS.watt).to(KGM_PER_MIN).magnitude == pytest.approx(printed, rel=1e-12)


def test_half_a_kp_at_60_rpm_is_about_30_watts() -> None:
    # a published method says 0.5 kp at 60 rpm is about 30 W; 180 kgm/min with 6 m a turn
    assert logged_watts("0.5", unit="kp", metres_per_rev=6, rpm=60) == pytest.approx(29.4, abs=0.05)
    assert logged_watts("180", unit="kgm/min") == pytest.approx(29.4, abs=0.05)
