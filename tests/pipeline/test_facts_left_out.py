"""Facts of the participant that were not recorded: what depends on them is null or marked, with its
reason, and nothing else changes."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest
from typer.testing import CliRunner

from pipeline.archive import Archive
from pipeline.cli import app
from pipeline.columns import codes
from pipeline.shipped import shipped

FACTS: dict[str, Any] = {
    "age_years": 40.0,
    "sex": "female",
    "height_cm": 170.0,
    "mass_kg": 70.0,
    "arm_circumference_cm": 29.0,
    "medication": "none",
    "pacemaker": False,
}
RELATIONS = ("readings", "stages", "flags", "summary")
# what else than the fact itself changes: of loaded readings, of all readings, of the test
NO_MASS = {"vo2_est_ml_kg_min": None, "mets_est": None, "vo2_valid": False, "vo2_note": "no_mass"}
NO_AGE_LOADED = {"vo2_valid": False, "vo2_note": "no_age"}
NO_AGE = {
    "hr_max_pred_bpm": None,
    "hr_percent_max": None,
    "hr_percent_reserve": None,
    "hr_max_note": "no_age",
}
NO_AGE_TEST = {
    "sbp_slope_z": None,
    "load_at_150_note": "no_age",
    "load_at_170_note": "no_age",
    "rest_class_note": "no_age",
    # no predicted maximum, so no reserve; and whether the oxygen equation holds is not known
    "hr_max_pred_bpm": None,
    "sbp_at_percent_reserve_mmhg": None,
    "u_sbp_at_percent_reserve_mmhg": None,
    "sbp_at_percent_reserve_note": "no_age",
    "vo2max_est_note": "no_age",
    "sbp_rise_note": "no_age",
}
# a rise needs METs, and they need the mass
NO_MASS_TEST = {
    "sbp_rise_mmhg_per_met": None,
    "u_sbp_rise_mmhg_per_met": None,
    "sbp_rise_mmhg_per_w": None,
    "u_sbp_rise_mmhg_per_w": None,
    "sbp_rise_note": "no_mass",
    "vo2max_est_note": "no_mass",
}
UNKNOWN = {"load_at_150_note": "medication_unknown", "load_at_170_note": "medication_unknown"}
CHANGES: dict[str, tuple[dict[str, Any], dict[str, Any], dict[str, Any]]] = {
    "age_years": (NO_AGE_LOADED, NO_AGE, NO_AGE_TEST),
    "sex": ({}, {}, {"sbp_slope_z": None}),
    "height_cm": ({}, {}, {}),
    "mass_kg": (NO_MASS, {}, NO_MASS_TEST),
    "arm_circumference_cm": ({}, {}, {}),
    "medication": ({}, {"hr_max_note": "medication_unknown"}, UNKNOWN),
    "pacemaker": ({}, {}, {}),
}


@pytest.fixture(scope="module")
def derived(
    tiny_test: Any, derived_together: Callable[..., Any]
) -> dict[str, dict[str, list[dict[str, Any]]]]:
    """Relation -> test -> rows: `whole`, one test a fact left out, and `none` without any."""

    def make(**facts: Any) -> Any:
        cuff = {"bladder_length_cm": 26.0, "bladder_width_cm": 13.0, "gauge_step_mmhg": 2.0}
        test = tiny_test(**facts | cuff, ergometer_posture="upright")
        test.stage(0, 0, "rest")
        test.log(300, 480, 0.0, 62.0)
        test.reading(340, 118, 76, arm="left")
        test.reading(440, 120, 78, arm="left")
        for index, (watts, bpm, k1) in enumerate([(60, 105, 140), (110, 131, 158), (160, 158, 176)], 1):
            starts = 300 + 180 * index
            test.stage(index, starts, "exercise", watts)
            test.log(starts, starts + 180, float(watts), float(bpm))
            test.reading(starts + 150, k1, 78, arm="left")
        test.stage(4, 1020, "recovery", 0.0)
        test.log(1020, 1200, 0.0, 110.0)
        test.reading(1100, 150, 74, arm="left")
        return test

    def left_out() -> dict[str, Any]:
        some = {name: make(**{key: fact for key, fact in FACTS.items() if key != name}) for name in FACTS}
        return {"whole": make(**FACTS), "none": make(), **some}

    return {relation: derived_together(left_out(), 1200, relation) for relation in RELATIONS}


def changed(derived: Any, relation: str, name: str) -> list[dict[str, Any]]:
    """Row by row the columns that are another than of the whole test, with what they are."""
    whole, rows = derived[relation]["whole"], derived[relation][name]
    assert len(rows) == len(whole)
    return [
        {column: row[column] for column in row if column != "test_id" and row[column] != before[column]}
        for before, row in zip(whole, rows, strict=True)
    ]


def test_the_whole_test_has_what_depends_on_the_facts(derived: Any) -> None:
    loaded = [row for row in derived["readings"]["whole"] if row["phase"] == "exercise"]
    assert [row["vo2_valid"] for row in loaded] == [True] * 3
    assert all(row["hr_percent_reserve"] is not None for row in loaded)
    [test] = derived["summary"]["whole"]
    for column in ("sbp_slope_z", "load_at_150", "load_at_170", "rest_class_esc"):
        assert test[column] is not None
    assert derived["flags"]["whole"] == []


@pytest.mark.parametrize("fact", FACTS)
def test_one_fact_left_out(derived: Any, fact: str) -> None:
    loaded, every, test = CHANGES[fact]
    phases = [row["phase"] for row in derived["readings"]["whole"]]
    expected = [every | (loaded if phase == "exercise" else {}) for phase in phases]
    assert changed(derived, "readings", fact) == expected
    assert changed(derived, "summary", fact) == [test | {fact: None}]
    assert changed(derived, "stages", fact) == [{}] * 5
    assert derived["flags"][fact] == []


def test_no_fact_at_all(derived: Any) -> None:
    phases = [row["phase"] for row in derived["readings"]["whole"]]
    # of two reasons the one that takes away more is said
    expected = [NO_AGE | (NO_MASS if phase == "exercise" else {}) for phase in phases]
    assert changed(derived, "readings", "none") == expected
    both = NO_AGE_TEST | NO_MASS_TEST | {"vo2max_est_note": "no_age"}
    assert changed(derived, "summary", "none") == [both | dict.fromkeys(FACTS)]
    assert changed(derived, "stages", "none") == [{}] * 5
    assert derived["flags"]["none"] == []


def test_the_reasons_are_listed() -> None:
    said = {
        value
        for changes in CHANGES.values()
        for some in changes
        for column, value in some.items()
        if column.endswith("_note")
    }
    assert said == {"no_mass", "no_age", "medication_unknown"}
    assert said <= set(codes())


def test_a_setup_without_a_participant_section_is_joined(tmp_path: Path) -> None:
    demo = shutil.copytree(shipped("fixtures") / "demo" / "01-staircase", tmp_path / "in")
    setup = demo / "test.toml"
    cut = re.sub(r"\[participant\]\n(.+\n)+", "", setup.read_text(encoding="utf-8"))
    assert "mass_kg" not in cut
    setup.write_text(cut, encoding="utf-8")
    done = CliRunner().invoke(app, ["join", str(setup), "--archive", str(tmp_path / "archive")])
    assert done.exit_code == 0, done.output
    [folder] = Archive(tmp_path / "archive").tests()
    readings = pq.read_table(folder.parquet("readings")).to_pylist()
    rows = (demo / "readings.csv").read_text(encoding="utf-8").splitlines()
    typed = [line for line in rows if re.match(r"\d\d:\d\d:\d\d,\d", line)]
    assert [f"{row['sbp_mmhg']:.0f}" for row in readings if row["sbp_mmhg"] is not None] == [
        line.split(",")[1] for line in typed
    ]
    loaded = [row for row in readings if row["phase"] == "exercise" and row["watts"] is not None]
    assert loaded
    assert {(row["vo2_est_ml_kg_min"], row["vo2_note"]) for row in loaded} == {(None, "no_mass")}
    assert all(row["map_mmhg"] and row["rate_pressure_product"] for row in loaded)
