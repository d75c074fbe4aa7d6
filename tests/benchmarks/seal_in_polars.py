"""What a laboratory would write with polars: `python seal_in_polars.py ARCHIVE`, one test after the other.

The same part of the measures as seal_in_pandas.py, which says which, with the same check of the chain
and the same five files, uncompressed and not synced.
"""

from __future__ import annotations

import hashlib
import io
import sys
from pathlib import Path

import polars as pl
from polars import col

MEASURES = {"watts": (-20, 2000), "cadence_rpm": (0, 200), "heart_rate_bpm": (25, 240)}
SCHEMA = {
    **dict.fromkeys(("seq", "stage_index"), pl.Int64),
    **dict.fromkeys(("kind", "event_time", "source", "name", "label", "phase", "position"), pl.String),
    **dict.fromkeys(("study", "test_id", "participant", "arm", "clarity"), pl.String),
    **dict.fromkeys(("watts", "cadence_rpm", "heart_rate_bpm", "clock_offset_s", "age_years"), pl.Float64),
    **dict.fromkeys(("mass_kg", "target_watts", "planned_s", "k1_mmhg", "k4_mmhg", "k5_mmhg"), pl.Float64),
    **dict.fromkeys(("inflated_to_mmhg", "deflation_mmhg_per_s"), pl.Float64),
}


def checked(path: Path) -> bytes:
    """The journal, if the one hash over all of it is what stands at its end."""
    data = path.read_bytes()
    if hashlib.sha256(data[:-19]).hexdigest()[:16].encode() != data[-19:-3]:
        raise SystemExit(f"{path}: the chain does not hold")
    return data


def seal(folder: Path) -> None:
    """One test."""
    lines = pl.read_ndjson(io.BytesIO(checked(folder / "journal.jsonl")), schema=SCHEMA)
    lines = lines.with_columns(at=col("event_time").str.to_datetime("%Y-%m-%dT%H:%M:%S%.fZ", time_unit="us"))
    opened = lines.row(0, named=True)
    sources = lines.filter(col("kind") == "source_opened").select(source="name", offset="clock_offset_s")
    samples = (
        lines.filter(col("kind") == "sample")
        .select("seq", "source", "at", *MEASURES)
        .join(sources, on="source", how="left")
        .with_columns(
            sampled_at=col("at")
            + pl.duration(microseconds=(col("offset").fill_null(0) * 1e6).cast(pl.Int64)),
            last=col("seq") == col("seq").max().over("source", "at"),
        )
        .sort("sampled_at", "seq")
        .with_columns(
            (col(name).is_between(low, high) & col("last")).fill_null(False).alias(f"{name}_counts")
            for name, (low, high) in MEASURES.items()
        )
    )
    end = lines.filter(col("kind") == "test_closed")["at"][0]
    stages = (
        lines.filter(col("kind") == "stage_started")
        .select(
            "seq", "stage_index", "label", "phase", "position", "target_watts", "planned_s", started_at="at"
        )
        .with_columns(ended_at=col("started_at").shift(-1).fill_null(end))
    )
    bounds = stages.select("stage_index", "started_at", "ended_at", "phase")
    samples = samples.join_asof(bounds, left_on="sampled_at", right_on="started_at")
    settled = col("sampled_at") > col("started_at") + pl.duration(seconds=20)
    late = col("sampled_at") > col("ended_at") - pl.duration(seconds=30)
    means = samples.group_by("stage_index").agg(
        watts_mean=col("watts").filter(settled & col("watts_counts")).mean(),
        watts_sd=col("watts").filter(settled & col("watts_counts")).std(),
        cadence_mean_rpm=col("cadence_rpm").filter(settled & col("cadence_rpm_counts")).mean(),
        stage_hr_bpm=col("heart_rate_bpm").filter(late & col("heart_rate_bpm_counts")).mean(),
    )
    stages = stages.join(means, on="stage_index", how="left").with_columns(
        ridden_s=(col("ended_at") - col("started_at")).dt.total_microseconds() / 1e6
    )
    readings = (
        lines.filter(col("kind") == "reading_taken")
        .select(
            *("seq", "at", "k1_mmhg", "k4_mmhg", "k5_mmhg", "arm", "inflated_to_mmhg"),
            *("deflation_mmhg_per_s", "clarity"),
        )
        .sort("at")
        .join_asof(bounds, left_on="at", right_on="started_at", allow_exact_matches=False)
    )
    begins = pl.max_horizontal(col("at") - pl.duration(seconds=30), "started_at")
    marks = readings.select("seq", "at", begins=begins)
    for name in MEASURES:
        own = (
            samples.filter(f"{name}_counts")
            .select("sampled_at", value=name)
            .join_where(marks, col("sampled_at") > col("begins"), col("sampled_at") <= col("at"))
            .group_by("seq")
            .agg(
                col("value").mean().alias(name),
                pl.len().alias(f"{name}_n"),
                col("value").std().alias(f"{name}_sd"),
                ((col("at") - col("sampled_at")).min().dt.total_microseconds() / 1e6).alias(f"{name}_age_s"),
            )
        )
        readings = readings.join(own, on="seq", how="left")
    loaded = col("phase").is_in(["warmup", "exercise"])
    hr_max = 208 - 0.7 * opened["age_years"]
    readings = (
        readings.with_columns(
            dbp_mmhg=pl.when(col("k5_mmhg") >= 40).then("k5_mmhg").otherwise("k4_mmhg"),
            used=col("k1_mmhg").is_not_null() & (col("clarity").fill_null("difficult") != "doubtful"),
        )
        .with_columns(
            dbp_at=col("at")
            + pl.duration(
                microseconds=(
                    (col("k1_mmhg") - col("dbp_mmhg")) / col("deflation_mmhg_per_s").fill_null(2.5) * 1e6
                ).cast(pl.Int64)
            ),
            pulse_pressure_mmhg=col("k1_mmhg") - col("dbp_mmhg"),
            map_mmhg=col("dbp_mmhg") + (col("k1_mmhg") - col("dbp_mmhg")) / 3,
            rate_pressure_product=col("k1_mmhg") * col("heart_rate_bpm"),
            vo2_est_ml_kg_min=pl.when(loaded)
            .then(10.8 * col("watts") / opened["mass_kg"] + 7)
            .when(col("phase") == "rest")
            .then(3.5),
            hr_percent_max=100 * col("heart_rate_bpm") / hr_max,
        )
        .with_columns(mets_est=col("vo2_est_ml_kg_min") / 3.5)
    )
    rest = readings.filter(col("used") & (col("phase") == "rest"))
    hr_rest = rest["heart_rate_bpm"].mean()
    of_stage = (
        readings.filter("used")
        .group_by("stage_index", maintain_order=True)
        .agg(before_k1="k1_mmhg", before_watts="watts")
        .select(
            "stage_index",
            before_k1=col("before_k1").list.last().shift(1),
            before_watts=col("before_watts").list.last().shift(1),
        )
    )
    compared = loaded & col("used")
    readings = readings.join(of_stage, on="stage_index", how="left").with_columns(
        hr_percent_reserve=100 * (col("heart_rate_bpm") - hr_rest) / (hr_max - (hr_rest or 0)),
        k1_mmhg_change_rest=pl.when(compared).then(col("k1_mmhg") - rest["k1_mmhg"].mean()),
        dbp_mmhg_change_rest=pl.when(compared).then(col("dbp_mmhg") - rest["dbp_mmhg"].mean()),
        sbp_change_stage_mmhg=col("k1_mmhg") - col("before_k1"),
        watts_change_stage=col("watts") - col("before_watts"),
    )
    high = readings.filter(col("k1_mmhg") > 250).select(
        "seq", code=pl.lit("systolic_high"), observed=col("k1_mmhg")
    )
    fell = readings.filter(loaded & (col("sbp_change_stage_mmhg") <= -10)).select(
        "seq", code=pl.lit("systolic_fall"), observed=-col("sbp_change_stage_mmhg")
    )
    hr = samples.filter("heart_rate_bpm_counts").select(
        peak=col("heart_rate_bpm").rolling_mean_by("sampled_at", "10s")
    )
    summary = pl.DataFrame(
        {
            "participant": [opened["participant"]],
            "sbp_rest_mmhg": [rest["k1_mmhg"].mean()],
            "sbp_rest_n": [len(rest)],
            "dbp_rest_mmhg": [rest["dbp_mmhg"].mean()],
            "hr_rest_bpm": [hr_rest],
            "hr_peak_bpm": [hr["peak"].max()],
            "sbp_max_exercise_mmhg": [readings.filter(loaded)["k1_mmhg"].max()],
            "watts_peak": [stages["watts_mean"].max()],
            "readings_taken": [len(readings)],
            "readings_used": [readings["used"].sum()],
            "samples_n": [len(samples)],
        }
    )
    keys = {"study": pl.lit(opened["study"]), "test_id": pl.lit(opened["test_id"])}
    for name, frame in (
        ("samples", samples),
        ("stages", stages),
        ("readings", readings),
        ("flags", pl.concat([high, fell])),
        ("summary", summary),
    ):
        frame.with_columns(**keys).write_parquet(folder / f"{name}.parquet", compression="uncompressed")


if __name__ == "__main__":
    for journal in sorted(Path(sys.argv[1]).glob("study=*/test=*/journal.jsonl")):
        seal(journal.parent)
