"""The join made anew with polars, from the lines of the journals and the definitions alone.

Samples and readings meet on half-minute bins of time, stages on inequalities; nothing is shared
with the pandas twin of this file but the rows that both begin with.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import polars as pl
import pytest
from polars import col

READING = ["test_id", "reading_id"]
STAGE = ["test_id", "stage_order"]
HALF_MINUTE = 30_000_000  # microseconds
MEASURES = {
    "watts": ("watts", "watts_n", "watts_sd", "watts_age_s", "watts_source"),
    "cadence_rpm": ("cadence_rpm", "cadence_n", "cadence_sd_rpm", "cadence_age_s", "cadence_source"),
    "heart_rate_bpm": (
        *("heart_rate_bpm", "heart_rate_n", "heart_rate_sd_bpm"),
        *("heart_rate_age_s", "heart_rate_source"),
    ),
}
VALID = {"watts": (-20, 2000), "cadence_rpm": (0, 200), "heart_rate_bpm": (25, 240)}
DIASTOLIC = ("dbp_mmhg", "map_mmhg", "pulse_pressure_mmhg")
SCHEMAS = {
    "test_opened": {
        "test_id": pl.String,
        "anchor": pl.Int64,
        "age_years": pl.Float64,
        "mass_kg": pl.Float64,
        "ergometer_posture": pl.String,
    },
    "test_closed": {"test_id": pl.String, "event_time": pl.Int64},
    "source_opened": {
        "test_id": pl.String,
        "name": pl.String,
        "clock_offset_s": pl.Float64,
        "ranks": pl.String,
        "measures": pl.String,
    },
    "stage_started": {
        "test_id": pl.String,
        "seq": pl.Int64,
        "event_time": pl.Int64,
        "stage_index": pl.Int64,
        "phase": pl.String,
        "position": pl.String,
        "target_watts_to": pl.Float64,
        "by": pl.String,
    },
    "reading_due": {
        "test_id": pl.String,
        "seq": pl.Int64,
        "stage_index": pl.Int64,
        "listen_to_mmhg": pl.Float64,
        "expected_dbp_mmhg": pl.Float64,
    },
    "reading_taken": {
        "test_id": pl.String,
        "seq": pl.Int64,
        "event_time": pl.Int64,
        "elapsed_s": pl.Float64,
        "void": pl.Boolean,
        "due_seq": pl.Int64,
        "k1_mmhg": pl.Float64,
        "k1_at_least": pl.Boolean,
        "k4_mmhg": pl.Float64,
        "k5_mmhg": pl.Float64,
        "heard_to_mmhg": pl.Float64,
        "measured_source": pl.String,
        "last_sound_at": pl.Int64,
        "inflated_to_mmhg": pl.Float64,
        "deflation_mmhg_per_s": pl.Float64,
        "deflation_mmhg_per_beat": pl.Float64,
        "clarity": pl.String,
        "role": pl.String,
    },
    "reading_missed": {
        "test_id": pl.String,
        "seq": pl.Int64,
        "event_time": pl.Int64,
        "due_seq": pl.Int64,
        "stage_index": pl.Int64,
    },
}


def _us(seconds: pl.Expr) -> pl.Expr:
    return (seconds * 1e6).round().cast(pl.Int64)


class InPolars:
    """Sections 1 to 4 of the definitions over all tests at once."""

    def __init__(self, joined: Any) -> None:
        given = {
            kind: pl.from_dicts(
                [{name: row[name] for name in schema} for row in joined.rows.get(kind, [])] or [{}],
                schema=schema,
            ).drop_nulls("test_id")
            for kind, schema in SCHEMAS.items()
        }
        self.opened = given["test_opened"]
        self._samples(joined.samples, given["source_opened"])
        self._stages(given["stage_started"], given["test_closed"])
        readings = self._readings(given["reading_taken"], given["reading_missed"], given["reading_due"])
        readings = self._times(readings)
        for measure in MEASURES:
            readings = self._load(readings, measure)
        readings = self._diastolic_load(self._used(readings))
        self.rest = self._rest(readings)
        readings = self._measures(readings)
        self.readings = self._against_earlier(self._against_rest(readings))

    def _samples(self, rows: Sequence[tuple[Any, ...]], sources: pl.DataFrame) -> None:
        schema = {
            **{"test_id": pl.String, "source": pl.String, "us": pl.Int64, "seq": pl.Int64},
            **dict.fromkeys(VALID, pl.Float64),
        }
        samples = pl.DataFrame(list(rows), schema=schema, orient="row").join(
            sources.rename({"name": "source"}), on=["test_id", "source"]
        )
        self.samples = samples.with_columns(at=col("us") + _us(col("clock_offset_s")))
        self.intervals = (
            self.samples.unique(["test_id", "source", "at"])
            .sort("test_id", "source", "at")
            .group_by("test_id", "source")
            .agg(interval_s=col("at").diff().median() / 1e6)
        )
        self.counted = {}
        for measure, (low, high) in VALID.items():
            rank = col("ranks").str.extract(rf"{measure}=(\d+)").cast(pl.Int64)
            rr = pl.lit(measure == "heart_rate_bpm") & col("measures").str.contains("bpm:rr", literal=True)
            self.counted[measure] = (
                self.samples.filter(col(measure).is_not_null())
                .filter(col("seq") == col("seq").max().over("test_id", "source", "us"))
                .filter(col(measure).is_between(low, high))
                .select(
                    "test_id",
                    "source",
                    "at",
                    value=col(measure),
                    rank=rank,
                    rr=rr.fill_null(False),
                    bin=col("at") // HALF_MINUTE,
                )
            )

    def _stages(self, started: pl.DataFrame, closed: pl.DataFrame) -> None:
        last_load = (
            self.samples.filter(col("watts").is_not_null()).group_by("test_id").agg(last_load=col("at").max())
        )
        self.stages = (
            started.sort("test_id", "event_time", "seq")
            .join(closed.rename({"event_time": "closed_at"}), on="test_id", how="left")
            .join(last_load, on="test_id", how="left")
            .with_columns(
                stage_order=pl.int_range(pl.len()).over("test_id"),
                last_end=pl.when(col("by") == "detected").then("last_load").otherwise("closed_at"),
            )
            .with_columns(
                ends=pl.coalesce(col("event_time").shift(-1).over("test_id"), "last_end"),
                # the moment after which one is in it; the first includes its start
                after=col("event_time") - (col("stage_order") == 0).cast(pl.Int64),
            )
            .rename({"event_time": "starts"})
            .select(
                *(*STAGE, "stage_index", "phase", "position", "target_watts_to"),
                *("starts", "after", "ends"),
            )
        )

    def _stage_at(self, frame: pl.DataFrame, moment: str, into: str) -> pl.DataFrame:
        """`frame` with the order of the stage that holds `moment`."""
        held = (
            frame.select(*READING, moment)
            .join(self.stages, on="test_id")
            .filter((col(moment) > col("after")) & (col(moment) <= col("ends")))
            .select(*READING, col("stage_order").alias(into))
        )
        return frame.join(held, on=READING, how="left")

    def _readings(self, taken: pl.DataFrame, missed: pl.DataFrame, dues: pl.DataFrame) -> pl.DataFrame:
        status = pl.when("void").then(pl.lit("void")).otherwise(pl.lit("taken"))
        readings = pl.concat(
            [taken.with_columns(status=status), missed.with_columns(status=pl.lit("missed"))], how="diagonal"
        ).rename({"seq": "reading_id", "event_time": "measured_at", "stage_index": "missed_stage"})
        readings = self._stage_at(readings, "measured_at", "order_by_time")
        due = dues.rename({"seq": "due_seq", "stage_index": "due_stage"})
        of_prompt = self.stages.select(
            "test_id", "after", "ends", due_stage="stage_index", order_by_prompt="stage_order"
        )
        readings = (
            readings.join(due, on=["test_id", "due_seq"], how="left")
            .with_columns(due_stage=pl.coalesce("missed_stage", "due_stage"))
            .join(of_prompt, on=["test_id", "due_stage"], how="left")
        )
        within = (col("measured_at") > col("after")) & (col("measured_at") <= col("ends") + 10_000_000)
        by_prompt = pl.when((col("status") == "missed") | within).then("order_by_prompt")
        in_stage = col("stage_order").is_not_null()
        return (
            readings.with_columns(order_by_prompt=by_prompt)
            .drop("after", "ends")
            .with_columns(stage_order=pl.coalesce("order_by_prompt", "order_by_time"))
            .with_columns(
                stage_source=pl.when(col("order_by_prompt").is_not_null())
                .then(pl.lit("due"))
                .when(in_stage)
                .then(pl.lit("time"))
            )
            .join(self.stages, on=STAGE, how="left")
            .with_columns(entered=col("measured_source").is_not_null(), k1_at_least=_true("k1_at_least"))
        )

    def _times(self, readings: pl.DataFrame) -> pl.DataFrame:
        k1, k5 = col("k1_mmhg"), col("k5_mmhg")
        readings = readings.with_columns(
            dbp_mmhg=pl.when(k5 >= 40).then(k5).otherwise("k4_mmhg"),
            dbp_phase=pl.when(k5 >= 40)
            .then(pl.lit("K5"))
            .when(col("k4_mmhg").is_not_null())
            .then(pl.lit("K4")),
            lowest=pl.coalesce("k5_mmhg", "heard_to_mmhg", "k4_mmhg", "expected_dbp_mmhg", 70.0),
            resting=(col("phase") == "rest").fill_null(False),
        )
        readings = readings.join(self.opened.select("test_id", "anchor"), on="test_id")
        entry = pl.when(col("measured_source") == "estimated").then(col("anchor") + _us(col("elapsed_s")))
        marks = readings.select(*READING, mark=entry.otherwise("measured_at"))
        beats = self._found(marks, "heart_rate_bpm").select(*READING, beats="mean")
        readings = readings.join(beats, on=READING, how="left")
        seconds = (col("last_sound_at") - col("measured_at")) / 1e6
        # a fall to an assumed pressure is not measured
        heard = pl.coalesce("k5_mmhg", "heard_to_mmhg", "k4_mmhg").is_not_null()
        both = (col("measured_source") == "marked") & (seconds > 0) & (k1 > col("lowest")) & heard
        readings = readings.with_columns(
            deflation_between_mmhg_per_s=pl.when(both).then((k1 - col("lowest")) / seconds),
            default=pl.when("resting").then(3.0).otherwise(2.5),
        ).with_columns(
            rate=pl.coalesce(
                "deflation_between_mmhg_per_s",
                "deflation_mmhg_per_s",
                col("deflation_mmhg_per_beat") * col("beats") / 60,
                "default",
            )
        )
        listen = pl.coalesce("listen_to_mmhg", pl.when("resting").then(30.0).otherwise(40.0))

        def fallen_to(pressure: pl.Expr) -> pl.Expr:
            # a pressure above the one before it is a slip of the pen: no time passed in between
            return pl.when((k1 - pressure) < 0).then(0.0).otherwise((k1 - pressure) / col("rate"))

        inflated = col("inflated_to_mmhg")
        from_top = pl.when(inflated < k1).then(0.0).otherwise((inflated - k1) / col("rate"))
        at = col("measured_at")
        return readings.with_columns(
            dbp_upper_mmhg=pl.when((col("status") == "taken") & col("dbp_mmhg").is_null()).then(
                pl.coalesce("k5_mmhg", "heard_to_mmhg")
            ),
            rate_mmhg_per_s=pl.when("entered").then("rate"),
            last_sound_at=pl.coalesce("last_sound_at", at + _us(fallen_to(col("lowest")))),
            dbp_at=at + _us(fallen_to(col("dbp_mmhg"))),
            released_at=pl.when("entered").then(
                pl.coalesce(at + _us(fallen_to(_lower(listen, col("lowest"))) + 3), at)
            ),
            pump_started_at=at + _us(-inflated / 30 - from_top),
        )

    def _found(self, marks: pl.DataFrame, measure: str) -> pl.DataFrame:
        """Mean, n, sd, newest and source over the 30 s up to each mark of one reading.

        `marks` may bound the samples by `after` (not itself) and `until`, and name their source.
        """
        bins = (col("mark") // HALF_MINUTE).alias("bin")
        two = marks.filter(col("mark").is_not_null()).with_columns(bins)
        two = pl.concat([two, two.with_columns(bin=col("bin") - 1)])
        samples = self.counted[measure]
        near = two.join(samples, on=["test_id", "bin"], suffix="_logged").filter(
            (col("at") > col("mark") - HALF_MINUTE) & (col("at") <= col("mark"))
        )
        if "after" in marks.columns:
            near = near.filter((col("at") > col("after")) & (col("at") <= col("until")))
        if "source" in marks.columns:
            near = near.filter(col("source") == col("source_logged"))
        logged = "source_logged" if "source" in marks.columns else "source"
        best = near.filter(col("rank") == col("rank").min().over(READING))
        value = col("value")
        of_rr = pl.len() / (1 / value).sum()
        mean = pl.when(col("rr").first()).then(of_rr).otherwise(value.mean())
        return best.group_by(READING).agg(
            mean=mean,
            n=pl.len(),
            sd=col("value").std(),
            newest=col("at").max(),
            source=col(logged).first(),
        )

    def _load(self, readings: pl.DataFrame, measure: str) -> pl.DataFrame:
        placed = col("entered") & col("stage_order").is_not_null()
        marks = readings.filter(placed).select(*READING, "after", until="ends", mark="measured_at")
        found = self._found(marks, measure).join(
            readings.select(*READING, "measured_at"), on=READING, how="left"
        )
        found = found.join(self.intervals, on=["test_id", "source"], how="left").with_columns(
            age=(col("measured_at") - col("newest")) / 1e6,
            allowed=(2.5 * col("interval_s")).clip(10, 30),
        )
        mean, n, sd, age, source = MEASURES[measure]
        fresh = pl.when(col("age") <= col("allowed"))
        found = found.select(
            *READING,
            fresh.then("mean").alias(mean),
            col("n").cast(pl.Int64).alias(n),
            fresh.then("sd").alias(sd),
            col("age").alias(age),
            col("source").alias(source),
        )
        readings = readings.join(found, on=READING, how="left")
        opens = pl.max_horizontal("starts", col("measured_at") - HALF_MINUTE)
        length_s = (pl.min_horizontal("measured_at", "ends") - opens) / 1e6
        return readings.with_columns(
            pl.when(placed).then(col(n).fill_null(0)).alias(n),
            load_window_s=pl.when(placed).then(length_s.clip(0, 30)),
        )

    @staticmethod
    def _used(readings: pl.DataFrame) -> pl.DataFrame:
        primary = (col("status") == "taken") & (col("role").fill_null("primary") == "primary")
        readings = readings.with_columns(primary=primary)
        first_entry = col("reading_id").min().over("test_id", "due_seq", "primary")
        later = col("due_seq").is_not_null() & (col("reading_id") > first_entry)
        below = (col("k1_mmhg") <= col("dbp_mmhg")).fill_null(False)
        return readings.with_columns(
            used=col("primary")
            & col("k1_mmhg").is_not_null()
            & ~col("k1_at_least")
            & (col("clarity").fill_null("difficult") != "doubtful")
            & ~later
            & ~below
        )

    def _diastolic_load(self, readings: pl.DataFrame) -> pl.DataFrame:
        readings = self._stage_at(readings, "dbp_at", "order_at_dbp")
        marks = (
            readings.select(*READING, mark="dbp_at", stage_order="order_at_dbp", source="watts_source")
            .drop_nulls()
            .join(self.stages, on=STAGE)
            .select(*READING, "mark", "after", "source", until="ends")
        )
        found = self._found(marks, "watts").select(*READING, watts_at_dbp="mean")
        late = col("dbp_at") > col("ends") + 10_000_000
        return readings.join(found, on=READING, how="left").with_columns(
            dbp_next_load=(late & ((col("watts_at_dbp") - col("watts")).abs() > 10)).fill_null(False)
        )

    def _rest(self, readings: pl.DataFrame) -> pl.DataFrame:
        first_load = (
            self.stages.filter(col("phase").is_in(["warmup", "exercise"]))
            .group_by("test_id")
            .agg(first_load=col("starts").min())
        )
        usual = pl.when(col("ergometer_posture").is_in(["supine", "semi_recumbent"]))
        resting = (
            readings.filter(col("used") & col("resting"))
            .join(first_load, on="test_id", how="left")
            .filter(col("first_load").is_null() | (col("starts") < col("first_load")))
            .join(self.opened.select("test_id", "ergometer_posture"), on="test_id")
            .with_columns(usual=usual.then("ergometer_posture").otherwise(pl.lit("seated")))
            .with_columns(
                preference=pl.when(col("position") == "ergometer")
                .then(1)
                .when(col("position") == col("usual"))
                .then(2)
                .otherwise(3)
            )
            .filter(col("preference") == col("preference").min().over("test_id"))
            .filter(col("stage_order") == col("stage_order").max().over("test_id"))
        )
        counts = ~col("dbp_next_load")
        phases = col("dbp_phase").filter(counts).drop_nulls().unique()
        return resting.group_by("test_id").agg(
            rest_position=col("position").first(),
            sbp_rest_mmhg=col("k1_mmhg").mean(),
            sbp_rest_n=pl.len().cast(pl.Int64),
            sbp_rest_spread_mmhg=col("k1_mmhg").max() - col("k1_mmhg").min(),
            dbp_rest_mmhg=pl.when(phases.len() == 1).then(col("dbp_mmhg").filter(counts).mean()),
            dbp_rest_phase=pl.when(phases.len() == 1).then(phases.first()),
            hr_rest_bpm=col("heart_rate_bpm").mean(),
        )

    def _measures(self, readings: pl.DataFrame) -> pl.DataFrame:
        facts = self.opened.select("test_id", "age_years", "mass_kg")
        readings = readings.join(facts, on="test_id").join(self.rest, on="test_id", how="left")
        exact = pl.when(~col("k1_at_least")).then("k1_mmhg")
        dbp, watts, hr = col("dbp_mmhg"), col("watts"), col("heart_rate_bpm")
        loaded = col("phase").is_in(["warmup", "exercise"]).fill_null(False)
        adult = (col("age_years") >= 18).fill_null(False)
        vo2 = (
            pl.when(col("entered") & col("resting"))
            .then(3.5)
            .when(col("entered") & loaded & (watts <= 0))
            .then(7.0)
            .when(col("entered") & loaded)
            .then(10.8 * watts / col("mass_kg") + 7)
        )
        long_enough = col("measured_at") - col("starts") >= 120_000_000
        holds = loaded & watts.is_between(50, 200) & col("target_watts_to").is_null() & long_enough & adult
        hr_max = pl.when(adult & col("entered")).then(208 - 0.7 * col("age_years"))
        readings = readings.with_columns(
            loaded=loaded,
            pulse_pressure_mmhg=exact - dbp,
            map_mmhg=(exact + 2 * dbp) / 3,
            rate_pressure_product=exact * hr,
            vo2_est_ml_kg_min=vo2,
            hr_max_pred_bpm=hr_max,
        )
        reserve = col("hr_max_pred_bpm") - col("hr_rest_bpm")
        valid = (holds & col("vo2_est_ml_kg_min").is_not_null()) | col("resting")
        return readings.with_columns(
            mets_est=col("vo2_est_ml_kg_min") / 3.5,
            vo2_valid=pl.when("entered").then(valid.fill_null(False)),
            hr_percent_max=hr / col("hr_max_pred_bpm") * 100,
            hr_percent_reserve=pl.when(reserve > 20).then((hr - col("hr_rest_bpm")) / reserve * 100),
        )

    @staticmethod
    def _against_rest(readings: pl.DataFrame) -> pl.DataFrame:
        compared = col("used") & col("loaded")
        same_phase = ~col("dbp_next_load") & (col("dbp_phase") == col("dbp_rest_phase"))
        return readings.with_columns(
            sbp_change_rest_mmhg=pl.when(compared).then(col("k1_mmhg") - col("sbp_rest_mmhg")),
            dbp_change_rest_mmhg=pl.when(compared & same_phase).then(col("dbp_mmhg") - col("dbp_rest_mmhg")),
            hr_change_rest_bpm=pl.when(compared).then(col("heart_rate_bpm") - col("hr_rest_bpm")),
        )

    @staticmethod
    def _against_earlier(readings: pl.DataFrame) -> pl.DataFrame:
        """Against what stands for the nearest earlier stage: its last used reading, at rest the mean."""
        newest = pl.struct("measured_at", "reading_id")
        used = readings.filter(col("used") & col("stage_order").is_not_null())
        stands = used.filter(col("resting") | (newest.rank("ordinal", descending=True).over(STAGE) == 1))
        counts = ~col("dbp_next_load")
        phases = col("dbp_phase").filter(counts).drop_nulls().unique()
        earlier = stands.group_by(STAGE).agg(
            *(
                pl.when(phases.len() == 1).then(col(name).filter(counts).mean()).alias(name)
                for name in DIASTOLIC
            ),
            dbp_phase=pl.when(phases.len() == 1).then(phases.first()),
            k1_mmhg=col("k1_mmhg").mean(),
            watts=col("watts").mean(),
            stage_index=col("stage_index").first(),
            phase=col("phase").first(),
        )
        found = (
            used.filter(~col("resting"))
            .sort("stage_order")
            .join_asof(
                earlier.with_columns(found_order="stage_order").sort("stage_order"),
                on="stage_order",
                by="test_id",
                strategy="backward",
                allow_exact_matches=False,
                suffix="_earlier",
                check_sortedness=False,
            )
            .filter(col("found_order").is_not_null())
            .filter(~((col("phase") == "recovery") & (col("phase_earlier") == "rest")))
        )
        same_phase = ~col("dbp_next_load") & (col("dbp_phase") == col("dbp_phase_earlier"))
        changes = found.select(
            *READING,
            *(
                pl.when(same_phase)
                .then(col(name) - col(f"{name}_earlier"))
                .alias(name.replace("_mmhg", "_change_stage_mmhg"))
                for name in DIASTOLIC
            ),
            earlier_stage_index="stage_index_earlier",
            stages_between=col("stage_order") - col("found_order") - 1,
            watts_change_stage=col("watts") - col("watts_earlier"),
            sbp_change_stage_mmhg=col("k1_mmhg") - col("k1_mmhg_earlier"),
        )
        return readings.join(changes, on=READING, how="left")


def _true(name: str) -> pl.Expr:
    return col(name).fill_null(False)


def _lower(one: pl.Expr, other: pl.Expr) -> pl.Expr:
    return pl.when(one < other).then(one).otherwise(other)


Check = Callable[[Sequence[Any], Sequence[Any], Sequence[str]], None]


@pytest.fixture(scope="module")
def in_polars(cohort: Any) -> InPolars:
    return InPolars(cohort)


def test_the_readings_of_many_invented_tests(
    reading_column: str, cohort: Any, in_polars: InPolars, assert_same: Check
) -> None:
    rows = in_polars.readings.select(*READING, reading_column).to_dicts()
    assert sum(row[reading_column] is not None for row in rows) > 10
    assert_same(cohort.readings, rows, READING)


def test_the_rest_values_of_many_invented_tests(
    rest_column: str, cohort: Any, in_polars: InPolars, assert_same: Check
) -> None:
    tests = in_polars.opened.select("test_id").join(in_polars.rest, on="test_id", how="left")
    assert_same(cohort.summary, tests.select("test_id", rest_column).to_dicts(), ["test_id"])


def test_the_demo_tests(
    demo_cohort: Any, reading_columns: Sequence[str], rest_columns: Sequence[str], assert_same: Check
) -> None:
    made = InPolars(demo_cohort)
    assert_same(demo_cohort.readings, made.readings.select(*READING, *reading_columns).to_dicts(), READING)
    tests = made.opened.select("test_id").join(made.rest, on="test_id", how="left")
    assert_same(demo_cohort.summary, tests.select("test_id", *rest_columns).to_dicts(), ["test_id"])
