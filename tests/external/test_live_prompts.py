"""Live prompts followed by an assessor who reacts, in invented tests with known truth."""

import importlib
import sys
from dataclasses import astuple
from datetime import timedelta
from itertools import pairwise
from pathlib import Path

import pytest

from pipeline.deriver import Deriver
from pipeline.events import ReadingMissed, ReadingTaken
from pipeline.rules import shipped_rules

BENCHMARKS = Path(__file__).parents[1] / "benchmarks"


@pytest.fixture(scope="module")
def bench():
    """The module of the benchmark that measures, as its own folder finds it."""
    sys.path.insert(0, str(BENCHMARKS))
    try:
        yield importlib.import_module("prompted")
    finally:
        sys.path.remove(str(BENCHMARKS))


@pytest.fixture(scope="module")
def make_rider(bench):
    return importlib.import_module("riders").make_rider


class Both:
    """The benchmark's stand-in, held against the deriver whenever a snapshot is asked for."""

    def __init__(self, light):
        self.light, self.deriver, self.compared = light, Deriver(shipped_rules()), 0

    def take(self, event):
        self.light.take(event)
        self.deriver.take(event)

    def snapshot(self, as_of, seq):
        quick, full = self.light.snapshot(as_of, seq), self.deriver.snapshot(as_of, seq)
        assert (quick.seq, quick.sbp_rest, quick.repeat_after) == (full.seq, full.sbp_rest, full.repeat_after)
        assert len(quick.readings) == len(full.readings)
        for one, other in zip(quick.readings, full.readings, strict=True):
            for a, b in zip(astuple(one), astuple(other), strict=True):
                assert a == (pytest.approx(b, abs=1e-5) if isinstance(b, float) else b), (one, other)
        self.compared += 1
        return quick


# a test with marked sounds, one without times, one with a repeat
@pytest.mark.parametrize(("number", "minutes"), [(0, 3), (1, 2), (7, 3)])
def test_the_benchmark_plans_from_what_the_deriver_finds(bench, make_rider, number, minutes):
    rider = make_rider(number, minutes)
    both = Both(bench.Entries(rider.protocol))
    test = bench.measure(rider, both)
    assert both.compared >= len(test.heard) >= 8


@pytest.fixture(scope="module")
def tests(bench, make_rider):
    return [bench.measure(make_rider(number, minutes)) for minutes in (2, 3) for number in range(12)]


def test_what_is_asked_for_can_be_done_in_its_stage(bench, tests):
    """By the ridden stages and the true sounds; nothing here is taken from a plan but the prompt itself."""
    outside, asked = 0, 0
    for test in tests:
        for seq, due in test.dues.items():
            part = test.rider.ridden[due.stage_index]
            if due.fits == "no":
                continue
            assert bench.elapsed(due.cuff_up) >= part.started_s
            assert bench.elapsed(due.first_sound_due) <= bench.elapsed(due.window_closes)
            if due.aims_at == "stage_end":
                assert bench.elapsed(due.cuff_up) >= part.started_s + 30
                assert bench.elapsed(due.first_sound_due) < part.ended_s
                asked += 1
                outside += test.heard[seq].first_s > part.ended_s
    assert asked > 100
    assert outside <= asked / 100


def test_an_entry_goes_to_the_reading_that_was_taken(tests):
    """Also where it is typed when the next prompt is already shown; the assessor knows which one it was."""
    for test in tests:
        entries = [event for event in test.lines.events if isinstance(event, ReadingTaken)]
        followed = sorted(test.heard, key=lambda seq: test.heard[seq].pump_s)
        assert len(entries) >= len(followed) - 1  # the last may be typed after the end
        for entry, seq in zip(entries, followed, strict=False):
            too_late = test.dues[seq].window_closes + timedelta(seconds=10) < entry.event_time
            assert entry.due_seq == (None if too_late else seq)
            stands_missed = any(isinstance(e, ReadingMissed) and e.due_seq == seq for e in test.lines.events)
            assert stands_missed <= too_late


def test_the_cuff_is_down_for_half_a_minute(tests):
    pauses = [
        after.pump_s - before.release_s
        for test in tests
        for before, after in pairwise(sorted(test.heard.values(), key=lambda heard: heard.pump_s))
    ]
    # of entries without a time the release is only estimated
    assert sum(pause < 30 for pause in pauses) <= len(pauses) * 0.05
    assert min(pauses) > 10
