"""Standard uncertainties of readings and of their changes, each with its hand calculation."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import sqrt
from typing import Any

import pytest

from pipeline.rules import Rules, shipped_rules

CLEAR = {"clarity": "clear", "deflation_mmhg_per_s": 3.0, "deflation_mmhg_per_beat": 3.0}


@pytest.fixture
def ridden(invented: Any, alone: Callable[..., Any]) -> Callable[..., list[dict[str, Any]]]:
    """(changed rest, changed exercise, rules, **opened) -> uncertainties of three readings.

    At rest 120/80 and 122/78 at 60 bpm, at 100 W 150/82 at 120 bpm.
    """

    def rows(
        rest: dict[str, Any] | None = None,
        loaded: dict[str, Any] | None = None,
        rules: Rules | None = None,
        **opened: Any,
    ) -> list[dict[str, Any]]:
        test = invented(**opened)
        test.source()
        test.rest_and_loads(100)
        test.log(0, 600, heart_rate_bpm=60.0)
        # two alternating rates: mean 120, standard deviation (n - 1) of 30 samples sqrt(30 / 29)
        test.log(600, 780, watts=100.0, heart_rate_bpm=lambda at_s: 119.0 if at_s % 2 else 121.0)
        for at_s, k1, k5 in ((400, 120, 80), (500, 122, 78)):
            test.taken(at_s, **{"k1": k1, "k5": k5} | CLEAR | (rest or {}))
        test.taken(760, **{"k1": 150, "k5": 82} | CLEAR | (loaded or {}))
        test.close(800)
        return list(alone(test, rules).rows("uncertainty", "T", "reading_id"))

    return rows


def test_resolution_of_a_reading(ridden: Any) -> None:
    at_rest, _, loaded = ridden()
    # 3 mmHg/s at 60 bpm: 3 mmHg from beat to beat; dial of 2 mmHg: sqrt((9 + 4) / 12)
    assert at_rest["u_read_sbp_mmhg"] == pytest.approx(sqrt(13 / 12), abs=1e-12)
    # at 120 bpm 1.5 mmHg: sqrt((2.25 + 4) / 12); the diastolic by the beat whatever the rate
    assert loaded["u_read_sbp_mmhg"] == pytest.approx(sqrt(6.25 / 12), abs=1e-12)
    assert loaded["u_read_dbp_mmhg"] == pytest.approx(sqrt(13 / 12), abs=1e-12)


def test_the_graduation_that_was_recorded_counts(ridden: Any) -> None:
    assert ridden(gauge_step_mmhg=5.0)[0]["u_read_sbp_mmhg"] == pytest.approx(sqrt(34 / 12), abs=1e-12)


def test_repeats_at_rest_and_in_exercise(ridden: Any) -> None:
    rows = ridden()
    assert [row["u_repeat_mmhg"] for row in rows] == [3.5, 3.5, 5.0]
    assert [row["u_sbp_mmhg"] for row in rows] == [3.5, 3.5, 5.0]
    assert [row["u_dbp_mmhg"] for row in rows] == [3.5, 3.5, 5.0]


@pytest.mark.parametrize("clarity", ["difficult", "doubtful", None])
def test_what_was_not_clear_counts_as_difficult(ridden: Any, clarity: str | None) -> None:
    assert ridden(loaded={"clarity": clarity})[2]["u_sbp_mmhg"] == 7.5


def test_a_fast_cuff_at_a_slow_pulse_is_worse_than_a_repeat(ridden: Any) -> None:
    # 20 mmHg/s at 60 bpm: sqrt((400 + 4) / 12) = 5.80 > 3.5
    row = ridden(rest={"deflation_mmhg_per_s": 20.0})[0]
    assert row["u_sbp_mmhg"] == row["u_read_sbp_mmhg"] == pytest.approx(sqrt(404 / 12), abs=1e-12)


def test_the_dial_stands_apart(ridden: Any) -> None:
    assert [row["u_gauge_mmhg"] for row in ridden()] == pytest.approx([sqrt(3)] * 3, abs=1e-12)


def test_offset_of_resolution_at_rest_only(ridden: Any) -> None:
    at_rest, _, loaded = ridden()
    assert (at_rest["resolution_offset_sbp_mmhg"], at_rest["resolution_offset_dbp_mmhg"]) == (1.5, 1.5)
    assert (loaded["resolution_offset_sbp_mmhg"], loaded["resolution_offset_dbp_mmhg"]) == (None, None)


def test_muffling_has_no_offset(ridden: Any) -> None:
    row = ridden(rest={"k5": None, "k4_mmhg": 84.0, "heard_to_mmhg": 40.0})[0]
    assert row["resolution_offset_sbp_mmhg"] == 1.5
    assert row["resolution_offset_dbp_mmhg"] is None
    assert row["u_dbp_mmhg"] == 3.5


def test_pulse_pressure_mean_and_product(ridden: Any) -> None:
    loaded = ridden()[2]
    assert loaded["u_pulse_pressure_mmhg"] == pytest.approx(sqrt(50), abs=1e-12)
    assert loaded["u_map_mmhg"] == pytest.approx(sqrt(25 / 9 + 4 * 25 / 9), abs=1e-12)
    # 150 * 120 * sqrt((5 / 150)^2 + (sd / 120)^2)
    assert loaded["u_rate_pressure_product"] == pytest.approx(
        18000 * sqrt((5 / 150) ** 2 + (30 / 29) / 120**2), rel=1e-12
    )


def test_changes_from_the_mean_of_two_at_rest(ridden: Any) -> None:
    loaded = ridden()[2]
    # u of the mean 3.5 / sqrt(2); changes 29 and 3 mmHg, 1 % of each
    assert loaded["u_sbp_change_rest_mmhg"] == pytest.approx(sqrt(25 + 3.5**2 / 2 + 0.29**2), abs=1e-12)
    assert loaded["u_dbp_change_rest_mmhg"] == pytest.approx(sqrt(25 + 3.5**2 / 2 + 0.03**2), abs=1e-12)
    # the earlier stage is the rest here; pulse pressures 40 and 44: 68 - 42 = 26
    assert loaded["u_sbp_change_stage_mmhg"] == loaded["u_sbp_change_rest_mmhg"]
    assert loaded["u_pulse_pressure_change_stage_mmhg"] == pytest.approx(
        sqrt(50 + 2 * 3.5**2 / 2 + 0.26**2), abs=1e-12
    )
    # mean pressures 93.33 and 92.67 at rest, 104.67: a change of 11.67
    assert loaded["u_map_change_stage_mmhg"] == pytest.approx(
        sqrt(125 / 9 + 5 / 9 * 3.5**2 / 2 + (0.35 / 3) ** 2), abs=1e-12
    )


def test_resting_readings_have_no_change(ridden: Any) -> None:
    assert {value for row in ridden()[:2] for name, value in row.items() if "change" in name} == {None}


def test_a_lower_bound_has_a_diastolic_only(ridden: Any) -> None:
    row = ridden(loaded={"k1_at_least": True})[2]
    assert row["u_dbp_mmhg"] == 5.0
    assert row["u_sbp_mmhg"] is row["u_read_sbp_mmhg"] is row["u_pulse_pressure_mmhg"] is None


def test_a_laboratory_writes_its_own_repeats(ridden: Any) -> None:
    shipped = shipped_rules()
    own = {"u_repeat_rest_mmhg": 2.0, "u_repeat_exercise_mmhg": 8.0, "gauge_limit_mmhg": 0.0}
    rules = replace(shipped, settings=shipped.settings.model_copy(update=own | {"gauge_scale_share": 0.0}))
    rows = ridden(rules=rules)
    assert rows[0]["u_gauge_mmhg"] == 0
    assert rows[2]["u_sbp_change_rest_mmhg"] == pytest.approx(sqrt(64 + 2), abs=1e-12)


def test_one_hard_reading_at_rest_weighs_in_the_mean(invented: Any, alone: Callable[..., Any]) -> None:
    test = invented()
    test.rest_and_loads(100)
    test.taken(400, 120, 80, clarity="clear")
    test.taken(500, 122, 78, clarity="difficult")
    test.taken(760, 150, 82, clarity="clear")
    test.close(800)
    *_, row = alone(test).rows("uncertainty", "T", "reading_id")
    # sqrt(3.5^2 + 5.25^2) / 2
    assert row["u_sbp_change_rest_mmhg"] == pytest.approx(
        sqrt(25 + (3.5**2 + 5.25**2) / 4 + 0.29**2), abs=1e-12
    )
    # no heart rate: what a repeat gives stands, resolution is not known
    assert (row["u_sbp_mmhg"], row["u_read_sbp_mmhg"]) == (5.0, None)


def test_index_of_stroke_volume_and_its_change(invented: Any, alone: Callable[..., Any]) -> None:
    test = invented()
    test.rest_and_loads(100)
    test.taken(500, 120, 80)
    test.taken(760, 150, 90)
    test.close(800)
    at_rest, loaded = alone(test).readings("T")
    assert at_rest["sv_index_au"] == pytest.approx(40 / 200, abs=1e-12)
    assert loaded["sv_index_au"] == pytest.approx(60 / 240, abs=1e-12)
    assert loaded["sv_index_change_rest_au"] == pytest.approx(0.05, abs=1e-12)
    assert at_rest["sv_index_change_rest_au"] is None
