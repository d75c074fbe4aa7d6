"""The lines of a test, systolic and heart rate against load: what they take, and why there is none."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

ADULT = {"age_years": 30.0, "medication": "none"}


@pytest.fixture
def ridden(invented: Any, alone: Callable[..., Any]) -> Callable[..., dict[str, Any]]:
    """([(W, bpm, k1, fields)], **opened) -> slope and heart-rate line of stages of 3 min."""

    def rows(stages: list[tuple[Any, ...]], *, ridden_s: float = 180, **opened: Any) -> dict[str, Any]:
        test = invented(**opened)
        test.source()
        for index, (watts, bpm, k1, *fields) in enumerate(stages):
            at_s = index * ridden_s
            test.stage(at_s, watts=watts)
            if bpm is not None:
                test.log(at_s, at_s + ridden_s - 1, 5, watts=watts, heart_rate_bpm=bpm)
            if k1 is not None:
                test.taken(at_s + ridden_s - 10, k1, **{"clarity": "clear"} | (fields[0] if fields else {}))
        test.close(len(stages) * ridden_s)
        derived = alone(test)
        [slope], [line] = derived.rows("slopes", "T"), derived.rows("heart_rate_lines", "T")
        return dict(slope | line)

    return rows


def test_slope_of_three_loads(ridden: Any) -> None:
    # through 140, 160, 186 at 50, 100, 150 W: (186 - 140) / 100
    row = ridden([(50.0, 100.0, 140), (100.0, 120.0, 160), (150.0, 140.0, 186)])
    assert row["sbp_slope_mmhg_per_w"] == pytest.approx(0.46, abs=1e-12)
    # residuals 1, -2, 1: sqrt(6 / 1 / 5000); readings of 5 mmHg: 5 / sqrt(5000)
    assert row["sbp_slope_se_fit_mmhg_per_w"] == pytest.approx((6 / 5000) ** 0.5, abs=1e-12)
    assert row["sbp_slope_se_mmhg_per_w"] == pytest.approx(5 / 5000**0.5, abs=1e-12)
    assert row["sbp_slope_high_mmhg_per_w"] == pytest.approx(0.46 + 12.706 * 5 / 5000**0.5, abs=1e-9)
    assert row["sbp_slope_note"] is None


@pytest.mark.parametrize(
    ("stages", "note"),
    [
        ([(50.0, 100.0, None)], "no_reading"),
        ([(50.0, None, 140), (100.0, None, 150)], "no_load"),
        ([(50.0, 100.0, 140), (100.0, 120.0, 160)], "few_loads"),
        # 45 W between the lowest and the highest
        ([(50.0, 100.0, 140), (75.0, 110.0, 150), (95.0, 120.0, 160)], "few_loads"),
        # 100 and 105 W are one load
        ([(50.0, 100.0, 140), (100.0, 110.0, 150), (105.0, 120.0, 160)], "few_loads"),
        (
            [
                (50.0, 100.0, 140, {"arm": "left"}),
                (100.0, 110.0, 150, {"arm": "left"}),
                (150.0, 120.0, 160, {"arm": "right"}),
            ],
            "posture_or_arm_differs",
        ),
        (
            [(50.0, 100.0, 140), (100.0, 110.0, 150), (150.0, 120.0, 160, {"position": "supine"})],
            "posture_or_arm_differs",
        ),
    ],
)
def test_no_slope_with_its_reason(ridden: Any, stages: list[tuple[Any, ...]], note: str) -> None:
    row = ridden(stages)
    assert row["sbp_slope_note"] == note
    assert {value for name, value in row.items() if name.startswith("sbp_slope") and "no" not in name} == {
        None
    }


def test_doubtful_readings_and_lower_bounds_stay_out(ridden: Any) -> None:
    usual = [(50.0, 100.0, 140), (100.0, 120.0, 160), (150.0, 140.0, 186)]
    row = ridden(
        [*usual, (200.0, 150.0, 150, {"clarity": "doubtful"}), (250.0, 160.0, 260, {"k1_at_least": True})]
    )
    assert row["sbp_slope_n"] == 3
    assert row["sbp_slope_mmhg_per_w"] == pytest.approx(0.46, abs=1e-12)


def test_load_at_a_heart_rate(ridden: Any) -> None:
    # 100 bpm at 50 W and 0.4 bpm a watt: 80 + 0.4 W; the highest is 140
    row = ridden([(50.0, 100.0, None), (100.0, 120.0, None), (150.0, 140.0, None)], **ADULT)
    assert row["hr_line_at_0_w_bpm"] == pytest.approx(80, abs=1e-9)
    assert row["load_at_150"] == pytest.approx(175, abs=1e-9)
    assert row["load_at_150_extrapolated"]
    # 170 is 30 bpm beyond
    assert (row["load_at_170"], row["load_at_170_note"]) == (None, "too_far")


def test_loads_that_fall_stay_out_of_the_line(ridden: Any) -> None:
    row = ridden(
        [
            (50.0, 100.0, None),
            (100.0, 120.0, None),
            (80.0, 130.0, None),
            (150.0, 150.0, None),
            (60.0, 140.0, None),
        ],
        **ADULT,
    )
    assert row["hr_line_n"] == 3
    assert not row["load_at_150_extrapolated"]


@pytest.mark.parametrize(
    ("opened", "note", "there"),
    [
        (ADULT, None, True),
        (ADULT | {"medication": "beta_blocker+other"}, "beta_blocker", False),
        # 208 - 0.7 * 60 = 166
        (ADULT | {"age_years": 60.0}, "above_hr_max", False),
        (ADULT | {"medication": "unknown"}, "medication_unknown", True),
        ({"medication": "none"}, "no_age", True),
        ({"medication": "none", "age_years": 15.0}, "under_18", True),
    ],
)
def test_what_is_known_of_the_person(
    ridden: Any, opened: dict[str, Any], note: str | None, there: bool
) -> None:
    row = ridden([(50.0, 110.0, None), (100.0, 130.0, None), (150.0, 150.0, None)], **opened)
    assert row["load_at_170_note"] == note
    assert row["load_at_170"] == (pytest.approx(200, abs=1e-9) if there else None)


@pytest.mark.parametrize(
    ("stages", "note"),
    [
        ([(50.0, 100.0, None)], "few_stages"),
        ([(50.0, 110.0, None), (100.0, 105.0, None)], "hr_not_rising"),
        ([(50.0, 110.0, None), (100.0, 120.0, None)], "two_stage"),
    ],
)
def test_few_stages(ridden: Any, stages: list[tuple[Any, ...]], note: str) -> None:
    row = ridden(stages, **ADULT)
    assert row["hr_line_note"] == note
    assert (row["hr_line_bpm_per_w"] is not None) == (note == "two_stage")


def test_stages_under_90_s_have_no_heart_rate(ridden: Any) -> None:
    row = ridden([(50.0, 100.0, None), (100.0, 120.0, None), (150.0, 140.0, None)], ridden_s=80, **ADULT)
    assert (row["hr_line_n"], row["hr_line_note"]) == (0, "few_stages")
