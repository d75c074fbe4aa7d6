"""Which readings a stage asks for and when, against hand calculations and as properties."""

from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.foresight import foresee
from pipeline.plan import plan_stage
from pipeline.prompt import StageInForce, Standing
from pipeline.protocol import Stage, parse_protocol
from pipeline.snapshot import Snapshot, SnapshotReading

RIDDEN = Stage(label="100 W", phase="exercise", position="ergometer", planned_s=180.0, target_watts=100.0)
SEATED = Stage(label="rest", phase="rest", position="seated", planned_s=420.0, reading="timed")
RECOVERY = Stage(
    label="recovery",
    phase="recovery",
    position="ergometer",
    planned_s=300.0,
    reading="marks",
    reading_at_s=(60.0, 180.0, 300.0),
)


def known(seq, k1, at_s, *, phase="exercise", stage_index=0, release_s=None, **more):
    return SnapshotReading(
        seq=seq,
        measured_s=at_s,
        release_s=at_s + 45 if release_s is None else release_s,
        phase=phase,
        stage_index=stage_index,
        k1=k1,
        **{"used": True, **more},
    )


# a resting systolic of 110: E at 100 W is 110 + 0.4 * 100 = 150, inflate to 200
RESTED = Snapshot(seq=5, readings=(known(4, 110.0, 50.0, phase="rest", release_s=80.0),), sbp_rest=110.0)


def in_force(stage, started_s=1000.0, index=1, before=(), length_s=None):
    end_s = None if stage.planned_s is None else started_s + (length_s or stage.planned_s)
    return [*before, StageInForce(index, stage, started_s, end_s)]


def test_a_whole_reading_ends_with_its_stage():
    (prompt,) = plan_stage(in_force(RIDDEN), RESTED)
    # t1 = 200/30 + 50/2.5 = 26.667; t2 = (150 - 70)/2.5 = 32; slack = 15 + 0.2 * 58.667 = 26.733
    assert prompt.fits == "whole"
    assert prompt.aims_at == "stage_end"
    assert prompt.cuff_up == pytest.approx(1180 - 26.6667 - 32 - 26.7333, abs=1e-3)  # 1094.6
    assert prompt.stand_by == pytest.approx(1074.6, abs=1e-3)
    assert prompt.first_sound_due == pytest.approx(1121.267, abs=1e-3)
    assert prompt.window_closes == 1180
    assert prompt.release_s == pytest.approx(1121.267 + 32 + 11, abs=1e-3)
    assert (prompt.inflate_to, prompt.listen_to, prompt.expected_sbp) == (200, 50, 150)
    assert prompt.snapshot_seq == 5
    assert not prompt.above_dial


@pytest.mark.parametrize(
    ("length_s", "fits", "cuff_up_s"),
    [
        (180.0, "whole", 94.6),  # 180 - 85.4
        (120.0, "whole", 34.6),
        (115.4, "whole", 30.0),
        (115.0, "systolic", 30.0),  # as soon as may be
        (90.0, "systolic", 30.0),
        (67.0, "systolic", 30.0),  # 37 left, 26.667 + 10 wanted
        (66.0, "no", 2.6),  # 36 left; where it would have had to be: 66 - 63.4
        (40.0, "no", 0.0),
    ],
)
def test_what_fits_into_a_stage(length_s, fits, cuff_up_s):
    (prompt,) = plan_stage(in_force(RIDDEN, length_s=length_s), RESTED)
    assert prompt.fits == fits
    assert prompt.cuff_up - 1000 == pytest.approx(cuff_up_s, abs=1e-3)
    assert prompt.window_closes == 1000 + length_s


def test_the_last_release_can_take_the_diastolic_away():
    def after(release_s):
        late = known(7, 110.0, 990.0, phase="rest", release_s=release_s)
        (prompt,) = plan_stage(in_force(RIDDEN), replace(RESTED, readings=(*RESTED.readings, late)))
        return prompt.fits, prompt.cuff_up

    assert after(1064.0) == ("whole", pytest.approx(1094.6, abs=1e-3))
    assert after(1065.0) == ("systolic", 1095.0)
    assert after(1100.0) == ("systolic", 1130.0)  # 50 left, 36.7 wanted
    assert after(1120.0)[0] == "no"  # 30 left


def test_the_load_at_the_stage_end_is_what_counts_on_a_ramp():
    ramp = Stage(
        label="ramp",
        phase="exercise",
        position="ergometer",
        planned_s=300.0,
        target_watts=50.0,
        target_watts_to=200.0,
        reading="marks",
        reading_at_s=(100.0, 250.0),
    )
    first, second = plan_stage(in_force(ramp), RESTED)
    assert first.expected_sbp == 110 + 0.4 * 100
    assert second.expected_sbp == 110 + 0.4 * 175
    assert first.first_sound_due == pytest.approx(1100)
    assert first.window_closes == 1115
    (at_end,) = plan_stage(in_force(ramp.model_copy(update={"reading": "end"})), RESTED)
    assert at_end.expected_sbp == 110 + 0.4 * 200


def test_load_that_was_not_logged_is_the_target_of_the_stage():
    before = StageInForce(1, RIDDEN.model_copy(update={"target_watts": 60.0}), 800.0, 980.0, 1000.0)
    read = known(7, 140.0, 950.0, stage_index=1)
    snapshot = replace(RESTED, readings=(*RESTED.readings, read))
    (prompt,) = plan_stage(in_force(RIDDEN, index=2, before=[before]), snapshot)
    assert prompt.expected_sbp == 156  # 140 + 0.4 * (100 - 60)


def test_a_mark_is_the_moment_of_the_first_sound():
    stages = in_force(RECOVERY)
    first, second, third = plan_stage(stages, RESTED)
    # recovery after rest only: E 110, inflate to 200: t1 = 10 + 6.667 + 90/2.5 = 52.667
    assert [p.first_sound_due for p in (first, second, third)] == pytest.approx([1060, 1180, 1300])
    assert [p.window_closes for p in (first, second, third)] == [1075, 1195, 1315]
    assert first.cuff_up == pytest.approx(1007.333, abs=1e-3)
    assert first.stand_by == 1000  # not before the stage
    assert {p.fits for p in (first, second, third)} == {"whole"}
    assert [p.key for p in (first, second, third)] == ["1:mark:1", "1:mark:2", "1:mark:3"]


def test_in_recovery_pressure_is_on_its_way_back_to_rest():
    ridden = StageInForce(1, RIDDEN, 800.0, 980.0, 1000.0)
    read = known(7, 190.0, 950.0, stage_index=1, release_s=960.0)
    snapshot = replace(RESTED, readings=(*RESTED.readings, read))
    first, second, _ = plan_stage(in_force(RECOVERY, index=2, before=[ridden]), snapshot)
    # 110 + 80 exp(-60/120) = 158.522; 190 + 20 is more than 158.522 + 40
    assert first.expected_sbp == pytest.approx(158.522, abs=1e-3)
    assert first.inflate_to == 210
    # t1 = 10 + 210/30 + (210 - 158.522)/2.5 = 37.591
    assert first.cuff_up == pytest.approx(1060 - 37.591, abs=1e-3)
    # 110 + 80 exp(-180/120) = 127.850; behind the first, only the floor of 200
    assert (second.expected_sbp, second.inflate_to) == (pytest.approx(127.850, abs=1e-3), 200)
    # the first one, of 170 at 1064 s, is the next to fall: 110 + 60 exp(-116/120) = 132.821
    after = replace(snapshot, readings=(*snapshot.readings, known(9, 170.0, 1064.0, phase="recovery")))
    (second, _) = plan_stage(
        in_force(RECOVERY, index=2, before=[ridden]), after, now_s=1110.0, settled={"2:mark:1"}
    )
    assert (second.expected_sbp, second.inflate_to) == (pytest.approx(132.821, abs=1e-3), 200)
    # nothing is known to go back to
    (unrested, _, _) = plan_stage(
        in_force(RECOVERY, index=2, before=[ridden]), Snapshot(readings=(read,), sbp_rest=None)
    )
    assert (unrested.expected_sbp, unrested.inflate_to) == (190, 230)


def test_a_mark_that_the_cuff_cannot_meet_has_no_room():
    def first_mark(release_s):
        late = known(7, 110.0, 990.0, phase="rest", release_s=release_s)
        return plan_stage(in_force(RECOVERY), replace(RESTED, readings=(*RESTED.readings, late)))[0]

    assert first_mark(977.0).first_sound_due == pytest.approx(1060)
    moved = first_mark(992.0)
    assert (moved.fits, moved.cuff_up) == ("whole", 1022)  # first sound at 1074.7
    assert first_mark(993.0).fits == "no"  # 1075.7
    assert first_mark(993.0).cuff_up == pytest.approx(1007.333, abs=1e-3)


def test_marks_too_near_each_other_or_behind_the_end():
    stage = RECOVERY.model_copy(update={"reading_at_s": (60.0, 90.0, 200.0, 301.0)})
    assert [p.fits for p in plan_stage(in_force(stage), RESTED)] == ["whole", "no", "whole", "no"]
    # an open stage has no end to be behind
    open_ended = stage.model_copy(update={"planned_s": None})
    assert [p.fits for p in plan_stage(in_force(open_ended), RESTED)] == ["whole", "no", "whole", "whole"]


def test_a_mark_under_load_whose_last_sound_comes_after_the_stage_is_systolic():
    stage = RIDDEN.model_copy(update={"reading": "marks", "reading_at_s": (140.0, 150.0)})
    # t2 = 32: 140 + 32 <= 180 < 150 + 32
    assert plan_stage(in_force(stage), RESTED)[0].fits == "whole"
    late = stage.model_copy(update={"reading_at_s": (150.0,)})
    assert plan_stage(in_force(late), RESTED)[0].fits == "systolic"


def test_resting_readings_of_a_test_that_begins():
    first, second = plan_stage(in_force(SEATED, 0.0, 0), Snapshot.empty)
    assert first.cuff_up == 300
    assert first.stand_by == 280
    assert first.inflate_to is None
    # palpation 60 + 160/30 + 30/3 = 75.333; t2 = 60/3 = 20; tail = 20/3 + 3 = 9.667
    assert first.first_sound_due == pytest.approx(375.333, abs=1e-3)
    assert first.release_s == pytest.approx(405.0, abs=1e-3)
    assert first.window_closes == pytest.approx(300 + 1.2 * 95.333 + 15, abs=1e-3)  # 429.4
    assert second.cuff_up == pytest.approx(465.0, abs=1e-3)  # 60 s after that release
    assert second.inflate_to == 160
    assert (first.key, second.key) == ("0:rest:1", "0:rest:2")


def test_the_pulse_is_felt_until_a_reading_is_there():
    miss = known(4, None, 310.0, phase="rest", used=False, release_s=310.0)
    (second,) = plan_stage(in_force(SEATED, 0.0, 0), Snapshot(readings=(miss,)), settled={"0:rest:1"})
    assert second.inflate_to is None
    assert second.cuff_up == 370
    # the first reading of a test may stand under load
    (ridden,) = plan_stage(in_force(RIDDEN, 0.0, 0), Snapshot.empty)
    assert ridden.inflate_to is None
    assert ridden.expected_sbp == 170


def test_apart_s_is_never_under_the_gap():
    taken = Snapshot(readings=(known(4, 120.0, 350.0, phase="rest", release_s=400.0),), sbp_rest=120.0)
    for apart_s, cuff_up in ((20.0, 460.0), (60.0, 460.0), (90.0, 490.0)):
        stage = SEATED.model_copy(update={"apart_s": apart_s})
        (second,) = plan_stage(in_force(stage, 0.0, 0), taken, settled={"0:rest:1"})
        assert second.cuff_up == cuff_up


@pytest.mark.parametrize(
    ("k1s", "readings", "wanted"),
    [
        ((120.0, 126.0), 2, 3),
        ((120.0, 125.0), 2, 2),
        ((126.0, 120.0), 2, 3),
        ((120.0,), 2, 2),
        ((120.0, 140.0), 1, 1),
        ((120.0, 140.0, 130.0), 3, 3),
    ],
)
def test_a_third_where_two_differ(k1s, readings, wanted):
    taken = tuple(known(n, k1, 300.0 + 100 * n, phase="rest") for n, k1 in enumerate(k1s))
    stage = SEATED.model_copy(update={"readings": readings})
    assert len(plan_stage(in_force(stage, 0.0, 0), Snapshot(readings=taken))) == wanted


def test_both_arms_on_a_first_visit_and_the_higher_one_after():
    stage = SEATED.model_copy(update={"arms": "both"})
    prompts = plan_stage(in_force(stage, 0.0, 0), Snapshot.empty)
    assert [p.arm for p in prompts] == ["left", "right", "left"]

    def arm_after(left, right, left_again):
        k1s = ((left, "left"), (right, "right"), (left_again, "left"))
        taken = tuple(known(n, k1, 300.0 + 100 * n, phase="rest", arm=arm) for n, (k1, arm) in enumerate(k1s))
        rest = StageInForce(0, stage, 0.0, 900.0, 1000.0)
        (prompt,) = plan_stage(in_force(RIDDEN, before=[rest]), Snapshot(readings=taken, sbp_rest=125.0))
        return prompt.arm

    assert arm_after(120.0, 131.0, 122.0) == "right"  # 131 against 121
    assert arm_after(132.0, 120.0, 130.0) == "left"
    assert arm_after(120.0, 130.0, 122.0) is None  # 9 apart
    assert arm_after(120.0, None, 122.0) is None


def stopped(last_s, recovery=RECOVERY, *, used=True, ridden_reading="end"):
    """Recovery from 1000 s on, the last exercise reading (k1 180) at `last_s`."""
    ridden = StageInForce(1, RIDDEN.model_copy(update={"reading": ridden_reading}), 800.0, 1040.0, 1000.0)
    read = known(7, 180.0, last_s, stage_index=1, used=used, release_s=last_s + 50)
    snapshot = replace(RESTED, readings=(*RESTED.readings, read))
    return plan_stage(in_force(recovery, index=2, before=[ridden]), snapshot)


def test_an_immediate_reading_where_the_peak_would_not_be_known():
    immediate, *marks = stopped(909.0)
    assert immediate.aims_at == "immediate"
    assert immediate.stand_by == immediate.cuff_up == 1000
    # E 180, inflate to 220: 220/30 + 40/2.5 = 23.333
    assert immediate.first_sound_due == pytest.approx(1023.333, abs=1e-3)
    assert immediate.window_closes == 1030
    # released at 23.3 + 44 + 11 = 78.3: the first minute has no room, the third has
    assert [p.fits for p in marks] == ["no", "whole", "whole"]


@pytest.mark.parametrize(
    ("given_", "wanted"),
    [
        ({"last_s": 910.0}, False),  # 90 s before the stop: that one is the peak
        ({"last_s": 909.9}, True),
        ({"last_s": 900.0, "ridden_reading": "none"}, False),
        ({"last_s": 900.0, "recovery": RECOVERY.model_copy(update={"reading": "none"})}, False),
        ({"last_s": 900.0, "recovery": RECOVERY.model_copy(update={"reading": "end"})}, True),
        # k1 180, first sound 23.3 s after pumping, which the gap allows from 976.6 + 30 on
        ({"last_s": 926.6, "used": False}, True),
        ({"last_s": 926.7, "used": False}, False),
    ],
)
def test_when_an_immediate_reading_is_wanted(given_, wanted):
    assert any(p.aims_at == "immediate" for p in stopped(**given_)) == wanted


def test_no_immediate_reading_without_exercise():
    assert all(p.aims_at == "mark" for p in plan_stage(in_force(RECOVERY), RESTED))


def falling(stage=RIDDEN, *, now_s=1180.0, **plan):
    """A fall at 1130 s, released at 1170 s; the stage in force began at 1180 s."""
    ridden = StageInForce(1, RIDDEN, 1000.0, 1180.0, 1180.0)
    fell = known(7, 130.0, 1130.0, stage_index=1, release_s=1170.0, watts=100.0)
    snapshot = Snapshot(8, (*RESTED.readings, fell), 110.0, repeat_after=7)
    return plan_stage(in_force(stage, 1180.0, 2, [ridden]), snapshot, now_s=now_s, **plan)


def test_a_fall_is_repeated_30_s_after_release():
    repeat, at_end = falling()
    assert (repeat.key, repeat.aims_at, repeat.fits) == ("repeat:7", "repeat", "whole")
    assert repeat.cuff_up == 1200
    assert repeat.stand_by == 1180
    # E 130 at the same load, inflate to 200: t1 = 6.667 + 70/2.5, t2 = 60/2.5, slack = 15 + 0.2 * 58.667
    assert repeat.window_closes == pytest.approx(1200 + 1.2 * (34.667 + 24) + 15, abs=1e-3)
    # released at 1200 + 58.667 + 11 = 1269.667; whole would be at 1360 - 58.667 - 26.733 = 1274.6
    assert at_end.fits == "systolic"
    assert at_end.cuff_up == pytest.approx(1299.667, abs=1e-3)


def test_a_repeat_gives_its_whole_stand_by():
    assert falling(now_s=1195.0)[0].cuff_up == 1215


@pytest.mark.parametrize(
    "given_",
    [
        {"stage": RECOVERY},  # no load: it says nothing about the fall
        {"now_s": 1256.0},  # first sound over 180 s after the fall
        {"settled": {"repeat:7"}},
    ],
)
def test_when_a_repeat_is_pointless(given_):
    assert all(p.aims_at != "repeat" for p in falling(**given_))


def test_the_next_reading_is_the_repeat():
    (standing,) = plan_stage(in_force(RIDDEN, 1180.0, 2), RESTED, now_s=1180.0)
    in_hand = replace(standing, cuff_up=1175.0, first_sound_due=1200.0)
    held = {standing.key: Standing(in_hand, 1155.0)}
    assert falling(standing=held) == [in_hand]


def test_at_rest_the_next_reading_is_the_repeat_and_one_is_added_after_the_last():
    taken = known(7, 220.0, 350.0, phase="rest", release_s=400.0)
    snapshot = Snapshot(8, (taken,), 220.0, repeat_after=7)
    stages = in_force(SEATED, 0.0, 0)
    assert [p.key for p in plan_stage(stages, snapshot, now_s=410.0, settled={"0:rest:1"})] == ["0:rest:2"]
    both = {"0:rest:1", "0:rest:2"}
    (repeat,) = plan_stage(stages, snapshot, now_s=410.0, settled=both)
    assert (repeat.key, repeat.cuff_up) == ("repeat:7", 460.0)


def test_stages_that_ask_for_nothing_or_have_no_end_get_nothing():
    assert plan_stage([], RESTED) == []
    assert plan_stage(in_force(RIDDEN.model_copy(update={"reading": "none"})), RESTED) == []
    assert plan_stage(in_force(RIDDEN.model_copy(update={"planned_s": None})), RESTED) == []
    over = [replace(stage, ended_s=1180.0) for stage in in_force(RIDDEN)]
    assert plan_stage(over, RESTED) == []


def test_a_cuff_that_is_up_stays_as_planned():
    (planned,) = plan_stage(in_force(RIDDEN), RESTED)
    standing = {planned.key: Standing(planned, planned.stand_by)}
    extended = in_force(RIDDEN, length_s=300.0)
    assert plan_stage(extended, RESTED, now_s=1100.0, standing=standing) == [planned]
    (again,) = plan_stage(extended, RESTED, now_s=1080.0, standing=standing)
    assert again.cuff_up == pytest.approx(1214.6, abs=1e-3)


def test_a_plan_made_late_starts_now():
    (late,) = plan_stage(in_force(RIDDEN), RESTED, now_s=1100.0)
    assert (late.fits, late.cuff_up) == ("systolic", 1100.0)
    marks = plan_stage(in_force(RECOVERY), RESTED, now_s=1100.0)
    assert [p.key for p in marks] == ["1:mark:2", "1:mark:3"]  # the first has passed
    rest = plan_stage(in_force(SEATED, 0.0, 0), RESTED, now_s=350.0)
    assert rest[0].cuff_up == 350


def test_a_pressure_above_the_dial_is_said():
    high = known(7, 280.0, 900.0, watts=100.0)
    (prompt,) = plan_stage(in_force(RIDDEN), replace(RESTED, readings=(high,)))
    assert (prompt.inflate_to, prompt.above_dial) == (300, True)


def test_a_child_is_not_pumped_to_the_floor():
    (prompt,) = plan_stage(in_force(RIDDEN), RESTED, age_years=12.0)
    assert prompt.inflate_to == 190  # 150 + 40


# properties

PRESSURES = st.floats(80.0, 260.0)
LENGTHS = st.floats(20.0, 900.0)
KINDS = st.sampled_from(
    [
        RIDDEN,
        SEATED,
        RECOVERY,
        RIDDEN.model_copy(update={"phase": "warmup"}),
        RIDDEN.model_copy(update={"reading": "marks", "reading_at_s": (40.0, 100.0, 130.0, 400.0)}),
        RIDDEN.model_copy(update={"reading": "none"}),
        SEATED.model_copy(update={"arms": "both", "wait_s": 0.0, "apart_s": 0.0}),
    ]
)


@st.composite
def situations(draw):
    before = StageInForce(0, RIDDEN, 0.0, 500.0, 500.0)
    readings = tuple(
        known(
            n,
            draw(PRESSURES),
            100.0 * n,
            phase=draw(st.sampled_from(["rest", "exercise"])),
            dbp=draw(st.none() | st.floats(0.0, 120.0)),
            watts=draw(st.none() | st.floats(0.0, 300.0)),
            used=draw(st.booleans()),
            measured_rate=draw(st.none() | st.floats(0.5, 8.0)),
            release_s=100.0 * n + draw(st.floats(10.0, 90.0)),
        )
        for n in range(1, 1 + draw(st.integers(0, 5)))
    )
    rest = draw(st.none() | PRESSURES)
    repeat = draw(st.none() | st.integers(1, 5))
    stages = in_force(draw(KINDS), 500.0, 1, [before], draw(LENGTHS))
    return stages, Snapshot(9, readings, rest, repeat), 500.0 + draw(st.floats(0.0, 60.0))


@settings(max_examples=300, deadline=None)
@given(situations())
def test_what_every_plan_keeps(situation):
    stages, snapshot, now_s = situation
    prompts = plan_stage(stages, snapshot, now_s=now_s)
    assert prompts == plan_stage(stages, snapshot, now_s=now_s)
    force = stages[-1]
    gap_s = 60.0 if force.stage.phase == "rest" else 30.0
    if force.stage.reading == "none" and snapshot.repeat_after is None:
        assert prompts == []
    released_s = max((r.release_s for r in snapshot.readings), default=-1e9)
    asked = [prompt for prompt in prompts if prompt.fits != "no"]
    for prompt in asked:
        assert prompt.cuff_up >= released_s + gap_s - 1e-6
        released_s = prompt.release_s
        assert prompt.cuff_up >= now_s
        assert force.started_s <= prompt.stand_by <= prompt.cuff_up
        assert prompt.first_sound_due == pytest.approx(prompt.cuff_up + prompt.t1)
        assert prompt.slack == pytest.approx(15 + 0.2 * (prompt.t1 + prompt.t2))
        assert prompt.inflate_to is None or prompt.inflate_to % 10 == 0
    for prompt in prompts:
        if prompt.aims_at == "stage_end":
            assert prompt.window_closes == force.planned_end_s
        if prompt.aims_at == "stage_end" and prompt.fits == "whole":
            last_sound = prompt.first_sound_due + prompt.t2
            assert last_sound + prompt.slack == pytest.approx(force.planned_end_s)
            assert prompt.cuff_up >= force.started_s + 30
        if prompt.aims_at == "stage_end" and prompt.fits == "systolic":
            assert prompt.first_sound_due <= prompt.window_closes - 10 + 1e-6
        if prompt.aims_at == "mark" and prompt.fits != "no":
            assert abs(prompt.first_sound_due - (prompt.window_closes - 15)) <= 15 + 1e-6
        if prompt.aims_at == "rest":
            assert prompt.fits == "whole"
    assert len({prompt.key for prompt in prompts}) == len(prompts)


def staircase(minutes, until=200.0):
    return parse_protocol(
        {
            "stage": [
                {"phase": "rest", "minutes": 7},
                {"phase": "warmup", "minutes": minutes, "watts": 25},
                {"phase": "recovery", "minutes": 7},
            ],
            "repeat": [{"start": 50, "step": 25, "minutes": minutes, "until": until}],
        },
        "a test",
    )


@pytest.mark.parametrize("minutes", [2, 3])
def test_a_staircase_gives_one_prompt_a_stage(minutes):
    stages = staircase(minutes).stages
    prompts = foresee(stages).prompts
    for index, stage in enumerate(stages):
        here = [p for p in prompts if p.stage_index == index]
        if stage.loaded:
            assert [p.aims_at for p in here] == ["stage_end"]
            assert here[0].fits == ("whole" if minutes == 3 else here[0].fits) != "no"
        elif stage.phase == "rest":
            assert [p.aims_at for p in here] == ["rest", "rest"]
        else:
            assert [p.aims_at for p in here] == ["mark"] * 4
    asked = [p for p in prompts if p.fits != "no"]
    for earlier, later in pairwise(asked):
        assert later.cuff_up >= earlier.release_s + 30 - 1e-6


def test_a_resting_stage_waits_for_its_readings_and_short_stages_have_no_room():
    rest = SEATED.model_copy(update={"planned_s": 300.0})
    short = RIDDEN.model_copy(update={"planned_s": 60.0})
    prompts = foresee([rest, short, short]).prompts
    assert [p.fits for p in prompts] == ["whole", "whole", "no", "no"]
    assert prompts[2].window_closes == pytest.approx(prompts[1].release_s + 60)
