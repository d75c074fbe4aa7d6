"""What a laboratory would write with pandas: `python ask_in_pandas.py ARCHIVE QUESTION`, over small files.

Reads the columns that it needs of every test's file, one after the other, and answers the same:
`technique` by study, observer and month, or `response_by_stage` by study, stage and sex (means, standard
deviations and counts of people; no intervals).  It checks nothing of what it reads.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pandas as pd


def read(root: str, name: str, columns: list[str]) -> pd.DataFrame:
    """These columns of one relation of all tests."""
    files = sorted(Path(root).glob(f"study=*/test=*/{name}.parquet"))
    # partitioning off: study=2024 is no number
    return pd.concat([pd.read_parquet(file, columns=columns, partitioning=None) for file in files])


def technique(root: str) -> pd.DataFrame:
    """How readings were taken, by study, observer and month; percentages as fractions of 100."""
    columns = ["study", "test_id", "status", "used", "observer", "measured_at", "sbp_mmhg", "k1_at_least"]
    columns += ["in_window", "dbp_phase", "clarity", "rate_source", "rate_mmhg_per_s"]
    readings = read(root, "readings", columns)
    tests = read(root, "summary", ["study", "test_id", "observer"])
    rows = readings.merge(tests, on=["study", "test_id"], suffixes=("", "_of_test"))
    rows = rows[rows["status"] != "void"]
    rows["observer"] = rows["observer"].fillna(rows["observer_of_test"]).fillna("none")
    rows["month"] = rows["measured_at"].dt.strftime("%Y-%m")
    rows["missed"] = rows["status"] == "missed"
    rows["taken"] = rows["status"] == "taken"
    exact = rows["taken"] & rows["sbp_mmhg"].notna() & ~rows["k1_at_least"].fillna(False).astype(bool)
    digit = rows["sbp_mmhg"].where(exact).round() % 10
    rows["systolic"] = exact
    rows["zero"] = digit == 0
    rows["odd"] = (digit % 2) == 1
    rows["window"] = rows["taken"] & rows["in_window"].notna()
    rows["in_it"] = rows["window"] & rows["in_window"].fillna(False).astype(bool)
    rows["counted"] = rows["taken"] & rows["used"].fillna(False).astype(bool)
    rows["diastolic"] = rows["taken"] & rows["dbp_phase"].notna()
    rows["k4"] = rows["taken"] & (rows["dbp_phase"] == "K4")
    rows["doubtful"] = rows["taken"] & (rows["clarity"] == "doubtful")
    rows["rate"] = rows["rate_mmhg_per_s"].where(rows["taken"] & (rows["rate_source"] != "default"))
    grouped = rows.groupby(["study", "observer", "month"])
    sums = grouped[
        [
            "taken",
            "counted",
            "missed",
            "window",
            "in_it",
            "systolic",
            "zero",
            "odd",
            "diastolic",
            "k4",
            "doubtful",
        ]
    ].sum()
    return pd.DataFrame(
        {
            "readings_n": sums["taken"],
            "used_percent": 100 * sums["counted"] / sums["taken"],
            "missed_n": sums["missed"],
            "window_n": sums["window"],
            "in_window_percent": 100 * sums["in_it"] / sums["window"],
            "systolic_n": sums["systolic"],
            "zero_percent": 100 * sums["zero"] / sums["systolic"],
            "odd_percent": 100 * sums["odd"] / sums["systolic"],
            "k4_percent": 100 * sums["k4"] / sums["diastolic"],
            "doubtful_percent": 100 * sums["doubtful"] / sums["taken"],
            "rate_n": grouped["rate"].count(),
            "rate_mmhg_per_s": grouped["rate"].mean(),
        }
    ).reset_index()


def response_by_stage(root: str) -> pd.DataFrame:
    """Pressures and heart rate by study, phase, load, stage and sex: means over people."""
    columns = ["study", "test_id", "reading_id", "stage_index", "stage_label", "phase", "used", "measured_at"]
    columns += ["watts", "sbp_mmhg", "dbp_mmhg", "dbp_next_load", "heart_rate_bpm"]
    readings = read(root, "readings", columns)
    readings = readings[readings["used"].fillna(False).astype(bool)]
    readings = readings.sort_values(["measured_at", "reading_id"])
    last = readings.drop_duplicates(["study", "test_id", "stage_index"], keep="last")
    last["dbp_mmhg"] = last["dbp_mmhg"].mask(last["dbp_next_load"].fillna(False).astype(bool))
    stages = read(root, "stages", ["study", "test_id", "stage_index", "target_watts"])
    tests = read(root, "summary", ["study", "test_id", "participant", "sex"])
    rows = last.merge(stages, on=["study", "test_id", "stage_index"]).merge(tests, on=["study", "test_id"])
    rows["sex"] = rows["sex"].fillna("unknown")
    rows = pd.concat([rows, rows.assign(sex="all")])
    keys = ["study", "phase", "target_watts", "stage_label", "sex"]
    values = ["watts", "sbp_mmhg", "dbp_mmhg", "heart_rate_bpm"]
    people = rows.groupby([*keys, "participant"], dropna=False)
    means = people[values].mean()
    means["tests_n"] = people["test_id"].nunique()
    grouped = means.groupby(level=keys, dropna=False)
    return pd.DataFrame(
        {
            "people_n": grouped.size(),
            "tests_n": grouped["tests_n"].sum(),
            "watts_mean": grouped["watts"].mean(),
            "sbp_mean_mmhg": grouped["sbp_mmhg"].mean(),
            "sbp_sd_mmhg": grouped["sbp_mmhg"].std(),
            "dbp_n": grouped["dbp_mmhg"].count(),
            "dbp_mean_mmhg": grouped["dbp_mmhg"].mean(),
            "dbp_sd_mmhg": grouped["dbp_mmhg"].std(),
            "heart_rate_n": grouped["heart_rate_bpm"].count(),
            "heart_rate_mean_bpm": grouped["heart_rate_bpm"].mean(),
            "heart_rate_sd_bpm": grouped["heart_rate_bpm"].std(),
        }
    ).reset_index()


if __name__ == "__main__":
    print({"technique": technique, "response_by_stage": response_by_stage}[sys.argv[2]](sys.argv[1]))
