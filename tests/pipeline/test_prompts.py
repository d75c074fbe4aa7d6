"""The planner: what it writes down, when, and that it is a fold of the journal."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.events import ReadingDue, ReadingMissed, ReadingTaken
from pipeline.prompts import Planner, Snapshot, SnapshotReading, StageInForce
from pipeline.protocol import Stage, parse_protocol

ANCHOR = datetime(2024, 3, 1, 9, 0, tzinfo=UTC)
RIDDEN = Stage(label="100 W", phase="exercise", position="ergometer", planned_s=180.0, target_watts=100.0)
NEXT = RIDDEN.model_copy(update={"label": "125 W", "target_watts": 125.0})
SEATED = Stage(label="rest", phase="rest", position="seated", planned_s=420.0, reading="timed")
RECOVERY = Stage(
    label="recovery",
    phase="recovery",
    position="ergometer",
    planned_s=300.0,
    reading="marks",
    reading_at_s=(60.0, 180.0, 300.0),
)
RESTED = Snapshot(2, (SnapshotReading(2, 5.0, 10.0, "rest", k1=110.0, used=True),), 110.0)

# A stage of 180 s at 100 W from 1000 s on after 110 mmHg at rest: stand by at 1074.6, cuff up at
# 1094.6, first sound at 1121.267, closes at 1180 (see test_plan.py)


def utc(seconds):
    return ANCHOR + timedelta(seconds=seconds)


class Desk:
    """A recorder without a file: numbers what the planner says and lets it note that."""

    def __init__(self, by="live", **more):
        self.planner = Planner(ANCHOR, by, **more)
        self.more = {"by": by, **more}
        self.journal = []
        self.wake_s = None
        self.plan = ()

    def write(self, event):
        event = event.model_copy(update={"seq": len(self.journal) + 10})
        self.journal.append(event)
        self.planner.note(event)
        return event

    def at(self, now_s, stages, snapshot=RESTED):
        written = []
        while True:
            step = self.planner.step(now_s, stages, snapshot)
            assert step == self.planner.step(now_s, stages, snapshot)
            assert step.next_wake_s is None or step.next_wake_s > now_s
            if not step.events:
                self.wake_s, self.plan = step.next_wake_s, step.plan
                return written
            assert len(written) < 20, "the planner does not come to rest"
            written += [self.write(event) for event in step.events]

    def take(self, at_s, due_seq=None, **more):
        return self.write(
            ReadingTaken(
                event_time=utc(at_s), source="console", measured_source="stated", due_seq=due_seq, **more
            )
        )

    def kinds(self):
        return [event.kind for event in self.journal]


def ridden(planned_end_s=1180.0, ended_s=None):
    return [StageInForce(1, RIDDEN, 1000.0, planned_end_s, ended_s)]


def asked(desk, now_s=1074.7, stages=None, snapshot=RESTED):
    (due,) = desk.at(now_s, stages or ridden(), snapshot)
    assert due.kind == "reading_due"
    return due


def test_a_prompt_is_written_when_its_stand_by_begins():
    desk = Desk()
    assert desk.at(1000.0, ridden()) == []
    assert desk.wake_s == pytest.approx(1074.6, abs=1e-3)
    assert [p.key for p in desk.plan] == ["1:stage_end"]
    assert desk.at(1074.5, ridden()) == []
    (due,) = desk.at(desk.wake_s, ridden())
    assert isinstance(due, ReadingDue)
    assert due.event_time == due.stand_by
    assert abs((due.cuff_up - utc(1094.6)).total_seconds()) < 1e-3
    assert abs((due.first_sound_due - utc(1121.2667)).total_seconds()) < 1e-3
    assert due.window_closes == utc(1180)
    assert (due.stage_index, due.aims_at, due.fits, due.by) == (1, "stage_end", "whole", "live")
    assert (due.inflate_to_mmhg, due.listen_to_mmhg, due.expected_sbp_mmhg) == (200, 50, 150)
    assert (due.expected_dbp_mmhg, due.snapshot_seq) == (70, 2)
    assert desk.at(1090.0, ridden()) == []


def test_live_it_is_missed_120_s_after_closing():
    desk = Desk()
    due = asked(desk)
    stages = [replace(ridden()[0], ended_s=1180.0), StageInForce(2, SEATED, 1180.0, 1600.0)]
    assert desk.at(1299.9, stages) == []
    assert desk.wake_s == 1300
    (missed,) = desk.at(1300.0, stages)
    assert isinstance(missed, ReadingMissed)
    assert (missed.due_seq, missed.stage_index, missed.reason) == (due.seq, 1, "not_entered")
    assert not missed.attempted
    assert missed.event_time == utc(1300)
    assert desk.planner.issued[0].state == "missed"


def test_in_a_join_it_is_missed_when_no_stated_time_can_answer_it():
    desk = Desk("planned")
    due = asked(desk)
    assert due.by == "planned"
    assert desk.at(1189.9, ridden(1180.0, 1180.0)) == []
    (missed,) = desk.at(1190.0, ridden(1180.0, 1180.0))
    assert missed.event_time == due.first_sound_due
    untimed = Desk("planned", timed_entries=False)
    asked(untimed)
    assert untimed.at(1299.9, ridden(1180.0, 1180.0)) == []
    assert len(untimed.at(1300.0, ridden(1180.0, 1180.0))) == 1


def test_an_entry_answers_and_the_second_observer_does_not():
    desk = Desk()
    due = asked(desk)
    assert desk.planner.answered(1121.0, 1170.0, timed=True).due_seq == due.seq
    desk.take(1121.0, due.seq, role="second")
    assert [one.due_seq for one in desk.planner.open] == [due.seq]
    desk.take(1121.0, due.seq, role="primary")
    assert desk.planner.open == ()
    desk.write(
        ReadingMissed(
            event_time=utc(1130), source="page", due_seq=due.seq, attempted=True, reason="arm_moved"
        )
    )
    assert desk.planner.issued[0].state == "answered"
    assert desk.at(1175.0, ridden()) == desk.at(1400.0, ridden(1180.0, 1180.0)) == []
    assert desk.planner.answered(900.0, 900.0, timed=True) is None


@pytest.mark.parametrize(("ended_s", "kind"), [(1127.0, "prompt_superseded"), (1128.0, None)])
def test_an_early_stage_end_takes_a_prompt_away_before_half_its_time(ended_s, kind):
    # open from 1074.6 to 1180: half at 1127.3
    desk = Desk()
    due = asked(desk)
    stages = [*ridden(1180.0, ended_s), StageInForce(2, NEXT, ended_s, ended_s + 180)]
    written = desk.at(ended_s, stages)
    assert [event.kind for event in written] == ([kind] if kind else [])
    if kind:
        assert written[0].due_seq == due.seq
        assert written[0].reason == "the stage ended before half its time had gone"
        assert desk.at(1300.0 - 200, stages) == []


def test_a_stage_that_ends_before_the_stand_by_leaves_nothing():
    desk = Desk()
    desk.at(1000.0, ridden())
    desk.at(1060.0, [*ridden(1180.0, 1060.0), StageInForce(2, NEXT, 1060.0, 1240.0)])
    assert desk.journal == []


def test_a_newer_snapshot_moves_a_prompt_by_more_than_5_s_only():
    def with_rest(k1):
        return Snapshot(12, (replace(RESTED.readings[0], k1=k1),), k1)

    desk = Desk()
    asked(desk)
    # E 155: t1 = 6.667 + 45/2.5, t2 = 85/2.5: the same sum, 2 s later
    assert desk.at(1080.0, ridden(), with_rest(115.0)) == []
    # E 200, inflate to 240: 8 + 16, 130/2.5 = 52, slack 30.2: 106.2, cuff up at 1073.8, which has passed
    assert desk.at(1081.0, ridden(), with_rest(160.0)) == []
    # extended by 60 s: whole at 1154.6
    (superseded,) = desk.at(1082.0, ridden(1240.0))
    assert superseded.reason == "moved by +60 s"
    assert desk.planner.issued[0].state == "superseded"
    assert desk.wake_s == pytest.approx(1134.6, abs=1e-3)
    (again,) = desk.at(1134.7, ridden(1240.0))
    assert again.window_closes == utc(1240)
    assert desk.kinds() == ["reading_due", "prompt_superseded", "reading_due"]


def test_a_move_within_the_stand_by_is_shown_at_once():
    desk = Desk()
    asked(desk)
    superseded, again = desk.at(1085.0, ridden(1186.0))
    assert superseded.reason == "moved by +6 s"
    # stand by would have been at 1080.6; it begins when it is known and is not called late
    assert again.stand_by == utc(1085)
    assert abs((again.cuff_up - utc(1100.6)).total_seconds()) < 1e-3
    assert desk.at(1090.0, ridden(1186.0)) == []


def test_nothing_moves_once_the_cuff_is_up():
    desk = Desk()
    asked(desk)
    assert desk.at(1095.0, ridden(1240.0)) == []
    assert desk.plan[0].window_closes == 1180


def test_a_stage_extended_after_a_miss_is_read_at_its_new_end():
    desk = Desk()
    due = asked(desk)
    desk.write(
        ReadingMissed(
            event_time=utc(1150), source="page", due_seq=due.seq, attempted=True, reason="arm_moved"
        )
    )
    miss = SnapshotReading(11, 1150.0, 1150.0, "exercise", 1, due_seq=due.seq)
    snapshot = replace(RESTED, readings=(*RESTED.readings, miss))
    assert desk.at(1151.0, ridden(), snapshot) == []
    assert desk.plan == ()
    desk.at(1152.0, ridden(1300.0), snapshot)
    assert desk.plan[0].cuff_up == pytest.approx(1214.6, abs=1e-3)
    # answered, an extension asks for nothing
    other = Desk()
    other.take(1121.0, asked(other).seq)
    other.at(1152.0, ridden(1300.0))
    assert other.plan == ()


def test_a_stage_without_room_is_written_down_once():
    desk = Desk()
    stages = [StageInForce(1, RIDDEN, 1000.0, 1060.0)]
    # where it would have had to be: 1060 - 63.4 is before the stage
    due, superseded = desk.at(1000.0, stages)
    assert due.fits == "no"
    assert (superseded.due_seq, superseded.reason) == (due.seq, "no room for a reading")
    assert desk.at(1010.0, stages) == desk.at(1059.0, stages) == []
    assert desk.planner.answered(1030.0, 1060.0, timed=True) is None
    # room came: it is asked for
    (later,) = desk.at(1074.7, ridden())
    assert later.fits == "whole"


def test_a_prompt_shown_late_says_so_once():
    desk = Desk()
    due, late = desk.at(1077.6, ridden())
    assert late.kind == "prompt_late"
    assert late.due_seq == due.seq
    assert late.late_s == pytest.approx(3.0, abs=1e-3)
    assert desk.at(1078.0, ridden()) == []
    planned = Desk("planned")
    assert len(planned.at(1077.6, ridden())) == 1


def test_resting_readings_follow_each_other_from_release_to_pumping():
    desk, rest = Desk(), [StageInForce(0, SEATED, 0.0, 420.0)]
    desk.at(0.0, rest, Snapshot.empty)
    assert desk.wake_s == 280
    (first,) = desk.at(280.0, rest, Snapshot.empty)
    assert first.inflate_to_mmhg is None
    desk.take(380.0, first.seq)
    taken = SnapshotReading(
        11, 380.0, 412.0, "rest", 0, first.seq, k1=124.0, dbp=78.0, used=True, measured_rate=3.0
    )
    one = Snapshot(11, (taken,), 124.0)
    assert desk.at(425.0, rest, one) == []
    assert desk.wake_s == 452  # 412 + 60 - 20
    (second,) = desk.at(452.0, rest, one)
    assert (second.expected_sbp_mmhg, second.inflate_to_mmhg, second.listen_to_mmhg) == (124, 160, 58)
    desk.take(490.0, second.seq)
    again = replace(taken, seq=13, due_seq=second.seq, measured_s=490.0, release_s=515.0, k1=131.0)
    desk.at(530.0, rest, Snapshot(13, (taken, again), 127.5))
    assert [p.key for p in desk.plan] == ["0:rest:3"]  # 7 mmHg apart
    desk.at(530.0, rest, Snapshot(13, (taken, replace(again, k1=129.0)), 126.5))
    assert desk.plan == ()


def test_a_fall_is_repeated_across_a_stage_change_but_not_without_load():
    fell = SnapshotReading(11, 1130.0, 1170.0, "exercise", 1, 10, k1=130.0, watts=100.0, used=True)
    snapshot = Snapshot(12, (*RESTED.readings, fell), 110.0, repeat_after=11)

    def repeat_asked():
        desk = Desk()
        assert desk.take(1130.0, asked(desk).seq).seq == 11
        (due,) = desk.at(1180.0, ridden(), snapshot)
        assert (due.aims_at, due.cuff_up) == ("repeat", utc(1200))
        return desk, due

    desk, due = repeat_asked()
    assert desk.at(1185.0, [*ridden(1180.0, 1185.0), StageInForce(2, NEXT, 1185.0, 1365.0)], snapshot) == []
    assert [p.key for p in desk.plan] == ["repeat:11", "2:stage_end"]
    desk, due = repeat_asked()
    stages = [*ridden(1180.0, 1185.0), StageInForce(2, RECOVERY, 1185.0, 1485.0)]
    superseded = desk.at(1185.0, stages, snapshot)[0]
    assert (superseded.kind, superseded.due_seq) == ("prompt_superseded", due.seq)
    desk, due = repeat_asked()
    confirmed = replace(snapshot, repeat_after=None)
    (gone,) = desk.at(1186.0, ridden(), confirmed)
    assert gone.reason == "no longer asked for"


def test_the_immediate_reading_comes_at_the_stop_unless_a_cuff_is_up():
    stages = [*ridden(1180.0, 1060.0), StageInForce(2, RECOVERY, 1060.0, 1360.0)]
    desk = Desk()
    desk.at(1050.0, ridden())
    old = SnapshotReading(5, 900.0, 950.0, "exercise", 0, k1=180.0, watts=100.0, used=True)
    snapshot = replace(RESTED, readings=(*RESTED.readings, old))
    due = desk.at(1060.0, stages, snapshot)[0]
    assert (due.aims_at, due.cuff_up, due.window_closes) == ("immediate", utc(1060), utc(1090))
    assert desk.planner.answered(1084.0, 1130.0, timed=True).due_seq == due.seq
    # the cuff went up at 1094.6: superseded at 1100, but nobody lets go in mid-reading
    desk = Desk()
    asked(desk)
    late = [*ridden(1180.0, 1100.0), StageInForce(2, RECOVERY, 1100.0, 1400.0)]
    assert desk.at(1100.0, late)[0].kind == "prompt_superseded"
    assert all(p.aims_at == "mark" for p in desk.plan)


def test_what_is_open_when_the_test_ends():
    desk = Desk()
    due = asked(desk)
    (early,) = desk.planner.closing(1100.0)
    assert (early.kind, early.due_seq, early.reason) == ("prompt_superseded", due.seq, "the test ended")
    (late,) = desk.planner.closing(1170.0)
    assert (late.kind, late.due_seq, late.event_time) == ("reading_missed", due.seq, utc(1170))
    desk.write(late)
    assert desk.planner.closing(1171.0) == ()
    assert desk.at(1171.0, ridden(1180.0, 1170.0)) == []


# whole tests

PROTOCOLS = st.builds(
    lambda minutes, until, rest, marks: parse_protocol(
        {
            "stage": [
                {"phase": "rest", "minutes": 6, "readings": rest},
                {"phase": "warmup", "minutes": minutes, "watts": 20},
                {"phase": "recovery", "minutes": 6},
            ],
            "repeat": [
                {"start": 50, "step": 25, "minutes": minutes, "until": until}
                | ({"reading_at_s": [70, 150]} if marks else {})
            ],
        },
        "a test",
    ),
    st.sampled_from([1, 1.5, 2, 3]),
    st.sampled_from([50, 100, 175]),
    st.integers(1, 3),
    st.booleans(),
)


def run(protocol, answers, stop_early_s, by, resumed=False):
    """A whole test: each prompt is answered, skipped or late as `answers` say; returns the desk."""
    desk, stages, snapshot = Desk(by), [], Snapshot.empty
    choices = iter(answers)
    entries = []
    now_s = 0.0
    for index, stage in enumerate(protocol.stages):
        stages = [replace(one, ended_s=one.ended_s or now_s) for one in stages]
        planned_end_s = now_s + (stage.planned_s or 600.0)
        stages.append(StageInForce(index, stage, now_s, planned_end_s))
        early = stop_early_s if stage.phase == "exercise" else 0.0
        end_s = max(now_s + 1.0, planned_end_s - early)
        while True:
            if resumed:
                fresh = Planner(ANCHOR, by)
                for event in desk.journal:
                    fresh.note(event)
                assert fresh.step(now_s, stages, snapshot) == desk.planner.step(now_s, stages, snapshot)
            for event in desk.at(now_s, stages, snapshot):
                if event.kind == "reading_due" and event.fits != "no":
                    delay_s, off = next(choices, (0.0, 0.0))
                    if delay_s is not None:
                        first_s = (event.first_sound_due - ANCHOR).total_seconds() + delay_s
                        release_s = delay_s + next(
                            one.prompt.release_s for one in desk.planner.issued if one.due_seq == event.seq
                        )
                        # a join takes a reading at its first sound, a person types it after release
                        taken_s = first_s if by == "planned" else release_s + 10.0
                        entries.append((taken_s, first_s, release_s, event, off))
            if stage.phase == "rest" and desk.plan:
                end_s = max(end_s, desk.wake_s or 0.0, *(p.release_s + 90.0 for p in desk.plan))
            entries.sort(key=lambda entry: entry[0])
            upcoming = min([end_s, *([desk.wake_s] if desk.wake_s else []), *(e[0] for e in entries[:1])])
            now_s = max(now_s, upcoming)
            while entries and entries[0][0] <= now_s:
                _, first_s, release_s, event, off = entries.pop(0)
                found = desk.planner.answered(first_s, now_s, timed=True)
                taken = desk.take(first_s, None if found is None else found.due_seq, k1_mmhg=150.0)
                reading = SnapshotReading(
                    taken.seq,
                    first_s,
                    release_s,
                    protocol.stages[event.stage_index].phase,
                    event.stage_index,
                    taken.due_seq,
                    k1=max(60.0, event.expected_sbp_mmhg + off),
                    dbp=75.0,
                    watts=protocol.stages[event.stage_index].target_watts,
                    used=True,
                )
                readings = tuple(sorted((*snapshot.readings, reading), key=lambda r: r.measured_s))
                snapshot = Snapshot(taken.seq, readings, 120.0, repeat_after=taken.seq if off < -25 else None)
            if now_s >= end_s:
                break
    stages = [replace(one, ended_s=one.ended_s or now_s) for one in stages]
    for event in desk.planner.closing(now_s):
        desk.write(event)
    return desk


ANSWERS = st.lists(
    st.tuples(st.none() | st.floats(-5.0, 20.0), st.floats(-40.0, 40.0)), min_size=0, max_size=25
)


@settings(max_examples=60, deadline=None)
@given(PROTOCOLS, ANSWERS, st.sampled_from([0.0, 20.0, 100.0]), st.sampled_from(["live", "planned"]))
def test_what_every_test_keeps(protocol, answers, stop_early_s, by):
    desk = run(protocol, answers, stop_early_s, by)
    dues = {event.seq: event for event in desk.journal if event.kind == "reading_due"}
    ended = [e for e in desk.journal if e.kind in ("prompt_superseded", "reading_missed")]
    answered = {e.due_seq for e in desk.journal if e.kind == "reading_taken"}
    # each prompt ends once: answered, superseded or missed
    assert len({event.due_seq for event in ended}) == len(ended)
    for event in ended:
        assert event.due_seq in dues
        if event.kind == "prompt_superseded":
            assert event.due_seq not in answered
    assert set(dues) == answered - {None} | {event.due_seq for event in ended}
    superseded = {event.due_seq for event in ended if event.kind == "prompt_superseded"}
    stood = sorted((due for seq, due in dues.items() if seq not in superseded), key=lambda due: due.cuff_up)
    for due in dues.values():
        assert due.event_time >= due.stand_by  # never written before it begins
        assert due.stand_by <= due.cuff_up < due.first_sound_due
    for earlier, later in pairwise(stood):
        if earlier.seq in answered:  # one that was missed kept no cuff up
            # a reading that came before its time has let the cuff down before its time
            came = next(e.event_time for e in desk.journal if getattr(e, "due_seq", None) == earlier.seq)
            assert later.cuff_up >= min(came, earlier.first_sound_due) + timedelta(seconds=30)
    # one that stands for each stage end
    at_end = [due.stage_index for due in stood if due.aims_at == "stage_end"]
    assert len(at_end) == len(set(at_end))


@settings(max_examples=10, deadline=None)
@given(PROTOCOLS, ANSWERS, st.sampled_from([0.0, 100.0]), st.sampled_from(["live", "planned"]))
def test_a_resumed_planner_goes_on_where_the_journal_ends(protocol, answers, stop_early_s, by):
    desk = run(protocol, answers, stop_early_s, by, resumed=True)
    assert desk.journal == run(protocol, answers, stop_early_s, by).journal


@pytest.mark.parametrize("minutes", [2, 3])
def test_a_staircase_that_goes_well_asks_once_a_stage(minutes):
    protocol = parse_protocol(
        {
            "stage": [{"phase": "rest", "minutes": 6}, {"phase": "recovery", "minutes": 4.5}],
            "repeat": [{"start": 50, "step": 25, "minutes": minutes, "until": 200}],
        },
        "a test",
    )
    desk = run(protocol, [], 0.0, "live")
    asked_in = [event.stage_index for event in desk.journal if event.kind == "reading_due"]
    assert asked_in == [0, 0, 1, 2, 3, 4, 5, 6, 7, 8, 8]
    assert all(event.fits != "no" for event in desk.journal if event.kind == "reading_due")
    assert {"prompt_superseded", "reading_missed"}.isdisjoint(desk.kinds())
