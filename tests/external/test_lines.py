"""Lines through a test a second time: by scipy's linregress and t, and worked examples in print."""

from __future__ import annotations

from math import sqrt
from typing import Any

import pytest
from scipy import stats

from pipeline.rules import shipped_rules
from pipeline.tables import Tables


@pytest.fixture
def summary(tiny_test: Any) -> Any:
    """([(W, bpm, k1 or None)], **fields of test_opened) -> the summary; stages of 3 min from 0."""

    def derive(stages: list[tuple[float, float, float | None]], **opened: Any) -> dict[str, Any]:
        test = tiny_test(**opened)
        for index, (watts, bpm, k1) in enumerate(stages):
            test.stage(index, 180 * index, "exercise", watts)
            test.log(180 * index, 180 * index + 179, watts, bpm)
            if k1 is not None:
                test.reading(180 * index + 170, k1, 80, clarity="clear", position="ergometer")
        return dict(test.summary(180 * len(stages)))

    return derive


def test_quantiles_of_t() -> None:
    tables = Tables(shipped_rules())
    tables.run()
    rows = tables.rows("select * from t_quantiles order by df")
    tables.close()
    assert [row["df"] for row in rows] == list(range(1, 31))
    assert [row["t_975"] for row in rows] == [round(stats.t.ppf(0.975, df), 3) for df in range(1, 31)]


@pytest.mark.parametrize(
    "points",
    [
        [(50, 142), (100, 160), (150, 188)],
        [(25, 130), (50, 138), (75, 152), (100, 149), (125, 170)],
        # falls with load, and scatters more than readings do
        [(40, 190), (80, 130), (120, 186), (160, 120)],
    ],
)
def test_slope_against_linregress(summary: Any, points: list[tuple[float, float]]) -> None:
    row = summary([(watts, 100 + watts / 2, k1) for watts, k1 in points])
    fit = stats.linregress([watts for watts, _ in points], [k1 for _, k1 in points])
    mean = sum(watts for watts, _ in points) / len(points)
    # 5 mmHg a reading, through sqrt(sum of (w - mean)^2)
    se_reading = 5 / sqrt(sum((watts - mean) ** 2 for watts, _ in points))
    se, df = max(fit.stderr, se_reading), len(points) - 2
    assert (row["sbp_slope_n"], row["sbp_slope_df"]) == (len(points), df)
    assert row["sbp_slope_mmhg_per_w"] == pytest.approx(fit.slope, rel=1e-9)
    assert row["sbp_slope_se_fit_mmhg_per_w"] == pytest.approx(fit.stderr, rel=1e-9)
    assert row["sbp_slope_se_reading_mmhg_per_w"] == pytest.approx(se_reading, rel=1e-9)
    assert row["sbp_slope_se_mmhg_per_w"] == pytest.approx(se, rel=1e-9)
    half = (row["sbp_slope_high_mmhg_per_w"] - row["sbp_slope_low_mmhg_per_w"]) / 2
    assert half == pytest.approx(stats.t.ppf(0.975, df) * se, rel=5e-4)


@pytest.mark.parametrize(
    ("sex", "slope", "z"),
    [
        # Hedman et al., EJPC 2021: men 0.41 +- 0.15, women 0.52 +- 0.21 mmHg/W
        ("male", 0.56, 1.0),
        ("female", 0.31, -1.0),
        ("unknown", 0.40, None),
    ],
)
def test_place_among_healthy_adults(summary: Any, sex: str, slope: float, z: float | None) -> None:
    row = summary([(w, 100, 120 + slope * w) for w in (50, 100, 150)], sex=sex, age_years=40.0)
    assert row["sbp_slope_norm"] == "hedman_2021"
    assert row["sbp_slope_z"] == (None if z is None else pytest.approx(z, abs=1e-9))


def test_heart_rate_line_against_linregress(summary: Any) -> None:
    points = [(50.0, 104.0), (100.0, 121.0), (150.0, 149.0), (175.0, 158.0)]
    row = summary([(*point, None) for point in points], age_years=25.0, medication="none")
    fit = stats.linregress(*zip(*points, strict=True))
    assert row["hr_line_n"] == 4
    assert row["hr_line_bpm_per_w"] == pytest.approx(fit.slope, rel=1e-9)
    assert row["hr_line_at_0_w_bpm"] == pytest.approx(fit.intercept, rel=1e-9)
    assert row["load_at_170"] == pytest.approx((170 - fit.intercept) / fit.slope, rel=1e-9)


def test_pwc170_in_print(summary: Any) -> None:
    # http://www.brianmac.co.uk/pwc170.htm: 130 bpm at 100 W and 153 bpm at 150 W give 186.96 W
    row = summary([(100, 130, None), (150, 153, None)], age_years=25.0, medication="none")
    assert row["load_at_170"] == pytest.approx(186.96, abs=0.005)
    assert row["load_at_170_extrapolated"]
    assert (row["hr_line_note"], row["load_at_170_note"]) == ("two_stage", None)
