"""The systolic fall: its reference, what confirms it, and pressures below rest (definitions: flags)."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pipeline import events as ev
from pipeline.rules import shipped_rules

# stages of 180 s after 600 s of rest: 50 W to 780, 100 to 960, 150 to 1140, 200 to 1320
LOADS = (50, 100, 150, 200)


def ride(*readings, loads=LOADS, stages=None, more=(), watts=None, opened=None):
    """Readings (s, k1, fields); `watts` logs a load over all of it, else targets are all there is."""

    def happens(make):
        test = make(**opened or {})
        if stages is None:
            test.rest_and_loads(*loads)
        for start_s, phase, target, *fields in stages or ():
            test.stage(start_s, phase, target, **(fields[0] if fields else {}))
        if watts is not None:
            test.source()
            test.log(600, 1400, watts=watts)
        for at_s, k1, *fields in readings:
            test.taken(at_s, k1, None, **(fields[0] if fields else {}))
        for happening in more:
            happening(test)
        test.close(4000)
        return test

    return happens


def derived_of(cases, invented, derive, rules=None):
    return derive({name: happens(invented) for name, (happens, *_) in cases.items()}, rules)


LEFT, RIGHT, CLEAR = {"arm": "left"}, {"arm": "right"}, {"clarity": "clear"}
RAMP = ((0, "rest", None), (600, "exercise", 50, {"target_watts_to": 200, "planned_s": 600.0}))
BREAKS = ((0, "rest", None), (600, "exercise", 50), (900, "recovery", 0), (1200, "exercise", 100))
WARM = ((0, "rest", None), (600, "warmup", 20), (780, "exercise", 50), (960, "exercise", 100))

# ---- the fall and its reference ---------------------------------------------------------------

FALLS = {
    # what happens -> observed fall of the last reading, its reference
    "9": (ride((760, 160), (940, 151)), None),
    "10": (ride((760, 160), (940, 150)), (10, 160)),
    "the highest of all earlier ones": (ride((760, 170), (940, 168), (1120, 158)), (12, 170)),
    "not one at the same load": (ride((900, 170), (940, 155)), None),
    "20 W lower is lower": (ride((760, 160), (940, 148), loads=(50, 70)), (12, 160)),
    "19 W lower is not": (ride((760, 160), (940, 148), loads=(50, 69)), None),
    "resting ones are no reference": (ride((500, 170), (940, 150)), None),
    "recovery is no load": (ride((760, 170), (1400, 140)), None),
    "the warm-up is": (ride((700, 170), (950, 150), stages=WARM), (20, 170)),
    "doubtful reference": (ride((760, 170, {"clarity": "doubtful"}), (940, 150)), None),
    "doubtful fall": (ride((760, 170), (940, 150, {"clarity": "doubtful"})), None),
    "lower bound as reference": (ride((760, 170, {"k1_at_least": True}), (940, 150)), None),
    "a lower bound does not fall": (ride((760, 170), (940, 150, {"k1_at_least": True})), None),
    "second observer": (ride((760, 170), (940, 150, {"role": "second"})), None),
    "the other arm": (ride((760, 170, LEFT), (940, 150, RIGHT)), None),
    "the same arm": (ride((760, 170, LEFT), (940, 150, LEFT)), (20, 170)),
    "the arm of the reading before": (ride((760, 170, LEFT), (940, 150)), (20, 170)),
    "the arm noted at rest": (ride((500, 120, LEFT), (760, 170), (940, 150, RIGHT)), None),
    "the arm of a doubtful one": (
        ride((760, 170, LEFT), (800, 100, RIGHT | {"clarity": "doubtful"}), (940, 150)),
        None,
    ),
    "the arm first noted later": (ride((760, 170), (940, 150, LEFT)), (20, 170)),
    # logged loads go before targets: 50 then 60 W is no rise of 20 W, whatever was planned
    "as logged": (ride((760, 170), (940, 150), watts=lambda s: 50.0 if s <= 780 else 60.0), None),
    # from 50 at 600 to 200 W at 1200: 0.25 W/s; 75 W at 700, 95 at 780, 94.25 at 777; half a watt is noise
    "ramp, 20 W on": (ride((700, 170), (780, 150), stages=RAMP), (20, 170)),
    "ramp, 19.25 W on": (ride((700, 170), (777, 150), stages=RAMP), None),
    # 9 min 50 s and 10 min 10 s on, over an unloaded stage
    "intermittent, within 10 min": (ride((650, 170), (1240, 150), stages=BREAKS), (20, 170)),
    "intermittent, later": (ride((650, 170), (1260, 150), stages=BREAKS), None),
    "10 min are no limit without a break": (ride((610, 170), (1310, 150)), (20, 170)),
}  # fmt: skip


@pytest.fixture(scope="module")
def falls(invented, derive):
    return derived_of(FALLS, invented, derive)


@pytest.mark.parametrize("name", FALLS)
def test_a_fall_is_from_the_highest_earlier_one_at_a_lower_load(falls, name):
    last = falls.last(name)["reading_id"]
    flags = [flag for flag in falls.flags(name, "systolic_fall") if flag["target_seq"] == last]
    expected = FALLS[name][1]
    assert [flag["observed"] for flag in flags] == ([] if expected is None else [expected[0]])
    if expected:
        assert flags[0]["level"] == "caution"
        assert f"{expected[0]} below {expected[1]} mmHg at " in flags[0]["detail"]


def test_the_flag_names_the_reference_its_time_and_where_its_load_is_from(invented, derive):
    cases = {
        "target": (ride((760, 160), (940, 150)),),
        "log": (ride((760, 160), (940, 150), watts=lambda s: 48.0 if s <= 780 else 99.0),),
    }
    derived = derived_of(cases, invented, derive)
    words = {name: derived.flags(name, "systolic_fall")[0]["detail"] for name in cases}
    # 760 s into the test
    assert words["target"] == "10 below 160 mmHg at 12:40 min (50 W); load not logged, target used"
    assert words["log"] == "10 below 160 mmHg at 12:40 min (48 W)"
    assert derived.flags("target", "systolic_fall")[0]["phase"] == "exercise"


def test_without_load_and_target_a_fall_is_not_judged_and_that_is_said(invented, alone):
    stages = ((0, "rest", None), (600, "exercise", None), (780, "exercise", None))
    derived = alone(ride((760, 170), (940, 150), stages=stages)(invented))
    assert derived.flags("T", "systolic_fall") == []
    assert [flag["level"] for flag in derived.flags("T", "fall_not_judged")] == ["check", "check"]


# ---- confirmed --------------------------------------------------------------------------------


def noted(at_s, kind=ev.SymptomNoted, code="dizzy", **fields):
    return lambda test: test.add(kind, at_s, code=code, **fields)


def fall_then(at_s, k1, *fields, watts=None):
    """160 at 50 W, 148 at 100 W (940 s): a fall of 12; then one more."""
    return ride((760, 160), (940, 148), (at_s, k1, *fields), watts=watts)


def then_at(watts):
    return lambda s: 50.0 if s <= 780 else 100.0 if s <= 960 else watts


def with_symptom(at_s, *args, **fields):
    return ride((760, 160), (940, 150), more=[noted(at_s, *args, **fields)])


CONFIRMED = {
    # -> which reading (counted from 0) and what was observed
    "the next 10 below too": (fall_then(1000, 150), (2, 10)),
    "the smaller of the two falls": (fall_then(1000, 140), (2, 12)),
    "the next only 9 below": (fall_then(1000, 151), None),
    "180 s later": (fall_then(1120, 150), (2, 10)),
    "180.1 s later": (fall_then(1120.1, 150), None),
    "a doubtful one in between": (
        ride((760, 160), (940, 148), (970, 100, {"clarity": "doubtful"}), (1000, 150)), (3, 10)
    ),
    "the next at 5 W less": (fall_then(1000, 150, watts=then_at(95.0)), (2, 10)),
    "the next at 5.1 W less": (fall_then(1000, 150, watts=then_at(94.9)), None),
    "clear, 20": (ride((760, 160), (940, 140, CLEAR)), (1, 20)),
    "clear, 19": (ride((760, 160), (940, 141, CLEAR)), None),
    "20, not called clear": (ride((760, 160), (940, 140)), None),
    "20, difficult": (ride((760, 160), (940, 140, {"clarity": "difficult"})), None),
    "symptom 120 s before": (with_symptom(820), (1, 10)),
    "symptom 120 s after": (with_symptom(1060), (1, 10)),
    "symptom 121 s after": (with_symptom(1061), None),
    "sign": (with_symptom(940, ev.SignNoted, "st_change"), (1, 10)),
    "a symptom that is gone": (with_symptom(940, severity=0), None),
    "a void symptom": (
        ride((760, 160), (940, 150), more=[lambda t: t.amend(noted(940)(t), "void", True)]), None
    ),
    "a symptom without a fall": (ride((760, 160), (940, 151), more=[noted(940)]), None),
    "none of these": (ride((760, 160), (940, 150)), None),
}  # fmt: skip


@pytest.fixture(scope="module")
def confirmed(invented, derive):
    return derived_of(CONFIRMED, invented, derive)


@pytest.mark.parametrize("name", CONFIRMED)
def test_what_confirms_a_fall(confirmed, name):
    flags = confirmed.flags(name, "systolic_fall_confirmed")
    expected = CONFIRMED[name][1]
    readings = [row["reading_id"] for row in confirmed.readings(name)]
    found = [(readings.index(flag["target_seq"]), flag["observed"]) for flag in flags]
    assert found == ([] if expected is None else [expected])
    assert all(flag["level"] == "stop" for flag in flags)


def test_a_confirmed_fall_stands_in_the_stage_of_the_reading_that_confirms(confirmed):
    # the fall at 940 s is in stage 2, the next at 1000 s in stage 3
    [flag] = confirmed.flags("the next 10 below too", "systolic_fall_confirmed")
    assert flag["stage_index"] == 3


def test_confirm_none_makes_the_first_fall_a_stop(invented, derive):
    rules = shipped_rules()
    chosen = replace(rules, settings=rules.settings.model_copy(update={"fall_confirm": "none"}))
    cases = {"10": (ride((760, 160), (940, 150)),), "9": (ride((760, 160), (940, 151)),)}
    derived = derived_of(cases, invented, derive, chosen)
    [flag] = derived.flags("10", "systolic_fall_confirmed")
    assert (flag["level"], flag["quantity"], flag["observed"]) == ("stop", "fall_unconfirmed", 10)
    assert derived.flags("9", "systolic_fall_confirmed") == []


# ---- below rest -------------------------------------------------------------------------------

AT_REST = ((340, 130), (500, 130))
BELOW = {
    "two running": (ride(*AT_REST, (940, 128), (1120, 129)), (3, 1)),
    "at rest's level": (ride(*AT_REST, (940, 128), (1120, 130)), None),
    "the first is not below": (ride(*AT_REST, (940, 130), (1120, 120)), None),
    "the first loaded stage does not count": (ride(*AT_REST, (760, 120), (940, 128)), None),
    "twice in the first loaded stage": (ride(*AT_REST, (700, 120), (760, 120)), None),
    "twice in one later stage": (ride(*AT_REST, (850, 128), (940, 127)), (3, 2)),
    "one in between": (ride(*AT_REST, (800, 128), (940, 131), (1120, 128)), None),
    "a doubtful one in between": (
        ride(*AT_REST, (800, 128), (940, 140, {"clarity": "doubtful"}), (1120, 125)), (4, 2)
    ),
    "no rest": (ride((940, 128), (1120, 120)), None),
    "recovery": (ride(*AT_REST, (1120, 140), (1400, 120), (1500, 120)), None),
}  # fmt: skip


@pytest.fixture(scope="module")
def below(invented, derive):
    return derived_of(BELOW, invented, derive)


@pytest.mark.parametrize("name", BELOW)
def test_two_consecutive_ones_below_rest(below, name):
    flags = below.flags(name, "systolic_below_rest")
    readings = [row["reading_id"] for row in below.readings(name)]
    found = [(readings.index(flag["target_seq"]), flag["observed"]) for flag in flags]
    expected = BELOW[name][1]
    assert found == ([] if expected is None else [expected])
    assert all(flag["level"] == "stop" for flag in flags)
