"""One row a test: peaks, counts and why it ended (definitions: test level)."""

from __future__ import annotations

import math

import pytest

from pipeline import events as ev

# rest to 600 s, 50 W to 780, 100 W to 960, 150 W to 1140, recovery: exercise ends at 1140 s


def ride(*readings, logs=(), more=(), opened=None, stages=None, source=None, closed=None):
    def happens(make):
        test = make(**opened or {})
        for start_s, phase, watts in stages or ():
            test.stage(start_s, phase, watts)
        if stages is None:
            test.rest_and_loads(50, 100, 150)
        if logs:
            test.source(**source or {})
        for from_s, to_s, every_s, measures in logs:
            test.log(from_s, to_s, every_s, **measures)
        for at_s, k1, *fields in readings:
            test.taken(at_s, k1, **(fields[0] if fields else {}))
        for happening in more:
            happening(test)
        test.close(1500, **closed or {})
        return test

    return happens


def pulse(course, from_s=500, to_s=1400, every_s=1.0, **source):
    return ride(logs=[(from_s, to_s, every_s, {"heart_rate_bpm": course})], source=source)


def at(moments, usual=120.0, peak=180.0):
    return lambda s: peak if s in moments else usual


HR = {
    # ten samples of (t - 10, t]: one of 180 and nine of 120 make 126
    "one beat in ten seconds": (pulse(at({1000})), 126.0, "mean_10_s"),
    "a plateau of 10 s": (pulse(at(range(1000, 1010))), 180.0, "mean_10_s"),
    "before the first load": (pulse(at(range(580, 600))), 120.0, "mean_10_s"),
    # the window reaches from the start of load: 601, 602, 603 are three samples
    "from the start of load": (pulse(at({600, 601, 602})), 180.0, "mean_10_s"),
    # to 1155: (1145, 1155]
    "15 s after the end": (pulse(at(range(1146, 1156))), 180.0, "mean_10_s"),
    # at 1155 only one of the ten is at 180
    "later": (pulse(at(range(1155, 1300))), 126.0, "mean_10_s"),
    # every 5 s two samples lie in 10 s: the median of three is never a single outlier
    "slow log": (pulse(at({1000}), every_s=5), 120.0, "median_of_three"),
    "slow log, two of three": (pulse(at({1000, 1005}), every_s=5), 180.0, "median_of_three"),
    # every 4 s: (t - 10, t] holds three: (180 + 120 + 120)/3
    "three in ten seconds": (pulse(at({1000}), every_s=4), 140.0, "mean_10_s"),
    # RR of 333.3 and 500 ms by turns; the first three, 600 to 602 s, are 60000/((333.3 * 2 + 500)/3)
    "RR intervals": (
        pulse(lambda s: 120.0 if s % 2 else 180.0, measures="heart_rate_bpm:rr"), 1080 / 7, "mean_10_s"
    ),
    "two samples": (pulse(150.0, from_s=990, to_s=992), None, None),
    "out of range": (pulse(at({1000}, peak=241.0)), 120.0, "mean_10_s"),
    "no log": (ride(), None, None),
}  # fmt: skip


@pytest.fixture(scope="module")
def heart_rates(invented, derive):
    return derive({name: happens(invented) for name, (happens, *_) in HR.items()})


@pytest.mark.parametrize("name", HR)
def test_peak_heart_rate(heart_rates, name):
    row = heart_rates.summary(name)
    _, bpm, method = HR[name]
    assert row["hr_peak_bpm"] == (None if bpm is None else pytest.approx(bpm, abs=1e-6))
    assert row["hr_peak_method"] == method


def test_of_two_belts_the_first_by_rank_gives_the_peak(invented, alone):
    test = invented()
    test.rest_and_loads(50)
    for name, rank, bpm in (("a", 2, 190.0), ("b", 1, 150.0)):
        test.source(name, ranks=f"heart_rate_bpm={rank}")
        test.log(600, 780, source=name, heart_rate_bpm=bpm)
    assert alone(test).summary("T")["hr_peak_bpm"] == 150


# ---- peak systolic ----------------------------------------------------------------------------

AT_LEAST = {  # last, highest, immediate, peak
    "lower bound": (True, True, None, True),
    "doubtful lower bound": (False, False, None, None),
    "lower bound after": (None, None, True, True),
    "lower bound before": (False, False, None, False),
    "lower bound below": (True, True, None, True),
    "both": (False, False, False, False),
}
VOID = [lambda test: test.amend(len(test.events) - 1, "void", True)]
PEAKS = {
    # last, highest, immediate, peak, its source; exercise ends at 1140
    "90 s before": (ride((760, 180), (1050, 170)), (170, 180, None, 170, "last_exercise")),
    "90.1 s before": (ride((1049.9, 170)), (170, 170, None, None, None)),
    "long before and at once after": (ride((1000, 170), (1160, 176)), (170, 170, 176, 176, "immediate")),
    "both": (ride((1100, 170), (1160, 176)), (170, 170, 176, 170, "last_exercise")),
    "at the end itself": (ride((1140, 170)), (170, 170, None, 170, "last_exercise")),
    "30 s after": (ride((1170, 170)), (None, None, 170, 170, "immediate")),
    "30.1 s after": (ride((1170.1, 170)), (None, None, None, None, None)),
    "the first of two after": (ride((1150, 172), (1165, 170)), (None, None, 172, 172, "immediate")),
    "doubtful": (ride((1100, 170, {"clarity": "doubtful"})), (None, None, None, None, None)),
    "lower bound": (
        ride((1000, 170), (1100, 220, {"k1_at_least": True})), (220, 220, None, 220, "last_exercise")
    ),
    "doubtful lower bound": (
        ride((1000, 170), (1100, 220, {"k1_at_least": True, "clarity": "doubtful"})),
        (170, 170, None, None, None),
    ),
    "lower bound after": (ride((1160, 200, {"k1_at_least": True})), (None, None, 200, 200, "immediate")),
    "lower bound before": (
        ride((800, 160, {"k1_at_least": True}), (1100, 190)), (190, 190, None, 190, "last_exercise")
    ),
    # at 1100 it was 180 or more, perhaps above the 190 before
    "lower bound below": (
        ride((1000, 190), (1100, 180, {"k1_at_least": True})), (180, 190, None, 180, "last_exercise")
    ),
    "void": (ride((1100, 170), more=VOID), (None, None, None, None, None)),
    # the load falls at 1120: what came after it came after exercise
    "the load fell earlier": (
        ride((1130, 170), logs=[(600, 1400, 1, {"watts": lambda s: 150.0 if s < 1120 else 0.0})]),
        (None, 170, 170, 170, "immediate"),
    ),
}  # fmt: skip


@pytest.fixture(scope="module")
def peaks(invented, derive):
    return derive({name: happens(invented) for name, (happens, _) in PEAKS.items()})


@pytest.mark.parametrize("name", PEAKS)
def test_peak_systolic_and_where_it_is_from(peaks, name):
    row = peaks.summary(name)
    names = ("last_exercise", "max_exercise", "immediate", "peak")
    found = (*(row[f"sbp_{name}_mmhg"] for name in names), row["sbp_peak_source"])
    assert found == PEAKS[name][1]
    for column in ("last_exercise", "max_exercise", "immediate", "peak"):
        assert (row[f"sbp_{column}_mmhg"] is None) is (f"sbp_{column}_mmhg=" in (row["missing"] or ""))


@pytest.mark.parametrize("name", AT_LEAST)
def test_peaks_that_are_lower_bounds_say_so(peaks, name):
    row = peaks.summary(name)
    names = ("last_exercise", "max_exercise", "immediate", "peak")
    assert tuple(row[f"sbp_{name}_at_least"] for name in names) == AT_LEAST[name]


def test_the_highest_product_is_that_of_one_reading(invented, alone):
    logs = [(600, 1140, 1, {"heart_rate_bpm": lambda s: 150.0 if s < 1000 else 120.0})]
    readings = ((900, 160), (1100, 190), (1120, 240, {"clarity": "doubtful"}))
    # 160 * 150 = 24000; 190 * 120 = 22800; not 190 * 150
    assert alone(ride(*readings, logs=logs)(invented)).summary("T")["rate_pressure_product_peak"] == 24000


def test_the_highest_load_of_a_stage_ridden_a_minute(invented, alone):
    stages = ((0, "exercise", 50), (180, "exercise", 100), (240, "exercise", 150), (299, "recovery", 0))
    course = {"watts": lambda s: 50.0 if s < 180 else 100.0 if s < 240 else 150.0}
    row = alone(ride(stages=stages, logs=[(0, 400, 1, course)])(invented)).summary("T")
    assert (row["watts_highest_stage"], row["stages_loaded"], row["stages_ridden"]) == (100, 3, 4)


# ---- counts and the end -----------------------------------------------------------------------


def busy(make):
    test = make()
    test.source()
    test.rest_and_loads(50, 100, 150)
    test.log(600, 700, watts=50.0)
    for _ in range(3):
        test.add(ev.LineRejected, 700, source="bike", raw="?", reason="no number")
    due = [test.due(1 + n, 700 + 180 * n, 720 + 180 * n, 780 + 180 * n) for n in range(3)]
    test.add(ev.PromptSuperseded, 730, due_seq=due[2], reason="early stage change")
    test.add(ev.PromptSuperseded, 731, due_seq=due[2], reason="twice said, once counted")
    first = test.taken(740, 150, 80, due_seq=due[0])
    test.taken(740, 152, 80, role="second", pair_seq=first)
    test.taken(955, 160, 0, k4_mmhg=60.0, due_seq=due[1])
    test.taken(1100, 170, clarity="doubtful", measured_source="estimated")
    test.missed(1000, due_seq=due[2])
    test.missed(1010, reason="arm_moved")
    test.missed(1020)
    test.amend(test.taken(1120, 180, 80), "void", True)
    test.close(1500, outcome="stopped", reason="exhaustion", stopped_by="participant")
    return test


def test_counts(invented, alone):
    row = alone(busy(invented)).summary("T")
    expected = {
        "readings_due": 3,
        "prompts_superseded": 1,
        "readings_taken": 3,  # not the second observer's, not the void one
        "readings_used": 2,
        # 740: last sound at 740 + 70/2.5 = 768; 955: last sound 160/2.5 = 64 s later, window 960
        "readings_in_window": 1,
        "readings_outside_window": 1,
        "readings_missed": 3,
        "missed_by_reason": "arm_moved=1 not_heard=2",
        "readings_void": 1,
        "k4_share": 0.5,
        "samples_n": 100,
        "lines_rejected": 3,
        "clock_offsets": "bike=0.000 s none",
        "outcome": "stopped",
        "end_reason": "exhaustion",
        "stopped_by": "participant",
        "recorded_s": 1500,
    }
    assert {name: row[name] for name in expected} == expected


WORST = [
    ({}, None),
    ({"k5": 0, "k4_mmhg": 60.0}, "note"),
    ({"k5": 0, "k4_mmhg": 60.0, "arm_support": "none"}, "check"),
    ({"arm_support": "none", "k1_at_least": True}, "caution"),
    ({"arm_support": "none", "k1": 251}, "stop"),
]


@pytest.mark.parametrize(("last", "worst"), WORST)
def test_the_worst_flag(invented, alone, last, worst):
    test = invented()
    test.rest_and_loads(50, 100, 150)
    for at_s in (400, 500, 760, 900):
        test.taken(at_s, 140, 80)
    test.taken(1100, **{"k1": 140, "k5": 80} | last)
    row = alone(test).summary("T")
    assert row["worst_flag"] == worst
    assert [row[f"flags_{level}"] for level in ("stop", "caution")] == [worst == "stop", worst == "caution"]


def test_an_open_test_says_so(invented, alone):
    test = invented()
    test.rest_and_loads(50)
    row = alone(test).summary("T")
    assert (row["closed"], row["outcome"], row["stages_loaded"]) == (False, None, None)
    assert "outcome=open" in row["missing"]


def test_a_test_of_nothing_has_a_row_with_reasons(invented, alone):
    row = alone(invented()).summary("T")
    assert (row["readings_taken"], row["samples_n"], row["worst_flag"]) == (0, 0, None)
    for reason in (
        "exercise_end_at=no_loaded_stage",
        "sbp_rest_mmhg=no_rest_reading",
        "hr_peak_bpm=no_sample",
    ):
        assert reason in row["missing"]


# ---- the same bytes ---------------------------------------------------------------------------


def test_a_row_does_not_depend_on_the_tests_beside_it(invented, derive):
    """Sums of floats in windows of 100 samples, in batches of other lengths before them."""

    def wavy(n):
        test = invented()
        test.source()
        test.stage(0, watts=100)
        test.stage(40 + n, "recovery")
        test.log(
            0, 60 + n, 0.1, heart_rate_bpm=lambda s: 120 + 40 * math.sin(s * 1.7), watts=lambda s: 99 + s / 7
        )
        test.taken(30 + n, 150, 80)
        test.close(70 + n)
        return test

    cases = {f"T{n}": wavy(n) for n in range(7)}
    together = derive(cases)
    whole = ("watts_peaks", "heart_rate_recovery", "sbp_rises", "sbp_at_loads", "vo2max_estimates")
    for name in cases:
        apart = derive({name: cases[name]})
        for relation in ("summary", "measures", "stage_loads", *whole):
            assert together.rows(relation, name, "all") == apart.rows(relation, name, "all")
