"""What follows from a reading: pressures, oxygen, window, rest values, changes (definitions 1, 4, 7)."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pipeline.rules import shipped_rules


def person(invented, **fields):
    usual = {"age_years": 40.0, "mass_kg": 80.0, "medication": "none", "ergometer_posture": "upright"}
    return invented(**usual | fields)


def built(invented, cases):
    made = {}
    for name, (happens, _) in cases.items():
        made[name] = happens(lambda **fields: person(invented, **fields))
        made[name].close(2000)
    return made


def settings(**chosen):
    rules = shipped_rules()
    return replace(rules, settings=rules.settings.model_copy(update=chosen))


def assert_holds(row, expected):
    for name, value in expected.items():
        wanted = pytest.approx(value, rel=1e-9) if isinstance(value, float) else value
        assert row[name] == wanted, name


# ---- one reading ------------------------------------------------------------------------------


def ridden(
    watts=100.0, bpm=150.0, k1=180, k5=80, at_s=760.0, phase="exercise", opened=None, stage=None, **taken
):
    """A stage of `watts` from 600 to 900 logged at 1 Hz, read at 760: 160 s into it."""

    def happens(make):
        t = make(**opened or {})
        t.source()
        t.stage(0, "rest")
        t.stage(600, phase, watts, **stage or {})
        t.stage(900, "recovery")
        measures = {"watts": watts, "heart_rate_bpm": bpm}
        t.log(500, 1000, **{name: one for name, one in measures.items() if one is not None})
        t.taken(at_s, k1, k5, **taken)
        return t

    return happens


ONE = {
    # 180/80: 100; 80 + 100/3; 180 * 150; 10.8 * 100/80 + 7 = 20.5; 208 - 28 = 180; 150/180
    "ordinary": (
        ridden(),
        {"pulse_pressure_mmhg": 100, "map_mmhg": 80 + 100 / 3, "rate_pressure_product": 27000.0,
         "vo2_est_ml_kg_min": 20.5, "mets_est": 20.5 / 3.5, "vo2_valid": True, "vo2_note": None,
         "hr_max_pred_bpm": 180.0, "hr_max_note": None, "hr_percent_max": 100 * 150 / 180},
    ),
    "lower bound": (
        ridden(k1_at_least=True),
        {"pulse_pressure_mmhg": None, "map_mmhg": None, "rate_pressure_product": None, "dbp_mmhg": 80},
    ),
    "unresolved": (
        ridden(k5=0),
        {"pulse_pressure_mmhg": None, "map_mmhg": None, "rate_pressure_product": 27000.0},
    ),
    "fourth phase": (ridden(k5=0, k4_mmhg=60), {"pulse_pressure_mmhg": 120, "map_mmhg": 100.0}),
    "no heart rate": (
        ridden(bpm=None), {"rate_pressure_product": None, "hr_percent_max": None, "map_mmhg": 80 + 100 / 3}
    ),
    "rest": (ridden(at_s=560), {"vo2_est_ml_kg_min": 3.5, "mets_est": 1.0, "vo2_note": None}),
    "recovery": (ridden(at_s=960), {"vo2_est_ml_kg_min": None, "mets_est": None, "vo2_note": "recovery"}),
    "no stage": (ridden(at_s=-5), {"vo2_est_ml_kg_min": None, "vo2_note": "no_stage"}),
    "unloaded": (ridden(0.0, phase="warmup"), {"vo2_est_ml_kg_min": 7.0, "vo2_note": "outside_50_200_w"}),
    "warm-up": (ridden(50.0, phase="warmup"), {"vo2_est_ml_kg_min": 10.8 * 50 / 80 + 7, "vo2_valid": True}),
    "no load": (ridden(None), {"vo2_est_ml_kg_min": None, "vo2_note": "no_load", "vo2_valid": False}),
    "no mass": (ridden(opened={"mass_kg": None}), {"vo2_est_ml_kg_min": None, "vo2_note": "no_mass"}),
    "49.9 W": (ridden(49.9), {"vo2_note": "outside_50_200_w", "vo2_valid": False}),
    "50 W": (ridden(50.0), {"vo2_note": None, "vo2_valid": True}),
    "200 W": (ridden(200.0), {"vo2_note": None, "vo2_valid": True}),
    "200.1 W": (ridden(200.1), {"vo2_note": "outside_50_200_w"}),
    "ramp": (ridden(stage={"target_watts_to": 150.0, "planned_s": 300.0}), {"vo2_note": "ramp"}),
    "119.9 s in": (ridden(at_s=719.9), {"vo2_note": "under_120_s"}),
    "120 s in": (ridden(at_s=720), {"vo2_note": None}),
    "age 17": (
        ridden(opened={"age_years": 17.0}),
        {"vo2_note": "under_18", "hr_max_pred_bpm": None, "hr_max_note": "under_18"},
    ),
    "age 18": (ridden(opened={"age_years": 18.0}), {"vo2_note": None, "hr_max_pred_bpm": 208 - 12.6}),
    "no age": (
        ridden(opened={"age_years": None}),
        {"vo2_note": "no_age", "hr_max_pred_bpm": None, "hr_max_note": "no_age"},
    ),
    "beta-blocker": (
        ridden(opened={"medication": "other+beta_blocker"}),
        {"hr_max_pred_bpm": 180.0, "hr_max_note": "beta_blocker"},
    ),
    "medication unknown": (ridden(opened={"medication": "unknown"}), {"hr_max_note": "medication_unknown"}),
    "medication not asked": (ridden(opened={"medication": None}), {"hr_max_note": "medication_unknown"}),
    "other medication": (ridden(opened={"medication": "other"}), {"hr_max_note": None}),
}  # fmt: skip


@pytest.fixture(scope="module")
def one(invented, derive):
    return derive(built(invented, ONE))


@pytest.mark.parametrize("name", ONE)
def test_what_follows_from_one_reading(one, name):
    assert_holds(one.last(name), ONE[name][1])


METHODS = {
    # 180/80 at 150 bpm, 100 W, 80 kg, 40 years
    "map_method": {
        "third": ("map_mmhg", 80 + 100 / 3),
        "two_fifths": ("map_mmhg", 120.0),
        "half": ("map_mmhg", 130.0),
        "heart_rate": ("map_mmhg", 80 + 100 * (0.33 + 0.0012 * 150)),  # 0.51: 131
    },
    "vo2_method": {
        "acsm": ("vo2_est_ml_kg_min", 20.5),
        "acsm_old": ("vo2_est_ml_kg_min", 12.24 * 1.25 + 3.5),  # 18.8
        "maximal_cycle": ("vo2_est_ml_kg_min", 1.74 * 6.12 * 1.25 + 3.5),  # 16.811
    },
    "hr_max_method": {
        "tanaka": ("hr_max_pred_bpm", 180.0),
        "fox": ("hr_max_pred_bpm", 180.0),  # 220 - 40
        "gellish": ("hr_max_pred_bpm", 206.9 - 0.67 * 40),  # 180.1
        "gulati": ("hr_max_pred_bpm", 206 - 0.88 * 40),  # 170.8
    },
}


@pytest.mark.parametrize(("setting", "method"), [(s, m) for s, methods in METHODS.items() for m in methods])
def test_each_method_and_its_id(invented, derive, setting, method):
    test = ridden()(lambda **fields: person(invented, **fields))
    row = derive({"T": test}, settings(**{setting: method})).last("T")
    column, value = METHODS[setting][method]
    assert row[column] == pytest.approx(value, rel=1e-12)
    assert row[setting] == method


def test_the_heart_rate_form_of_map_needs_a_heart_rate(invented, derive):
    test = ridden(bpm=None)(lambda **fields: person(invented, **fields))
    row = derive({"T": test}, settings(map_method="heart_rate")).last("T")
    assert row["map_mmhg"] is None
    assert "map_mmhg=no_heart_rate" in row["missing"]


# ---- in the window ----------------------------------------------------------------------------


def prompted(at_s, due=None, answers=True, closes_s=780, **taken):
    """Stage 600 to 780; cuff up at 700, first sound due at 720, window mostly to 780; 150/80 at 2.5 mmHg/s.

    Last sound 28 s after the first; pumping, where noted, 180/30 + 30/2.5 = 18 s before it.
    """

    def happens(make):
        t = make()
        t.rest_and_loads(50, 100)
        seq = t.due(1, 700, 720, closes_s, **due or {})
        t.taken(at_s, 150, 80, **{"due_seq": seq if answers else None} | taken)
        return t

    return happens


PUMPED = {"inflated_to_mmhg": 180.0}
SYSTOLIC, MARK = {"fits": "systolic"}, {"aims_at": "mark"}
WINDOW = {
    # pumped at 690: exactly 10 s early
    "pumped 10 s early": (prompted(708, **PUMPED), True),
    "pumped 10.1 s early": (prompted(707.9, **PUMPED), False),
    "early, pumping not noted": (prompted(650), True),
    # last sound at 785: 5 s late
    "last sound 5 s late": (prompted(757), True),
    "last sound 5.1 s late": (prompted(757.1), False),
    "systolic, first sound at the close": (prompted(780, SYSTOLIC), True),
    "systolic, first sound late": (prompted(780.1, SYSTOLIC), False),
    "systolic, pumped early": (prompted(707.9, SYSTOLIC, **PUMPED), False),
    "mark, 15 s early": (prompted(705, MARK, **PUMPED), True),
    "mark, 15.1 s early": (prompted(704.9, MARK), False),
    "mark, 15 s late": (prompted(735, MARK), True),
    "mark, 15.1 s late": (prompted(735.1, MARK), False),
    # a mark at 715 for which the cuff could not be up in time
    "mark, asked for 5 s late": (prompted(730, MARK, closes_s=730), True),
    "mark, over 15 s late": (prompted(730.6, MARK, closes_s=730), False),
    "at once after exercise": (prompted(735.1, {"aims_at": "immediate"}), False),
    "repeat": (prompted(735.1, {"aims_at": "repeat"}), True),
    "estimated": (prompted(708, measured_source="estimated"), None),
    "answers none": (prompted(708, answers=False), False),
}
WORDS = {
    "pumped 10.1 s early": "pumped 10 s early",
    "last sound 5.1 s late": "last sound 5 s after the window",
    "systolic, first sound late": "last sound 28 s after the window",
    "systolic, pumped early": "pumped 10 s early",
    "mark, 15.1 s early": "first sound 15 s before its mark",
    "mark, 15.1 s late": "first sound 15 s after its mark",
    "mark, over 15 s late": "first sound 1 s after the window",
    "at once after exercise": "first sound 15 s after its mark",
    "answers none": "answers no prompt",
}
NOTES = {"estimated": "time_estimated", "answers none": "answers_no_prompt"}


@pytest.fixture(scope="module")
def window(invented, derive):
    return derive(built(invented, WINDOW))


@pytest.mark.parametrize("name", WINDOW)
def test_in_the_window(window, name):
    row = window.last(name)
    assert row["in_window"] is WINDOW[name][1]
    assert row["in_window_note"] == NOTES.get(name)
    assert row["in_window_source"] == (None if name in NOTES else "computed")
    outside = window.flags(name, "outside_window")
    assert [flag["detail"] for flag in outside] == ([WORDS[name]] if WINDOW[name][1] is False else [])


def test_a_marked_last_sound_decides_and_is_named(invented, alone):
    test = person(invented)
    test.rest_and_loads(50, 100)
    due = test.due(1, 700, 720, 780)
    test.taken(757, 150, 80, due_seq=due, last_sound_at=test.at(786))
    row = alone(test).last("T")
    assert (row["in_window"], row["in_window_source"]) == (False, "marked")


def test_without_prompts_nothing_is_inside_or_outside(invented, alone):
    test = person(invented)
    test.rest_and_loads(50, 100)
    test.taken(757, 150, 80)
    row = alone(test).last("T")
    assert (row["in_window"], row["in_window_note"]) == (None, "no_prompt")


# ---- the load at the diastolic ----------------------------------------------------------------


def next_load(at_s, step=50.0, k5=80):
    """Stages of 100 W to 780 and 100 + step W after it; 150/80 has its diastolic 28 s after k1."""

    def happens(make):
        t = make()
        t.source()
        t.rest_and_loads(100, 100 + step)
        t.log(600, 960, watts=lambda s: 100.0 if s <= 780 else 100.0 + step)
        t.taken(at_s, 150, k5)
        return t

    return happens


NEXT_LOAD = {
    "within": (next_load(750), {"watts_at_dbp": 100.0, "dbp_next_load": False}),
    # diastolic at 790, exactly 10 s over; (780, 790] is all of the next load
    "10 s over": (next_load(762), {"watts_at_dbp": 150.0, "dbp_next_load": False}),
    "10.1 s over": (next_load(762.1), {"watts_at_dbp": 150.0, "dbp_next_load": True}),
    "over, 10 W apart": (next_load(762.1, 10.0), {"watts_at_dbp": 110.0, "dbp_next_load": False}),
    "over, 10.5 W apart": (next_load(762.1, 10.5), {"watts_at_dbp": 110.5, "dbp_next_load": True}),
    "no diastolic": (next_load(762.1, k5=0), {"watts_at_dbp": None, "dbp_next_load": False}),
}


@pytest.mark.parametrize("name", NEXT_LOAD)
def test_a_diastolic_heard_in_the_next_load(invented, derive, name):
    assert_holds(derive(built(invented, {name: NEXT_LOAD[name]})).last(name), NEXT_LOAD[name][1])


def test_a_diastolic_of_the_next_load_stays_in_its_reading_and_out_of_changes(invented, alone):
    test = next_load(762.1)(lambda: person(invented))
    test.taken(500, 120, 70)
    test.taken(900, 170, 78)
    rest, first, second = sorted(alone(test).readings("T"), key=lambda row: row["measured_at"])
    assert (first["dbp_mmhg"], first["pulse_pressure_mmhg"]) == (80, 70)
    assert (first["sbp_change_rest_mmhg"], first["dbp_change_rest_mmhg"]) == (30, None)
    assert (first["dbp_change_stage_mmhg"], first["dbp_change_note"]) == (None, "dbp_next_load")
    assert (second["sbp_change_stage_mmhg"], second["dbp_change_stage_mmhg"]) == (20, None)
    assert second["dbp_change_rest_mmhg"] == 8
    assert rest["sbp_change_stage_mmhg"] is None
