"""A wall that steps by an hour and a machine that sleeps, in mid-test: no window moves."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from pipeline.clock import PipelineClock
from pipeline.events import ClockStepped, ReadingDue, StageStarted
from pipeline.journal import iter_events

LONG_S = 60.0
WALL = datetime(2026, 3, 14, 8, 30, tzinfo=UTC)
# pumping 120 s into each stage that begins at 0 and 300 s
STAGES = {
    "stage": [
        {"phase": "rest", "minutes": 5, "wait_s": 120, "readings": 1},
        {"phase": "exercise", "minutes": 3, "watts": 50},
        {"phase": "recovery", "minutes": 5},
    ]
}


class Clocks:
    """Three clocks of one machine: `pass_by` moves all, `asleep` all but the monotonic one."""

    def __init__(self) -> None:
        self.steady_s = self.monotonic_s = 0.0
        self.wall_ahead_s = 0.0
        self.clock = PipelineClock(
            wall=lambda: WALL + timedelta(seconds=self.steady_s + self.wall_ahead_s),
            steady=lambda: self.steady_s,
            monotonic=lambda: self.monotonic_s,
        )

    def pass_by(self, seconds: float) -> None:
        self.steady_s += seconds
        self.monotonic_s += seconds

    def asleep(self, seconds: float) -> None:
        self.steady_s += seconds


def recorded(room: Any, meanwhile: Callable[[Clocks], None]) -> tuple[Any, list[tuple[Any, ...]]]:
    """A test of some minutes in its threads; `meanwhile` happens 130 s after the opening, in a window.

    Gives it and what does not depend on a step: windows and stages.
    """
    clocks = Clocks()
    running = room.begin(protocol=STAGES, clock=clocks.clock)
    running.note("at 0 s").result(LONG_S)
    for second in range(10, 521, 10):
        if second == 140:
            meanwhile(clocks)
        to_s = max(float(second), clocks.steady_s)
        clocks.pass_by(to_s - clocks.steady_s)
        # written once all that was due is
        running.note("10 s later").result(LONG_S)
        if second == 150:
            running.reading(120.0, k5_mmhg=80.0).result(LONG_S)
    came = running.written()
    windows = [
        (event.stage_index, event.cuff_up, event.first_sound_due, event.window_closes)
        for event in came
        if isinstance(event, ReadingDue)
    ]
    stages = [(event.label, event.event_time) for event in came if isinstance(event, StageStarted)]
    assert len(stages) == 3
    assert windows
    return running, [*windows, *stages]


@pytest.mark.parametrize("step_s", [3600.0, -3600.0])
def test_a_wall_that_steps_moves_nothing(room: Any, tmp_path: Path, step_s: float) -> None:
    def step(clocks: Clocks) -> None:
        clocks.wall_ahead_s += step_s

    _, still = recorded(room, lambda clocks: None)
    room.let_go()
    room.root = tmp_path / "stepped"
    running, moved = recorded(room, step)
    assert moved == still
    assert [(one.cause, one.step_s) for one in running.of(ClockStepped)] == [("wall", step_s)]


def test_a_machine_that_sleeps_moves_nothing(room: Any, tmp_path: Path) -> None:
    _, still = recorded(room, lambda clocks: None)
    room.let_go()
    room.root = tmp_path / "slept"
    # from 130 to 220 s: the reading of the window in which it fell asleep is entered after it
    running, moved = recorded(room, lambda clocks: clocks.asleep(90))
    assert moved == still
    assert [(one.cause, one.step_s) for one in running.of(ClockStepped)] == [("suspend", 90.0)]


FAKETIME = next(iter(Path("/usr/lib").glob("*/faketime/libfaketime.so.1")), None)
STEPPED = """
import sys, threading
from pathlib import Path
from pipeline.archive import Archive
from pipeline.clock import PipelineClock
from pipeline.control import Close
from pipeline.events import NoteWritten, TestOpened
from pipeline.live import Manner
from pipeline.record import Kept, open_test
from pipeline.rules import shipped_rules

root, offset = Path(sys.argv[1]), Path(sys.argv[2])
clock, rules = PipelineClock(), shipped_rules()
opened = TestOpened(
    event_time=clock.anchor, source="setup", mode="live", anchor=clock.anchor, test_id="T", study="S",
    participant="P-01", rules_digest=rules.digest, software="test",
)
with open_test(opened, Kept(""), Archive(root), rules, clock, Manner()) as recording:
    thread = threading.Thread(target=recording.run)
    thread.start()
    def note(text):
        event = NoteWritten(event_time=clock.now(), source="terminal", text=text)
        return recording.session.ask(event).result(60)
    first = note("before")
    offset.write_text("+3600")
    while '"clock_stepped"' not in recording.folder.journal.read_text():
        threading.Event().wait(0.05)
    last = note("after")
    print(last.elapsed_s - first.elapsed_s)
    recording.session.ask(Close()).result(60)
    thread.join()
"""


@pytest.mark.skipif(FAKETIME is None, reason="libfaketime is not installed (apt install libfaketime)")
def test_the_wall_of_the_whole_process_steps(room: Any, tmp_path: Path) -> None:
    offset = tmp_path / "offset"
    offset.write_text("+0")
    env = os.environ | {
        "PYTHONPATH": str(Path(__file__).parents[2]), "LD_PRELOAD": str(FAKETIME), "FAKETIME_NO_CACHE": "1",
        "FAKETIME_TIMESTAMP_FILE": str(offset), "FAKETIME_DONT_FAKE_MONOTONIC": "1",
    }  # fmt: skip
    steady = (
        "import time; from pathlib import Path; import sys\n"
        "a = time.clock_gettime(time.CLOCK_BOOTTIME); Path(sys.argv[1]).write_text('+3600')\n"
        "b = time.clock_gettime(time.CLOCK_BOOTTIME); Path(sys.argv[1]).write_text('+0'); print(b - a)"
    )
    probe = subprocess.run(
        [sys.executable, "-c", steady, str(offset)], env=env, capture_output=True, text=True
    )
    if probe.returncode or float(probe.stdout) > 60:
        pytest.skip(f"libfaketime moves the steady clock too: {probe.stdout}{probe.stderr}")
    words = [sys.executable, "-c", STEPPED, str(room.root), str(offset)]
    done = subprocess.run(words, env=env, capture_output=True, text=True, timeout=LONG_S)
    assert done.returncode == 0, done.stderr
    # pipeline time went on as if nothing had been
    assert float(done.stdout) < LONG_S
    steps = [event for event in iter_events(room.folder.journal) if isinstance(event, ClockStepped)]
    assert [step.cause for step in steps] == ["wall"]
    assert steps[0].step_s == pytest.approx(3600, abs=1)
