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


@pytest.mark.parametrize(
    "points",
    [
        [(50, 142), (100, 160), (150, 188)],
        [(25, 130), (50, 138), (75, 152), (100, 149), (125, 170)],
        [(40, 190), (80, 130), (120, 186), (160, 120)],
    ],
)
def test_slope_against_statsmodels(summary: Any, points: list[tuple[float, float]]) -> None:
    models = pytest.importorskip("statsmodels.api", reason="statsmodels is not installed")
    row = summary([(watts, 100 + watts / 2, k1) for watts, k1 in points])
    loads = models.add_constant([watts for watts, _ in points])
    fit = models.OLS([k1 for _, k1 in points], loads).fit()
    assert row["sbp_slope_mmhg_per_w"] == pytest.approx(fit.params[1], rel=1e-9)
    assert row["sbp_slope_se_fit_mmhg_per_w"] == pytest.approx(fit.bse[1], rel=1e-9)
    assert row["sbp_slope_df"] == fit.df_resid
    # with readings of a known 5 mmHg: the covariance without the residuals' own scale
    known = 5 * fit.normalized_cov_params[1][1] ** 0.5
    assert row["sbp_slope_se_reading_mmhg_per_w"] == pytest.approx(known, rel=1e-9)
    if fit.bse[1] > known:
        low, high = fit.conf_int()[1]
        assert row["sbp_slope_low_mmhg_per_w"] == pytest.approx(low, abs=5e-4 * (high - low))
        assert row["sbp_slope_high_mmhg_per_w"] == pytest.approx(high, abs=5e-4 * (high - low))


@pytest.mark.parametrize(
    ("slope", "at_0", "printed"),
    [
        # Wielemborek-Musial et al., BioMed Res Int 2016:5607507, at the end of a stage, 1,015 people
        (0.346, 135.76, {100: 170.4, 150: 187.7}),  # men
        (0.103, 155.72, {100: 166.0}),  # women
    ],
)
def test_pressures_in_print_at_100_and_150_w(
    summary: Any, slope: float, at_0: float, printed: dict[int, float]
) -> None:
    loads = (50, 100, 150)
    exact = summary([(w, 120, at_0 + slope * w) for w in loads])
    assert exact["sbp_slope_mmhg_per_w"] == pytest.approx(slope, rel=1e-9)
    # the line goes through the mean: what the published formulas give at the loads in print
    mean = sum(at_0 + slope * w for w in loads) / 3
    for watts, sbp in printed.items():
        assert mean + exact["sbp_slope_mmhg_per_w"] * (watts - 100) == pytest.approx(sbp, abs=0.05)
    # read to the nearest 2 mmHg it is the same within what a graduation of 2 mmHg allows
    read = summary([(w, 120, 2 * round((at_0 + slope * w) / 2)) for w in loads])
    assert read["sbp_slope_mmhg_per_w"] == pytest.approx(slope, abs=2 / 100)
    assert abs(read["sbp_slope_mmhg_per_w"] - slope) < read["sbp_slope_se_mmhg_per_w"]


MASS_KG = 75.0


@pytest.fixture
def two_points(tiny_test: Any) -> Any:
    """([(W, bpm)], bpm at the end) -> summary, VO2 at each load, VO2 at the load of the last bpm."""

    def ride(points: list[tuple[float, float]]) -> tuple[Any, list[float]]:
        test = tiny_test(mass_kg=MASS_KG, age_years=40.0, medication="none")
        for index, (watts, bpm) in enumerate(points):
            test.stage(index, 180 * index, "exercise", watts)
            test.log(180 * index, 180 * index + 179, watts, bpm)
            test.reading(180 * index + 170, 150, 80)
        ends_s = 180 * len(points)
        vo2 = [row["vo2_est_ml_kg_min"] for row in test.readings(ends_s)]
        return test.summary(ends_s), vo2

    def derive(points: list[tuple[float, float]], bpm: float) -> tuple[Any, list[float], float]:
        row, vo2 = ride(points)
        watts = (bpm - row["hr_line_at_0_w_bpm"]) / row["hr_line_bpm_per_w"]
        _, [there] = ride([(watts, bpm)])
        return row, vo2, there

    return derive


def test_two_point_uptake_in_print(two_points: Any) -> None:
    # https://issuhub.com/view/index/5355?pageIndex=227 (NHANES, App. G), 40 years: 23.3 and 31.4
    # mL/kg/min at 120 and 140 bpm; slope 2.469, intercept 62.47; 47.6 mL/kg/min at 180 bpm
    watts = [(vo2 - 7) * MASS_KG / 10.8 for vo2 in (23.3, 31.4)]
    row, vo2, at_180 = two_points(list(zip(watts, (120, 140), strict=True)), 180)
    assert vo2 == pytest.approx([23.3, 31.4], abs=1e-9)
    per_ml = row["hr_line_bpm_per_w"] * MASS_KG / 10.8
    assert per_ml == pytest.approx(2.469, abs=5e-4)
    assert row["hr_line_at_0_w_bpm"] - 7 * per_ml == pytest.approx(62.47, abs=0.005)
    assert at_180 == pytest.approx(47.6, abs=0.005)
    assert row["hr_line_note"] == "two_stage"


@pytest.mark.parametrize(
    ("loads", "bpm", "highest", "expected"),
    [
        # no whole example in print was found; by hand, 40 years, 75 kg, 300 and 450 kgm/min by six:
        # 450 + 150 / 14 * 54 = 1028.57 kgm/min, 1.8 * 1028.57 / 75 + 7 = 31.69
        ((50.0, 75.0), (112.0, 126.0), 180.0, 31.69),
        # by hand: 100 + 50 / 23 * 27 = 158.696 W, 10.8 * 158.696 / 75 + 7 = 29.85
        ((100.0, 150.0), (130.0, 153.0), 157.0, 29.852),
    ],
)
def test_by_load_and_by_uptake_is_the_same(
    two_points: Any, loads: tuple[float, ...], bpm: tuple[float, ...], highest: float, expected: float
) -> None:
    _, vo2, by_load = two_points(list(zip(loads, bpm, strict=True)), highest)
    by_uptake = vo2[1] + (vo2[1] - vo2[0]) / (bpm[1] - bpm[0]) * (highest - bpm[1])
    assert by_load == pytest.approx(by_uptake, rel=1e-9)
    assert by_load == pytest.approx(expected, abs=0.005)
