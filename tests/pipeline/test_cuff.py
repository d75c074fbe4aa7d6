"""The arithmetic of the cuff against hand calculations; each stands beside its number."""

import dataclasses

import numpy
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.cuff import (
    above_dial,
    durations,
    estimate_first_sound,
    expected_dbp,
    expected_sbp,
    fall_rate,
    floor_mmhg,
    full_release,
    inflate_to,
    last_sound,
    lowest_sound,
    observer_rate,
    sbp_per_watt,
)
from pipeline.snapshot import Snapshot, SnapshotReading


def reading(seq, k1, *, phase="exercise", stage_index=3, watts=None, **more):
    return SnapshotReading(
        seq=seq,
        measured_s=100.0 * seq,
        release_s=100.0 * seq + 50,
        phase=phase,
        stage_index=stage_index,
        k1=k1,
        watts=watts,
        **{"used": True, **more},
    )


def snapshot(*readings, sbp_rest=None):
    return Snapshot(seq=9, readings=readings, sbp_rest=sbp_rest)


def test_an_empty_snapshot_knows_nothing():
    assert Snapshot.empty == Snapshot(seq=0, readings=(), sbp_rest=None, repeat_after=None)
    assert not Snapshot.empty.has_rest
    assert snapshot(sbp_rest=120.0).has_rest


REST_1 = reading(1, 118.0, phase="rest", stage_index=0)
REST_2 = reading(2, 124.0, phase="rest", stage_index=1)
AT_50 = reading(3, 140.0, watts=50.0)
AT_75 = reading(4, 152.0, watts=75.0)
AT_100 = reading(5, 160.0, watts=100.0)
BOUND = reading(6, 200.0, watts=125.0, used=False, k1_at_least=True)
DOUBTFUL = reading(7, 90.0, watts=125.0, used=False, clarity="doubtful")
RECOVERY = reading(8, 145.0, phase="recovery", stage_index=5)


@pytest.mark.parametrize(
    ("readings", "sbp_rest", "phase", "stage_index", "watts", "expected"),
    [
        ((), None, "rest", 0, None, 130.0),
        ((REST_1,), None, "rest", 0, None, 118.0),
        ((REST_1,), None, "rest", 1, None, 130.0),  # another resting stage
        ((REST_1, REST_2), None, "rest", 1, None, 124.0),
        ((), None, "exercise", 2, 50.0, 150.0),  # 130 + 0.4 * 50
        ((REST_1,), 118.0, "warmup", 2, 25.0, 128.0),  # 118 + 0.4 * 25
        ((REST_1,), 118.0, "exercise", 2, None, 118.0),
        ((REST_1, AT_50), 118.0, "exercise", 4, 75.0, 150.0),  # 140 + 0.4 * 25
        # slope of (50, 140), (75, 152), (100, 160): sum of (-25)(-10.67) + 0 + 25 * 9.33 = 500,
        # over 1250 = 0.4
        ((AT_50, AT_75, AT_100), None, "exercise", 4, 125.0, 170.0),  # 160 + 0.4 * 25
        ((AT_50,), None, "exercise", 4, 30.0, 140.0),  # load falls: not used
        ((AT_50,), None, "exercise", 4, 50.0, 140.0),
        ((AT_50,), None, "exercise", 4, None, 140.0),
        ((reading(1, 140.0, watts=None),), None, "exercise", 4, 90.0, 140.0),
        ((AT_50, BOUND), None, "exercise", 4, 150.0, 220.0),  # 200 + 20; by load 140 + 40 = 180
        ((AT_50, BOUND), None, "exercise", 4, 300.0, 240.0),  # by load 140 + 0.4 * 250 = 240
        ((BOUND,), 120.0, "exercise", 4, 150.0, 220.0),
        ((AT_50, DOUBTFUL), None, "exercise", 4, 75.0, 150.0),
        ((AT_50, AT_100), None, "recovery", 5, 0.0, 160.0),
        ((AT_100, BOUND), None, "recovery", 5, 0.0, 220.0),
        ((AT_100, RECOVERY), None, "recovery", 5, 0.0, 145.0),
        ((REST_1,), 118.0, "recovery", 5, None, 118.0),
        ((REST_1,), 118.0, "recovery", 5, 100.0, 158.0),  # 118 + 0.4 * 100, the load just left
        ((REST_1, DOUBTFUL), 118.0, "recovery", 5, 125.0, 90.0),
        ((), None, "recovery", 5, None, 130.0),
        ((), None, "exercise", 2, 5000.0, 400.0),  # what an event can hold
    ],
)
def test_expected_systolic(readings, sbp_rest, phase, stage_index, watts, expected):
    found = expected_sbp(
        snapshot(*readings, sbp_rest=sbp_rest), phase, stage_index=stage_index, planned_watts=watts
    )
    assert found == pytest.approx(expected)


@given(
    st.lists(
        st.tuples(st.integers(0, 400), st.integers(90, 260)), min_size=3, max_size=8, unique_by=lambda p: p[0]
    )
)
def test_the_slope_is_least_squares_held_to_a_band(points):
    found = sbp_per_watt([reading(n, float(k1), watts=float(w)) for n, (w, k1) in enumerate(points)])
    loads = [w for w, _ in points]
    if max(loads) - min(loads) < 50:
        assert found == 0.4
    else:
        slope = numpy.polyfit(loads, [k1 for _, k1 in points], 1)[0]
        assert found == pytest.approx(min(0.8, max(0.1, slope)), abs=1e-9)


def test_the_slope_asks_for_three_used_loaded_readings_with_load():
    lone = [reading(1, 140.0, watts=50.0), reading(2, 190.0, watts=150.0)]
    assert sbp_per_watt(lone) == 0.4
    for other in (reading(3, 200.0), dataclasses.replace(BOUND), RECOVERY):
        assert sbp_per_watt([*lone, other]) == 0.4
    # (50, 140), (150, 190), (100, 165): 0.5 mmHg/W
    assert sbp_per_watt([*lone, reading(3, 165.0, watts=100.0)]) == pytest.approx(0.5)


@pytest.mark.parametrize(
    ("expected", "phase", "floor", "pump"),
    [
        (110.0, "rest", 150.0, 150.0),  # 140 is under the floor
        (130.0, "rest", 150.0, 160.0),
        (131.0, "rest", 150.0, 170.0),  # 161, up to the next ten
        (150.0, "exercise", 200.0, 200.0),  # 190
        (170.0, "exercise", 200.0, 210.0),
        (170.0 + 1e-9, "exercise", 160.0, 210.0),  # a rounding is no ten
        (171.0, "recovery", 160.0, 220.0),
        (100.0, "warmup", 0.0, 140.0),
        (259.0, "exercise", 160.0, 300.0),  # 299
        (261.0, "exercise", 160.0, 300.0),  # 301 is above the dial
    ],
)
def test_inflate_to(expected, phase, floor, pump):
    assert inflate_to(expected, phase, floor) == pump


def test_above_the_dial():
    assert not above_dial(260.0, "exercise")
    assert above_dial(260.5, "exercise")
    assert not above_dial(269.0, "rest")


def test_the_floor():
    assert floor_mmhg(Snapshot.empty, "rest") == 150
    assert floor_mmhg(Snapshot.empty, "exercise") == 200
    assert floor_mmhg(Snapshot.empty, "recovery") == 200
    one = snapshot(AT_50, dataclasses.replace(AT_75, phase="warmup"), DOUBTFUL)
    assert floor_mmhg(one, "exercise") == 200
    two = snapshot(AT_50, AT_75)
    assert floor_mmhg(two, "exercise") == floor_mmhg(two, "recovery") == 160
    assert floor_mmhg(two, "exercise", 15.9) == 0
    assert floor_mmhg(two, "exercise", 16.0) == 160


def test_durations_of_an_exercise_reading():
    d = durations(Snapshot.empty, "exercise", 150.0, 200.0)
    assert d.rate == 2.5
    assert d.dbp == 70
    assert d.listen_to == 50  # max(40, 70 - 20)
    assert d.t1 == pytest.approx(26.6667, abs=1e-4)  # 200/30 + 50/2.5 = 6.6667 + 20
    assert d.t2 == pytest.approx(32.0)  # (150 - 70)/2.5
    assert d.tail == pytest.approx(11.0)  # (70 - 50)/2.5 + 3
    assert d.slack == pytest.approx(26.7333, abs=1e-4)  # 15 + 0.2 * 58.6667


def test_durations_of_a_resting_reading():
    d = durations(Snapshot.empty, "rest", 120.0, 150.0)
    assert d.listen_to == 50  # max(30, 50)
    assert d.t1 == pytest.approx(15.0)  # 150/30 + 30/3 = 5 + 10
    assert d.t2 == pytest.approx(50 / 3)
    assert d.tail == pytest.approx(20 / 3 + 3)


def test_durations_with_a_diastolic_under_the_least_listening():
    low = snapshot(reading(1, 150.0, dbp=20.0))
    d = durations(low, "exercise", 150.0, 200.0)
    assert d.listen_to == 40
    assert d.t2 == pytest.approx(44.0)  # (150 - max(20, 40))/2.5
    assert d.tail == pytest.approx(3.0)


def test_the_first_reading_is_planned_with_160_mmhg_and_a_minute():
    d = durations(Snapshot.empty, "rest", 130.0, None)
    assert d.t1 == pytest.approx(60 + 160 / 30 + 30 / 3)  # 75.33
    higher = durations(Snapshot.empty, "exercise", 150.0, None)
    assert higher.t1 == pytest.approx(60 + 180 / 30 + 30 / 2.5)  # 30 above 150 will be pumped to


def test_a_dial_that_is_too_short_gives_no_negative_times():
    d = durations(Snapshot.empty, "exercise", 320.0, 300.0)
    assert d.t1 == pytest.approx(10.0)
    assert durations(Snapshot.empty, "exercise", 60.0, 200.0).t2 == 0


def test_the_rate_of_this_observer():
    def by(seq, rate, observer="O-1", phase="exercise"):
        return reading(seq, 150.0, phase=phase, observer=observer, measured_rate=rate)

    assert observer_rate([], "rest") == 3.0
    assert observer_rate([by(1, 2.2)], "exercise") == 2.2
    assert observer_rate([by(1, 2.2)], "recovery") == 2.5  # not of this phase
    assert observer_rate([by(1, 4.0), by(2, 2.2), by(3, 3.0), by(4, 2.4)], "exercise") == 2.4  # of 2.2 3 2.4
    assert observer_rate([by(1, 3.0), by(2, None), by(3, 2.0)], "exercise") == 2.5  # of 3 and 2
    assert observer_rate([by(1, 3.0, "O-2"), by(2, 2.2)], "exercise") == 2.2
    assert observer_rate([by(1, 9.0)], "exercise") == 4.0
    assert observer_rate([by(1, 0.5)], "exercise") == 2.0


def test_the_diastolic_to_plan_with():
    rest = reading(1, 120.0, phase="rest", dbp=80.0)
    ridden = reading(2, 150.0, dbp=76.0)
    assert expected_dbp([], "exercise") == 70
    assert expected_dbp([rest], "exercise") == 80
    assert expected_dbp([rest, ridden, reading(3, 160.0)], "exercise") == 76
    assert expected_dbp([rest, ridden], "rest") == 80
    assert expected_dbp([rest, ridden], "recovery") == 76


def test_the_rate_of_one_reading():
    everything = {"measured": 2.1, "per_s": 3.5, "per_beat": 3.0, "heart_rate_bpm": 120.0}
    assert fall_rate("rest", **everything) == 2.1
    assert fall_rate("rest", **{**everything, "measured": None}) == 3.5
    assert fall_rate("rest", per_beat=3.0, heart_rate_bpm=120.0) == 6.0  # 3 * 120/60
    assert fall_rate("rest", per_beat=3.0) == 3.0
    assert fall_rate("exercise") == 2.5


def test_lowest_last_sound_and_release():
    assert lowest_sound(k5=70.0, heard_to=60.0, k4=80.0, planned_dbp=75.0) == 70
    assert lowest_sound(k5=None, heard_to=60.0, k4=80.0) == 60
    assert lowest_sound(k5=None, heard_to=None, k4=80.0) == 80
    assert lowest_sound(k5=None, heard_to=None, k4=None, planned_dbp=75.0) == 75
    assert lowest_sound(k5=None, heard_to=None, k4=None) == 70
    assert lowest_sound(k5=0.0, heard_to=None, k4=60.0) == 0
    assert last_sound(100.0, 150.0, 70.0, 2.5) == 132  # + 80/2.5
    assert full_release(100.0, 150.0, 70.0, 50.0, 2.5) == 143  # + 100/2.5 + 3
    assert full_release(100.0, 150.0, 0.0, 50.0, 2.5) == 163  # heard to 0: + 150/2.5 + 3


def test_the_first_sound_of_an_entry_without_a_time():
    with_prompt = {"listen_to": 50.0, "cuff_up": 94.6}
    # 180 - 10 - (150 - 50)/2.5
    assert estimate_first_sound(180.0, 150.0, 70.0, 2.5, "exercise", **with_prompt) == 130
    # 180 - 10 - (150 - 30)/2.5: heard below listen_to
    assert estimate_first_sound(180.0, 150.0, 30.0, 2.5, "exercise", **with_prompt) == 122
    # 130 - 50 = 80 is before cuff_up
    assert estimate_first_sound(130.0, 150.0, 70.0, 2.5, "exercise", **with_prompt) == 94.6
    # 250 - 50 = 200 is after the stage
    assert estimate_first_sound(250.0, 150.0, 70.0, 2.5, "exercise", **with_prompt, stage_end_s=180.0) == 180
    # no prompt: 180 - 10 - (150 - 40)/2.5, at rest 180 - 10 - (150 - 30)/3
    assert estimate_first_sound(180.0, 150.0, 70.0, 2.5, "exercise") == 126
    assert estimate_first_sound(180.0, 150.0, 70.0, 3.0, "rest") == 130
    assert estimate_first_sound(20.0, 150.0, 70.0, 2.5, "exercise") == 0
    assert estimate_first_sound(20.0, 30.0, 30.0, 2.5, "exercise") == 10
