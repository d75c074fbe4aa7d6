"""Flags about stages, logs, symptoms and the test: thresholds, conditions, and when they hold."""

from __future__ import annotations

import pytest

from pipeline import events as ev
from pipeline.protocol import Protocol, Stage

REST = (0, "rest", None)
END = 2000
PROTOCOL = Protocol(stages=(Stage(label="50 W", phase="exercise", position="ergometer", target_watts=50.0),))


def ride(*stages, logs=(), more=(), opened=None, close=END, at_rest=REST, last=(1500, "recovery", 0)):
    """Rest, the stages (start, phase, W, fields) and recovery; logs are (from, to, every, measures)."""

    def happens(make):
        test = make(**opened or {})
        for start_s, phase, watts, *fields in (at_rest, *stages, last):
            test.stage(start_s, phase, watts, **(fields[0] if fields else {}))
        if logs:
            test.source()
        for from_s, to_s, every_s, measures in logs:
            test.log(from_s, to_s, every_s, **measures)
        for happening in more:
            happening(test)
        if close:
            test.close(close)
        return test

    return happens


def taken(at_s, k1=140, k5=80, **fields):
    return lambda test: test.taken(at_s, k1, k5, **fields)


def noted(code, severity=None, kind=ev.SymptomNoted):
    given = {} if severity is None else {"severity": severity}
    return ride((600, "exercise", 50), more=[lambda test: test.add(kind, 700, code=code, **given)])


def at_load(target, ridden, **fields):
    return ride((600, "exercise", target, fields), logs=[(600, 1500, 1, {"watts": float(ridden)})])


def three(*watts, **fields):
    """Three stages of 300 s logged at these loads."""
    stages = [(600 + 300 * n, "exercise", None, fields) for n in range(3)]
    logs = [(600 + 300 * n, 900 + 300 * n, 1, {"watts": float(one)}) for n, one in enumerate(watts)]
    return ride(*stages, logs=logs)


def rising(*pairs, opened=None, length_s=150):
    """Stages logged at (W, bpm)."""
    stages = [(600 + length_s * n, "exercise", watts) for n, (watts, _) in enumerate(pairs)]
    logs = [
        (
            600 + length_s * n,
            600 + length_s * (n + 1),
            1,
            {"watts": float(watts), "heart_rate_bpm": float(bpm)},
        )
        for n, (watts, bpm) in enumerate(pairs)
    ]
    return ride(*stages, logs=logs, opened=opened, last=(600 + length_s * len(pairs), "recovery", 0))


def length(ridden_s, planned_s=300.0, **fields):
    stages = ((600, "exercise", 50, {"planned_s": planned_s} | fields), (600 + ridden_s, "exercise", 100))
    return ride(*stages)


def last_length(ridden_s):
    return ride((600, "exercise", 50, {"planned_s": 300.0}), last=(600 + ridden_s, "recovery", 0))


def gap(from_s, to_s, measure="heart_rate_bpm", every_s=1, **fields):
    """A log from 500 to 1600 s without anything after `from_s` and before `to_s`."""
    course = {measure: 120.0}
    logs = [(500, from_s, every_s, course), (to_s - every_s, 1600, every_s, course)]
    return ride((600, "exercise", None), logs=logs, **fields)


def expecting(k1, index):
    """A prompt in stage `index` (1 exercise, 2 recovery)."""
    return ride(
        (600, "exercise", 50), more=[lambda t: t.due(index, 700, 720, 780, expected_sbp_mmhg=float(k1))]
    )


def two_lines(test):
    test.source()
    for _ in range(2):
        test.add(ev.LineRejected, 700, source="bike", raw="?", reason="no number")


def unwatched(*at_s, last=(1500, "recovery", 0), **fields):
    return ride((600, "exercise", 50), more=[taken(one) for one in at_s], last=last, **fields)


def rest(*at_s, close=END, last=(1500, "recovery", 0), loads=((600, "exercise", 50),), at_rest=REST):
    return ride(*loads, more=[taken(one, 120) for one in at_s], close=close, last=last, at_rest=at_rest)


def missed(*order):
    """Readings 300 s apart from 700: x missed, d doubtful, u used, b lower bound."""

    def one(what, at_s):
        if what == "x":
            return lambda test: test.missed(at_s)
        fields = {"d": {"clarity": "doubtful"}, "b": {"k1_at_least": True}}.get(what, {})
        return taken(at_s, **fields)

    happenings = [one(what, 700 + 100 * n) for n, what in enumerate(order)]
    return ride((600, "exercise", 50), more=happenings, last=(950, "recovery", 0))


def came_late(test):
    """The recorder missed an entry that came after it; the next one is missed too."""
    due = test.due(1, 700, 720, 740)
    test.missed(860, due_seq=due, reason="not_entered")
    test.taken(725, 140, 80, due_seq=due)
    test.missed(900)


SUPINE = (0, "rest", None, {"position": "supine"})
SEATED = (450, "rest", None)
FLAT = ((50, 100), (100, 101), (150, 102))
PLANNED = {"by": "detected", "planned_s": 900.0}

CASES = {
    "symptom": {
        "chest pain 1": (noted("chest_pain", 1), None),
        "chest pain 2": (noted("chest_pain", 2), ("caution", 2)),
        "chest pain, no severity": (noted("chest_pain"), ("caution", 2)),
        "dizzy 0": (noted("dizzy", 0), None),
        "dizzy 1": (noted("dizzy", 1), ("caution", 1)),
        "dizzy, no severity": (noted("dizzy"), ("caution", 1)),
        "faint": (noted("faint", 1), ("caution", 1)),
        "pale": (noted("pale_or_cold", 1), ("caution", 1)),
        "sign": (noted("arrhythmia", kind=ev.SignNoted), ("caution", 1)),
        "leg pain 4": (noted("leg_pain", 4), None),
        "breathless 4": (noted("breathless", 4), None),
    },
    "limit_expected": {
        "250": (expecting(250, 1), None),
        "251": (expecting(251, 1), ("check", 251)),
        "recovery": (expecting(260, 2), None),
    },
    "load_off_target": {
        "10 W": (at_load(50, 60), None),
        "10.5 W": (at_load(50, 60.5), ("check", 10.5)),
        "less": (at_load(50, 39), ("check", 11)),
        "10 %": (at_load(150, 165), None),
        "over 10 %": (at_load(150, 166), ("check", 16)),
        "unloaded": (at_load(0, 11), ("check", 11)),
        "no target": (at_load(None, 50), None),
        # from 50 to 140 W in 900 s, without the first 20 s: 50 + 90 * (20 + 900)/2/900 = 96 W
        "ramp": (at_load(50, 96, target_watts_to=140.0, planned_s=900.0), None),
        "ramp, 11 W over": (at_load(50, 107, target_watts_to=140.0, planned_s=900.0), ("check", 11)),
    },
    "stage_differs_from_protocol": {
        "10 W": (at_load(150, 160, **PLANNED), None),
        "11 W": (at_load(150, 161, **PLANNED), ("check", 11)),
        "by schedule it is off target only": (at_load(150, 161, planned_s=900.0), None),
        "10 s longer": (length(310), None),
        "10.5 s longer": (length(310.5), ("check", 10.5)),
        "10.5 s shorter": (length(289.5), ("check", 10.5)),
        "the last may be cut short": (last_length(200), None),
        "the last longer": (last_length(311), ("check", 11)),
        "extended": (
            ride((600, "exercise", 50, {"planned_s": 300.0}), (915, "exercise", 100),
                 more=[lambda t: t.add(ev.StageExtended, 890, stage_index=1, seconds=15.0)]),
            None,
        ),
        "not planned": (
            ride((600, "exercise", 50, {"by": "detected"}), opened={"protocol": PROTOCOL}), ("check", 1)
        ),
        "no protocol": (ride((600, "exercise", 50, {"by": "detected"})), None),
    },
    "load_not_rising": {
        "rising": (three(50, 100, 150), None),
        "5 W lower": (three(50, 45, 150), None),
        "6 W lower": (three(50, 44, 150), ("check", 6)),
        "after the highest it may": (three(50, 150, 100), None),
    },
    "few_loads": {
        "three of 90 s": (rising((50, 100), (100, 120), (150, 140), length_s=90), None),
        "three of 89 s": (rising((50, 100), (100, 120), (150, 140), length_s=89), ("check", 0)),
        "two": (rising((50, 100), (100, 120)), ("check", 2)),
        "not closed": (ride((600, "exercise", 50), close=None), None),
        "ramp": (ride((600, "exercise", 50, {"target_watts_to": 200.0, "planned_s": 900.0})), None),
    },
    "heart_rate_not_rising": {
        "2 and 2": (rising((50, 100), (100, 102), (150, 104)), None),
        "1 and 1": (rising(*FLAT), ("caution", 1)),
        "1 and 2": (rising((50, 100), (100, 101), (150, 103)), None),
        "once": (rising((50, 100), (100, 101)), None),
        "once, then 5": (rising((50, 100), (100, 101), (150, 106)), None),
        "at last": (rising((50, 100), (100, 110), (150, 111), (200, 112)), ("caution", 1)),
        "falling": (rising((50, 100), (100, 98), (150, 95)), ("caution", -2)),
        "load up 19 W": (rising((50, 100), (69, 101), (88, 102)), None),
        "then load up 19 W": (rising((50, 100), (100, 101), (119, 102)), None),
        "beta-blocker": (rising(*FLAT, opened={"medication": "beta_blocker"}), None),
        "pacemaker": (rising(*FLAT, opened={"pacemaker": True}), None),
        "stages too short": (rising(*FLAT, length_s=80), None),
    },
    "heart_rate_gap": {
        "15 s": (gap(700, 715), None),
        "16 s": (gap(700, 716), ("check", 16)),
        "at rest": (gap(550, 590), None),
        "only what is under load counts": (gap(580, 616), ("check", 16)),
        "to the end of load": (gap(1480, 1590), ("check", 20)),
        # every 6 s: four intervals are 24 s
        "slow log, 24 s": (gap(704, 728, every_s=6), None),
        "slow log, 30 s": (gap(704, 734, every_s=6), ("check", 30)),
        "invalid is none": (
            ride((600, "exercise", None), logs=[(500, 700, 1, {"heart_rate_bpm": 120.0}),
                 (700, 720, 1, {"heart_rate_bpm": 0.0}), (720, 1600, 1, {"heart_rate_bpm": 120.0})]),
            ("check", 21),
        ),
        "no log": (ride((600, "exercise", None)), None),
    },
    "load_gap": {"15 s": (gap(700, 715, "watts"), None), "16 s": (gap(700, 716, "watts"), ("check", 16))},
    "pressure_unwatched": {
        "one missed": (missed("x", "u"), None),
        "two running": (missed("x", "x", "u"), ("caution", 2)),
        "missed and doubtful": (missed("x", "d", "u"), ("caution", 2)),
        "a used one in between": (missed("x", "u", "x"), None),
        "a lower bound is no miss": (missed("x", "b", "x"), None),
        "an entry that came late": (
            ride((600, "exercise", 50), more=[came_late], last=(1080, "recovery", 0)),
            None,
        ),
        # load from 600 to 1320 s
        "360 s without": (unwatched(960, last=(1320, "recovery", 0)), None),
        "361 s at the start": (unwatched(961, 1200, last=(1320, "recovery", 0)), ("caution", 361)),
        "361 s at the end": (unwatched(800, 959, last=(1320, "recovery", 0)), ("caution", 361)),
        "361 s in between": (unwatched(700, 1061, last=(1320, "recovery", 0)), ("caution", 361)),
        "rest does not count": (unwatched(100, 800, last=(1100, "recovery", 0)), None),
    },
    "rest_single": {
        "one": (rest(400), ("check", 1)),
        "two": (rest(340, 500), None),
        "one so far": (rest(400, loads=(), last=(0, "rest", None), at_rest=REST, close=None), None),
    },
    "rest_posture": {
        "supine": (rest(300, at_rest=SUPINE), ("check", 1)),
        "seated": (rest(300), None),
        "supine, then seated": (rest(300, 550, at_rest=SUPINE, loads=(SEATED, (600, "exercise", 50))), None),
        "supine so far": (
            rest(300, at_rest=SUPINE, loads=(SEATED,), last=(600, "rest", None), close=None), None
        ),
    },
    "lines_rejected": {
        "two": (ride(more=[two_lines]), ("check", 2)),
        "none": (ride(), None),
    },
}  # fmt: skip


@pytest.fixture(scope="module")
def derived(invented, derive):
    cases = {f"{code}: {name}": one for code, named in CASES.items() for name, one in named.items()}
    return derive({name: happens(invented) for name, (happens, _) in cases.items()})


@pytest.mark.parametrize(("code", "name"), [(code, name) for code, cases in CASES.items() for name in cases])
def test_a_flag_holds_on_its_side_of_the_threshold(derived, code, name):
    expected = CASES[code][name][1]
    found = [(flag["level"], flag["observed"]) for flag in derived.flags(f"{code}: {name}", code)]
    assert found == ([] if expected is None else [(expected[0], pytest.approx(expected[1]))])


# ---- when and where a flag about time holds ---------------------------------------------------


@pytest.mark.parametrize(("as_of_s", "holds"), [(960, False), (961, True), (1300, True), (1500, True)])
def test_unwatched_pressure_stays_where_it_came_true_whatever_comes_after(invented, alone, as_of_s, holds):
    # load from 600 s, stages of 200 s: 360 s without a reading are over at 960 s, in the second one, index 1
    test = invented()
    for start_s in range(600, as_of_s, 200):
        test.stage(start_s, watts=start_s / 2 - 250)
    if as_of_s == 1500:
        test.taken(1200, 150, 80)
    test.add(ev.NoteWritten, as_of_s, text="so far")
    flags = alone(test).flags("T", "pressure_unwatched")
    assert [(flag["stage_index"], flag["flag_at"].minute) for flag in flags] == ([(1, 16)] if holds else [])


def test_a_gap_stands_in_the_stage_in_which_it_begins(invented, alone):
    test = invented()
    test.source()
    test.rest_and_loads(50, 100)
    test.log(600, 770, heart_rate_bpm=120.0)
    test.log(799, 960, heart_rate_bpm=120.0)
    [flag] = alone(test).flags("T", "heart_rate_gap")
    assert (flag["stage_index"], flag["observed"]) == (1, 30)
    assert flag["detail"] == "no sample from 12:50 to 13:20 min"


def test_each_symptom_is_its_own_flag(invented, alone):
    test = invented()
    test.rest_and_loads(50)
    seqs = [test.add(ev.SymptomNoted, at_s, code="dizzy", severity=1) for at_s in (650, 700)]
    flags = alone(test).flags("T", "symptom")
    assert [(flag["target_seq"], flag["stage_index"]) for flag in flags] == [(seq, 1) for seq in seqs]
