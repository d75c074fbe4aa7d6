"""Flags about one reading: at, just under and just over each threshold, with its operator."""

from __future__ import annotations

from datetime import date

import pytest

from pipeline import events as ev

LOADS = (50, 100, 150)  # rest (0, 600], 50 W to 780, 100 W to 960, 150 W to 1140, then recovery


def one(k1=140, k5=80, at_s=740.0, opened=None, **fields):
    def happens(make):
        test = make(**opened or {})
        test.rest_and_loads(*LOADS)
        test.taken(at_s, k1, k5, **fields)
        return test

    return happens


def rest(*readings, opened=None, **fields):
    """Resting readings (k1, k5) 100 s apart from 330 s."""

    def happens(make):
        test = make(**opened or {})
        test.rest_and_loads(*LOADS)
        for n, (k1, k5, *more) in enumerate(readings):
            test.taken(330 + 100 * n, k1, k5, **fields | (more[0] if more else {}))
        return test

    return happens


def opened(**fields):
    return one(opened=fields)


BOUND, FOURTH, SECOND = {"k1_at_least": True}, {"k4_mmhg": 60.0}, {"role": "second"}


def limit(**limits):
    return {"limits": ev.Limits(**limits)}


def then(*happenings):
    """Each happening takes the test and adds to it."""

    def happens(make):
        test = make(limits=ev.Limits(rpe=17.0), arm_circumference_cm=30.0)
        test.rest_and_loads(*LOADS)
        for happening in happenings:
            happening(test)
        return test

    return happens


def taken(at_s, k1=140, k5=80, **fields):
    return lambda test: test.taken(at_s, k1, k5, **fields)


def missed():
    return then(lambda test: test.missed(700))


def arms(*order):
    return then(*(taken(400 + 250 * n, arm=arm) for n, arm in enumerate(order)))


def recovered(k1, at_s=1300, **fields):
    return then(taken(400, 120), taken(at_s, k1, **fields))


def again(first_s, second_s):
    return then(*(taken(at_s, 120, inflated_to_mmhg=180.0) for at_s in (first_s, second_s)))


def after_miss(attempted, pause_s):
    # k1 120, pumped to 180: 6 + 60/2.5 = 30 s before the first sound
    return then(
        lambda test: test.missed(650, attempted=attempted),
        taken(650 + pause_s + 30, 120, inflated_to_mmhg=180.0),
    )


def paired(first, second):
    def both(test):
        pumped = {"inflated_to_mmhg": 180.0}
        primary = test.taken(740, *first, **pumped)
        test.taken(740, *second[:2], role="second", pair_seq=primary, **pumped, **dict(*second[2:]))

    return then(both)


def measured(seconds):
    """60 mmHg in this time at 120 bpm."""

    def both_marked(test):
        test.source()
        test.log(700, 740, heart_rate_bpm=120.0)
        test.taken(740, 140, 80, last_sound_at=test.at(740 + seconds))

    return then(both_marked)


def exerted(rpe, at_s=740.0, **fields):
    return then(taken(740), lambda test: test.add(ev.ExertionRated, at_s, rpe=float(rpe), **fields))


def new_cuff():
    return then(lambda test: test.add(ev.CuffChanged, 500, bladder_length_cm=21.0))


# code -> cases of (what happens, level and observed value, or None)
CASES = {
    "systolic_high": {
        "250": (one(250), None),
        "251": (one(251), ("stop", 251)),
        "at rest too": (one(251, at_s=400), ("stop", 251)),
        "doubtful too": (one(251, clarity="doubtful"), ("stop", 251)),
        "at least 249": (one(249, **BOUND), None),
        "at least 250": (one(250, **BOUND), ("stop", 250)),
        "of a second observer": (one(260, **SECOND), None),
    },
    "diastolic_high": {
        "115": (one(200, 115), None),
        "116": (one(200, 116), ("stop", 116)),
        "K4 115": (one(200, 0, k4_mmhg=115.0), None),
        "K4 116": (one(200, 0, k4_mmhg=116.0), ("caution", 116)),
        "K4 beside a K5": (one(200, 90, k4_mmhg=116.0), None),
    },
    "resting_pressure_high": {
        "mean 200": (rest((198, 80), (202, 80)), None),
        "mean 200.5": (rest((199, 80), (202, 80)), ("stop", 200.5)),
        "one reading asks for a repeat": (rest((230, 80)), None),
        "diastolic 110": (rest((180, 108), (180, 112)), None),
        "diastolic 110.5": (rest((180, 109), (180, 112)), ("stop", 110.5)),
        "K4 and K5 have no mean": (rest((180, 120), (180, 0, {"k4_mmhg": 120.0})), None),
        "at least 200 twice": (rest((200, 80, BOUND), (210, 80, BOUND)), ("stop", 200)),
        "at least 200 and 199": (rest((199, 80, BOUND), (210, 80, BOUND)), None),
        "at least 200 once": (rest((210, 80, BOUND)), None),
        "by two observers of one reading": (rest((210, 80, BOUND), (210, 80, BOUND | SECOND)), None),
        "under load it is another limit": (one(230), None),
    },
    "systolic_above_cuff": {
        "lower bound": (one(200, **BOUND), ("caution", 1)),
        "none": (one(200, k1_at_least=False), None),
    },
    "implausible_pair": {
        "pulse 9": (one(99, 90), ("check", 9)),
        "pulse 10": (one(100, 90), None),
        "pulse 150": (one(200, 50), None),
        "pulse 151": (one(201, 50), ("check", 151)),
        "pulse of a lower bound": (one(99, 90, **BOUND), None),
        "k1 300": (one(300, None), None),
        "k1 301": (one(301, None), ("check", 301)),
        "k1 50": (one(50, None), None),
        "k1 49": (one(49, None), ("check", 49)),
        "dbp 150": (one(200, 150), None),
        "dbp 151": (one(200, 151), ("check", 151)),
        "k4 at k1": (one(140, 80, k4_mmhg=140.0), ("check", 0)),
        "k4 under k1": (one(140, 80, k4_mmhg=139.0), None),
        "k5 at k4": (one(140, 80, k4_mmhg=80.0), None),
        "k5 above k4": (one(140, 80, k4_mmhg=79.0), ("check", 1)),
    },
    "diastolic_unresolved": {
        "to zero": (one(140, 0), ("check", 1)),
        "fourth phase": (one(140, 0, **FOURTH), None),
        "missed": (missed(), None),
    },
    "fourth_phase_used": {
        "K4": (one(140, 0, **FOURTH), ("note", 1)),
        "K5": (one(140, 80, k4_mmhg=90.0), None),
    },
    "inflation_low": {
        "20 above": (one(140, inflated_to_mmhg=160.0), None),
        "19 above": (one(140, inflated_to_mmhg=159.0), ("check", 19)),
        "10 above": (one(140, inflated_to_mmhg=150.0), ("check", 10)),
        "9 above": (one(140, inflated_to_mmhg=149.0), ("caution", 9)),
        "not noted": (one(140), None),
        "a lower bound says so itself": (one(140, inflated_to_mmhg=140.0, **BOUND), None),
    },
    "arm_unsupported": {
        "none": (one(arm_support="none"), ("check", 1)),
        "assessor": (one(arm_support="assessor"), None),
        "not noted": (one(), None),
    },
    "arm_off_level": {
        "4.9 cm": (one(arm_below_heart_cm=4.9), None),
        "5 cm": (one(arm_below_heart_cm=5.0), ("check", 5)),
        "above the heart": (one(arm_below_heart_cm=-5.0), ("check", 5)),
    },
    "arm_changed": {
        "nothing to compare with": (one(arm="right"), None),
        "after the left at rest": (arms("left", "right"), ("check", 1)),
        "the same": (arms("left", "left"), None),
        "not noted in between": (arms("left", None, "right"), ("check", 1)),
        "both arms at rest": (rest((120, 80, {"arm": "left"}), (120, 80, {"arm": "right"})), None),
    },
    "odd_digit": {
        "even": (one(140, 80, opened={"gauge_step_mmhg": 2.0}), None),
        "odd": (one(141, 80, opened={"gauge_step_mmhg": 2.0}), ("note", 1)),
        "two odd": (one(141, 81, opened={"gauge_step_mmhg": 2.0}), ("note", 2)),
        "between the marks": (one(140.5, 80, opened={"gauge_step_mmhg": 2.0}), ("note", 1)),
        "odd k4": (one(140, 80, k4_mmhg=91.0, opened={"gauge_step_mmhg": 2.0}), ("note", 1)),
        "dial of 1 mmHg": (one(141, 81, opened={"gauge_step_mmhg": 1.0}), None),
        "dial not known": (one(141, 81), None),
    },
    "deflation_rate": {
        "1.9 per s": (one(deflation_mmhg_per_s=1.9), ("note", 1.9)),
        "2 per s": (one(deflation_mmhg_per_s=2.0), None),
        "4 per s": (one(deflation_mmhg_per_s=4.0), None),
        "4.1 per s": (one(deflation_mmhg_per_s=4.1), ("note", 4.1)),
        "1.9 per beat": (one(deflation_mmhg_per_beat=1.9), ("note", 1.9)),
        "4 per beat": (one(deflation_mmhg_per_beat=4.0), None),
        "4.1 per beat": (one(deflation_mmhg_per_beat=4.1), ("note", 4.1)),
        "not stated": (one(), None),
        # 60 mmHg between marked sounds at 120 bpm, so half as much per beat as per second
        "measured 4.1 and 2.05": (measured(60 / 4.1), None),
        "measured 8.2 and 4.1": (measured(60 / 8.2), ("note", 4.1)),
        "measured 2 and 1": (measured(30), None),
        "measured 1.9 and 0.95": (measured(60 / 1.9), ("note", 1.9)),
    },
    "recovery_low": {
        # rest 120
        "20 below": (recovered(100), None),
        "21 below": (recovered(99), ("caution", 21)),
        "doubtful": (recovered(80, clarity="doubtful"), None),
        "under load it is another limit": (recovered(90, at_s=1100), None),
    },
    "repeats_apart": {
        "5 apart": (rest((120, 80), (125, 80)), None),
        "6 apart": (rest((120, 80), (126, 80)), ("note", 6)),
        "6 lower": (rest((126, 80), (120, 80)), ("note", 6)),
        "first and third": (rest((120, 80), (123, 80), (126, 80)), ("note", 6)),
        "a doubtful one": (rest((120, 80), (140, 80, {"clarity": "doubtful"}), (123, 80)), None),
        "a second observer": (rest((120, 80), (140, 80, SECOND)), None),
        "under load they may": (then(taken(640, 120), taken(740, 140)), None),
    },
    "reading_missed": {"missed": (missed(), ("note", 1)), "taken": (one(), None)},
    # let down at 400 + (120 - 30)/3 + 3 = 433 s at rest; pumped (180/30 + 60/3 = 26 s) before 120
    "too_soon": {
        "60 s at rest": (again(400, 433 + 60 + 26), None),
        "59.9 s at rest": (again(400, 433 + 59.9 + 26), ("note", 59.9)),
        # under load to 40 at 2.5: 80/2.5 + 3 = 35 s; pumped 6 + 60/2.5 = 30 s before
        "30 s under load": (again(620, 655 + 30 + 30), None),
        "29.9 s under load": (again(620, 655 + 29.9 + 30), ("note", 29.9)),
        "after a missed attempt": (after_miss(True, 29.9), ("note", 29.9)),
        "long after a missed attempt": (after_miss(True, 30), None),
        "nothing was pumped": (after_miss(False, 10), None),
        "a second observer pumps nothing": (paired((140, 80), (140, 80)), None),
    },
    "observers_apart": {
        "4 apart": (paired((140, 80), (144, 76)), None),
        "k1 5 apart": (paired((140, 80), (145, 80)), ("check", 5)),
        "dbp 5 apart": (paired((140, 80), (140, 85)), ("check", 5)),
        "K4 against K5": (paired((140, 80), (140, 0, FOURTH)), None),
    },
    "rest_short": {
        # pumping noted: 180/30 + 60/3 = 26 s before the first sound
        "300 s": (one(120, at_s=326, inflated_to_mmhg=180.0), None),
        "299 s": (one(120, at_s=325, inflated_to_mmhg=180.0), ("check", 299)),
        "pumping not noted": (one(120, at_s=299), ("check", 299)),
    },
    "no_stage": {"before": (one(at_s=-1), ("check", 1)), "inside": (one(), None)},
    "protocol_limit": {
        "under": (one(199, opened=limit(sbp_mmhg=200.0)), None),
        "reached": (one(200, opened=limit(sbp_mmhg=200.0)), ("stop", 0)),
        "lower bound": (one(205, opened=limit(sbp_mmhg=200.0), **BOUND), ("stop", 5)),
        "diastolic": (one(180, 101, opened=limit(dbp_mmhg=100.0)), ("stop", 1)),
        "no limit": (one(200), None),
        "exertion under": (exerted(16), None),
        "exertion": (exerted(17), ("stop", 0)),
        "exertion without a reading": (exerted(18, at_s=1100), ("stop", 1)),
        "exertion of the legs": (exerted(18, about="legs"), None),
    },
    "bladder_length": {
        "79.9 %": (opened(arm_circumference_cm=30.0, bladder_length_cm=23.97), ("check", 79.9)),
        "80 %": (opened(arm_circumference_cm=30.0, bladder_length_cm=24.0), None),
        "100 %": (opened(arm_circumference_cm=30.0, bladder_length_cm=30.0), None),
        "101 %": (opened(arm_circumference_cm=30.0, bladder_length_cm=30.3), ("check", 101)),
        "arm not measured": (opened(bladder_length_cm=20.0), None),
        "changed for a shorter one": (new_cuff(), ("check", 70)),
    },
    "bladder_width": {
        "40 %": (opened(arm_circumference_cm=30.0, bladder_width_cm=12.0), None),
        "39 %": (opened(arm_circumference_cm=30.0, bladder_width_cm=11.7), ("check", 39)),
    },
    "gauge_unchecked": {
        "366 days": (opened(gauge_checked_on=date(2025, 3, 13)), None),
        "367 days": (opened(gauge_checked_on=date(2025, 3, 12)), ("check", 367)),
        "not known": (opened(), None),
    },
}


@pytest.fixture(scope="module")
def derived(invented, derive):
    made = {}
    for code, cases in CASES.items():
        for name, (happens, _) in cases.items():
            made[f"{code}: {name}"] = happens(invented)
            made[f"{code}: {name}"].close(2000)
    return derive(made)


@pytest.mark.parametrize(("code", "name"), [(code, name) for code, cases in CASES.items() for name in cases])
def test_a_flag_holds_on_its_side_of_the_threshold(derived, code, name):
    flags = derived.flags(f"{code}: {name}", code)
    expected = CASES[code][name][1]
    found = [(flag["level"], flag["observed"]) for flag in flags]
    assert found == ([] if expected is None else [(expected[0], pytest.approx(expected[1]))])
    assert all(flag["state"] == "holds" for flag in flags)


def test_an_ordinary_test_has_no_flag(invented, alone):
    test = invented(gauge_step_mmhg=2.0, gauge_checked_on=date(2026, 1, 1), arm_circumference_cm=30.0,
                    bladder_length_cm=27.0, bladder_width_cm=12.5)  # fmt: skip
    test.rest_and_loads(*LOADS)
    for at_s, k1, k5 in ((340, 120, 80), (470, 122, 78), (760, 140, 78), (940, 156, 76), (1120, 172, 74)):
        test.taken(at_s, k1, k5, arm="left", inflated_to_mmhg=200.0, clarity="clear", arm_support="assessor")
    test.close(1300)
    assert alone(test).flags("T") == []


def test_what_a_flag_says(derived):
    [flag] = derived.flags("systolic_high: 251", "systolic_high")
    [reading] = derived.readings("systolic_high: 251")
    assert (flag["target_seq"], flag["stage_index"], flag["phase"]) == (reading["reading_id"], 1, "exercise")
    assert (flag["operator"], flag["threshold"], flag["unit"]) == (">", 250, "mmHg")
    assert flag["flag_at"] == reading["measured_at"]
    [flag] = derived.flags("arm_off_level: above the heart", "arm_off_level")
    # 0.5 to 0.8 mmHg/cm over 5 cm: 2.5 to 4
    assert flag["detail"] == "artery above the heart: the reading is about 2 to 4 mmHg too low"


def test_the_more_severe_of_two_rules_stands(derived):
    [flag] = derived.flags("inflation_low: 9 above", "inflation_low")
    assert (flag["quantity"], flag["threshold"]) == ("margin_small", 10)


# ---- as shown and as it holds -----------------------------------------------------------------


def shown(invented, mode, raised, at_s=745, k1=251.0, acknowledged=False):
    test = invented(mode=mode)
    test.rest_and_loads(*LOADS)
    reading = test.taken(740, 251, 80)
    if raised:
        test.add(ev.FlagRaised, at_s, code="systolic_high", level="stop", target_seq=reading, observed=251.0,
                 threshold=250.0)  # fmt: skip
    if acknowledged:
        test.add(ev.FlagAcknowledged, at_s + 5, code="systolic_high", target_seq=reading, by="OB-1")
    test.amend(reading, "k1_mmhg", k1)
    test.close(2000)
    return test


@pytest.mark.parametrize(
    ("mode", "raised", "k1", "state"),
    [
        ("join", False, 251.0, "holds"),
        ("live", True, 251.0, "holds"),
        ("live", False, 251.0, "late"),
        ("live", True, 240.0, "withdrawn"),
        ("live", False, 240.0, None),
    ],
)
def test_the_state_of_a_flag(invented, alone, mode, raised, k1, state):
    flags = alone(shown(invented, mode, raised, k1=k1, acknowledged=raised)).flags("T", "systolic_high")
    assert [flag["state"] for flag in flags] == ([] if state is None else [state])
    if raised:
        [flag] = flags
        assert (flag["level"], flag["observed"], flag["threshold"]) == ("stop", 251, 250)
        assert (flag["raised_at"].second, flag["acknowledged_at"].second) == (25, 30)  # 745 s: 09:12:25
        assert flag["acknowledged_by"] == "OB-1"


def test_a_void_reading_raises_nothing(invented, alone):
    test = invented()
    test.rest_and_loads(*LOADS)
    test.amend(test.taken(740, 260, 80), "void", True)
    test.close(2000)
    assert alone(test).flags("T", "systolic_high") == []
