"""Stages in ten recorded graded cycle tests, against runs of equal load read off the same file."""

import csv
import os
from itertools import groupby, pairwise
from pathlib import Path

import pytest

from pipeline.stages import clock_offset, detect_stages, first_rise

FOLDER = os.environ.get("CUFFWATT_OPEN_DATA")
pytestmark = pytest.mark.skipif(
    not FOLDER, reason="CUFFWATT_OPEN_DATA is not set: the folder with graded_cycle_tests.csv"
)
PEOPLE = [str(number) for number in range(1, 11)]


def log_of(person):
    with (Path(FOLDER) / "graded_cycle_tests.csv").open(encoding="utf-8", newline="") as file:
        return [
            (float(row["time_s"]), float(row["load_w"]))
            for row in csv.DictReader(file)
            if row["id"] == person
        ]


def runs_of(samples):
    """(start, load) of runs of equal load; one sample in these logs stands for some 10 s."""
    return [(next(group)[0], load) for load, group in groupby(samples, key=lambda sample: sample[1])]


@pytest.mark.parametrize("person", PEOPLE)
def test_loaded_stages_are_the_runs_of_equal_load(person):
    samples = log_of(person)
    expected = [run for run in runs_of(samples) if run[1] > 0]
    found = [stage for stage in detect_stages(samples) if stage.watts > 0]
    assert [(stage.started_s, stage.watts) for stage in found] == expected
    assert not any(stage.ramp for stage in found)


@pytest.mark.parametrize("person", PEOPLE)
def test_stages_cover_the_log_and_end_in_recovery(person):
    samples = log_of(person)
    found = detect_stages(samples)
    assert found[0].phase == "rest"
    assert found[0].started_s == samples[0][0]
    assert found[-1].phase == "recovery"
    assert found[-1].ended_s == samples[-1][0]
    assert all(before.ended_s == after.started_s for before, after in pairwise(found))
    assert sum(stage.samples for stage in found) == len(samples)
    # all ten go back to 25 W after the highest load; only id 4 then stops
    recovery = [stage.watts for stage in found if stage.phase == "recovery"]
    assert recovery == ([25.0, 0.0] if person == "4" else [25.0])


@pytest.mark.parametrize("person", PEOPLE)
def test_first_rise_is_the_first_sample_with_a_load(person):
    samples = log_of(person)
    rise = next(time for time, load in samples if load > 0)
    assert first_rise(samples) == rise
    assert clock_offset(samples, 1000.0) == 1000.0 - rise


@pytest.mark.parametrize(
    ("person", "loads"),
    [
        # read off the file by eye
        ("5", [50, 25, 50, 75]),
        ("6", [50, 25, 50, 75, 65]),
        ("8", [50, 75]),
        ("1", [50, 75, 100]),
    ],
)
def test_loads_of_exercise(person, loads):
    found = detect_stages(log_of(person))
    assert [stage.watts for stage in found if stage.phase == "exercise"] == loads
