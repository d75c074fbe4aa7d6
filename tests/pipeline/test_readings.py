"""What a reading says, in which stage it lies and whether it counts (definitions: times, readings)."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pipeline import events as ev
from pipeline.rules import shipped_rules


def build(invented, cases):
    """Each case is (what happens after the stages, expected columns of its last reading)."""
    built = {}
    for name, (happens, _) in cases.items():
        built[name] = invented()
        built[name].rest_and_loads(50, 100, 150)  # rest (0, 600], 50 W to 780, 100 W to 960, 150 W to 1140
        happens(built[name])
        built[name].close(1500)
    return built


def assert_holds(row, expected):
    assert {name: row[name] for name in expected} == expected


# ---- the diastolic ----------------------------------------------------------------------------

DIASTOLICS = {
    # k4, k5, heard_to -> per_reading, k4_throughout, k5_throughout (each dbp, phase), dbp_upper
    "k5": ((None, 82, None), (82, "K5"), (None, None), (82, "K5")),
    "k4 and k5": ((88, 82, None), (82, "K5"), (88, "K4"), (82, "K5")),
    "on the floor": ((62, 40, None), (40, "K5"), (62, "K4"), (40, "K5")),
    "just under the floor": ((62, 39, None), (62, "K4"), (62, "K4"), (39, "K5")),
    "to zero": ((70, 0, None), (70, "K4"), (70, "K4"), (0, "K5")),
    "to zero without k4": ((None, 0, None), (None, None), (None, None), (0, "K5")),
    "heard on": ((70, None, 40), (70, "K4"), (70, "K4"), (None, None)),
    "heard on without k4": ((None, None, 40), (None, None), (None, None), (None, None)),
    "nothing": ((None, None, None), (None, None), (None, None), (None, None)),
}
POLICIES = ("per_reading", "k4_throughout", "k5_throughout")


@pytest.fixture(scope="module")
def by_policy(invented, derive):
    cases = {}
    for name, ((k4, k5, heard), *_) in DIASTOLICS.items():
        cases[name] = invented()
        cases[name].rest_and_loads(50)
        cases[name].taken(700, 150, k5, k4_mmhg=k4, heard_to_mmhg=heard)
    rules = shipped_rules()
    return {
        policy: derive(
            cases, replace(rules, settings=rules.settings.model_copy(update={"dbp_policy": policy}))
        )
        for policy in POLICIES
    }


@pytest.mark.parametrize("name", DIASTOLICS)
@pytest.mark.parametrize("policy", POLICIES)
def test_the_diastolic_is_k5_above_the_floor_else_k4_else_none(by_policy, policy, name):
    (k4, k5, heard), *by = DIASTOLICS[name]
    dbp, phase = by[POLICIES.index(policy)]
    row = by_policy[policy].last(name)
    assert_holds(row, {"dbp_mmhg": dbp, "dbp_phase": phase, "dbp_k4_mmhg": k4, "dbp_k5_mmhg": k5})
    # an upper bound stands only where the diastolic is not known, and is what was last heard
    bound = (k5 if k5 is not None else heard) if dbp is None else None
    assert row["dbp_upper_mmhg"] == bound
    if dbp is None:
        assert "dbp_mmhg=diastolic_unresolved" in row["missing"]


# ---- used -------------------------------------------------------------------------------------


def _void_and_back(t):
    reading = t.taken(700, 150, 80)
    t.amend(reading, "void", True)
    t.amend(reading, "void", False)


USED = {
    "ordinary": (lambda t: t.taken(700, 150, 80), None),
    "clear": (lambda t: t.taken(700, 150, 80, clarity="clear"), None),
    "difficult": (lambda t: t.taken(700, 150, 80, clarity="difficult"), None),
    "no diastolic": (lambda t: t.taken(700, 150), None),
    "doubtful": (lambda t: t.taken(700, 150, 80, clarity="doubtful"), "doubtful"),
    "no k1": (lambda t: t.taken(700, None, 80), "no_systolic"),
    "lower bound": (lambda t: t.taken(700, 200, 80, k1_at_least=True), "lower_bound"),
    "not a lower bound": (lambda t: t.taken(700, 200, 80, k1_at_least=False), None),
    "equal": (lambda t: t.taken(700, 80, 80), "not_above_diastolic"),
    "one above": (lambda t: t.taken(700, 81, 80), None),
    "second": (lambda t: t.taken(700, 150, 80, role="second"), "second_observer"),
    "void": (lambda t: t.amend(t.taken(700, 150, 80), "void", True), "void"),
    "void taken back": (_void_and_back, None),
    "missed": (lambda t: t.missed(700), "missed"),
    "missed void": (lambda t: t.amend(t.missed(700), "void", True), "void"),
}


@pytest.fixture(scope="module")
def used(invented, derive):
    return derive(build(invented, USED))


@pytest.mark.parametrize("name", USED)
def test_which_readings_count(used, name):
    row = used.last(name)
    assert row["used_note"] == USED[name][1]
    assert row["used"] is (USED[name][1] is None)


def _twice(first, second):
    def happens(t):
        due = t.due(1, 700, 730, 780)
        t.taken(740, 150, 80, due_seq=due, **first)
        t.taken(745, 152, 80, due_seq=due, **second)

    return happens


def _first_void(t):
    _twice({}, {})(t)
    t.amend(len(t.events) - 2, "void", True)


TWICE = {
    "two": (_twice({}, {}), [None, "entered_twice"]),
    "a second observer is no entry": (_twice({}, {"role": "second"}), [None, "second_observer"]),
    "the first is void": (_first_void, ["void", None]),
    "doubtful first": (_twice({"clarity": "doubtful"}, {}), ["doubtful", "entered_twice"]),
}


@pytest.mark.parametrize("name", TWICE)
def test_of_two_primary_entries_for_one_prompt_the_first_counts(invented, derive, name):
    derived = derive(build(invented, {name: TWICE[name]}))
    assert [row["used_note"] for row in derived.readings(name)] == TWICE[name][1]
    flagged = derived.flags(name, "entered_twice")
    assert len(flagged) == (2 if "entered_twice" in TWICE[name][1] else 0)


# ---- the stage --------------------------------------------------------------------------------


def _answers(index, at_s):
    def happens(t):
        ends = 600 + 180 * index
        t.taken(at_s, 150, 80, due_seq=t.due(index, ends - 60, ends - 30, ends))

    return happens


STAGES = {
    # rest (0, 600] with its start; stage 1 is (600, 780], stage 2 (780, 960], recovery from 1140
    "the very start": (lambda t: t.taken(0), (0, "time")),
    "before the start": (lambda t: t.taken(-0.001), (None, None)),
    "the end is inside": (lambda t: t.taken(600), (0, "time")),
    "the start is outside": (lambda t: t.taken(600.001), (1, "time")),
    "the last moment": (lambda t: t.taken(1500), (4, "time")),
    "after the end": (lambda t: t.taken(1500.001), (None, None)),
    "prompt, inside": (_answers(1, 770), (1, "due")),
    "prompt, 10 s over": (_answers(1, 790), (1, "due")),
    "prompt, 10.001 s over": (_answers(1, 790.001), (2, "time")),
    "prompt of a later stage": (_answers(2, 770), (1, "time")),
    "no prompt, 5 s over": (lambda t: t.taken(785), (2, "time")),
    "missed says its stage": (lambda t: t.missed(1100, stage_index=1), (1, "due")),
    "missed by time": (lambda t: t.missed(700), (1, "time")),
}


@pytest.fixture(scope="module")
def staged(invented, derive):
    return derive(build(invented, STAGES))


@pytest.mark.parametrize("name", STAGES)
def test_the_stage_of_a_reading(staged, name):
    index, source = STAGES[name][1]
    row = staged.last(name)
    assert_holds(row, {"stage_index": index, "stage_source": source})
    if index is None:
        assert "stage_index=no_stage" in row["missing"]
        assert [flag["level"] for flag in staged.flags(name, "no_stage")] == ["check"]


def test_position_is_as_said_else_that_of_the_stage(invented, alone):
    test = invented()
    test.rest_and_loads(50)
    test.taken(500)
    test.taken(550, position="supine")
    assert [row["position"] for row in alone(test).readings("T")] == ["seated", "supine"]


@pytest.mark.parametrize(("source", "u_time_s"), [("marked", 1), ("stated", 5), ("estimated", 15)])
def test_the_uncertainty_of_the_time(invented, alone, source, u_time_s):
    test = invented()
    test.rest_and_loads(50)
    test.taken(500, measured_source=source)
    assert alone(test).last("T")["u_time_s"] == u_time_s


# ---- exertion ---------------------------------------------------------------------------------


def _rated(*ratings):
    def happens(t):
        due = [t.due(1, 640, 660, 690), t.due(1, 700, 720, 750)]
        t.taken(660, due_seq=due[0])
        t.taken(710, due_seq=due[1])
        for at_s, rpe, answers, fields in ratings:
            extra = {} if answers is None else {"due_seq": due[answers]}
            t.add(ev.ExertionRated, at_s, rpe=float(rpe), **extra | fields)

    return happens


EXERTIONS = {
    "by prompt": (_rated((690, 11, 0, {}), (692, 13, 1, {})), [11, 13]),
    "nearest in time": (_rated((665, 11, None, {}), (715, 13, None, {})), [11, 13]),
    "60 s away": (_rated((600, 11, None, {})), [11, None]),
    # the cuff goes up at 640 s; one person asks 40 s before, and is given 20 s more
    "asked before the stand-by": (_rated((580, 11, None, {})), [11, None]),
    "over 60 s away": (_rated((579.9, 11, None, {})), [None, None]),
    "legs do not count": (_rated((660, 11, 0, {"about": "legs"})), [None, None]),
    "overall": (_rated((660, 11, 0, {"about": "overall"})), [11, None]),
    "the last of equals": (_rated((660, 11, 0, {}), (660, 12, 0, {})), [12, None]),
}


@pytest.mark.parametrize("name", EXERTIONS)
def test_the_exertion_that_goes_with_a_reading(invented, derive, name):
    derived = derive(build(invented, {name: EXERTIONS[name]}))
    assert [row["rpe"] for row in derived.readings(name)] == EXERTIONS[name][1]


# ---- amendments -------------------------------------------------------------------------------


def _amended(field, value, **fields):
    return lambda t: t.amend(t.taken(700, 150, 80, **fields), field, value)


AMENDED = {
    "k1": (_amended("k1_mmhg", 160.0), {"sbp_mmhg": 160, "measured_at_s": 700}),
    "k1 blanked": (_amended("k1_mmhg", None), {"sbp_mmhg": None, "used_note": "no_systolic"}),
    "time": (_amended("event_time", "2026-03-14T09:13:30Z"), {"stage_index": 2, "measured_at_s": 810}),
    "arm": (_amended("arm", "left", arm="right"), {"arm": "left"}),
    "rate": (_amended("deflation_mmhg_per_s", 5.0), {"rate_mmhg_per_s": 5, "measured_at_s": 700}),
    "role": (_amended("role", "second"), {"used_note": "second_observer"}),
    "clarity": (_amended("clarity", "doubtful", clarity="clear"), {"used_note": "doubtful"}),
}


@pytest.fixture(scope="module")
def amended(invented, derive):
    return derive(build(invented, AMENDED))


@pytest.mark.parametrize("name", AMENDED)
def test_an_amendment_is_laid_over_the_reading(amended, name):
    row = amended.last(name)
    row["measured_at_s"] = row["elapsed_s"]
    assert_holds(row, AMENDED[name][1])
    assert row["amendments"].endswith("(OB-1, 2026-03-14T09:19:00Z, wrong)")


def test_the_amendment_says_what_stood_there_before(amended):
    assert amended.last("k1")["amendments"].startswith("k1_mmhg: 150.0 -> 160.0 (")
    assert amended.last("arm")["amendments"].startswith('arm: "right" -> "left" (')
    assert amended.last("rate")["amendments"].startswith("deflation_mmhg_per_s: null -> 5.0 (")


def test_of_several_amendments_of_one_field_the_last_holds_and_all_are_told(invented, alone):
    test = invented()
    test.rest_and_loads(50)
    reading = test.taken(700, 150, 80)
    for value in (160.0, 170.0):
        test.amend(reading, "k1_mmhg", value)
    row = alone(test).last("T")
    assert row["sbp_mmhg"] == 170
    # the original is what was entered, also for the second one
    told = [part.split(" (")[0] for part in row["amendments"].split("; ")]
    assert told == ["k1_mmhg: 150.0 -> 160.0", "k1_mmhg: 150.0 -> 170.0"]


def test_a_whole_number_amends_a_field_that_counts(invented, alone):
    test = invented()
    test.rest_and_loads(50)
    due = test.due(1, 700, 720, 780)
    reading = test.taken(740, 150, 80)
    test.amend(reading, "due_seq", float(due))
    assert alone(test).last("T")["due_seq"] == due


def test_amending_the_offset_of_a_source_moves_its_whole_log(invented, alone):
    test = invented()
    source = test.source()
    test.rest_and_loads(50)
    test.log(600, 700, watts=50.0)
    test.log(700, 780, watts=60.0)
    test.taken(720, 150, 80)  # samples 691 to 720: 10 of 50 and 20 of 60 W
    plain = alone(test)
    assert plain.last("T")["watts"] == pytest.approx((10 * 50 + 20 * 60) / 30)
    test.amend(source, "clock_offset_s", -20.0)  # now 711 to 740 are at 691 to 720: all of 60 W
    moved = alone(test)
    assert moved.last("T")["watts"] == 60
    before, after = (one.rows("samples", "T", "seq") for one in (plain, moved))
    assert {
        (b["sampled_at"] - a["sampled_at"]).total_seconds() for b, a in zip(before, after, strict=True)
    } == {20}
    assert [row["event_time"] for row in before] == [row["event_time"] for row in after]
