"""What the deriver hands back: snapshots, flags and the heart rate, as of a moment."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from pipeline import events as ev
from pipeline.derived import Derived, Watched
from pipeline.deriver import Deriver
from pipeline.rules import shipped_rules
from pipeline.snapshot import Snapshot

ANCHOR = datetime(2026, 3, 14, 9, tzinfo=UTC)


class Fed:
    """A deriver and the events it was given, each with its number."""

    def __init__(self) -> None:
        self.deriver = Deriver(shipped_rules())
        self.seq = -1
        self.add(ev.TestOpened, 0, mode="join", anchor=ANCHOR, test_id="T", study="S", participant="P-01",
                 ergometer_posture="upright", rules_digest="0" * 16, software="test")  # fmt: skip
        self.add(ev.SourceOpened, 0, name="t", adapter="test", ranks="watts=1,heart_rate_bpm=1")

    def add(self, kind: type[ev.Event], second: float, **fields: Any) -> int:
        self.seq += 1
        moment = ANCHOR + timedelta(seconds=second)
        self.deriver.take(
            kind(seq=self.seq, event_time=moment, elapsed_s=max(0.0, second), source="t", **fields)
        )
        return self.seq

    def stage(self, second: float, index: int, phase: str, watts: float | None = None) -> None:
        position = "seated" if phase == "rest" else "ergometer"
        self.add(ev.StageStarted, second, stage_index=index, label=f"stage {index}", phase=phase,
                 position=position, target_watts=watts, by="schedule")  # fmt: skip

    def log(self, from_s: int, to_s: int, watts: float, bpm: float | None = None) -> None:
        for second in range(from_s, to_s, 5):
            self.add(ev.Sample, second, watts=watts, heart_rate_bpm=bpm)

    def reading(self, second: float, k1: float | None, k5: float | None = 80.0, **fields: Any) -> int:
        given = {"measured_source": "stated", "arm": "left"} | fields
        return self.add(ev.ReadingTaken, second, k1_mmhg=k1, k5_mmhg=k5, **given)

    def snapshot(self, second: float) -> Snapshot:
        return self.deriver.snapshot(ANCHOR + timedelta(seconds=second), self.seq)

    def derive(self, second: float) -> Derived:
        return self.deriver.derive(ANCHOR + timedelta(seconds=second), self.seq)

    def watch(self, second: float) -> Watched:
        return self.deriver.watch(ANCHOR + timedelta(seconds=second), self.seq)


@pytest.fixture
def fed() -> Iterator[Callable[[], Fed]]:
    made: list[Fed] = []

    def make() -> Fed:
        made.append(Fed())
        return made[-1]

    yield make
    for one in made:
        one.deriver.close()


def test_before_anything_a_snapshot_is_empty(fed: Callable[[], Fed]) -> None:
    one = fed()
    found = one.snapshot(0)
    assert (found.seq, found.readings, found.sbp_rest, found.repeat_after) == (1, (), None, None)


def test_a_snapshot_says_what_was_read_and_at_which_load(fed: Callable[[], Fed]) -> None:
    one = fed()
    one.stage(0, 0, "rest")
    rest = (one.reading(310, 118.0), one.reading(400, 122.0))
    one.stage(480, 1, "exercise", 50.0)
    one.log(480, 640, 50.0)
    loaded = one.reading(630, 140.0, observer="AB-1", inflated_to_mmhg=190.0)
    found = one.snapshot(640)
    assert found.seq == loaded
    assert [reading.seq for reading in found.readings] == [*rest, loaded]
    # the mean of 118 and 122
    assert found.sbp_rest == 120
    last = found.readings[-1]
    assert (last.measured_s, last.k1, last.k5, last.dbp, last.lowest) == (630, 140, 80, 80, 80)
    assert (last.watts, last.phase, last.stage_index, last.used) == (50, "exercise", 1, True)
    assert (last.observer, last.arm, last.inflated_to, last.measured_rate) == ("AB-1", "left", 190, None)
    # full release: listened down to 40 mmHg under load at 2.5 mmHg/s, and 3 s: 630 + 100/2.5 + 3
    assert last.release_s == pytest.approx(673)


def test_readings_that_nothing_is_planned_by_are_not_in_it(fed: Callable[[], Fed]) -> None:
    one = fed()
    one.stage(10, 0, "rest")
    one.reading(300, 120.0)
    one.reading(301, 122.0, role="second")
    one.reading(-60, 130.0)  # in no stage
    gone = one.reading(400, 124.0)
    one.add(ev.Amended, 420, target_seq=gone, field="void", value=True, reason="arm moved", by="AB-1")
    one.add(ev.ReadingMissed, 430, attempted=False, reason="not_attempted", stage_index=0)
    tried = one.add(ev.ReadingMissed, 440, attempted=True, reason="not_heard", stage_index=0)
    found = one.snapshot(450)
    assert [(reading.k1, reading.measured_s) for reading in found.readings] == [(120, 300), (None, 440)]
    # of an attempt nothing is known but its time
    assert (found.readings[-1].seq, found.readings[-1].release_s) == (tried, 440)


def test_a_correction_is_in_the_next_snapshot(fed: Callable[[], Fed]) -> None:
    one = fed()
    one.stage(0, 0, "rest")
    first = one.reading(310, 190.0)
    assert one.snapshot(320).sbp_rest == 190
    one.stage(480, 1, "exercise", 50.0)
    one.snapshot(490)
    one.add(ev.Amended, 500, target_seq=first, field="k1_mmhg", value=120.0, reason="typed wrong", by="AB-1")
    found = one.snapshot(510)
    assert (found.readings[0].k1, found.sbp_rest) == (120, 120)


def test_rest_values_are_kept_while_the_load_goes_on(fed: Callable[[], Fed]) -> None:
    one = fed()
    one.stage(0, 0, "rest")
    one.reading(310, 120.0)
    one.snapshot(320)
    one.stage(480, 1, "exercise", 50.0)
    # entered late: it still belongs to the rest
    one.add(ev.ReadingTaken, 500, k1_mmhg=126.0, k5_mmhg=80.0, measured_source="stated")
    late = one.snapshot(505).sbp_rest
    one.stage(660, 2, "exercise", 100.0)
    assert one.snapshot(665).sbp_rest == late == 120


def fall(one: Fed, *pressures: float) -> None:
    """Rest, then 50, 100, 150 ... W for 120 s each with a reading 20 s before the end."""
    one.stage(0, 0, "rest")
    one.reading(310, 120.0)
    one.log(0, 480, 0.0)
    for n, k1 in enumerate(pressures):
        start = 480 + 120 * n
        one.stage(start, n + 1, "exercise", 50.0 * (n + 1))
        one.log(start, start + 105, 50.0 * (n + 1))
        one.reading(start + 100, k1)


@pytest.mark.parametrize(
    ("pressures", "repeats"),
    [
        ((140, 160), False),
        # 9 below an earlier one at a lower load is no fall, 10 is one
        ((160, 151), False),
        ((160, 150), True),
        # the second of two asks for nothing more
        ((160, 150, 148), False),
        ((160, 150, 165, 150), True),
    ],
)
def test_a_fall_asks_for_one_repeat(
    pressures: tuple[float, ...], repeats: bool, fed: Callable[[], Fed]
) -> None:
    one = fed()
    fall(one, *pressures)
    found = one.snapshot(480 + 120 * len(pressures) - 15)
    assert found.repeat_after == (one.seq if repeats else None)


def test_flags_come_with_the_most_severe_first(fed: Callable[[], Fed]) -> None:
    one = fed()
    fall(one, 160, 150, 260)
    found = one.derive(480 + 360 - 15).flags
    levels = [flag.level for flag in found]
    assert levels == sorted(levels, key=["stop", "caution", "check", "note"].index)
    assert found[0].code == "systolic_high"  # 260 is above 250 mmHg
    assert (found[0].target_seq, found[0].observed, found[0].threshold) == (one.seq, 260, 250)
    assert "systolic_fall" in [flag.code for flag in found]


def test_readings_come_with_what_a_console_shows(fed: Callable[[], Fed]) -> None:
    one = fed()
    one.stage(0, 0, "rest")
    one.reading(310, 118.0)
    one.reading(400, 122.0)
    one.stage(480, 1, "exercise", 50.0)
    one.log(480, 640, 50.0, 100.0)
    loaded = one.reading(630, 140.0, clarity="clear")
    derived = one.derive(640)
    assert (derived.seq, derived.snapshot.seq, derived.snapshot.sbp_rest) == (loaded, loaded, 120)
    last = derived.readings[-1]
    assert (last.reading_id, last.stage_label, last.elapsed_s) == (loaded, "stage 1", 630)
    assert (last.k1_mmhg, last.k5_mmhg, last.dbp_mmhg, last.dbp_phase) == (140, 80, 80, "K5")
    assert (last.watts, last.heart_rate_bpm, last.status, last.used) == (50, 100, "taken", True)
    # from the mean of 118 and 122; 5 mmHg is what one reading in exercise repeats to when it is clear
    assert (last.sbp_change_rest_mmhg, last.u_sbp_mmhg) == (20, 5)


def test_a_correction_withdraws_a_flag(fed: Callable[[], Fed]) -> None:
    one = fed()
    fall(one, 160, 260)
    wrong = one.seq
    assert "systolic_high" in [flag.code for flag in one.derive(710).flags]
    one.add(
        ev.FlagRaised,
        711,
        code="systolic_high",
        level="stop",
        target_seq=wrong,
        observed=260.0,
        threshold=250.0,
    )
    one.add(ev.Amended, 712, target_seq=wrong, field="k1_mmhg", value=160.0, reason="typed wrong", by="AB-1")
    assert one.watch(713).differs
    assert "systolic_high" not in [flag.code for flag in one.derive(713).flags]


def test_the_watch_has_what_the_logs_say_now(fed: Callable[[], Fed]) -> None:
    one = fed()
    one.stage(0, 0, "rest")
    before = one.watch(0)
    assert (before.watts.value, before.heart_rate_bpm.age_s, before.heart_rate_30s_bpm) == (None, None, None)
    one.log(0, 75, 0.0, 60.0)
    # 75, 80, ... 100 s: six samples in (70, 100], one of them implausible and not counted
    for n, bpm in enumerate((80.0, 82.0, 84.0, 300.0, 88.0, 91.0)):
        one.add(ev.Sample, 75 + 5 * n, heart_rate_bpm=bpm)
    found = one.watch(101)
    # (80 + 82 + 84 + 88 + 91) / 5
    assert found.heart_rate_30s_bpm == pytest.approx(85)
    # of the 5 s up to 100 s only its own
    assert (found.heart_rate_bpm.value, found.heart_rate_bpm.age_s, found.heart_rate_bpm.source) == (
        91,
        1,
        "t",
    )
    # the last load was logged at 70 s, more than 30 s ago
    assert found.watts.value is None
    assert one.watch(99).watts.age_s == 29
    assert one.watch(300).heart_rate_30s_bpm is None
