"""Invented tests: the same from the same number, within what adults show, true to their truth."""

from __future__ import annotations

import json
import math
import statistics
import tomllib
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from adapters.csv_log import read_log
from adapters.log_format import PLAIN, load_format
from adapters.reading_sheet import read_sheet
from adapters.setup_file import clock_to_utc, load_setup
from pipeline.errors import UsageError
from pipeline.events import ReadingMissed, ReadingTaken, Sample, SourceOpened, TestOpened
from pipeline.plan import plan_stage
from pipeline.prompt import StageInForce
from pipeline.protocol import Protocol, Stage, parse_protocol
from pipeline.shipped import shipped
from pipeline.simulate import SimulatedTest, inputs, simulate_test, source_logs
from pipeline.simulate.demo import DEMO, demo_files, demo_test, write_demo
from pipeline.simulate.invented import INVENTED, protocol_text
from pipeline.simulate.truth import Course
from pipeline.snapshot import Snapshot

NUMBERS = range(12)
NO_LOGS = {"ergometer_hz": 0.0, "heart_rate_hz": 0.0}
KINDS = [
    {},
    {"exhausts": True},
    {"step_watts": 25.0, "stages": 8, "exhausts": True},
    {"ramp_to_watts": 200.0},
    {"ramp_to_watts": 200.0, "exhausts": True},
    {"fall_mmhg": 16.0, "fall_stage": 5, "stops_after_fall": True, "stages": 7, "step_watts": 20.0},
    {"sounds_to_mmhg": 0.0, "deflation_mmhg_per_s": 3.2},
    {"late_share": 0.3, "missed_share": 0.3, "rest_position": "supine", "recovery_watts": 20.0},
    {"heart_rate_log": "rr", "ergometer_log": "comma", "pedals_hz": 0.5, "stage_minutes": 2.0},
]


def within(test: SimulatedTest) -> float:
    """How far a written pressure may lie from the true one, by what was chosen, in mmHg.

    Two standard deviations of wander, the breath, one beat of falling cuff, half a step of the
    dial and up to 4 mmHg to the nearest ten.
    """
    chosen = test.choices
    rate = max(r.deflation_mmhg_per_s or 0.0 for r in test.readings)
    beat_s = 60 / 60
    return 2 * chosen.wander_mmhg + chosen.breathing_mmhg + rate * beat_s + 1 + 4


def test_the_same_number_gives_the_same_test():
    assert inputs(simulate_test(7)) == inputs(simulate_test(7))
    first, second = simulate_test(7), simulate_test(8)
    assert first.participant != second.participant
    assert [r.k1_mmhg for r in first.readings] != [r.k1_mmhg for r in second.readings]


def test_what_is_chosen_for_the_logs_leaves_person_and_readings():
    usual = simulate_test(7)
    other = simulate_test(7, ergometer_hz=2.0, heart_rate_dropouts=3, heart_rate_offset_s=4.0)
    assert other.participant == usual.participant
    assert other.readings == usual.readings
    assert len(other.logs[0].times_s) == 2 * len(usual.logs[0].times_s) - 1


def test_what_is_chosen_for_the_observer_leaves_the_truth():
    usual, other = simulate_test(7), simulate_test(7, even_digits=False, zero_preference=0.0)
    assert other.truth.body == usual.truth.body
    assert any(r.k1_mmhg % 2 for r in other.readings if r.k1_mmhg is not None)
    assert not any(r.k1_mmhg % 2 for r in usual.readings if r.k1_mmhg is not None)


@pytest.mark.parametrize("choices", KINDS, ids=lambda choices: "-".join(choices) or "usual")
def test_everything_stays_within_what_adults_show(choices):
    for number in NUMBERS:
        test = simulate_test(number, **choices)
        for time_s in range(0, int(test.ended_s) + 1, 15):
            assert 60 <= test.truth.heart_rate.at(time_s) <= 190
            assert 100 <= test.truth.sbp.at(time_s) <= 240
            assert 0 <= test.truth.watts.at(time_s) <= 400
            assert test.truth.k5(time_s) <= test.truth.k4(time_s) < test.truth.sbp.at(time_s) - 10
        for log in test.logs:
            assert all(0 <= watts <= 400 for watts in log.watts or ())
            assert all(60 - 1e-9 <= bpm <= 190 for bpm in log.heart_rate_bpm or ())
            assert all(before < after for before, after in pairwise(log.times_s))
        for reading in test.readings:
            if reading.k1_mmhg is not None:
                assert 95 <= reading.k1_mmhg <= 240
                assert reading.k1_mmhg > (reading.k4_mmhg or 0)
                assert reading.k5_mmhg is not None
                assert reading.k1_mmhg > reading.k5_mmhg
                assert reading.k4_mmhg is None or reading.k4_mmhg >= reading.k5_mmhg
        person = test.participant
        # 80 to 100 % of the arm, and a width of 40 %
        assert 0.8 <= person.bladder_length_cm / person.arm_circumference_cm <= 1
        assert person.bladder_width_cm >= 0.4 * person.arm_circumference_cm


@pytest.mark.parametrize("choices", KINDS, ids=lambda choices: "-".join(choices) or "usual")
def test_readings_lie_within_noise_and_digits_of_the_truth(choices):
    for number in NUMBERS:
        test = simulate_test(number, **(choices | NO_LOGS))
        allowed = within(test)
        for reading in test.readings:
            if reading.k1_mmhg is None or reading.k5_mmhg is None or reading.k1_at_least:
                continue
            assert reading.true_sbp_mmhg == test.truth.sbp.at(reading.first_sound_s)
            assert abs(reading.k1_mmhg - reading.true_sbp_mmhg) <= allowed
            if reading.k4_mmhg is not None:
                assert abs(reading.k4_mmhg - reading.true_k4_mmhg) <= allowed
            assert abs(reading.k5_mmhg - reading.true_k5_mmhg) <= allowed
            # to the second, and the observer needs a moment (0.6 s on average)
            assert -0.5 <= reading.noted_s - reading.first_sound_s <= 2
            assert reading.noted_s == int(reading.noted_s)


def test_a_steady_hand_in_a_steady_body_reads_the_truth():
    # without wander, breath and habit: k1 at most one beat of falling cuff below systolic and
    # k5 at most one above, 2.5 mmHg/s at 60 bpm being 2.5 mmHg, and half a mmHg of rounding
    choices = {
        "wander_mmhg": 0.0,
        "breathing_mmhg": 0.0,
        "zero_preference": 0.0,
        "even_digits": False,
        "deflation_sd_mmhg_per_s": 0.0,
    }
    for number in NUMBERS:
        for reading in simulate_test(number, **choices).readings:
            assert reading.k1_mmhg is not None
            assert reading.k5_mmhg is not None
            assert -3.0 <= reading.k1_mmhg - reading.true_sbp_mmhg <= 0.5
            assert -0.5 <= reading.k5_mmhg - reading.true_k5_mmhg <= 3.0


def test_a_course_solves_its_differential_equation():
    # y' = (target + per_s * (t - start) - y) / lag, integrated numerically
    targets = [(0.0, 100.0, 0.0, 20.0), (60.0, 150.0, 0.5, 30.0), (200.0, 90.0, 0.0, 60.0)]
    course = Course(100.0, targets)

    def slope(t, y):
        start, target, per_s, lag = [piece for piece in targets if piece[0] <= t][-1]
        return [(target + per_s * (t - start) - y[0]) / lag]

    solved = solve_ivp(slope, (0, 400), [100.0], max_step=0.25, dense_output=True, rtol=1e-8)
    for time_s in (30, 61, 100, 199, 230, 399):
        assert course.at(time_s) == pytest.approx(solved.sol(time_s)[0], abs=0.05)


def test_the_pressure_at_the_end_of_a_stage_is_rest_plus_slope_times_load():
    test = simulate_test(11)
    body = test.truth.body
    for part in test.ridden:
        if part.stage.loaded:
            # 180 s of a lag of 25 s leave exp(-7.2), under a tenth of a percent of the step
            expected = body.sbp_rest_mmhg + body.slope_mmhg_per_w * part.stage.target_watts
            assert test.truth.sbp.at(part.ended_s - 0.001) == pytest.approx(expected, abs=0.1)


def test_slopes_are_those_of_the_reference():
    # Hedman et al. 2021: men 0.41 sd 0.15, women 0.52 sd 0.21 mmHg/W.  What lies below 0.25 is
    # moved there: mean = P(below) * 0.25 + P(above) * mean + sd * density at the cut
    def cut(mean: float, sd: float) -> float:
        a = (0.25 - mean) / sd
        below = 0.5 * (1 + math.erf(a / math.sqrt(2)))
        return below * 0.25 + (1 - below) * mean + sd * math.exp(-a * a / 2) / math.sqrt(2 * math.pi)

    for sex, mean, sd in (("male", 0.41, 0.15), ("female", 0.52, 0.21)):
        tests = [simulate_test(n, sex=sex, stages=1, step_watts=60.0, **NO_LOGS) for n in range(200)]
        slopes = [test.truth.body.slope_mmhg_per_w for test in tests]
        assert min(slopes) >= 0.25
        # standard error about sd / sqrt(200) = 0.011 and 0.015
        assert sum(slopes) / len(slopes) == pytest.approx(cut(mean, sd), abs=0.04)


def test_zeros_are_preferred_as_often_as_observed():
    # reference: 33.7 % zeros among 6,560 even-digit systolic readings; without habit 20 %
    def share(**choices):
        digits = [
            r.k1_mmhg % 10
            for n in range(150)
            for r in simulate_test(n, **NO_LOGS, **choices).readings
            if r.k1_mmhg is not None
        ]
        return digits.count(0) / len(digits)

    assert share() == pytest.approx(0.337, abs=0.04)
    assert share(zero_preference=0.0) == pytest.approx(0.2, abs=0.04)


def test_an_orderly_test_answers_every_prompt_in_its_window():
    for number in NUMBERS:
        test = simulate_test(number)
        planned = sum(1 for stage in test.protocol.stages if stage.loaded)
        exercise = [r for r in test.readings if r.prompt.aims_at == "stage_end"]
        assert len(exercise) == planned
        for reading in exercise:
            prompt = reading.prompt
            assert prompt.fits == "whole"
            pumped_s = reading.noted_s - reading.inflated_to_mmhg / 30
            pumped_s -= (reading.inflated_to_mmhg - reading.k1_mmhg) / reading.deflation_mmhg_per_s
            assert pumped_s >= prompt.cuff_up - 10
            assert reading.last_sound_s <= prompt.window_closes + 5


def test_prompts_are_those_that_the_plan_gives():
    test = simulate_test(5)
    rest = test.ridden[0]
    force = StageInForce(0, rest.stage, 0.0, rest.ended_s)
    first = plan_stage([force], Snapshot.empty, age_years=test.participant.age_years)[0]
    assert test.readings[0].prompt == first


def test_exhaustion_ends_the_ride_before_its_planned_end():
    for number in NUMBERS:
        test = simulate_test(number, exhausts=True)
        ridden = [part for part in test.ridden if part.stage.loaded]
        planned_s = sum(s.planned_s for s in test.protocol.stages if s.loaded)
        assert sum(part.ended_s - part.started_s for part in ridden) < planned_s
        assert (test.outcome, test.end_reason) == ("stopped", "exhaustion")
        assert ridden[-1].stage.target_watts > test.truth.body.watts_capacity
        assert test.protocol.stage_from == "load"
        assert test.ridden[-1].stage.phase == "recovery"


def test_a_limit_of_systolic_ends_the_ride_in_the_stage_that_exceeds_it():
    # 120 + 0.5 mmHg/W: 160 mmHg at 80 W, 170 at 100 W, so 165 is exceeded in the fifth stage of 20 W
    choices = {"stages": 7, "step_watts": 20.0, "slope_mmhg_per_w": 0.5, "sbp_rest_mmhg": 120.0}
    test = simulate_test(3, **choices, sbp_limit_mmhg=165.0)
    assert [part.stage.target_watts for part in test.ridden if part.stage.loaded][-1] == 100
    assert (test.outcome, test.end_reason) == ("stopped", "sbp_limit")
    assert simulate_test(3, **choices).end_reason == "protocol_complete"
    # who cannot go on before is exhausted
    tired = simulate_test(3, **choices, sbp_limit_mmhg=165.0, exhausts=True, watts_capacity=50.0)
    assert tired.end_reason == "exhaustion"


def test_an_observer_with_a_bias_writes_it_into_every_pressure():
    choices = {"even_digits": False, "zero_preference": 0.0, **NO_LOGS}
    for number in NUMBERS:
        # later readings are pumped to what was expected from the first
        usual = simulate_test(number, **choices).readings[0]
        biased = simulate_test(number, **choices, bias_mmhg=4.0).readings[0]
        assert biased.k1_mmhg == usual.k1_mmhg + 4
        assert biased.k5_mmhg == usual.k5_mmhg + 4
        assert biased.true_sbp_mmhg == usual.true_sbp_mmhg
    zero = simulate_test(6, sounds_to_mmhg=0.0, bias_mmhg=4.0)
    assert any(reading.k5_mmhg == 0 for reading in zero.readings)


def test_readings_may_wander_more_under_load():
    choices = {"even_digits": False, "zero_preference": 0.0, "breathing_mmhg": 0.0, **NO_LOGS}

    def spread(phase: str, **more: float) -> float:
        away = [
            reading.k1_mmhg - reading.true_sbp_mmhg
            for number in range(60)
            for test in [simulate_test(number, **choices, **more)]
            for reading in test.readings
            if reading.k1_mmhg is not None and test.protocol.stages[reading.prompt.stage_index].phase == phase
        ]
        return statistics.stdev(away)

    # some 400 readings under load: a standard error of 5 / sqrt(800) = 0.18; a draw beyond two
    # standard deviations is moved to them, which takes 4 % of the spread, and a beat of falling
    # cuff adds its width / sqrt(12), 0.4 to 0.7 mmHg
    assert spread("exercise", wander_loaded_mmhg=5.0) == pytest.approx(0.96 * 5, abs=0.6)
    assert spread("exercise") == pytest.approx(0.96 * 3, abs=0.4)
    assert spread("rest", wander_loaded_mmhg=5.0) == spread("rest")


def test_a_ramp_ends_where_the_load_reaches_the_capacity():
    test = simulate_test(4, ramp_from_watts=20.0, ramp_to_watts=220.0, ramp_minutes=10.0, exhausts=True)
    ramp = test.ridden[1]
    # 200 W in 600 s: a third of a watt a second
    expected_s = (test.truth.body.watts_capacity - 20) * 3
    assert ramp.ended_s - ramp.started_s == pytest.approx(expected_s, abs=1)


def test_a_fall_of_the_given_size_at_the_given_stage():
    choices = {"stages": 7, "step_watts": 20.0, "slope_mmhg_per_w": 0.4, "fall_mmhg": 16.0, "fall_stage": 5}
    test = simulate_test(3, **choices, sbp_rest_mmhg=120.0)
    # the fourth stage is 80 W: 120 + 0.4 * 80 = 152, then 16 less while the load goes on rising
    assert test.truth.sbp.at(test.ridden[4].ended_s - 0.01) == pytest.approx(152, abs=0.1)
    for part in test.ridden[5:8]:
        assert test.truth.sbp.at(part.ended_s - 0.01) == pytest.approx(136, abs=0.1)


def test_a_confirmed_fall_stops_the_ride():
    stopped = 0
    for number in NUMBERS:
        choices = {"stages": 7, "step_watts": 20.0, "fall_mmhg": 20.0, "fall_stage": 5}
        test = simulate_test(number, **choices, stops_after_fall=True)
        if test.end_reason != "sbp_fall":
            continue
        stopped += 1
        loaded = [r for r in test.readings if test.protocol.stages[r.prompt.stage_index].loaded]
        assert test.ridden[-2].ended_s == math.ceil(loaded[-1].release_s + 15)
        assert simulate_test(number, **choices).end_reason == "protocol_complete"
    assert stopped > len(NUMBERS) / 2


def test_sounds_to_zero_are_written_with_the_fourth_phase():
    test = simulate_test(6, sounds_to_mmhg=0.0, sounds_from_stage=2, deflation_mmhg_per_s=3.2)
    for reading in test.readings:
        if test.truth.sounds_low(reading.last_sound_s):
            assert reading.k5_mmhg == 0
            assert reading.k4_mmhg == pytest.approx(test.truth.dbp.at(reading.last_sound_s), abs=within(test))
        else:
            assert reading.k4_mmhg is None
    assert sum(reading.k5_mmhg == 0 for reading in test.readings) >= 6


def test_shares_of_late_and_missed_readings():
    late = missed = tried = planned = 0
    for number in range(100):
        test = simulate_test(number, late_share=0.2, missed_share=0.3, **NO_LOGS)
        planned += len(test.readings)
        late += sum(r.late for r in test.readings)
        missed += sum(r.k1_mmhg is None for r in test.readings)
        tried += sum(r.k1_mmhg is None and r.attempted for r in test.readings)
    assert late / planned == pytest.approx(0.2, abs=0.04)
    assert missed / planned == pytest.approx(0.3, abs=0.05)
    assert tried / missed == pytest.approx(0.5, abs=0.1)
    assert {r.missed_because for r in test.readings} <= {None, "not_heard", "not_attempted"}


def test_a_resting_stage_waits_for_its_last_reading():
    test = simulate_test(5, rest_minutes=6.0)
    rest = test.ridden[0]
    last = [r for r in test.readings if r.prompt.stage_index == 0][-1]
    assert rest.ended_s >= last.release_s + 10
    assert rest.ended_s > 360
    assert test.protocol.stage_from == "load"


def test_a_sensor_that_drops_out_leaves_gaps_and_nothing_else():
    whole, gappy = simulate_test(9), simulate_test(9, heart_rate_dropouts=4)
    gaps = [after - before for before, after in pairwise(gappy.logs[1].times_s) if after - before > 1.5]
    assert 1 <= len(gaps) <= 4
    # 6 to 40 s each, two of them may touch
    assert all(6 <= gap <= 82 for gap in gaps)
    assert set(gappy.logs[1].times_s) < set(whole.logs[1].times_s)


def test_ten_a_second_and_a_third_source():
    test = simulate_test(2, ergometer_hz=10.0, pedals_hz=1.0, stages=2, rest_minutes=10.0)
    ergometer, _, pedals = test.logs
    assert len(ergometer.times_s) == test.ended_s * 10 + 1
    assert ergometer.times_s[1] == 0.1
    fields, logs = source_logs(test)
    assert [log.opened.name for log in logs] == ["ergometer", "heart_rate", "pedals", "readings"]
    # one order of sources for all measures, as a setup without [measures] has it, of what each gives
    assert logs[0].opened.ranks == "watts=1,cadence_rpm=1"
    assert logs[2].opened.ranks == "watts=3,cadence_rpm=3"
    assert pedals.measures == ("watts", "cadence_rpm")
    assert TestOpened(**fields, rules_digest="0" * 16, software="test").protocol == test.protocol


def test_a_clock_that_is_off_shows_in_the_times_of_the_log_alone():
    right, off = simulate_test(2), simulate_test(2, heart_rate_offset_s=4.5, ergometer_offset_s=-2.0)
    (_, right_logs), (_, off_logs) = source_logs(right), source_logs(off)
    for index, offset_s, method in ((0, -2.0, "given"), (1, 4.5, "given"), (2, 0.0, "none")):
        opened = off_logs[index].opened
        assert (opened.clock_offset_s, opened.clock_method) == (offset_s, method)
        for before, after in zip(right_logs[index].events, off_logs[index].events, strict=True):
            assert (before.event_time - after.event_time).total_seconds() == offset_s


def test_rr_intervals_are_those_between_the_beats():
    test = simulate_test(2, heart_rate_log="rr")
    log = test.logs[1]
    for (before, after), bpm in zip(pairwise(log.times_s), log.heart_rate_bpm[1:], strict=True):
        assert 60 / bpm == pytest.approx(after - before, abs=0.0006)
    assert source_logs(test)[1][1].opened.measures == "heart_rate_bpm:rr"


def test_what_leaves_no_such_test_is_refused_in_words():
    two = Protocol(stages=(Stage(label="rest", phase="rest", position="seated", planned_s=600.0),))
    for number, choices, words in [
        (-1, {}, "number -1; give 0 or more"),
        (1, {"stepwatts": 20.0}, "stepwatts = 20.0: unknown key; the choices are study, "),
        (1, {"late_share": 1.5}, "late_share = 1.5: should be less than or equal to 1"),
        (1, {"started": datetime(2026, 3, 14, 9, 30)}, "started has no offset; give one, like"),  # noqa: DTZ001
        (1, {"fall_mmhg": 12.0}, "fall_mmhg needs fall_stage"),
        (1, {"fall_mmhg": 12.0, "fall_stage": 9}, "fall_stage 9: the protocol has 7 exercise stages"),
        (1, {"fall_mmhg": 60.0, "fall_stage": 2, "step_watts": 20.0}, "choose a smaller fall or a later"),
        (1, {"step_watts": 100.0, "stages": 6}, "a load of 600 W is beyond 390 W"),
        (1, {"step_watts": 30.0, "watts_capacity": 100.0}, "below the highest planned load, 210 W"),
        (1, {"step_watts": 40.0, "slope_mmhg_per_w": 0.9}, "choose a lower sbp_rest_mmhg, slope"),
        (1, {"protocol": two}, "the protocol has no loaded stage"),
    ]:
        with pytest.raises(UsageError) as caught:
            simulate_test(number, **choices)
        assert words in str(caught.value)


@settings(max_examples=30, deadline=None, derandomize=True)
@given(
    number=st.integers(0, 10_000),
    minutes=st.sampled_from([1.5, 2.0, 3.0, 4.0]),
    kind=st.sampled_from(KINDS),
)
def test_a_protocol_is_read_back_as_it_was_written(number, minutes, kind):
    protocol = simulate_test(number, **({"stage_minutes": minutes} | kind | NO_LOGS)).protocol
    assert parse_protocol(tomllib.loads(protocol_text(protocol)), "protocol.toml") == protocol


def test_a_written_protocol_keeps_open_stages_and_both_arms():
    stages = (
        Stage(label="rest", phase="rest", position="supine", planned_s=600.0, reading="timed", arms="both"),
        Stage(
            label="idle",
            phase="warmup",
            position="ergometer",
            planned_s=60.0,
            target_watts=0.0,
            reading="none",
        ),
        Stage(label="50 W", phase="exercise", position="ergometer", target_watts=50.0),
    )
    protocol = Protocol(name='a "quoted" name', stages=stages, hold_max_s=45.0, stage_end="after_reading")
    assert parse_protocol(tomllib.loads(protocol_text(protocol)), "protocol.toml") == protocol


def written(tmp_path: Path, test: SimulatedTest) -> Path:
    for name, text in inputs(test).items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    return tmp_path


FILED = {name: demo_test(name) for name in DEMO} | {
    "three sources, clocks off": simulate_test(
        12, ergometer_hz=10.0, pedals_hz=1.0, stages=1, ergometer_offset_s=-3.0, heart_rate_offset_s=8.5
    ),
    "other formats, clocks off": simulate_test(
        13,
        stages=1,
        ergometer_log="comma",
        heart_rate_log="rr",
        ergometer_hz=4.0,
        ergometer_offset_s=12.0,
        heart_rate_offset_s=3.25,
    ),
}


@pytest.mark.parametrize("name", FILED)
def test_the_setup_and_the_sheet_say_what_the_events_say(name, tmp_path):
    test = FILED[name]
    fields, logs = source_logs(test)
    setup = load_setup(written(tmp_path, test) / "test.toml")
    opened = setup.test_opened(mode="join", anchor=test.at(0), rules_digest="0" * 16, software="test")
    assert opened == TestOpened(**fields, rules_digest="0" * 16, software="test")
    source = setup.sources["readings"]
    sheet = read_sheet(
        source.path,
        name="readings",
        started=setup.started(test.at(0)),
        time_means=source.time_means,
        rpe_scale=setup.test.rpe_scale,
    )
    assert sheet.opened == logs[-1].opened
    assert sheet.events == logs[-1].events


@pytest.mark.parametrize("name", FILED)
def test_the_logs_say_what_the_events_say(name, tmp_path):
    test = FILED[name]
    logs = source_logs(test)[1]
    setup = load_setup(written(tmp_path, test) / "test.toml")
    started = setup.started(test.at(0))
    for log in logs[:-1]:
        name = log.opened.name
        source = setup.sources[name]
        read = read_log(
            source.path,
            load_format(source.format) if source.format else PLAIN,
            name=name,
            started=started,
            ranks=setup.ranks(name),
            clock_offset_s=source.clock_offset_s or 0.0,
            clock_method="given" if source.clock_offset_s else "none",
            align_to=clock_to_utc(source.align, started) if source.align else None,
        )
        # how a file was read has a digest, events without a file have none
        assert without_digest(read.opened) == log.opened
        assert read.align_to == log.align_to
        assert read.events == log.events


def without_digest(opened: SourceOpened) -> SourceOpened:
    return opened.model_copy(update={"format_digest": None})


def test_missed_readings_stand_on_the_sheet_when_they_were_tried():
    test = demo_test("02-fall")
    events = source_logs(test)[1][-1].events
    assert sum(isinstance(event, ReadingMissed) for event in events) == sum(
        reading.attempted and reading.k1_mmhg is None for reading in test.readings
    )
    assert sum(isinstance(event, ReadingTaken) for event in events) == sum(
        reading.k1_mmhg is not None for reading in test.readings
    )


def test_the_truth_is_marked_as_invented_and_gives_the_test_back():
    test = demo_test("02-fall")
    truth = json.loads(inputs(test)["truth.json"])
    assert truth["invented"] == INVENTED
    assert inputs(simulate_test(truth["number"], **truth["choices"])) == inputs(test)
    assert len(truth["readings"]) == len(test.readings)
    assert truth["course"][6][0] == 60
    assert truth["course"][6][2] == pytest.approx(test.truth.sbp.at(60), abs=0.001)


def test_the_shipped_demo_is_what_the_simulator_gives():
    folder = shipped("fixtures") / "demo"
    there = {
        path.relative_to(folder).as_posix(): path.read_text(encoding="utf-8")
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }
    again = "python -c 'from pipeline.simulate.demo import write_demo; write_demo()'"
    assert sorted(there) == sorted(demo_files()), f"write them again: {again}"
    for path, text in demo_files().items():
        assert there[path] == text, f"{path}: write them again: {again}"
        assert len(text) < 100_000
        assert INVENTED in text.splitlines()[0] + text.splitlines()[1]


def test_the_demo_is_written_where_it_is_wanted(tmp_path):
    write_demo(tmp_path)
    assert (tmp_path / "01-staircase" / "test.toml").read_text(encoding="utf-8").startswith("# invented")


def test_the_demo_tests_show_what_they_are_for():
    orderly = demo_test("01-staircase")
    assert all(r.used and not r.late and r.k4_mmhg is None for r in orderly.readings)
    assert orderly.protocol.stage_from == "schedule"

    fall = demo_test("02-fall")
    loaded = [r.k1_mmhg for r in fall.readings if fall.protocol.stages[r.prompt.stage_index].loaded]
    taken = [k1 for k1 in loaded if k1 is not None]
    assert max(taken[:-2]) - taken[-2] >= 10
    assert max(taken[:-2]) - taken[-1] >= 10
    assert None in loaded
    assert any(r.late and r.k1_mmhg is not None for r in fall.readings)
    assert fall.outcome == "stopped"

    zero = demo_test("03-sounds-to-zero")
    assert any(r.k5_mmhg == 0 and r.k4_mmhg for r in zero.readings)
    assert source_logs(zero)[1][0].align_to == zero.at(zero.first_load_s)
    assert source_logs(zero)[1][0].events[0].event_time == zero.at(-37.0)

    ramp = demo_test("04-ramp")
    assert ramp.protocol.stages[1].target_watts_to == 220
    samples = source_logs(ramp)[1][0].events
    top = max(event.watts for event in samples if isinstance(event, Sample))
    assert top == pytest.approx(220, abs=10)


def test_times_are_utc_from_the_start():
    test = simulate_test(1, started=datetime.fromisoformat("2026-03-14T09:30:00+01:00"), participant="Q-7")
    assert test.at(90) == datetime(2026, 3, 14, 8, 31, 30, tzinfo=UTC)
    assert test.test_id == "Q-7-20260314-0930"
    assert test.participant.code == "Q-7"
