"""The limits of a test on heart rate and minutes: at, under and over, and when first."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC

import pytest

from pipeline import events as ev
from pipeline.deriver import Deriver
from pipeline.rules import load_rules, shipped_rules

# rest to 600 s, 50 W to 780 (stage 1), 100 W to 960 (2), 150 W to 1140 (3), then recovery (4)
LOADS = (50, 100, 150)


def ride(course=None, *, every_s=1.0, from_s=500.0, to_s=1400.0, close=True, opened=None, rest=(), **limits):
    """A test with these limits whose heart rate is a number or a function of the time."""

    def happens(make, source=None):
        test = make(limits=ev.Limits(**limits), **opened or {})
        test.rest_and_loads(*LOADS)
        if course is not None:
            test.source(**source or {})
            test.log(from_s, to_s, every_s, heart_rate_bpm=course)
        for at_s in rest:
            test.taken(at_s, 120)
        if close:
            test.close(1500)
        return test

    return happens


def high(*spans, peak=180.0, usual=120.0):
    """The peak in each of these closed spans of time, the usual outside."""
    return lambda s: peak if any(since <= s <= until for since, until in spans) else usual


def silent(course, since, until):
    """No valid heart rate in the open span: 300 is out of range."""
    return lambda s: 300.0 if since < s < until else course(s)


FORTY = {"age_years": 40.0, "medication": "none"}  # Tanaka: 208 - 0.7 * 40 = 180
AT_REST = (400, 500)


def from_rest(bpm):
    return {"course": lambda s: 60.0 if s <= 600 else bpm, "from_s": 0.0, "rest": AT_REST}


# name -> (test, flags as (stage, seconds since the anchor, observed))
HELD = {
    # Of ten samples n at 180 and the others at 120 make 120 + 6 n >= 170 from n = 9 on: 1000..1008.
    # A plateau to 1022 is left by one sample at 1023 (n = 9) and by two at 1024: held 1008 to 1023, 15 s.
    "fast: held for 15 s": (ride(high((1000, 1022)), heart_rate_bpm=170.0), [(3, 1023, 4)]),
    "fast: held for 14 s": (ride(high((1000, 1021)), heart_rate_bpm=170.0), []),
    "fast: twice for 14 s": (ride(high((1000, 1021), (1060, 1081)), heart_rate_bpm=170.0), []),
    # the third sample, at 503, is the first with a mean; 503 + 15 = 518.  Once a stage, none in recovery
    "exactly at the limit": (
        ride(170.0, heart_rate_bpm=170.0), [(0, 518, 0), (1, 600, 0), (2, 780, 0), (3, 960, 0)]
    ),
    "just under the limit": (ride(169.9, heart_rate_bpm=170.0), []),
    # held from 950 + 8 = 958 to 975: begun under 100 W, reached for 15 s under 150 W at 973
    "across a change of load": (ride(high((950, 974)), heart_rate_bpm=170.0), [(3, 973, 4)]),
    "in recovery only": (ride(high((1145, 1300)), heart_rate_bpm=170.0), []),
    # every 10 s, medians of three: 1020, 1030 and 1040 see two at 180; 1040 - 1020 = 20 s
    "slow: three samples": (
        ride(high((1010, 1030)), every_s=10, heart_rate_bpm=170.0), [(3, 1040, 10)]
    ),
    # 1020 and 1030 only: 10 s
    "slow: two samples": (ride(high((1010, 1020)), every_s=10, heart_rate_bpm=170.0), []),
    "slow: one outlier": (ride(high((1010, 1010), peak=230.0), every_s=10, heart_rate_bpm=170.0), []),
    "slow: at the limit": (
        ride(high((700, 900), peak=170.0), every_s=10, heart_rate_bpm=170.0),
        # 710 is the second sample at 170, 730 the first 15 s later; 780 begins the next stage
        [(1, 730, 0), (2, 780, 0)],
    ),
    # 1008 to 1020 and, after 12 s without a value (more than 10), 1034 to 1045: 12 s and 11 s
    "a silence ends what was held": (
        ride(silent(high((1000, 1045)), 1020, 1032), heart_rate_bpm=175.0), []
    ),
    # 10 s without a value are not too long: 120 + 6 n >= 175 from n = 10, at 1009; at 1030, the next
    # value, the last three are at 180 and 21 s have gone
    "a short silence does not": (
        ride(silent(high((1000, 1030)), 1020, 1030), heart_rate_bpm=175.0), [(3, 1030, 5)]
    ),
    # 85 % of 180 is 153
    "percent of maximum": (
        ride(153.0, from_s=1000, opened=FORTY, hr_percent_max=85.0), [(3, 1018, 0)]
    ),
    "percent of maximum, under": (ride(152.9, from_s=1000, opened=FORTY, hr_percent_max=85.0), []),
    # 3 bpm above 153 are 3/1.8 = 1.667 %
    "percent of maximum, over": (
        ride(156.0, from_s=1000, opened=FORTY, hr_percent_max=85.0), [(3, 1018, 5 / 3)]
    ),
    # at 45 years 176.5 bpm; 80 % are 141.2
    "percent of a maximum with decimals": (
        ride(141.2, from_s=1000, opened=FORTY | {"age_years": 45.0}, hr_percent_max=80.0), [(3, 1018, 0)]
    ),
    # 75 % of 60 to 180 is 150: ten samples, (600, 610], are at 150 first at 610, and 15 s later at 625
    "percent of reserve": (
        ride(**from_rest(150.0), opened=FORTY, hr_percent_reserve=75.0),
        [(1, 625, 0), (2, 780, 0), (3, 960, 0)],
    ),
    "percent of reserve, under": (ride(**from_rest(149.9), opened=FORTY, hr_percent_reserve=75.0), []),
    # 600 s to 1140 s are 9 minutes
    "minutes, at": (ride(minutes=9.0), [(3, 1140, 0)]),
    "minutes, under": (ride(minutes=9.1), []),
    # reached at 840 s; the stages end after 6 and after 9 minutes of load
    "minutes, over": (ride(minutes=4.0), [(2, 840, 2), (3, 960, 5)]),
    # 420 s after 600 s are 1020 s; heart rate has held at 1023 s.  The stage ends 2 minutes above 7
    "two in one stage: the first reached": (
        ride(high((1000, 1022)), heart_rate_bpm=170.0, minutes=7.0), [(3, 1020, 2)]
    ),
    # 450 s after 600 s are 1050 s
    "two in one stage, the other first": (
        ride(high((1000, 1022)), heart_rate_bpm=170.0, minutes=7.5), [(3, 1023, 4)]
    ),
    "no limit": (ride(230.0), []),
}  # fmt: skip


@pytest.fixture(scope="module")
def held(invented, derive):
    return derive({name: happens(invented) for name, (happens, _) in HELD.items()})


def seconds(test, moment):
    return (moment.replace(tzinfo=UTC) - test.at(0)).total_seconds()


def found(test, flags):
    return [(flag["stage_index"], seconds(test, flag["flag_at"]), flag["observed"]) for flag in flags]


@pytest.mark.parametrize("name", HELD)
def test_a_limit_is_reached_when_it_was_held(invented, held, name):
    happens, expected = HELD[name]
    test = happens(invented)
    flags = held.flags(name, "protocol_limit")
    assert found(test, flags) == [(stage, at_s, pytest.approx(over)) for stage, at_s, over in expected]
    stages = {one.stage_index: one.seq for one in test.events if isinstance(one, ev.StageStarted)}
    assert [flag["target_seq"] for flag in flags] == [stages[flag["stage_index"]] for flag in flags]
    assert {flag["level"] for flag in flags} <= {"stop"}
    assert held.flags(name, "limit_not_judged") == []


@pytest.mark.parametrize("bpm", [169.0, 170.0, 173.0])
def test_intervals_between_beats_reach_the_limit_that_they_are_at(invented, alone, bpm):
    test = ride(bpm, from_s=1000, heart_rate_bpm=bpm)(invented, {"measures": "heart_rate_bpm:rr"})
    assert found(test, alone(test).flags("T", "protocol_limit")) == [(3, 1018, 0)]


def test_the_source_asked_first_is_judged(invented, alone):
    test = invented(limits=ev.Limits(heart_rate_bpm=170.0))
    test.rest_and_loads(*LOADS)
    test.source("strap", ranks="heart_rate_bpm=1")
    test.source("bike", ranks="heart_rate_bpm=2")
    test.log(700, 1000, source="strap", heart_rate_bpm=120.0)
    test.log(700, 1000, source="bike", heart_rate_bpm=200.0)
    test.close(1500)
    assert alone(test).flags("T", "protocol_limit") == []


def test_what_the_flag_says(held):
    [flag] = held.flags("percent of maximum, over", "protocol_limit")
    assert flag["detail"] == "limit of this test: hr_percent_max 85"
    assert (flag["quantity"], flag["operator"], flag["threshold"]) == ("hr_percent_max", ">=", 0)


# ---- as of a moment ---------------------------------------------------------------------------


@pytest.mark.parametrize(("to_s", "expected"), [(1022, []), (1023, [(3, 1023, 4)]), (1100, [(3, 1023, 4)])])
def test_a_flag_of_heart_rate_holds_from_its_first_moment(invented, alone, to_s, expected):
    test = invented(limits=ev.Limits(heart_rate_bpm=170.0), mode="live")
    test.stage(0, "rest")
    for start_s, watts in ((600, 50), (780, 100), (960, 150)):
        test.stage(start_s, watts=watts)
    test.source()
    test.log(500, to_s, heart_rate_bpm=high((1000, 1022)))
    assert found(test, alone(test).flags("T", "protocol_limit")) == expected


@pytest.mark.parametrize(("end_s", "expected"), [(839.9, []), (840, [(2, 840, 0)]), (900, [(2, 840, 1)])])
def test_a_flag_of_minutes_holds_from_its_first_moment(invented, alone, end_s, expected):
    test = invented(limits=ev.Limits(minutes=4.0))
    test.stage(0, "rest")
    for start_s, watts in ((600, 50), (780, 100)):
        test.stage(start_s, watts=watts)
    test.add(ev.NoteWritten, end_s, text="now")
    assert found(test, alone(test).flags("T", "protocol_limit")) == expected


@pytest.mark.parametrize(
    "name", ["fast: held for 15 s", "slow: at the limit", "percent of reserve", "minutes, over"]
)
def test_the_deriver_of_a_live_test_finds_the_same(invented, held, name):
    test = HELD[name][0](invented)
    deriver = Deriver(shipped_rules())
    for event in test.events:
        deriver.take(event)
    flags = deriver.derive(test.at(test.end_s), len(test.events) - 1).flags
    deriver.close()
    live = [vars(flag) for flag in flags if flag.code == "protocol_limit"]
    assert found(test, live) == found(test, held.flags(name, "protocol_limit"))


def test_batches_give_the_same_numbers(invented, held, derive):
    name = "percent of maximum, over"
    alone = derive({name: HELD[name][0](invented)})
    assert alone.flags(name) == held.flags(name)


# ---- what a laboratory may change -------------------------------------------------------------


def test_how_long_and_how_far_are_in_the_rules(invented, derive, tmp_path):
    own = tmp_path / "lab.toml"
    own.write_text(
        "[settings]\nhr_limit_hold_s = 30\n"
        '[[rule]]\ncode = "protocol_limit"\nquantity = "heart_rate_bpm"\nthreshold = -5\n'
        '[[rule]]\ncode = "protocol_limit"\nquantity = "minutes"\nthreshold = 1\n'
    )
    cases = {
        "bpm": ride(165.0, from_s=1000, heart_rate_bpm=170.0)(invented),
        "under": ride(164.9, from_s=1000, heart_rate_bpm=170.0)(invented),
        "minutes": ride(minutes=8.0)(invented),
    }
    derived = derive(cases, load_rules(own))
    # 1003 is the first mean, 30 s later
    assert found(cases["bpm"], derived.flags("bpm", "protocol_limit")) == [(3, 1033, -5)]
    assert derived.flags("under", "protocol_limit") == []
    assert found(cases["minutes"], derived.flags("minutes", "protocol_limit")) == [(3, 1140, 1)]


def test_a_limit_whose_rule_is_taken_out_is_not_judged_at_all(invented, derive):
    rules = shipped_rules()
    left = tuple(rule for rule in rules.rules if rule.code != "protocol_limit")
    derived = derive({"T": ride(180.0, heart_rate_bpm=170.0)(invented)}, replace(rules, rules=left))
    assert derived.flags("T", "protocol_limit") == []


# ---- limits that cannot be judged -------------------------------------------------------------

RESERVE = {"hr_percent_reserve": 75.0}
NO_AGE = "the age is not known, so no maximum is predicted"
BLOCKED = "judged against a predicted maximum that does not hold with a beta-blocker"
NOT_JUDGED = {
    "no age": (ride(120.0, hr_percent_max=85.0), 1, f"hr_percent_max: {NO_AGE}"),
    "17 years": (
        ride(120.0, opened={"age_years": 17.0}, hr_percent_max=85.0),
        1,
        "hr_percent_max: no maximum is predicted under 18 years",
    ),
    "nothing at rest": (
        ride(120.0, opened=FORTY, **RESERVE),
        1,
        "hr_percent_reserve: no heart rate is known at a resting reading",
    ),
    # 180 <= 160 + 20
    "no reserve": (
        ride(160.0, from_s=0, rest=AT_REST, opened=FORTY, **RESERVE),
        1,
        "hr_percent_reserve: the predicted maximum lies within 20 bpm of the resting heart rate",
    ),
    "a beta-blocker": (
        ride(120.0, opened=FORTY | {"medication": "other+beta_blocker"}, hr_percent_max=85.0),
        1,
        f"hr_percent_max: {BLOCKED}",
    ),
    "no heart rate": (
        ride(opened=FORTY, heart_rate_bpm=170.0), 1, "heart_rate_bpm: no heart rate is logged"
    ),
    "two samples only": (
        ride(120.0, to_s=502, heart_rate_bpm=170.0), 1, "heart_rate_bpm: no heart rate is logged"
    ),
    "two limits": (
        ride(120.0, hr_percent_max=85.0, **RESERVE, heart_rate_bpm=170.0),
        2,
        f"hr_percent_max: {NO_AGE}; hr_percent_reserve: {NO_AGE}",
    ),
    "a beat more of reserve": (
        ride(159.0, from_s=0, rest=AT_REST, opened=FORTY, hr_percent_reserve=100.0), 0, None
    ),
    "medication not known": (
        ride(120.0, opened={"age_years": 18.0}, hr_percent_max=85.0), 0, None
    ),
    "other limits": (ride(sbp_mmhg=200.0, rpe=17.0, minutes=20.0), 0, None),
}  # fmt: skip


@pytest.fixture(scope="module")
def not_judged(invented, derive):
    return derive({name: happens(invented) for name, (happens, *_) in NOT_JUDGED.items()})


@pytest.mark.parametrize("name", NOT_JUDGED)
def test_a_limit_that_cannot_be_judged_says_so(invented, not_judged, name):
    happens, count, detail = NOT_JUDGED[name]
    flags = not_judged.flags(name, "limit_not_judged")
    test = happens(invented)
    assert found(test, flags) == ([(1, 600, count)] if count else [])
    assert [(flag["level"], flag["detail"]) for flag in flags] == ([("check", detail)] if count else [])


def test_a_limit_is_still_judged_with_a_beta_blocker(invented, alone):
    opened = FORTY | {"medication": "beta_blocker"}
    derived = alone(ride(153.0, from_s=1000, opened=opened, hr_percent_max=85.0)(invented))
    assert len(derived.flags("T", "protocol_limit")) == 1
    assert len(derived.flags("T", "limit_not_judged")) == 1


def test_nothing_is_said_before_load(invented, alone):
    test = invented(limits=ev.Limits(heart_rate_bpm=170.0))
    test.stage(0, "rest")
    test.add(ev.NoteWritten, 300, text="now")
    assert alone(test).flags("T", "limit_not_judged") == []
