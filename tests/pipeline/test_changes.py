"""Rest values and changes: what readings say against one another (definitions: readings, measures)."""

from __future__ import annotations

import pytest


def built(invented, cases):
    made = {}
    for name, (stages, readings, *_) in cases.items():
        made[name] = test = invented(age_years=40.0, ergometer_posture="upright")
        for start_s, phase, watts, *position in stages:
            test.stage(start_s, phase, watts, **dict(zip(("position",), position, strict=False)))
        for at_s, k1, k5, fields in readings:
            test.taken(at_s, k1, k5, **fields)
        test.close(3000)
    return made


SEATED, LOADED = (600, "rest", None, "seated"), (1200, "exercise", 50.0)
SUPINE, ON_BIKE = (0, "rest", None, "supine"), (900, "rest", None, "ergometer")
K4 = {"k4_mmhg": 60.0}

# ---- rest values ------------------------------------------------------------------------------

REST = {
    # stages, readings, expected; 120 and 126: mean 123, spread 6; 80 and 82: 81
    "mean of a stage": (
        [SUPINE, SEATED, LOADED],
        [(300, 140, 90, {}), (900, 120, 80, {}), (1000, 126, 82, {})],
        {"sbp_rest_mmhg": 123.0, "sbp_rest_n": 2, "sbp_rest_spread_mmhg": 6.0, "dbp_rest_mmhg": 81.0,
         "dbp_rest_phase": "K5", "rest_position": "seated", "rest_arm": None},
    ),
    "on the ergometer first": (
        [(0, "rest", None, "ergometer"), (600, "rest", None, "seated"), LOADED],
        [(300, 130, 80, {}), (900, 120, 80, {})],
        {"sbp_rest_mmhg": 130.0, "rest_position": "ergometer"},
    ),
    "the last of one posture": (
        [(0, "rest", None, "seated"), SEATED, LOADED],
        [(300, 130, 80, {}), (900, 120, 80, {})],
        {"sbp_rest_mmhg": 120.0},
    ),
    "the last that has a used reading": (
        [(0, "rest", None, "seated"), SEATED, LOADED],
        [(300, 130, 80, {}), (900, 120, 80, {"clarity": "doubtful"})],
        {"sbp_rest_mmhg": 130.0},
    ),
    "another posture where there is no other": (
        [SUPINE, LOADED], [(300, 130, 80, {})], {"sbp_rest_mmhg": 130.0, "rest_position": "supine"}
    ),
    "used ones only": (
        [SEATED, LOADED],
        [(700, 120, 80, {}), (800, 180, 80, {"clarity": "doubtful"}), (900, 200, 80, {"k1_at_least": True})],
        {"sbp_rest_mmhg": 120.0, "sbp_rest_n": 1, "sbp_rest_spread_mmhg": 0.0},
    ),
    "rest after load is no rest value": (
        [LOADED, (1500, "rest", None, "seated")], [(1700, 120, 80, {})], {"sbp_rest_mmhg": None}
    ),
    "K4 and K5 have no mean": (
        [SEATED, LOADED],
        [(700, 120, 80, {}), (800, 120, 0, K4)],
        {"dbp_rest_mmhg": None, "dbp_rest_note": "phase_differs", "dbp_rest_phase": None},
    ),
    "unresolved": (
        [SEATED, LOADED],
        [(700, 120, 0, {})],
        {"dbp_rest_mmhg": None, "dbp_rest_note": "diastolic_unresolved"},
    ),
    "one arm": (
        [SEATED, LOADED], [(700, 120, 80, {"arm": "left"}), (800, 120, 80, {})], {"rest_arm": "left"}
    ),
    "both arms": (
        [SEATED, LOADED],
        [(700, 120, 80, {"arm": "left"}), (800, 120, 80, {"arm": "right"})],
        {"rest_arm": "both"},
    ),
}  # fmt: skip


@pytest.fixture(scope="module")
def rest(invented, derive):
    return derive(built(invented, REST))


@pytest.mark.parametrize("name", REST)
def test_rest_values(rest, name):
    row = rest.summary(name)
    assert {column: row[column] for column in REST[name][2]} == REST[name][2]


@pytest.mark.parametrize(
    ("posture", "expected"),
    [("upright", "seated"), ("supine", "supine"), ("semi_recumbent", "semi_recumbent")],
)
def test_the_posture_of_exercise_decides(invented, alone, posture, expected):
    test = invented(ergometer_posture=posture)
    for n, position in enumerate(("semi_recumbent", "supine", "seated", "standing")):
        test.stage(n * 300, "rest", position=position)
        test.taken(n * 300 + 200, 110 + n, 70)
    test.stage(1200, watts=50)
    test.close(1300)
    assert alone(test).summary("T")["rest_position"] == expected


def test_resting_heart_rate_is_the_mean_at_its_readings(invented, alone):
    test = invented()
    test.source()
    test.stage(0, "rest")
    test.log(300, 330, heart_rate_bpm=60.0)
    test.log(400, 430, heart_rate_bpm=70.0)
    for at_s in (330, 430):
        test.taken(at_s, 120, 80)
    test.taken(500, 120, 80)  # without a heart rate
    test.stage(600, watts=50)
    test.close(700)
    assert alone(test).summary("T")["hr_rest_bpm"] == 65


@pytest.mark.parametrize(
    ("age", "rest_bpm", "percent"), [(40, 80, 50.0), (40, 160, None), (40, 159, -900 / 21)]
)
def test_percent_of_reserve_is_not_cut_and_needs_20_beats(invented, alone, age, rest_bpm, percent):
    # 208 - 28 = 180; (130 - 80)/(180 - 80) = 50 %; (150 - 159)/21; 180 is not over 160 + 20
    test = invented(age_years=float(age))
    test.source()
    test.stage(0, "rest")
    test.log(300, 330, heart_rate_bpm=float(rest_bpm))
    test.taken(330, 120, 80)
    test.stage(600, watts=50)
    test.log(700, 730, heart_rate_bpm=130.0 if rest_bpm == 80 else 150.0)
    test.taken(730, 150, 80)
    row = alone(test).last("T")
    assert row["hr_percent_reserve"] == (None if percent is None else pytest.approx(percent))
    assert ("hr_percent_reserve=reserve_under_20" in (row["missing"] or "")) is (percent is None)


# ---- changes ----------------------------------------------------------------------------------

EX1, EX2, EX3 = ((1200 + 180 * n, "exercise", 50.0 * (n + 1)) for n in range(3))
RECOVERY = (1740, "recovery", None)
FOUR = [SEATED, EX1, EX2, EX3, RECOVERY]
USUAL = [(800, 120, 80, {}), (1000, 124, 82, {}), (1300, 150, 78, {})]  # rest 122/81

CHANGES = {
    # stages, readings, changes of the last reading
    "from rest and from the rest stage": (
        FOUR, USUAL,
        {"sbp_change_rest_mmhg": 28, "dbp_change_rest_mmhg": -3, "sbp_change_stage_mmhg": 28,
         "earlier_stage_index": 0, "stages_between": 0},
    ),
    "from the last of the stage before": (
        FOUR, [*USUAL, (1350, 154, 76, {}), (1500, 170, 74, {})],
        {"sbp_change_rest_mmhg": 48, "sbp_change_stage_mmhg": 16, "dbp_change_stage_mmhg": -2,
         "pulse_pressure_change_stage_mmhg": 96 - 78, "map_change_stage_mmhg": pytest.approx(106 - 102)},
    ),
    "over a stage without a reading": (
        FOUR, [*USUAL, (1700, 180, 74, {})],
        {"sbp_change_stage_mmhg": 30, "earlier_stage_index": 1, "stages_between": 1},
    ),
    "over a stage with a doubtful one": (
        FOUR, [*USUAL, (1500, 110, 74, {"clarity": "doubtful"}), (1700, 180, 74, {})],
        {"sbp_change_stage_mmhg": 30, "stages_between": 1},
    ),
    "recovery has none from rest": (
        FOUR, [*USUAL, (1800, 140, 70, {})],
        {"sbp_change_rest_mmhg": None, "hr_change_rest_bpm": None, "sbp_change_stage_mmhg": -10},
    ),
    "rest to recovery": (
        [SEATED, RECOVERY], [(800, 120, 80, {}), (1800, 140, 70, {})],
        {"sbp_change_rest_mmhg": None, "sbp_change_stage_mmhg": None, "stages_between": None},
    ),
    "a lower bound changes nothing": (
        FOUR, [*USUAL, (1500, 200, 74, {"k1_at_least": True})],
        {"sbp_change_rest_mmhg": None, "sbp_change_stage_mmhg": None, "dbp_change_rest_mmhg": None},
    ),
    "K4 against K5": (
        FOUR, [*USUAL, (1500, 170, 0, K4)],
        {"sbp_change_rest_mmhg": 48, "dbp_change_rest_mmhg": None, "dbp_change_stage_mmhg": None,
         "map_change_stage_mmhg": None, "dbp_change_note": "phase_differs"},
    ),
    "K4 against K4": (
        FOUR, [(800, 120, 0, K4), (1300, 150, 0, {"k4_mmhg": 54.0})],
        {"dbp_change_rest_mmhg": -6, "dbp_change_stage_mmhg": -6, "dbp_change_note": None},
    ),
    "a rest of both phases has no diastolic to change from": (
        FOUR, [(800, 120, 0, K4), (1000, 120, 80, {}), (1300, 150, 78, {})],
        {"dbp_change_rest_mmhg": None, "dbp_change_stage_mmhg": None, "dbp_change_note": "phase_differs"},
    ),
    "the same two stages on": (
        FOUR, [(800, 120, 0, K4), (1000, 120, 80, {}), (1300, 150, 78, {}), (1500, 160, 76, {})],
        {"dbp_change_rest_mmhg": None, "dbp_change_stage_mmhg": -2, "dbp_change_note": "phase_differs"},
    ),
    "unresolved": (
        FOUR, [*USUAL, (1500, 170, 0, {})],
        {"dbp_change_rest_mmhg": None, "dbp_change_stage_mmhg": None, "dbp_change_note": None},
    ),
    "no rest reading": (
        FOUR, USUAL[2:], {"sbp_change_rest_mmhg": None, "earlier_stage_index": None}
    ),
}  # fmt: skip


@pytest.fixture(scope="module")
def changes(invented, derive):
    return derive(built(invented, CHANGES))


@pytest.mark.parametrize("name", CHANGES)
def test_changes_from_rest_and_from_the_stage_before(changes, name):
    row = max(changes.readings(name), key=lambda one: one["measured_at"])
    assert {column: row[column] for column in CHANGES[name][2]} == CHANGES[name][2]


def test_the_load_difference_stands_beside_the_change(invented, alone):
    test = invented()
    test.source()
    test.rest_and_loads(50, 100)
    test.log(600, 960, watts=lambda s: 52.0 if s <= 780 else 101.0)
    test.taken(740, 150, 80)
    test.taken(900, 160, 80)
    assert alone(test).last("T")["watts_change_stage"] == 49
