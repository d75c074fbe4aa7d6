"""Stages: detected in simulated logs with known truth, matched with protocols, turned into events."""

import random
import time
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import InputError
from pipeline.protocol import parse_protocol
from pipeline.stages import (
    DetectedStage,
    Match,
    clock_offset,
    detect_stages,
    detected_timeline,
    first_rise,
    match_to_protocol,
    matched_timeline,
    scheduled_timeline,
)

ANCHOR = datetime(2026, 3, 14, 9, 0, tzinfo=UTC)
USUAL = [(0, 120), *((25 * n, 120) for n in range(1, 9)), (25, 180)]
FAST = [(0, 60), *((25 * n, 60) for n in range(1, 11)), (0, 120)]
LARGE = [(0, 300), (50, 180), (100, 180), (150, 180), (200, 180), (0, 300)]
FROM_WARMUP = [(20, 120), *((20 + 30 * n, 180) for n in range(1, 6)), (20, 180)]


def ride(levels, hz, sd=0.0, seed=0):
    """A log of (watts, seconds) levels; noise only under load, as of a real ergometer."""
    chance = random.Random(seed)
    samples, began, second = [], [], 0.0
    for watts, seconds in levels:
        began.append(second)
        for n in range(int(seconds * hz)):
            noise = chance.gauss(0, sd) if watts else 0.0
            samples.append((round(second + n / hz, 3), max(0.0, watts + noise)))
        second += seconds
    return samples, began


def ramp(rate, low, high, hz, sd=0.0, seed=0, step=0.0, before=None, after=20.0, hold=0.0):
    """60 s at `before`, `rate` W/min from `low` to `high` (in steps), `hold` s there, 120 s at `after`."""
    chance = random.Random(seed)
    rise_s = (high - low) / rate * 60
    samples = []
    for n in range(int((60 + rise_s + hold + 120) * hz)):
        t = n / hz
        if t < 60:
            watts = low if before is None else before
        elif t < 60 + rise_s:
            watts = low + (t - 60) * rate / 60
            watts = low + step * ((watts - low + 1e-9) // step) if step else watts
        else:
            watts = high if t < 60 + rise_s + hold else after
        samples.append((round(t, 3), max(0.0, watts + (chance.gauss(0, sd) if watts else 0.0))))
    return samples, 60.0, 60.0 + rise_s


def assert_staircase(found, levels, began, near_s):
    assert [round(stage.watts / 5) * 5 for stage in found] == [watts for watts, _ in levels]
    assert all(abs(s.started_s - start) <= near_s for s, start in zip(found, began, strict=True))


# --- detection


@pytest.mark.parametrize("levels", [USUAL, FAST, LARGE, FROM_WARMUP])
@pytest.mark.parametrize(
    ("hz", "sd", "near_s"), [(1, 0, 0), (1, 3, 1), (1, 6, 3), (10, 0, 0), (10, 8, 3), (0.1, 0, 0)]
)
def test_staircases(levels, hz, sd, near_s):
    samples, began = ride(levels, hz, sd, seed=3)
    assert_staircase(detect_stages(samples), levels, began, near_s)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("hz", [1, 10])
def test_spikes_and_drop_outs_make_no_stage(hz, seed):
    samples, began = ride(USUAL, hz, sd=5, seed=seed)
    chance = random.Random(seed)
    for start, (_, seconds) in zip(began, USUAL, strict=True):
        # one spike of one or two samples and one drop-out of 4 to 9 s in each stage, apart
        spike = int((start + chance.uniform(12, 35)) * hz)
        for n in range(chance.choice([1, 2])):
            samples[spike + n] = (samples[spike + n][0], chance.choice([0.0, 400.0, 900.0]))
        first = int((start + chance.uniform(55, seconds - 30)) * hz)
        gone = int(chance.uniform(4, 9) * hz)
        for n in range(first, first + gone):
            samples[n] = (samples[n][0], 0.0)
    assert_staircase(detect_stages(samples), USUAL, began, 3)


def test_samples_that_are_missing_or_invalid_make_no_stage():
    samples, began = ride(USUAL, 1, sd=3)
    kept = [sample for sample in samples if not 400 <= sample[0] < 408 and not 700 <= sample[0] < 712]
    kept += [(300.5, float("nan")), (301.5, 65535.0), (302.5, -400.0)]
    assert_staircase(detect_stages(kept), USUAL, began, 1)


def test_drop_out_at_a_step_moves_it_by_no_more_than_its_length():
    samples, began = ride(USUAL, 1)
    samples = [(t, 0.0 if 236 <= t < 243 else watts) for t, watts in samples]
    assert_staircase(detect_stages(samples), USUAL, began, 7)


def test_samples_are_sorted():
    samples, _ = ride(LARGE, 1)
    assert detect_stages(samples[::-1]) == detect_stages(samples)


def test_irregular_log_with_few_samples_a_stage():
    # 4 to 30 s apart; 100 W has three samples, 140 W two over 21 s, 300 W is one sample
    times = [0, 10, 24, 30, 52, 60, 84, 90, 100, 130, 160, 170, 181, 190, 220]
    watts = [0, 0, 0, 100, 100, 100, 300, 120, 120, 120, 140, 140, 60, 60, 60]
    found = detect_stages(zip(times, watts, strict=True))
    # the 300 W sample stands between 100 and 120 W and is nearer to 120 W
    assert [(s.started_s, s.ended_s, s.watts, s.phase, s.samples) for s in found] == [
        (0, 30, 0, "rest", 3),
        (30, 84, 100, "exercise", 3),
        (84, 160, 120, "exercise", 4),
        (160, 181, 140, "exercise", 2),
        (181, 220, 60, "recovery", 3),
    ]


@pytest.mark.parametrize(
    ("held_s", "loads"), [(8, [50.0]), (20, [50.0, 100.0, 50.0])], ids=["too short", "long enough"]
)
def test_a_change_must_be_held(held_s, loads):
    samples, _ = ride([(50, 120), (100, held_s), (50, 120)], 1)
    assert [stage.watts for stage in detect_stages(samples)] == loads


@pytest.mark.parametrize("hz", [0.1, 1, 10])
@pytest.mark.parametrize(
    ("rate", "low", "high", "step", "before", "hold"),
    [
        (20, 20, 180, 0, None, 0),
        (20, 20, 180, 0, 0, 0),
        (20, 0, 180, 0, None, 0),
        (10, 20, 120, 0, None, 0),
        (50, 50, 350, 0, None, 0),
        (30, 0, 300, 0, None, 30),
        (20, 20, 180, 5, None, 0),
        (20, 20, 180, 1, None, 0),
        (30, 20, 260, 10, None, 0),
    ],
)
def test_a_ramp_is_one_stage(rate, low, high, step, before, hold, hz):
    sd = 0 if hz == 0.1 else 3
    samples, start, end = ramp(rate, low, high, hz, sd, seed=4, step=step, before=before, hold=hold)
    found = detect_stages(samples)
    assert [stage.ramp for stage in found] == [False, True, False] + [False] * bool(hold)
    found_ramp = found[1]
    near_s = 10 if step < 10 else 20  # 10 W each 20 s: its first step itself comes after 20 s
    assert abs(found_ramp.started_s - start) <= near_s
    assert abs(found_ramp.ended_s - end) <= 10
    assert abs(found_ramp.watts_from - low) <= 10
    assert abs(found_ramp.watts_to - high) <= 10
    assert abs(found_ramp.watts - (low + high) / 2) <= 10


def test_ramp_phases():
    samples, _, _ = ramp(20, 20, 180, 1, before=0, after=0)
    assert [stage.phase for stage in detect_stages(samples)] == ["rest", "exercise", "recovery"]


def test_small_steps_are_steps_where_no_ramp_is_wanted():
    levels = [(0, 60), *((10 * n, 20) for n in range(2, 9)), (0, 60)]
    samples, began = ride(levels, 1)
    assert [stage.ramp for stage in detect_stages(samples)] == [False, True, False]
    found = detect_stages(samples, ramps=False)
    assert [stage.watts for stage in found] == [watts for watts, _ in levels]
    assert [stage.started_s for stage in found] == began


def test_steps_of_10_w_each_minute_are_stages():
    levels = [(0, 60), *((10 * n, 60) for n in range(1, 13)), (0, 120)]
    samples, began = ride(levels, 1, sd=2)
    assert_staircase(detect_stages(samples), levels, began, 3)


@pytest.mark.parametrize(
    ("levels", "phases"),
    [
        ([(0, 60)], ["rest"]),
        ([(50, 60)], ["exercise"]),
        ([(0, 60), (50, 60)], ["rest", "exercise"]),
        # a pause between loads is neither rest nor recovery
        (
            [(0, 60), (100, 60), (0, 60), (120, 60), (0, 60)],
            ["rest", "exercise", "exercise", "exercise", "recovery"],
        ),
        # a load dropped and taken up again is no recovery; 80 W after 150 W is one (53 %), 100 W is not
        ([(0, 60), (150, 60), (50, 60), (150, 60), (80, 60)], ["rest", *["exercise"] * 3, "recovery"]),
        ([(0, 60), (150, 60), (100, 60)], ["rest", "exercise", "exercise"]),
        ([(0, 60), (150, 60), (60, 60), (30, 60), (0, 60)], ["rest", "exercise", *["recovery"] * 3]),
    ],
)
def test_phases(levels, phases):
    samples, _ = ride(levels, 1)
    assert [stage.phase for stage in detect_stages(samples)] == phases


@pytest.mark.parametrize(
    ("samples", "count"),
    [([], 0), ([(3.0, 50.0)], 1), ([(3.0, 50.0), (3.0, 50.0)], 1), ([(0.0, 0.0), (1.0, 50.0)], 1)],
)
def test_hardly_any_samples(samples, count):
    assert len(detect_stages(samples)) == count


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(0.01, 60), st.one_of(st.floats(-20, 2000), st.sampled_from([0.0, 50.0, 75.0]))),
        max_size=60,
    )
)
def test_any_log_is_covered_once(steps):
    second, samples = 0.0, []
    for gap, watts in steps:
        second += gap
        samples.append((second, watts))
    found = detect_stages(samples)
    assert sum(stage.samples for stage in found) == len(samples)
    assert all(before.ended_s == after.started_s for before, after in pairwise(found))
    if samples:
        assert (found[0].started_s, found[-1].ended_s) == (samples[0][0], samples[-1][0])


@pytest.mark.parametrize("hz", [1, 10])
def test_36000_samples_take_a_moment(hz):
    samples, _ = ride([(25 * n, 3600 / hz) for n in range(10)], hz, sd=5)
    assert len(samples) == 36000
    best = min(_seconds(samples) for _ in range(3))
    assert best < 0.3


def _seconds(samples):
    start = time.process_time()
    detect_stages(samples)
    return time.process_time() - start


# --- the first rise


def test_first_rise_passes_over_a_turn_of_the_pedals():
    samples, _ = ride(LARGE, 1)
    samples = [(t, 60.0 if 100 <= t < 103 else watts) for t, watts in samples]
    assert first_rise(samples) == 300.0
    assert clock_offset(samples, 320.5) == 20.5


def test_first_rise_of_a_ramp():
    samples, start, _ = ramp(20, 0, 180, 1, sd=2)
    assert abs(first_rise(samples) - start) <= 5


@pytest.mark.parametrize(
    ("samples", "words"),
    [
        ([], "the log has no load sample"),
        ([(float(t), 0.0) for t in range(60)], "the load never rises above 5 W and stays"),
        (
            [(float(t), 50.0) for t in range(60)],
            r"begins under load \(50 W\), so the first rise is not in it",
        ),
    ],
)
def test_clock_offset_needs_a_rise(samples, words):
    assert first_rise(samples) is None
    with pytest.raises(InputError, match=words) as error:
        clock_offset(samples, 100.0)
    assert "Write clock_offset_s" in str(error.value)


# --- matching


def stage(phase, minutes=None, **more):
    return {"phase": phase, **({"minutes": minutes} if minutes else {}), **more}


def protocol(*stages, repeat=None):
    written = {"stage": list(stages)}
    if repeat:
        written["repeat"] = [repeat]
    return parse_protocol(written, "test")


USUAL_PROTOCOL = protocol(
    stage("rest", 5, label="supine", position="supine"),
    stage("rest", 5, label="seated", position="seated"),
    stage("rest", 2, label="on the ergometer", position="ergometer"),
    stage("recovery", 6, watts=25),
    repeat={"start": 25, "step": 25, "minutes": 2, "until": 150},
)  # 0 supine, 1 seated, 2 ergometer, 3..8 = 25..150 W, 9 recovery


def matched(levels, planned):
    samples, _ = ride(levels, 1)
    return match_to_protocol(detect_stages(samples), planned)


def shown(matches):
    return [(m.stage_index, m.detected.started_s, m.detected.watts) for m in matches]


def test_match_as_planned():
    levels = [(0, 720), *((25 * n, 120) for n in range(1, 7)), (25, 360)]
    matches = matched(levels, USUAL_PROTOCOL)
    # 720 s of rest back from the rise: 120 s ergometer, 300 s seated, 300 s supine
    assert shown(matches) == [
        (0, 0, 0), (1, 300, 0), (2, 600, 0),
        (3, 720, 25), (4, 840, 50), (5, 960, 75), (6, 1080, 100), (7, 1200, 125), (8, 1320, 150),
        (9, 1440, 25),
    ]  # fmt: skip
    assert [m.divided for m in matches] == [True] * 3 + [False] * 7
    assert [m.detected.samples for m in matches[:3]] == [300, 300, 120]


@pytest.mark.parametrize(
    ("rest_s", "expected"),
    [
        (900, [(0, 0), (1, 480), (2, 780)]),  # the first takes what is over
        (300, [(1, 0), (2, 180)]),  # no time left for supine
        (60, [(2, 0)]),
    ],
)
def test_rest_is_divided_back_from_the_rise(rest_s, expected):
    matches = matched([(0, rest_s), (25, 120), (50, 120)], USUAL_PROTOCOL)
    found = [(m.stage_index, m.detected.started_s) for m in matches if m.detected.phase == "rest"]
    assert found == expected


def test_rest_alone_is_divided_forwards():
    matches = matched([(0, 400)], USUAL_PROTOCOL)
    assert [(m.stage_index, m.detected.started_s) for m in matches] == [(0, 0), (1, 300)]


def test_unloaded_pedalling_is_divided_from_rest():
    planned = protocol(stage("rest", 2), stage("warmup", 1), stage("exercise", 2, watts=50))
    matches = matched([(0, 150), (50, 120)], planned)
    assert [(m.stage_index, m.detected.started_s) for m in matches] == [(0, 0), (1, 90), (2, 150)]


def test_rest_without_one_in_the_protocol_and_protocol_rest_not_logged():
    planned = protocol(stage("exercise", 2, watts=50), stage("exercise", 2, watts=100))
    assert [m.stage_index for m in matched([(0, 60), (50, 120), (100, 120)], planned)] == [None, 0, 1]
    assert [m.stage_index for m in matched([(25, 120), (50, 120)], USUAL_PROTOCOL)] == [3, 4]


@pytest.mark.parametrize(
    ("levels", "expected"),
    [
        # an early end: 100 W for 40 s, then recovery
        ([(0, 120), (25, 120), (50, 120), (75, 120), (100, 40), (25, 300)], [2, 3, 4, 5, 6, 9]),
        # a start above the first load, one load left out
        ([(0, 120), (50, 120), (100, 120), (125, 120), (25, 300)], [2, 4, 6, 7, 9]),
        # loads that are 8 % low throughout
        ([(0, 120), (23, 120), (46, 120), (69, 120), (92, 120), (115, 120), (138, 120), (23, 300)],
         [2, 3, 4, 5, 6, 7, 8, 9]),
        # a load dropped for 30 s and taken up again: the longer part is the stage
        ([(0, 120), (25, 120), (50, 120), (75, 90), (30, 30), (75, 30), (100, 120), (25, 300)],
         [2, 3, 4, 5, None, None, 6, 9]),
        # a load beyond the protocol
        ([(0, 120), *((25 * n, 120) for n in range(1, 8)), (25, 300)], [2, *range(3, 9), None, 9]),
        # no recovery in the log
        ([(0, 120), (25, 120), (50, 120)], [2, 3, 4]),
    ],
)  # fmt: skip
def test_match_what_was_not_as_planned(levels, expected):
    assert [m.stage_index for m in matched(levels, USUAL_PROTOCOL)] == expected


def test_recovery_without_a_load_in_the_protocol():
    planned = protocol(
        stage("exercise", 2, watts=50),
        stage("exercise", 2, watts=100),
        stage("recovery", 3, label="cycling"),
        stage("recovery", 5, label="seated"),
    )
    two = matched([(0, 60), (50, 120), (100, 120), (25, 180), (0, 300)], planned)
    assert [m.stage_index for m in two] == [None, 0, 1, 2, 3]
    one = matched([(0, 60), (50, 120), (100, 120), (0, 480)], planned)
    assert [(m.stage_index, m.detected.started_s) for m in one[-2:]] == [(2, 300), (3, 480)]


def test_one_load_that_the_protocol_has_twice_is_divided():
    planned = protocol(
        stage("warmup", 2, watts=50), stage("exercise", 3, watts=50), stage("exercise", 3, watts=100)
    )
    matches = matched([(0, 60), (50, 300), (100, 180), (0, 60)], planned)
    assert [(m.stage_index, m.detected.started_s) for m in matches] == [
        (None, 0), (0, 60), (1, 180), (2, 360), (None, 540),
    ]  # fmt: skip


def test_ramp_matches_a_ramp():
    planned = protocol(
        stage("rest", 1),
        stage("warmup", 1, watts=20),
        stage("exercise", 15, watts_from=20, watts_to=320),
        stage("recovery", 2, watts=20),
    )
    samples, _, _ = ramp(20, 20, 180, 1, sd=3)  # stopped after 8 of 15 minutes
    samples = [(t - 30, 0.0 if t < 30 else watts) for t, watts in samples]
    matches = match_to_protocol(detect_stages(samples), planned)
    assert [(m.stage_index, m.detected.ramp) for m in matches] == [
        (0, False), (1, False), (2, True), (3, False),
    ]  # fmt: skip


@settings(max_examples=50, deadline=None)
@given(st.lists(st.integers(0, 8).map(lambda n: 25.0 * n), max_size=10))
def test_matches_keep_the_order(loads):
    found = [
        DetectedStage(120.0 * n, 120.0 * n + 120, watts, "exercise", 120) for n, watts in enumerate(loads)
    ]
    matches = match_to_protocol(found, USUAL_PROTOCOL)
    places = [m.stage_index for m in matches if m.stage_index is not None]
    assert places == sorted(set(places))
    assert sorted({m.detected.watts for m in matches}) == sorted(set(loads))


# --- events


def seconds(timeline):
    return [(event.stage_index, (event.event_time - ANCHOR).total_seconds()) for event in timeline.events]


PLAN = protocol(
    stage("rest", 5),
    stage("exercise", 2, watts=50),
    stage("exercise", 2, watts=75),
    stage("exercise", 2, watts=100),
    stage("recovery", 6),
)


@pytest.mark.parametrize(
    ("starts", "more", "expected", "ended_s"),
    [
        ({}, {}, [(0, 0), (1, 300), (2, 420), (3, 540), (4, 660)], 1020),
        # rest took 6 min
        ({1: 360.0}, {}, [(0, 0), (1, 360), (2, 480), (3, 600), (4, 720)], 1080),
        # recovery at 500 s: 75 W is cut short and 100 W, due at 540 s, was not ridden
        ({4: 500.0}, {}, [(0, 0), (1, 300), (2, 420), (4, 500)], 860),
        # two noted, and a stage begun late
        ({0: 10.0, 2: 400.0}, {}, [(0, 10), (1, 310), (2, 400), (3, 520), (4, 640)], 1000),
        # the first stage noted after others were over
        ({3: 100.0}, {}, [(0, 0), (3, 100), (4, 220)], 580),
        ({}, {"stopped_s": 500.0}, [(0, 0), (1, 300), (2, 420)], 500),
        ({}, {"stopped_s": 5000.0}, [(0, 0), (1, 300), (2, 420), (3, 540), (4, 660)], 1020),
    ],
)
def test_scheduled(starts, more, expected, ended_s):
    timeline = scheduled_timeline(PLAN, ANCHOR, starts=starts, **more)
    assert seconds(timeline) == expected
    assert timeline.ended_s == ended_s
    assert timeline.started_s == expected[0][1]
    assert [end for _, end in timeline.stages] == [second for _, second in expected[1:]] + [ended_s]


def test_scheduled_events_say_what_is_planned():
    event = scheduled_timeline(PLAN, ANCHOR, starts={1: 360.0}, source="setup").events[1]
    assert (event.label, event.phase, event.position, event.target_watts, event.planned_s) == (
        "50 W", "exercise", "ergometer", 50.0, 120.0,
    )  # fmt: skip
    assert (event.by, event.method, event.source) == ("schedule", "noted", "setup")
    assert event.event_time == ANCHOR + timedelta(seconds=360)
    assert scheduled_timeline(PLAN, ANCHOR).events[0].method == "planned"


@pytest.mark.parametrize(("last_sample_s", "ended_s"), [(900.0, 900.0), (100.0, 420.0), (None, 420.0)])
def test_open_last_stage_ends_with_the_log(last_sample_s, ended_s):
    planned = protocol(stage("rest", 5), stage("exercise", 2, watts=50), stage("recovery"))
    assert scheduled_timeline(planned, ANCHOR, last_sample_s=last_sample_s).ended_s == ended_s


@pytest.mark.parametrize(
    ("starts", "words"),
    [
        ({5: 100.0}, "noted for stage 6, but the protocol has 5; correct the number"),
        ({1: -20.0}, "start of stage '50 W' is noted 20 s before the test opened; correct it"),
        ({1: float("nan")}, "start of stage '50 W' is noted as nan; a number of seconds is wanted"),
        ({1: 400.0, 2: 300.0}, "'75 W' is noted to start at 300 s, not after '50 W' at 400 s; .* order"),
    ],
)
def test_noted_starts_that_cannot_be(starts, words):
    with pytest.raises(InputError, match=words):
        scheduled_timeline(PLAN, ANCHOR, starts=starts)


def test_stopped_before_it_began():
    with pytest.raises(InputError, match="stopped at 0 s, before its first stage began; give a later"):
        scheduled_timeline(PLAN, ANCHOR, stopped_s=0.0)


def test_detected_without_a_protocol():
    samples, _ = ride([(0, 60), (50, 120), (76.4, 120), (25, 60), (0, 60)], 1)
    timeline = detected_timeline(samples, ANCHOR, source="bike")
    rows = [(e.stage_index, e.label, e.phase, e.target_watts, e.method) for e in timeline.events]
    assert rows == [
        (0, "rest", "rest", 0.0, "load_step 0 W"),
        (1, "50 W", "exercise", 50.0, "load_step 50 W"),
        (2, "76 W", "exercise", 76.0, "load_step 76 W"),
        (3, "recovery 25 W", "recovery", 25.0, "load_step 25 W"),
        (4, "recovery", "recovery", 0.0, "load_step 0 W"),
    ]
    assert [second for _, second in seconds(timeline)] == [0, 60, 180, 300, 360]
    assert {(e.by, e.position, e.planned_s, e.source) for e in timeline.events} == {
        ("detected", "ergometer", None, "bike")
    }
    assert timeline.ended_s == 419.0  # the last of 420 samples


def test_detected_ramp_without_a_protocol():
    samples, _, _ = ramp(20, 20, 180, 1, before=0, after=0)
    event = detected_timeline(samples, ANCHOR).events[1]
    assert (event.label, event.target_watts, event.target_watts_to) == ("20 to 180 W", 20.0, 180.0)
    assert event.method == "load_ramp 20-180 W"


def test_detected_with_a_protocol():
    levels = [(0, 500), (27, 120), (50, 120), (75, 120), (150, 20), (25, 200)]
    samples, _ = ride(levels, 1)
    timeline = detected_timeline(samples, ANCHOR, protocol=USUAL_PROTOCOL)
    rows = [
        (e.stage_index, e.label, e.position, e.target_watts, e.planned_s, e.method) for e in timeline.events
    ]
    assert rows == [
        (0, "supine", "supine", None, 300.0, "load_step 0 W, divided by planned minutes"),
        (1, "seated", "seated", None, 300.0, "load_step 0 W, divided by planned minutes"),
        (2, "on the ergometer", "ergometer", None, 120.0, "load_step 0 W, divided by planned minutes"),
        (3, "25 W", "ergometer", 25.0, 120.0, "load_step 27 W"),
        (4, "50 W", "ergometer", 50.0, 120.0, "load_step 50 W"),
        (5, "75 W", "ergometer", 75.0, 120.0, "load_step 75 W"),
        (6, "150 W", "ergometer", 150.0, 120.0, "load_step 150 W"),
        (7, "recovery", "ergometer", 25.0, 360.0, "load_step 25 W"),
    ]
    # 500 s of rest back from the rise: 120 s, 300 s, 80 s
    assert [second for _, second in seconds(timeline)][:4] == [0, 80, 380, 500]


def test_a_protocol_of_small_steps_is_not_taken_for_a_ramp():
    planned = protocol(repeat={"start": 20, "step": 10, "minutes": 1 / 3, "until": 80})
    samples, _ = ride([(0, 60), *((10 * n, 20) for n in range(2, 9)), (0, 60)], 1)
    timeline = detected_timeline(samples, ANCHOR, protocol=planned)
    # the seven stages of the protocol between what is none of them
    assert [event.planned_s for event in timeline.events] == [None, *([20.0] * 7), None]
    assert [event.stage_index for event in timeline.events] == list(range(9))


def test_an_unmatched_stage_has_its_load_for_a_name():
    extra = Match(DetectedStage(0.0, 60.0, 33.4, "exercise", 60), None)
    event = matched_timeline([extra], ANCHOR, protocol=USUAL_PROTOCOL).events[0]
    assert (event.stage_index, event.label, event.target_watts) == (0, "33 W", 33.0)


def test_a_slow_log_shows_a_load_in_passing_as_a_stage():
    # one sample in 10 s: 50 W once before 25 W, and a spike and a drop-out within held loads
    loads = [0, 0, 0, 50, 25, 25, 25, 25, 90, 25, 25, 50, 50, 50, 0, 50, 50, 50, 0, 0, 0]
    found = detect_stages([(10.0 * n, float(load)) for n, load in enumerate(loads)])
    assert [(stage.started_s, stage.watts) for stage in found] == [
        (0, 0),
        (30, 50),
        (40, 25),
        (110, 50),
        (180, 0),
    ]


def test_a_fast_log_passes_over_one_odd_sample_at_a_change():
    loads = [*([0.0] * 60), 90.0, *([25.0] * 120), *([50.0] * 120)]
    found = detect_stages([(float(n), load) for n, load in enumerate(loads)])
    assert [stage.watts for stage in found] == [0, 25, 50]


def test_nothing_detected():
    with pytest.raises(InputError, match="no valid load sample; check its watts column and unit, or use"):
        detected_timeline([(0.0, 99999.0)], ANCHOR)
