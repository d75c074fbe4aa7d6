"""Ten recorded graded cycle tests (table `cardio` of the R package doremi 1.0.0, Mongin et al. 2020),
each joined through the command line without a protocol and without hand editing.

Load and heart rate are recorded, about every 10 s.  The pressures on the sheets are invented.
"""

import csv
import os
import sys
from itertools import groupby, pairwise
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from scipy import stats

from pipeline.cli import main

FOLDER = os.environ.get("CUFFWATT_OPEN_DATA")
pytestmark = pytest.mark.skipif(
    not FOLDER, reason="CUFFWATT_OPEN_DATA is not set: the folder with graded_cycle_tests.csv"
)
PEOPLE = [str(number) for number in range(1, 11)]
SETUP = """
[test]
study = "open-graded"
participant = "P-{person}"
started = 2026-01-05T10:00:00+00:00

[participant]
mass_kg = 70
age_years = 30

[sources.log]
kind = "csv"
path = "log.csv"
format = "log.toml"

[sources.readings]
kind = "sheet"
path = "readings.csv"
time_means = "first_sound"
"""
FORMAT = """
delimiter = ","

[time]
column = "time_s"
form = "elapsed_s"

[watts]
column = "load_w"
unit = "W"

[heart_rate_bpm]
column = "heart_rate_bpm"
unit = "bpm"
"""


def rows_of(person):
    with (Path(FOLDER) / "graded_cycle_tests.csv").open(encoding="utf-8", newline="") as file:
        return [row for row in csv.DictReader(file) if row["id"] == person]


def runs_of(rows):
    """(start s, last s, W) of the runs of equal load, in order."""
    runs = []
    for load, group in groupby(rows, key=lambda row: float(row["load_w"])):
        times = [float(row["time_s"]) for row in group]
        runs.append((times[0], times[-1], load))
    return runs


def clock(seconds):
    return f"{10 + int(seconds) // 3600:02d}:{int(seconds) // 60 % 60:02d}:{int(seconds) % 60:02d}"


@pytest.fixture(scope="module")
def joined(tmp_path_factory):
    """Person -> folder of the sealed test."""
    folder = tmp_path_factory.mktemp("open")
    tests = {}
    for person in PEOPLE:
        inputs = folder / person
        inputs.mkdir()
        rows = rows_of(person)
        (inputs / "test.toml").write_text(SETUP.format(person=person))
        (inputs / "log.toml").write_text(FORMAT)
        lines = [f"{row['time_s']},{row['load_w']},{row['heart_rate_bpm']}" for row in rows]
        (inputs / "log.csv").write_text("\n".join(["time_s,load_w,heart_rate_bpm", *lines]) + "\n")
        # invented: one reading at the last sample of every run of a minute or more
        readings = [
            f"{clock(last)},{120 + 2 * round(load / 5)},78"
            for start, last, load in runs_of(rows)
            if last - start >= 50
        ]
        (inputs / "readings.csv").write_text("\n".join(["time,sbp,k5", *readings]) + "\n")
        with pytest.MonkeyPatch.context() as patch:
            archive = folder / "archive"
            patch.setattr(
                sys, "argv", ["cuffwatt", "join", str(inputs / "test.toml"), "--archive", str(archive)]
            )
            with pytest.raises(SystemExit) as ended:
                main()
        assert ended.value.code == 0
        tests[person] = archive / "study=open-graded" / f"test=P-{person}-20260105-1000"
    return tests


def table(folder, name):
    return pq.read_table(folder / f"{name}.parquet").to_pylist()


@pytest.mark.parametrize("person", PEOPLE)
def test_detected_loaded_stages_are_the_loads_of_the_log(joined, person):
    stages = [row for row in table(joined[person], "stages") if row["target_watts"] > 0]
    loads = [load for _, _, load in runs_of(rows_of(person)) if load > 0]
    assert [row["target_watts"] for row in stages] == loads
    # the mean of a stage leaves out its first 20 s, a shorter one is taken whole
    assert [row["watts_mean"] for row in stages] == pytest.approx(loads)


@pytest.mark.parametrize("person", PEOPLE)
def test_every_line_and_reading_is_there(joined, person):
    (summary,) = table(joined[person], "summary")
    assert summary["samples_n"] == len(rows_of(person))
    assert summary["lines_rejected"] == 0
    assert summary["readings_taken"] == sum(last - start >= 50 for start, last, _ in runs_of(rows_of(person)))


@pytest.mark.parametrize(
    ("code", "people"),
    [
        # 50 W for one sample before 25 W, then up: ids 5 and 6
        ("load_not_rising", {"5", "6"}),
        # runs with load of 90 s or more, to the start of the next, counted in the file:
        # 1: 75 W; 2: 50, 75; 5: 25, 50; 6: 50; 8: 50, 75; 9: 50, 75; 10: 50, 75
        ("few_loads", {"1", "2", "5", "6", "8", "9", "10"}),
    ],
)
def test_flags(joined, code, people):
    found = {person for person in PEOPLE if any(f["code"] == code for f in table(joined[person], "flags"))}
    assert found == people


@pytest.mark.parametrize("person", PEOPLE)
def test_load_and_heart_rate_at_a_reading(joined, person):
    """Means over (t - 30 s, t] cut to the run, by hand from the file."""
    rows = rows_of(person)
    readings = [row for row in table(joined[person], "readings") if row["phase"] == "exercise"]
    runs = {last: start for start, last, _ in runs_of(rows)}
    assert readings
    for reading in readings:
        moment = reading["elapsed_s"]
        within = [row for row in rows if max(moment - 30, runs[moment]) < float(row["time_s"]) <= moment]
        bpm = [float(row["heart_rate_bpm"]) for row in within]
        assert reading["heart_rate_bpm"] == pytest.approx(sum(bpm) / len(bpm), abs=1e-9)
        assert reading["heart_rate_n"] == len(bpm)
        watts = [float(row["load_w"]) for row in within]
        assert reading["watts"] == pytest.approx(sum(watts) / len(watts), abs=1e-9)


@pytest.mark.parametrize("person", ["2", "3", "7"])
def test_stage_heart_rate(joined, person):
    """Mean of the samples in the last 30 s of a stage, which ends where the next begins."""
    rows, stages = rows_of(person), table(joined[person], "stages")
    for stage, (start, _, load), (after, _, _) in zip(stages, runs_of(rows), runs_of(rows)[1:], strict=False):
        if after - start < 90:
            assert stage["stage_hr_bpm"] is None
            continue
        bpm = [float(r["heart_rate_bpm"]) for r in rows if after - 30 <= float(r["time_s"]) < after]
        assert stage["target_watts"] == load
        assert stage["stage_hr_bpm"] == pytest.approx(sum(bpm) / len(bpm), abs=1e-9)


def line_through(rows, until_last_sample):
    """Least squares over the rising loads of a person: W at 170 bpm, by scipy.

    Heart rate over the last 30 s before the next load, or before the last sample of this one.
    """
    runs, points = runs_of(rows), []
    for (start, last, load), (after, _, _) in pairwise(runs):
        before_end = [
            ((last if until_last_sample else after) - float(row["time_s"]), float(row["heart_rate_bpm"]))
            for row in rows
            if start <= float(row["time_s"]) <= last
        ]
        bpm = [b for s, b in before_end if (0 <= s < 30 if until_last_sample else 0 < s <= 30)]
        if load > max((watts for watts, _ in points), default=0) and after - start >= 90:
            points.append((load, sum(bpm) / len(bpm)))
    fit = stats.linregress(*zip(*points, strict=True))
    return (170 - fit.intercept) / fit.slope


@pytest.mark.parametrize(("person", "watts", "apart"), [("3", 115.57, 0.6), ("7", 149.10, 0.005)])
def test_load_at_170_bpm(joined, person, watts, apart):
    """`watts` were computed by others with pandas and scipy, taking a stage to end at its last sample.

    Here it ends where the next one begins, about 10 s later; of person 3 one of the samples behind
    the heart rate at 50 W is then older than 30 s.  Age 30 was invented, no medication given.
    """
    (summary,) = table(joined[person], "summary")
    assert summary["hr_line_n"] == 4
    assert line_through(rows_of(person), until_last_sample=True) == pytest.approx(watts, abs=0.005)
    ours = line_through(rows_of(person), until_last_sample=False)
    assert ours == pytest.approx(watts, abs=apart)
    assert summary["load_at_170"] == pytest.approx(ours, abs=1e-6)
    assert summary["load_at_170_note"] == "medication_unknown"


@pytest.mark.parametrize(
    ("person", "line", "load"),
    [
        # rising loads of 90 s or more: 2: 50, 75; 5: 25, 50; 6: 50; 8: 50, 75
        ("2", "two_stage", "too_far"),
        ("5", "two_stage", "too_far"),
        ("6", "few_stages", None),
        ("8", "two_stage", "too_far"),
    ],
)
def test_no_load_at_170_bpm_with_its_reason(joined, person, line, load):
    (summary,) = table(joined[person], "summary")
    assert summary["load_at_170"] is None
    assert (summary["hr_line_note"], summary["load_at_170_note"]) == (line, load)
