"""What a laboratory would write with pandas: `python seal_in_pandas.py ARCHIVE`, one test after the other.

Checks each chain, then reads the lines and writes the same five files, uncompressed and not synced.
It computes a part only: stages with mean load and heart rate, the mean, number, sd and age of load,
cadence and heart rate over the 30 s up to each reading, diastolic, pulse pressure, mean arterial
pressure, rate-pressure product, oxygen uptake, percent of predicted maximum, changes from rest and
from the stage before, rest values, highest 10-s heart rate, and two flags.  No uncertainties, no
other flags, no slopes, no units in the files.
"""

from __future__ import annotations

import hashlib
import io
import sys
from pathlib import Path

import numpy as np
import pandas as pd

MEASURES = {"watts": (-20, 2000), "cadence_rpm": (0, 200), "heart_rate_bpm": (25, 240)}


def checked(path: Path) -> bytes:
    """The journal, if the one hash over all of it is what stands at its end."""
    data = path.read_bytes()
    if hashlib.sha256(data[:-19]).hexdigest()[:16].encode() != data[-19:-3]:
        raise SystemExit(f"{path}: the chain does not hold")
    return data


def seal(folder: Path) -> None:
    """One test."""
    lines = pd.read_json(io.BytesIO(checked(folder / "journal.jsonl")), lines=True, convert_dates=False)
    lines["at"] = pd.to_datetime(lines["event_time"], format="ISO8601")
    opened = lines.iloc[0]
    sources = lines[lines["kind"] == "source_opened"].set_index("name")
    samples = lines.loc[lines["kind"] == "sample", ["seq", "source", "at", *MEASURES]].copy()
    offset = samples["source"].map(sources["clock_offset_s"])
    samples["sampled_at"] = samples["at"] + pd.to_timedelta(offset, unit="s")
    samples = samples.sort_values(["sampled_at", "seq"])
    for measure, (low, high) in MEASURES.items():
        last = ~samples.duplicated(["source", "at"], keep="last")
        samples[f"{measure}_counts"] = samples[measure].between(low, high) & last

    stages = lines.loc[
        lines["kind"] == "stage_started",
        ["seq", "stage_index", "label", "phase", "position", "target_watts", "planned_s", "at"],
    ].rename(columns={"at": "started_at"})
    end = lines.loc[lines["kind"] == "test_closed", "at"].iloc[0]
    stages["ended_at"] = stages["started_at"].shift(-1).fillna(end)
    samples = pd.merge_asof(
        samples, stages[["started_at", "stage_index"]], left_on="sampled_at", right_on="started_at"
    )
    means = {}
    for index, own in samples.groupby("stage_index"):
        stage = stages[stages["stage_index"] == index].iloc[0]
        settled = own[own["sampled_at"] > stage["started_at"] + pd.Timedelta(20, "s")]
        late = own[own["sampled_at"] > stage["ended_at"] - pd.Timedelta(30, "s")]
        means[index] = {
            "watts_mean": settled.loc[settled["watts_counts"], "watts"].mean(),
            "watts_sd": settled.loc[settled["watts_counts"], "watts"].std(),
            "cadence_mean_rpm": settled.loc[settled["cadence_rpm_counts"], "cadence_rpm"].mean(),
            "stage_hr_bpm": late.loc[late["heart_rate_bpm_counts"], "heart_rate_bpm"].mean(),
        }
    stages = stages.merge(
        pd.DataFrame.from_dict(means, orient="index"), left_on="stage_index", right_index=True
    )
    stages["ridden_s"] = (stages["ended_at"] - stages["started_at"]).dt.total_seconds()

    kept = [
        "seq",
        "at",
        "k1_mmhg",
        "k4_mmhg",
        "k5_mmhg",
        "arm",
        "inflated_to_mmhg",
        "deflation_mmhg_per_s",
        "clarity",
    ]
    taken = lines[lines["kind"] == "reading_taken"]
    readings = taken[[name for name in kept if name in taken]].sort_values("at").copy()
    for name in kept:
        if name not in readings:
            readings[name] = np.nan
    readings = pd.merge_asof(
        readings,
        stages[["started_at", "ended_at", "stage_index", "phase"]],
        left_on="at",
        right_on="started_at",
        allow_exact_matches=False,
    )
    for measure in MEASURES:
        found = []
        values = samples[samples[f"{measure}_counts"]]
        for reading in readings.itertuples():
            begins = max(reading.at - pd.Timedelta(30, "s"), reading.started_at)
            own = values[(values["sampled_at"] > begins) & (values["sampled_at"] <= reading.at)]
            age = (reading.at - own["sampled_at"].max()).total_seconds() if len(own) else np.nan
            found.append((own[measure].mean(), len(own), own[measure].std(), age))
        readings[[measure, f"{measure}_n", f"{measure}_sd", f"{measure}_age_s"]] = found
    sound = readings["k5_mmhg"] >= 40
    readings["dbp_mmhg"] = readings["k5_mmhg"].where(sound, readings["k4_mmhg"])
    rate = readings["deflation_mmhg_per_s"].fillna(2.5)
    fall_s = (readings["k1_mmhg"] - readings["dbp_mmhg"]) / rate
    readings["dbp_at"] = readings["at"] + pd.to_timedelta(fall_s, unit="s")
    readings["used"] = readings["k1_mmhg"].notna() & (readings["clarity"] != "doubtful")
    readings["pulse_pressure_mmhg"] = readings["k1_mmhg"] - readings["dbp_mmhg"]
    readings["map_mmhg"] = readings["dbp_mmhg"] + readings["pulse_pressure_mmhg"] / 3
    readings["rate_pressure_product"] = readings["k1_mmhg"] * readings["heart_rate_bpm"]
    loaded = readings["phase"].isin(["warmup", "exercise"])
    vo2 = (10.8 * readings["watts"] / opened["mass_kg"] + 7).where(loaded)
    readings["vo2_est_ml_kg_min"] = vo2.mask(readings["phase"] == "rest", 3.5)
    readings["mets_est"] = readings["vo2_est_ml_kg_min"] / 3.5
    hr_max = 208 - 0.7 * opened["age_years"]
    rest = readings[readings["used"] & (readings["phase"] == "rest")]
    readings["hr_percent_max"] = 100 * readings["heart_rate_bpm"] / hr_max
    hr_rest = rest["heart_rate_bpm"].mean()
    readings["hr_percent_reserve"] = 100 * (readings["heart_rate_bpm"] - hr_rest) / (hr_max - hr_rest)
    for name, at_rest in (("k1_mmhg", rest["k1_mmhg"].mean()), ("dbp_mmhg", rest["dbp_mmhg"].mean())):
        readings[f"{name}_change_rest"] = (readings[name] - at_rest).where(loaded & readings["used"])
    of_stage = (
        readings[readings["used"]].groupby("stage_index")[["k1_mmhg", "dbp_mmhg", "watts"]].last().shift(1)
    )
    before = readings["stage_index"].map(of_stage["k1_mmhg"])
    readings["sbp_change_stage_mmhg"] = readings["k1_mmhg"] - before
    readings["watts_change_stage"] = readings["watts"] - readings["stage_index"].map(of_stage["watts"])

    high = readings[readings["k1_mmhg"] > 250].assign(code="systolic_high", observed=lambda f: f["k1_mmhg"])
    fell = readings[loaded & (readings["sbp_change_stage_mmhg"] <= -10)]
    fell = fell.assign(code="systolic_fall", observed=lambda f: -f["sbp_change_stage_mmhg"])
    flags = pd.concat([high, fell])[["code", "seq", "observed"]]

    hr = samples[samples["heart_rate_bpm_counts"]].set_index("sampled_at")["heart_rate_bpm"]
    summary = pd.DataFrame(
        {
            "participant": [opened["participant"]],
            "sbp_rest_mmhg": [rest["k1_mmhg"].mean()],
            "sbp_rest_n": [len(rest)],
            "dbp_rest_mmhg": [rest["dbp_mmhg"].mean()],
            "hr_rest_bpm": [hr_rest],
            "hr_peak_bpm": [hr.rolling("10s").mean().max()],
            "sbp_max_exercise_mmhg": [readings.loc[loaded, "k1_mmhg"].max()],
            "watts_peak": [stages["watts_mean"].max()],
            "readings_taken": [len(readings)],
            "readings_used": [readings["used"].sum()],
            "samples_n": [len(samples)],
        }
    )
    for name, frame in (
        ("samples", samples),
        ("stages", stages),
        ("readings", readings),
        ("flags", flags),
        ("summary", summary),
    ):
        frame = frame.assign(study=opened["study"], test_id=opened["test_id"])
        frame.to_parquet(folder / f"{name}.parquet", index=False, compression=None)


if __name__ == "__main__":
    for journal in sorted(Path(sys.argv[1]).glob("study=*/test=*/journal.jsonl")):
        seal(journal.parent)
