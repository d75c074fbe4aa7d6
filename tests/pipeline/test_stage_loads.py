"""Stages: their bounds, what was ridden in them, and when exercise ended (definitions: times, summary)."""

from __future__ import annotations

import pytest

from pipeline import events as ev


def seconds(moment, invented):
    return (moment - invented().at(0).replace(tzinfo=None)).total_seconds()


# ---- bounds -----------------------------------------------------------------------------------


def test_a_stage_ends_where_the_next_begins_and_the_last_with_the_test(invented, alone):
    test = invented()
    test.rest_and_loads(50)
    test.close(900)
    rows = alone(test).rows("stage_loads", "T", "stage_index")
    assert [seconds(row["ended_at"], invented) for row in rows] == [600, 780, 900]
    assert [row["ridden_s"] for row in rows] == [600, 180, 120]
    assert all(row["is_over"] for row in rows)


def test_an_open_stage_ends_with_what_is_known(invented, alone):
    test = invented()
    test.rest_and_loads(50)
    test.add(ev.NoteWritten, 850, text="still riding")
    rows = alone(test).rows("stage_loads", "T", "stage_index")
    assert [row["is_over"] for row in rows] == [True, True, False]
    assert rows[-1]["ridden_s"] == 70


@pytest.mark.parametrize(("last_sample_s", "ended_s"), [(870, 870), (775, 780)])
def test_a_detected_last_stage_ends_with_its_last_load(invented, alone, last_sample_s, ended_s):
    test = invented()
    test.source()
    test.stage(0, watts=50, by="detected")
    test.stage(780, watts=100, by="detected")
    test.log(0, last_sample_s, 5, watts=60.0)
    test.log(0, 890, 5, heart_rate_bpm=100.0)
    test.close(1000)
    assert seconds(alone(test).rows("stage_loads", "T", "stage_index")[-1]["ended_at"], invented) == ended_s


def test_a_stage_that_was_extended_was_planned_longer(invented, alone):
    test = invented()
    test.stage(0, watts=50, planned_s=180.0)
    for _ in range(2):
        test.add(ev.StageExtended, 170, stage_index=0, seconds=15.0)
    test.stage(210, watts=100)
    test.close(400)
    rows = alone(test).rows("stage_loads", "T", "stage_index")
    assert [row["planned_s"] for row in rows] == [210, None]


def test_a_sample_at_a_change_of_stage_belongs_to_the_stage_that_begins(invented, alone):
    test = invented()
    test.source()
    test.stage(0, watts=50)
    test.stage(60, watts=100)
    test.log(-2, 62, watts=60.0)  # from -1 to 62
    test.close(62)
    rows = {row["elapsed_s"]: row["stage_index"] for row in alone(test).rows("samples", "T")}
    assert (rows[-1], rows[0], rows[59], rows[60], rows[62]) == (None, 0, 0, 1, 1)


# ---- what was ridden --------------------------------------------------------------------------


def stage(length_s, *logs, sources=({},)):
    """One stage of 100 W from 0; each log is (from, to, every, source, measures)."""

    def happens(t):
        for n, fields in enumerate(sources):
            t.source(f"s{n}", **fields)
        t.stage(0, watts=100)
        t.stage(length_s, "recovery")
        for from_s, to_s, every_s, source, measures in logs:
            t.log(from_s, to_s, every_s, f"s{source}", **measures)

    return happens


def pulse(*pieces):
    """Heart rate by time to the end of a 180 s stage: (up to this many s before the end, bpm)."""
    return lambda s: next(bpm for to_end_s, bpm in pieces if 180 - s >= to_end_s)


# a log from 1 to 180 s has 179 samples in a stage from 0 to 180
RIDDEN = {
    # 0 W for the first 20 s, in which the load is set; samples 21 to 179
    "the first 20 s do not count": (
        stage(180, (0, 180, 1, 0, {"watts": lambda s: 0.0 if s <= 20 else 100.0, "cadence_rpm": 60.0})),
        {"watts_mean": 100.0, "watts_n": 179, "watts_sd": 0.0, "cadence_mean_rpm": 60.0},
    ),
    "a stage of under a minute counts whole": (
        stage(20, (0, 20, 1, 0, {"watts": lambda s: 0.0 if s <= 10 else 100.0})),
        {"watts_mean": 900 / 19, "watts_n": 19},  # 9 of 19
    ),
    "no log": (stage(180), {"watts_mean": None, "watts_n": 0, "stage_hr_bpm": None, "heart_rate_n": 0}),
    "the source asked first": (
        stage(
            180,
            (0, 180, 1, 0, {"watts": 50.0}),
            (0, 180, 1, 1, {"watts": 90.0}),
            sources=({"ranks": "watts=2"}, {"ranks": "watts=1"}),
        ),
        {"watts_mean": 90.0, "watts_n": 179},
    ),
    # the last 30 s at 140, the minute before at 130, before that 120
    "stage heart rate": (
        stage(180, (0, 180, 1, 0, {"heart_rate_bpm": pulse((90.5, 120.0), (30.5, 130.0), (0, 140.0))})),
        {"stage_hr_bpm": 140.0, "hr_steady": False, "heart_rate_n": 179},
    ),
    "5 bpm apart is steady": (
        stage(180, (0, 180, 1, 0, {"heart_rate_bpm": pulse((60, 135.0), (0, 140.0))})),
        {"stage_hr_bpm": 140.0, "hr_steady": True},
    ),
    "5.1 bpm apart is not": (
        stage(180, (0, 180, 1, 0, {"heart_rate_bpm": pulse((60, 145.1), (0, 140.0))})),
        {"hr_steady": False},
    ),
    "89 s are too short": (stage(89, (0, 89, 1, 0, {"heart_rate_bpm": 120.0})), {"stage_hr_bpm": None}),
    "90 s": (stage(90, (0, 90, 1, 0, {"heart_rate_bpm": 120.0})), {"stage_hr_bpm": 120.0, "hr_steady": None}),
    "179 s are too short to be steady": (
        stage(179, (0, 179, 1, 0, {"heart_rate_bpm": 120.0})),
        {"stage_hr_bpm": 120.0, "hr_steady": None},
    ),
    # RR 500 and 1000 ms by turns: 60000/750 = 80
    "RR intervals": (
        stage(
            180,
            (0, 180, 1, 0, {"heart_rate_bpm": lambda s: 60.0 if s % 2 else 120.0}),
            sources=({"measures": "heart_rate_bpm:rr"},),
        ),
        {"stage_hr_bpm": pytest.approx(80.0), "hr_steady": True},
    ),
    "out of range": (
        stage(180, (0, 100, 1, 0, {"heart_rate_bpm": 120.0}), (100, 180, 1, 0, {"heart_rate_bpm": 0.0})),
        {"stage_hr_bpm": None, "heart_rate_n": 100},
    ),
}


@pytest.fixture(scope="module")
def ridden(invented, derive):
    made = {}
    for name, (happens, _) in RIDDEN.items():
        made[name] = invented()
        happens(made[name])
        made[name].close(300)
    return derive(made)


@pytest.mark.parametrize("name", RIDDEN)
def test_what_was_ridden_in_a_stage(ridden, name):
    row = ridden.rows("stage_loads", name, "stage_index")[0]
    assert {column: row[column] for column in RIDDEN[name][1]} == RIDDEN[name][1]


# ---- the end of exercise ----------------------------------------------------------------------


def ending(watts=None, rpm=None, every_s=1.0, stages=None):
    """Loads of 50 and 100 W from 0, recovery from 360 s; the logs as given, from 0 to 600 s."""

    def happens(t):
        t.source()
        for start_s, phase, target in stages or (
            (0, "exercise", 50),
            (180, "exercise", 100),
            (360, "recovery", 0),
        ):
            t.stage(start_s, phase, target)
        for measure, course in (("watts", watts), ("cadence_rpm", rpm)):
            if course is not None:
                t.log(0, 600, every_s, **{measure: course})
        t.close(600)

    return happens


def falls_at(at_s, before=100.0, after=0.0):
    return lambda s: before if s < at_s else after


ENDS = {
    "no log": (ending(), (360, "recovery")),
    "load falls before": (ending(falls_at(340)), (340, "load")),
    "load falls after": (ending(falls_at(385)), (385, "load")),
    "to just under half": (ending(falls_at(340, after=49.9)), (340, "load")),
    "to half only": (ending(falls_at(340, after=50.0)), (360, "recovery")),
    "60 s before": (ending(falls_at(300)), (300, "load")),
    "61 s before is another thing": (ending(falls_at(299)), (360, "recovery")),
    "60 s after": (ending(falls_at(420)), (420, "load")),
    "61 s after": (ending(falls_at(421)), (360, "recovery")),
    # low at 330 to 334, again 100 at 335: the 5 s from 330 hold it
    "a dip of 5 s is none": (ending(lambda s: 0.0 if 330 <= s < 335 else falls_at(350)(s)), (350, "load")),
    "low for over 5 s": (ending(lambda s: 0.0 if 330 <= s < 336 else falls_at(350)(s)), (330, "load")),
    "cadence": (ending(rpm=falls_at(345, 60.0, 19.9)), (345, "cadence")),
    "cadence of 20 goes on": (ending(rpm=falls_at(345, 60.0, 20.0)), (360, "recovery")),
    "the first of both": (ending(falls_at(350), falls_at(345, 60.0, 0.0)), (345, "cadence")),
    "load first": (ending(falls_at(341), falls_at(345, 60.0, 0.0)), (341, "load")),
    "light recovery": (ending(falls_at(363, after=20.0), 60.0), (363, "load")),
    "slow log": (ending(falls_at(340), every_s=2.0), (340, "load")),
    "no recovery": (ending(stages=((0, "exercise", 50), (180, "exercise", 100))), (600, "last_stage")),
    # the recovery between loads is none
    "intermittent": (
        ending(
            stages=((0, "exercise", 50), (180, "recovery", 0), (300, "exercise", 100), (480, "recovery", 0))
        ),
        (480, "recovery"),
    ),
    "warm-up alone": (ending(stages=((0, "warmup", 20), (180, "recovery", 0))), (180, "recovery")),
    "no load": (ending(stages=((0, "rest", None),)), None),
}


@pytest.fixture(scope="module")
def ends(invented, derive):
    made = {name: invented() for name in ENDS}
    for name, (happens, _) in ENDS.items():
        happens(made[name])
    return derive(made)


@pytest.mark.parametrize("name", ENDS)
def test_the_end_of_exercise(ends, invented, name):
    rows = ends.rows("exercise_end", name)
    found = [(seconds(row["exercise_end_at"], invented), row["exercise_end_source"]) for row in rows]
    assert found == ([] if ENDS[name][1] is None else [ENDS[name][1]])
