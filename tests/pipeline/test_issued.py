"""Which prompt an entry answers, what overtakes and replaces one, and how it comes back from its line."""

from dataclasses import replace
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.issued import Issued, busy_until, keyed, line_of, prompt_of
from pipeline.plan import plan_stage
from pipeline.prompt import StageInForce
from pipeline.prompts import Prompt, answered_by, exertion_asked_s, moved, overtaken, when_missed
from pipeline.protocol import Stage
from pipeline.snapshot import Snapshot, SnapshotReading

ANCHOR = datetime(2024, 3, 1, 9, 0, tzinfo=UTC)
RIDDEN = Stage(label="100 W", phase="exercise", position="ergometer", planned_s=180.0, target_watts=100.0)


def prompt(cuff_up, window_closes, *, first_sound_due=None, **more):
    return Prompt(
        **{
            "key": f"at {cuff_up}",
            "stage_index": 1,
            "aims_at": "stage_end",
            "fits": "whole",
            "stand_by": cuff_up - 20,
            "cuff_up": cuff_up,
            "first_sound_due": cuff_up + 25 if first_sound_due is None else first_sound_due,
            "window_closes": window_closes,
            "inflate_to": 200.0,
            "listen_to": 50.0,
            "expected_sbp": 150.0,
            "expected_dbp": 70.0,
            "snapshot_seq": 3,
            "t1": 25.0,
            "t2": 32.0,
            "tail": 11.0,
            "slack": 26.0,
            **more,
        }
    )


def issued(*prompts_and_states):
    return [Issued(n, one, one.stand_by, state=state) for n, (one, state) in enumerate(prompts_and_states)]


A = prompt(100.0, 180.0)  # holds 70 to 190
B = prompt(280.0, 360.0)  # holds 250 to 370
NEAR = prompt(195.0, 280.0)  # holds 165 to 290


@pytest.mark.parametrize(
    ("prompts", "measured_s", "answers"),
    [
        ([(A, "due"), (B, "due")], 69.9, None),
        ([(A, "due"), (B, "due")], 70.0, 0),
        ([(A, "due"), (B, "due")], 190.0, 0),
        ([(A, "due"), (B, "due")], 190.1, None),
        ([(A, "due"), (B, "due")], 250.0, 1),
        ([(A, "answered"), (B, "due")], 120.0, 0),  # entered twice
        ([(A, "missed"), (B, "due")], 120.0, 0),  # an entry after the miss stands beside it
        ([(A, "superseded"), (B, "due")], 120.0, None),
        ([(replace(A, fits="no"), "due")], 120.0, None),
        ([(A, "due"), (NEAR, "due")], 170.0, 0),  # first sounds due at 125 and 220: 45 and 50 s away
        ([(A, "due"), (NEAR, "due")], 175.0, 1),  # 50 and 45 s
        ([(A, "answered"), (NEAR, "due")], 170.0, 1),
        ([(A, "due"), (NEAR, "answered")], 180.0, 0),
        ([], 100.0, None),
    ],
)
def test_an_entry_with_a_time_is_judged_at_its_first_sound(prompts, measured_s, answers):
    assert answered_by(issued(*prompts), measured_s, measured_s + 400, True) == answers


@pytest.mark.parametrize(
    ("prompts", "entry_s", "answers"),
    [
        # judged 10 s before the entry
        ([(A, "due"), (B, "due")], 170.0, 0),
        ([(A, "due"), (B, "due")], 200.0, 0),  # 190, the last moment that A holds
        ([(A, "due"), (B, "due")], 290.0, 0),  # B's cuff is up at 280, and A closed 110 s ago
        # B takes 57 s to the last sound, half of it is gone at 308.5; the other closed at 250
        ([(prompt(170.0, 250.0), "due"), (B, "due")], 318.4, 0),
        ([(prompt(170.0, 250.0), "due"), (B, "due")], 318.6, 1),
        ([(A, "answered"), (B, "due")], 289.0, 1),  # nothing closed unanswered
        ([(A, "missed"), (B, "due")], 289.0, 1),
        ([(A, "due")], 300.0, 0),  # closed 120 s ago
        ([(A, "due")], 301.0, None),
        ([(A, "superseded")], 200.0, None),
        ([(replace(A, fits="no"), "due")], 170.0, None),
        # the most recently closed one
        ([(A, "due"), (prompt(110.0, 200.0), "due")], 290.0, 1),
        # just answered and typed again: entered twice, not the next one
        ([(A, "answered"), (NEAR, "due")], 185.0, 0),
        # B's cuff is up, nothing else is unanswered
        ([(A, "answered"), (B, "due")], 291.0, 1),
        # of an older one still unanswered, before that
        ([(prompt(20.0, 80.0), "due"), (A, "answered")], 190.0, 0),
        ([(A, "due")], 50.0, None),
        ([(A, "due")], 90.0, 0),  # 80: from 70 on, the cuff still to go up
    ],
)
def test_an_entry_without_a_time(prompts, entry_s, answers):
    assert answered_by(issued(*prompts), None, entry_s, False) == answers


@given(st.lists(st.tuples(st.floats(0, 900), st.floats(30, 200)), max_size=6), st.floats(0, 1200))
def test_a_timed_entry_answers_only_what_holds_it(windows, at_s):
    prompts = [prompt(cuff_up, cuff_up + length) for cuff_up, length in windows]
    index = answered_by(issued(*((one, "due") for one in prompts)), at_s, at_s, True)
    holding = [n for n, one in enumerate(prompts) if one.cuff_up - 30 <= at_s <= one.window_closes + 10]
    assert (index is None) == (not holding)
    assert index is None or index in holding


def test_overtaken_with_under_half_its_time_gone():
    # open from 80 to 180, half at 130
    assert overtaken(A, 129.9) == "superseded"
    assert overtaken(A, 130.0) == "missed"
    assert overtaken(A, 60.0) == "superseded"


@pytest.mark.parametrize("moment", ["cuff_up", "first_sound_due", "window_closes"])
def test_moved_by_more_than_5_s(moment):
    for by_s, is_moved in ((5.0, False), (5.1, True), (-5.0, False), (-5.1, True)):
        assert moved(A, replace(A, **{moment: getattr(A, moment) + by_s})) == is_moved


def test_a_pressure_alone_moves_nothing():
    assert not moved(A, replace(A, inflate_to=250.0, stand_by=0.0))


def test_when_it_is_missed():
    assert when_missed(A) == 300
    assert when_missed(A, "planned") == 190
    assert when_missed(A, "planned", timed_entries=False) == 300


def test_when_exertion_is_asked():
    assert exertion_asked_s(A, 1) == 60  # 20 s before stand_by
    assert exertion_asked_s(A, 2) == 165  # 15 s before closing


def journalled(stage, snapshot, *, started_s=500.0, index=1):
    """A plan, and what comes back from the lines that it was written as."""
    stages = [StageInForce(index, stage, started_s, started_s + stage.planned_s)]
    plan, back = plan_stage(stages, snapshot), []
    for seq, one in enumerate(plan):
        event = line_of(one, ANCHOR, one.stand_by, "live")
        back.append(Issued(seq, prompt_of(event, ANCHOR), one.stand_by, after_seq=snapshot.repeat_after or 0))
    return plan, [one.prompt for one in keyed(back, stages).values()]


RESTED = Snapshot(5, (SnapshotReading(4, 50.0, 80.0, "rest", 0, k1=110.0, used=True),), 110.0)
LOW = replace(RESTED, readings=(replace(RESTED.readings[0], dbp=20.0, measured_rate=2.3),), repeat_after=4)
MARKS = RIDDEN.model_copy(update={"reading": "marks", "reading_at_s": (100.3, 250.7), "planned_s": 300.0})
REST = Stage(label="rest", phase="rest", position="seated", planned_s=400.0, reading="timed", arms="both")


@pytest.mark.parametrize("snapshot", [Snapshot.empty, RESTED, LOW])
@pytest.mark.parametrize("stage", [RIDDEN, MARKS, REST, RIDDEN.model_copy(update={"planned_s": 100.0})])
def test_a_prompt_comes_back_from_its_line(stage, snapshot):
    plan, back = journalled(stage, snapshot)
    assert plan
    for one, again in zip(plan, back, strict=True):
        for name in ("key", "stage_index", "aims_at", "fits", "inflate_to", "above_dial", "arm"):
            assert getattr(again, name) == getattr(one, name), name
        for name in ("stand_by", "cuff_up", "first_sound_due", "window_closes", "release_s"):
            assert getattr(again, name) == pytest.approx(getattr(one, name), abs=1e-4), name
        for name in ("listen_to", "expected_sbp", "expected_dbp", "t1", "t2", "tail", "slack"):
            assert getattr(again, name) == pytest.approx(getattr(one, name), abs=1e-4), name


def test_a_repeat_is_known_by_the_reading_before_it():
    plan, back = journalled(REST, LOW)
    assert [one.key for one in plan] == [one.key for one in back] == ["1:rest:1", "1:rest:2", "1:rest:3"]
    ridden = replace(LOW, readings=(replace(LOW.readings[0], phase="exercise", measured_s=450.0),))
    plan, back = journalled(RIDDEN, ridden)
    assert [one.key for one in back] == [one.key for one in plan] == ["repeat:4", "1:stage_end"]


def test_what_is_in_hand():
    due = Issued(7, A, 80.0)
    assert busy_until([due], 99.0, Snapshot.empty) == float("-inf")
    assert busy_until([due], 100.0, Snapshot.empty) == 125 + 32 + 11
    read = SnapshotReading(9, 126.0, 170.0, "exercise", due_seq=7)
    assert busy_until([due], 200.0, Snapshot(9, (read,))) == float("-inf")
    # superseded before the cuff was up, and after
    assert busy_until([replace(due, state="superseded", until_s=99.0)], 130.0, Snapshot.empty) < 0
    assert busy_until([replace(due, state="superseded", until_s=101.0)], 130.0, Snapshot.empty) == 168
    assert busy_until([replace(due, state="missed")], 130.0, Snapshot.empty) < 0
