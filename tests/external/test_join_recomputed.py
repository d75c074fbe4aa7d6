"""The join made anew with pandas, from the lines of the journals and the definitions alone.

Every reading gets its stage, its load and heart rate, its times and its measures by merge_asof,
positions in sorted time and groups; what stands in the sealed files must be the same.  The polars twin
of this file does it by joins on bins of time.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pandas as pd
import pytest

S = 1_000_000  # microseconds in a second
MEASURES = {  # name -> valid from, to; columns of mean, n, sd, age, source
    "watts": (-20, 2000, ("watts", "watts_n", "watts_sd", "watts_age_s", "watts_source")),
    "cadence_rpm": (
        *(0, 200),
        ("cadence_rpm", "cadence_n", "cadence_sd_rpm", "cadence_age_s", "cadence_source"),
    ),
    "heart_rate_bpm": (
        *(25, 240),
        (
            *("heart_rate_bpm", "heart_rate_n", "heart_rate_sd_bpm"),
            *("heart_rate_age_s", "heart_rate_source"),
        ),
    ),
}
SAMPLE_COLUMNS = ["test_id", "source", "us", "seq", *MEASURES]
NUMERIC = ("_mmhg", "_seq", "_index", "_per_s", "_per_beat", "_at", "_years", "_kg", "_to", "_s")
TEXT = ("aims_at",)


def _typed(frame: pd.DataFrame) -> pd.DataFrame:
    """Columns of numbers as floats, also where all of them are missing."""
    numeric = [name for name in frame.columns if name.endswith(NUMERIC) and name not in TEXT]
    return frame.assign(**{name: pd.to_numeric(frame[name]) for name in numeric})


class InPandas:
    """Sections 1 to 4 of the definitions over all tests at once."""

    def __init__(self, joined: Any) -> None:
        frame = {kind: _typed(pd.DataFrame(rows)) for kind, rows in joined.rows.items()}
        self.opened = frame["test_opened"].set_index("test_id")
        self.sources = frame["source_opened"]
        self.samples = pd.DataFrame(joined.samples, columns=SAMPLE_COLUMNS)
        self._on_test_clock()
        self.stages = self._stages(frame["stage_started"], frame["test_closed"])
        self.long = self._counted()
        self.intervals = self._intervals()
        dues = frame.get("reading_due")
        readings = self._placed(frame["reading_taken"], frame.get("reading_missed"), dues)
        readings = self._times(self._diastolic(readings))
        readings = self._loads(readings)
        readings = self._load_at_diastolic(readings)
        readings["used"] = self._used(readings)
        self.rest = self._rest_values(readings)
        self.readings = self._changes(self._measures(readings))

    def _on_test_clock(self) -> None:
        """The offset is added to a source's own times; of doubles the last line counts, in _counted."""
        offsets = self.sources.set_index(["test_id", "name"])["clock_offset_s"]
        of_sample = pd.MultiIndex.from_frame(self.samples[["test_id", "source"]])
        shift = (offsets.reindex(of_sample).to_numpy() * S).round().astype("int64")
        self.samples["at"] = self.samples["us"] + shift

    def _stages(self, started: pd.DataFrame, closed: pd.DataFrame) -> pd.DataFrame:
        stages = started.sort_values(["test_id", "event_time", "seq"], ignore_index=True)
        by_test = stages.groupby("test_id")
        stages["n"] = by_test.cumcount()
        stages["started"] = stages["event_time"]
        end = stages["test_id"].map(closed.set_index("test_id")["event_time"])
        last_load = self.samples[self.samples["watts"].notna()].groupby("test_id")["at"].max()
        end = end.where(stages["by"] != "detected", stages["test_id"].map(last_load))
        stages["ended"] = by_test["started"].shift(-1).fillna(end).astype("int64")
        # a stage is open at its start and closed at its end; the first one includes its start
        stages["opens"] = stages["started"] - (stages["n"] == 0)
        return stages

    def _in_stage(self, frame: pd.DataFrame, moment: str) -> pd.Series:
        """The order number of the stage that holds each moment; missing where none does."""
        known = frame[frame[moment].notna()].sort_values(moment)
        known = known.assign(**{moment: known[moment].astype("int64")})
        found = pd.merge_asof(
            known[["test_id", moment]].reset_index(),
            self.stages.sort_values("opens")[["test_id", "opens", "ended", "n"]],
            left_on=moment,
            right_on="opens",
            by="test_id",
            allow_exact_matches=False,
        ).set_index("index")
        return found["n"].where(found[moment] <= found["ended"]).reindex(frame.index)

    def _counted(self) -> pd.DataFrame:
        """One row a measured value that counts, with its stage and the rank of its source."""
        self.samples["n"] = self._in_stage(self.samples, "at")
        parts = []
        for measure, (low, high, _) in MEASURES.items():
            part = self.samples.rename(columns={measure: "value"})
            part = part[["test_id", "source", "us", "at", "seq", "n", "value"]].dropna(subset=["value"])
            part = part.sort_values("seq").drop_duplicates(["test_id", "source", "us"], keep="last")
            parts.append(part[part["value"].between(low, high)].assign(measure=measure))
        ranks = {
            (row.test_id, row.name, rank.split("=")[0]): int(rank.split("=")[1])
            for row in self.sources[["test_id", "name", "ranks"]].itertuples(index=False, name="Source")
            if isinstance(row.ranks, str)
            for rank in row.ranks.split(",")
        }
        long = pd.concat(parts, ignore_index=True)
        of_value = pd.MultiIndex.from_frame(long[["test_id", "source", "measure"]])
        long["rank"] = pd.Series(ranks).reindex(of_value).to_numpy()
        from_rr = self.sources[self.sources["measures"].fillna("").str.contains("heart_rate_bpm:rr")]
        rr = pd.MultiIndex.from_frame(from_rr[["test_id", "name"]])
        long["rr"] = pd.MultiIndex.from_frame(long[["test_id", "source"]]).isin(rr)
        long["rr"] &= long["measure"] == "heart_rate_bpm"
        return long

    def _intervals(self) -> pd.Series:
        times = self.samples[["test_id", "source", "at"]].drop_duplicates().sort_values("at")
        steps = times.groupby(["test_id", "source"])["at"].diff() / S
        return steps.groupby([times["test_id"], times["source"]]).median()

    def _placed(
        self, taken: pd.DataFrame, missed: pd.DataFrame | None, dues: pd.DataFrame | None
    ) -> pd.DataFrame:
        readings = taken.assign(status=np.where(taken["void"], "void", "taken"))
        if missed is not None:
            readings = pd.concat([readings, missed.assign(status="missed")], ignore_index=True)
        readings["reading_id"], readings["measured_at"] = readings["seq"], readings["event_time"]
        readings["n_time"] = self._in_stage(readings, "measured_at")
        columns = ["test_id", "due_seq", "due_stage", "listen_to_mmhg", "expected_dbp_mmhg"]
        if dues is None:
            dues = pd.DataFrame(columns=["test_id", "seq", "stage_index", *columns[3:]])
        dues = dues.rename(columns={"seq": "due_seq", "stage_index": "due_stage"})[columns]
        readings = readings.merge(dues, on=["test_id", "due_seq"], how="left", validate="m:1")
        number = self.stages.set_index(["test_id", "stage_index"])["n"]
        stage = readings["stage_index"] if missed is not None else pd.Series(np.nan, readings.index)
        named = stage.fillna(readings["due_stage"])
        readings["n_due"] = number.reindex(pd.MultiIndex.from_arrays([readings["test_id"], named])).to_numpy()
        outside = readings["measured_at"] > self._of_stage(readings, "n_due", "ended") + 10 * S
        outside |= readings["measured_at"] <= self._of_stage(readings, "n_due", "opens")
        readings["n_due"] = readings["n_due"].mask(outside & (readings["status"] != "missed"))
        readings["n"] = readings["n_due"].fillna(readings["n_time"])
        for name in ("stage_index", "phase", "position", "started", "opens", "ended", "target_watts_to"):
            readings[name] = self._of_stage(readings, "n", name)
        source = np.where(readings["n_due"].notna(), "due", "time")
        readings["stage_source"] = pd.Series(source, readings.index).where(readings["n"].notna())
        return readings

    def _of_stage(self, frame: pd.DataFrame, number: str, name: str) -> Any:
        wanted = pd.MultiIndex.from_frame(frame[["test_id", number]])
        return self.stages.set_index(["test_id", "n"])[name].reindex(wanted).to_numpy()

    @staticmethod
    def _diastolic(readings: pd.DataFrame) -> pd.DataFrame:
        k4, k5 = readings["k4_mmhg"], readings["k5_mmhg"]
        sound = k5 >= 40
        readings["dbp_mmhg"] = k5.where(sound, k4)
        readings["dbp_phase"] = np.select([sound, k4.notna()], ["K5", "K4"], default="")
        readings["dbp_phase"] = readings["dbp_phase"].replace("", None)
        unresolved = readings["dbp_mmhg"].isna() & (readings["status"] == "taken")
        readings["dbp_upper_mmhg"] = k5.fillna(readings["heard_to_mmhg"]).where(unresolved)
        return readings

    def _times(self, readings: pd.DataFrame) -> pd.DataFrame:
        at, k1, resting = readings["measured_at"], readings["k1_mmhg"], readings["phase"] == "rest"
        lowest = readings["k5_mmhg"].fillna(readings["heard_to_mmhg"]).fillna(readings["k4_mmhg"])
        heard = lowest.notna()  # a fall to an assumed pressure is not measured
        lowest = lowest.fillna(readings["expected_dbp_mmhg"]).fillna(70)
        marked = readings["last_sound_at"].where(readings["measured_source"] == "marked")
        seconds = (marked - at) / S
        between = ((k1 - lowest) / seconds).where((seconds > 0) & (k1 > lowest) & heard)
        readings["deflation_between_mmhg_per_s"] = between
        entry = at.where(readings["measured_source"] != "estimated", self._anchor(readings, "elapsed_s"))
        beats = self._window(readings.assign(mark=entry), "heart_rate_bpm", number=None)["mean"]
        per_beat = readings["deflation_mmhg_per_beat"] * beats / 60
        rate = between.fillna(readings["deflation_mmhg_per_s"]).fillna(per_beat)
        rate = rate.fillna(pd.Series(np.where(resting, 3.0, 2.5), readings.index))
        readings["rate_mmhg_per_s"] = rate.where(readings["measured_source"].notna())
        listen = readings["listen_to_mmhg"].fillna(pd.Series(np.where(resting, 30, 40), readings.index))
        inflated = readings["inflated_to_mmhg"]

        def later(seconds: pd.Series) -> pd.Series:
            return (at + seconds * S).round().where(readings["measured_source"].notna())

        # a pressure above the one before it is a slip of the pen: no time passed in between
        readings["last_sound_at"] = readings["last_sound_at"].fillna(
            later((k1 - lowest).clip(lower=0) / rate)
        )
        readings["dbp_at"] = later((k1 - readings["dbp_mmhg"]).clip(lower=0) / rate)
        released = later((k1 - np.minimum(listen, lowest)).clip(lower=0) / rate + 3)
        readings["released_at"] = released.fillna(at.where(readings["measured_source"].notna()))
        readings["pump_started_at"] = later(-inflated / 30 - (inflated - k1).clip(lower=0) / rate)
        return readings

    def _anchor(self, readings: pd.DataFrame, seconds: str) -> pd.Series:
        return readings["test_id"].map(self.opened["anchor"]) + (readings[seconds] * S).round()

    def _window(
        self,
        marks: pd.DataFrame,
        measure: str,
        *,
        number: str | None = "n",
        source: str | None = None,
    ) -> pd.DataFrame:
        """Mean, n, sd, newest and source over the 30 s up to each `mark`, indexed like `marks`.

        Only samples of the stage numbered in column `number` count, of any stage where that is
        None; only those of the source in column `source`, where one is given.
        """
        values = self.long[self.long["measure"] == measure].sort_values(["test_id", "at"])
        wanted = marks[marks["mark"].notna() & (marks[number].notna() if number else True)]
        begins, ends = {}, {}
        for test_id, of_test in wanted.groupby("test_id"):
            at = values["at"][values["test_id"] == test_id]
            offset = values.index.get_indexer(at.index[:1])[0] if len(at) else 0
            mark = of_test["mark"].to_numpy()
            begins |= dict(zip(of_test.index, offset + at.searchsorted(mark - 30 * S, "right"), strict=True))
            ends |= dict(zip(of_test.index, offset + at.searchsorted(mark, "right"), strict=True))
        first = pd.Series(begins, dtype="int64").reindex(wanted.index)
        length = pd.Series(ends, dtype="int64").reindex(wanted.index) - first
        reading = wanted.index.repeat(length)
        within = length.groupby(length.index).transform("sum").reindex(reading)
        position = first.reindex(reading) + within.groupby(level=0, sort=False).cumcount()
        found = values.iloc[position.to_numpy()].assign(reading=reading)
        if number:
            found = found[found["n"].to_numpy() == wanted[number].reindex(found["reading"]).to_numpy()]
        if source:
            found = found[found["source"].to_numpy() == wanted[source].reindex(found["reading"]).to_numpy()]
        found = found[found["rank"] == found.groupby("reading")["rank"].transform("min")]
        found["averaged"] = found["value"].where(~found["rr"], 1 / found["value"])
        grouped = found.groupby("reading")
        result = grouped.agg(
            mean=("averaged", "mean"),
            count=("value", "size"),
            sd=("value", "std"),
            newest=("at", "max"),
            source=("source", "first"),
            rr=("rr", "first"),
        )
        result["mean"] = result["mean"].where(~result["rr"].astype(bool), 1 / result["mean"])
        return result.reindex(marks.index)

    def _loads(self, readings: pd.DataFrame) -> pd.DataFrame:
        placed = readings["measured_source"].notna() & readings["n"].notna()
        begins = np.maximum(readings["measured_at"] - 30 * S, readings["opens"])
        length = np.minimum(readings["measured_at"], readings["ended"]) - np.maximum(
            begins, readings["started"]
        )
        readings["load_window_s"] = (length.clip(lower=0) / S).where(placed)
        marks = readings.assign(mark=readings["measured_at"].where(placed))
        for measure, (_, _, columns) in MEASURES.items():
            mean, n, sd, age, source = columns
            found = self._window(marks, measure)
            seconds = (readings["measured_at"] - found["newest"]) / S
            of_source = pd.MultiIndex.from_arrays([readings["test_id"], found["source"]])
            allowed = (2.5 * self.intervals.reindex(of_source)).clip(10, 30).to_numpy()
            fresh = seconds <= allowed
            readings[mean], readings[sd] = found["mean"].where(fresh), found["sd"].where(fresh)
            readings[n] = found["count"].fillna(0).where(placed)
            readings[age], readings[source] = seconds, found["source"]
        return readings

    def _load_at_diastolic(self, readings: pd.DataFrame) -> pd.DataFrame:
        """The load 30 s up to the diastolic, of the source that gave watts, in that moment's stage."""
        readings["n_dbp"] = self._in_stage(readings, "dbp_at")
        marks = readings.assign(mark=readings["dbp_at"])
        found = self._window(marks, "watts", number="n_dbp", source="watts_source")
        readings["watts_at_dbp"] = found["mean"]
        readings["dbp_next_load"] = (readings["dbp_at"] > readings["ended"] + 10 * S) & (
            (readings["watts_at_dbp"] - readings["watts"]).abs() > 10
        )
        return readings

    @staticmethod
    def _used(readings: pd.DataFrame) -> pd.Series:
        primary = (readings["status"] == "taken") & (readings["role"].fillna("primary") == "primary")
        entries = readings[primary & readings["due_seq"].notna()].sort_values("reading_id")
        again = entries[entries.duplicated(["test_id", "due_seq"])].index
        return (
            primary
            & readings["k1_mmhg"].notna()
            & ~readings["k1_at_least"].fillna(False).astype(bool)
            & (readings["clarity"] != "doubtful")
            & ~readings.index.isin(again)
            & ~(readings["k1_mmhg"] <= readings["dbp_mmhg"])
        )

    def _rest_values(self, readings: pd.DataFrame) -> pd.DataFrame:
        loaded = self.stages[self.stages["phase"].isin(["warmup", "exercise"])]
        first_load = loaded.groupby("test_id")["started"].min()
        resting = readings[readings["used"] & (readings["phase"] == "rest")]
        before = resting["test_id"].map(first_load)
        resting = resting[before.isna() | (resting["started"] < before)]
        stage_position = pd.Series(self._of_stage(resting, "n", "position"), resting.index)
        posture = resting["test_id"].map(self.opened["ergometer_posture"])
        usual = posture.map({"supine": "supine", "semi_recumbent": "semi_recumbent"}).fillna("seated")
        resting = resting.assign(
            rest_position=stage_position,
            preference=np.select([stage_position == "ergometer", stage_position == usual], [1, 2], 3),
        )
        resting = resting.sort_values(["preference", "n"], ascending=[True, False])
        chosen = resting.drop_duplicates("test_id")[["test_id", "n"]]
        resting = resting.merge(chosen, on=["test_id", "n"])
        counts = resting[~resting["dbp_next_load"]]
        phases = counts.groupby("test_id")["dbp_phase"].agg(["nunique", "first"])
        one_phase = phases["first"].where(phases["nunique"] == 1)
        by_test = resting.groupby("test_id")
        k1 = by_test["k1_mmhg"]
        rest = pd.DataFrame(
            {
                "rest_n": by_test["n"].first(),
                "rest_position": by_test["rest_position"].first(),
                "sbp_rest_mmhg": k1.mean(),
                "sbp_rest_n": k1.size(),
                "sbp_rest_spread_mmhg": k1.max() - k1.min(),
                "hr_rest_bpm": by_test["heart_rate_bpm"].mean(),
            }
        )
        rest["dbp_rest_phase"] = one_phase.reindex(rest.index)
        mean = counts.groupby("test_id")["dbp_mmhg"].mean().reindex(rest.index)
        rest["dbp_rest_mmhg"] = mean.where(rest["dbp_rest_phase"].notna())
        return rest.reindex(self.opened.index)

    def _measures(self, readings: pd.DataFrame) -> pd.DataFrame:
        facts = self.opened[["age_years", "mass_kg"]].astype(float)
        age, mass = (readings["test_id"].map(facts[name]) for name in facts)
        taken, hr, watts = readings["measured_source"].notna(), readings["heart_rate_bpm"], readings["watts"]
        bound = readings["k1_at_least"].fillna(False).astype(bool)
        k1, dbp = readings["k1_mmhg"].mask(bound), readings["dbp_mmhg"]
        readings["pulse_pressure_mmhg"] = k1 - dbp
        readings["map_mmhg"] = dbp + (k1 - dbp) / 3
        readings["rate_pressure_product"] = k1 * hr
        loaded = readings["phase"].isin(["warmup", "exercise"])
        vo2 = (10.8 * watts / mass + 7).mask(watts <= 0, 7.0).where(loaded)
        readings["vo2_est_ml_kg_min"] = vo2.mask(readings["phase"] == "rest", 3.5).where(taken)
        seconds = (readings["measured_at"] - readings["started"]) / S
        holds = watts.between(50, 200) & readings["target_watts_to"].isna() & (seconds >= 120) & (age >= 18)
        resting = (readings["phase"] == "rest") & taken
        readings["vo2_valid"] = ((holds & loaded & vo2.notna()) | resting).where(taken, None)
        readings["mets_est"] = readings["vo2_est_ml_kg_min"] / 3.5
        readings["hr_max_pred_bpm"] = (208 - 0.7 * age).where((age >= 18) & taken)
        hr_rest = readings["test_id"].map(self.rest["hr_rest_bpm"])
        reserve = readings["hr_max_pred_bpm"] - hr_rest
        readings["hr_percent_max"] = 100 * hr / readings["hr_max_pred_bpm"]
        readings["hr_percent_reserve"] = (100 * (hr - hr_rest) / reserve).where(reserve > 20)
        return readings

    def _changes(self, readings: pd.DataFrame) -> pd.DataFrame:
        used, loaded = readings["used"], readings["phase"].isin(["warmup", "exercise"])
        rest = self.rest.reindex(readings["test_id"]).set_index(readings.index)
        compared = used & loaded
        counts = ~readings["dbp_next_load"]
        readings["sbp_change_rest_mmhg"] = (readings["k1_mmhg"] - rest["sbp_rest_mmhg"]).where(compared)
        same = compared & counts & (readings["dbp_phase"] == rest["dbp_rest_phase"])
        readings["dbp_change_rest_mmhg"] = (readings["dbp_mmhg"] - rest["dbp_rest_mmhg"]).where(same)
        readings["hr_change_rest_bpm"] = (readings["heart_rate_bpm"] - rest["hr_rest_bpm"]).where(compared)

        stands = readings[used & readings["n"].notna()].sort_values(["measured_at", "reading_id"])
        last = stands.drop_duplicates(["test_id", "n"], keep="last").index
        stands = stands[(stands["phase"] == "rest") | stands.index.isin(last)]
        diastolic = ["dbp_mmhg", "map_mmhg", "pulse_pressure_mmhg"]
        counted = stands["dbp_next_load"]
        stands = stands.assign(
            **{name: stands[name].mask(counted) for name in diastolic},
            dbp_phase=stands["dbp_phase"].mask(counted),
        )
        groups = stands.groupby(["test_id", "n"])
        values = groups[["k1_mmhg", "watts", *diastolic]].mean()
        one_phase = groups["dbp_phase"].nunique() == 1
        values[diastolic] = values[diastolic].where(one_phase)
        values["dbp_phase"] = groups["dbp_phase"].first().where(one_phase)
        values[["stage_index", "phase"]] = groups[["stage_index", "phase"]].first()
        values = values.add_prefix("earlier_").reset_index()

        wanted = readings[used & readings["n"].notna() & (readings["phase"] != "rest")].sort_values("n")
        values["n"], wanted = values["n"].astype(float), wanted.assign(n=wanted["n"].astype(float))
        found = pd.merge_asof(
            wanted[["test_id", "n", "phase"]].reset_index(),
            values.assign(earlier_n=values["n"]).sort_values("n"),
            on="n",
            by="test_id",
            allow_exact_matches=False,
        ).set_index("index")
        across = (found["phase"] == "recovery") & (found["earlier_phase"] == "rest")
        found = found[~across].reindex(readings.index)
        readings["earlier_stage_index"] = found["earlier_stage_index"]
        readings["stages_between"] = readings["n"] - found["earlier_n"] - 1
        readings["watts_change_stage"] = readings["watts"] - found["earlier_watts"]
        readings["sbp_change_stage_mmhg"] = readings["k1_mmhg"] - found["earlier_k1_mmhg"]
        same = counts & (readings["dbp_phase"] == found["earlier_dbp_phase"])
        for name in diastolic:
            change = name.replace("_mmhg", "_change_stage_mmhg")
            readings[change] = (readings[name] - found[f"earlier_{name}"]).where(same)
        return readings

    def rows(self, *columns: str) -> list[dict[str, Any]]:
        """These columns of each reading; a missing value is None."""
        chosen = self.readings[["test_id", "reading_id", *columns]].astype(object)
        return chosen.where(chosen.notna(), None).to_dict("records")

    def rest_rows(self, *columns: str) -> list[dict[str, Any]]:
        """These columns of each test."""
        chosen = self.rest[list(columns)].reset_index().astype(object)
        return chosen.where(chosen.notna(), None).to_dict("records")


Check = Callable[[Sequence[Any], Sequence[Any], Sequence[str]], None]


@pytest.fixture(scope="module")
def in_pandas(cohort: Any) -> InPandas:
    return InPandas(cohort)


def test_the_readings_of_many_invented_tests(
    reading_column: str, cohort: Any, in_pandas: InPandas, assert_same: Check
) -> None:
    rows = in_pandas.rows(reading_column)
    assert sum(row[reading_column] is not None for row in rows) > 10
    assert_same(cohort.readings, rows, ("test_id", "reading_id"))


def test_the_rest_values_of_many_invented_tests(
    rest_column: str, cohort: Any, in_pandas: InPandas, assert_same: Check
) -> None:
    assert_same(cohort.summary, in_pandas.rest_rows(rest_column), ("test_id",))


def test_the_demo_tests(
    demo_cohort: Any, reading_columns: Sequence[str], rest_columns: Sequence[str], assert_same: Check
) -> None:
    made = InPandas(demo_cohort)
    assert_same(demo_cohort.readings, made.rows(*reading_columns), ("test_id", "reading_id"))
    assert_same(demo_cohort.summary, made.rest_rows(*rest_columns), ("test_id",))


# ---- single cases on which a derivation and this one once differed ---------------------------------


def test_a_rate_per_beat_takes_the_half_minute_before_whatever_the_stage(tiny_test: Any) -> None:
    test = tiny_test()
    test.stage(0, 0, "exercise", 50)
    test.log(0, 200, 50.0, 120.0)
    test.stage(1, 200, "exercise", 100)
    test.log(200, 215, 100.0, 150.0)
    test.reading(210, 150, 80, deflation_mmhg_per_beat=3.0)
    row = test.readings(300)[0]
    # 20 s at 120 and 10 s at 150 are 130 beats/min; 3 mmHg a beat are 6.5 mmHg/s
    assert row["rate_mmhg_per_s"] == pytest.approx(6.5, abs=1e-9)
    assert row["heart_rate_bpm"] == 150  # while the heart rate of the reading is that of its stage


@pytest.mark.parametrize("entered_after_s", [25, 40])
def test_an_untimed_entry_has_the_load_of_its_first_sound(tiny_test: Any, entered_after_s: float) -> None:
    test = tiny_test()
    test.stage(0, 0, "exercise", 100)
    test.log(0, 200, 100.0, 120.0)
    test.log(200, 240, 150.0, 140.0)
    entry = {"measured_source": "estimated", "deflation_mmhg_per_beat": 3.0}
    test.reading(200, 150, 80, elapsed_s=200.0 + entered_after_s, **entry)
    row = test.readings(300)[0]
    assert (row["watts"], row["watts_n"], row["watts_age_s"]) == (100, 30, 0)
    assert row["heart_rate_bpm"] == 120
    # the beats are those before the entry: 25 s at 140 and 5 s at 120, or all at 140
    beats = {25: (25 * 140 + 5 * 120) / 30, 40: 140}[int(entered_after_s)]
    assert row["rate_mmhg_per_s"] == pytest.approx(3 * beats / 60, abs=1e-9)


def test_recovery_after_a_rest_between_loads_has_no_earlier_stage(tiny_test: Any) -> None:
    test = tiny_test()
    for index, phase in enumerate(("exercise", "rest", "recovery")):
        test.stage(index, 200 * index, phase)
        test.reading(200 * index + 150, 150 - 10 * index, 80)
    in_recovery = test.readings(600)[-1]
    # the nearest earlier stage with a reading is the rest, and rest to recovery is null
    assert in_recovery["earlier_stage_index"] is None
    assert in_recovery["sbp_change_stage_mmhg"] is None


def test_a_diastolic_after_the_last_stage_has_no_load(tiny_test: Any) -> None:
    test = tiny_test()
    test.stage(0, 0, "exercise", 100)
    test.log(0, 230, 100.0, 120.0)
    test.reading(195, 150, 80, deflation_mmhg_per_s=2.5)  # the last sound 28 s later, at 223 s
    row = test.readings(200)[0]
    assert row["watts"] == 100
    assert row["watts_at_dbp"] is None


def test_the_invented_tests_hold_what_can_be_odd(cohort: Any) -> None:
    def seen(column: str) -> set[Any]:
        return {row[column] for row in cohort.readings}

    assert seen("status") == {"taken", "missed", "void"}
    assert seen("used_note") >= {
        *("void", "missed", "second_observer", "no_systolic", "lower_bound", "doubtful"),
        *("entered_twice", "not_above_diastolic"),
    }
    assert seen("rate_source") >= {"measured", "stated_per_second", "stated_per_beat", "default"}
    for measure in ("watts", "cadence", "heart_rate"):
        assert seen(f"{measure}_note") >= {"no_sample", "stale", None}
    assert seen("watts_source") >= {"ergometer", "pedals"}
    assert seen("dbp_phase") == {"K4", "K5", None}
    assert seen("dbp_next_load") == {True, False}
    assert seen("stage_source") == {"due", "time", None}
    assert any("reserve_under_20" in (row["missing"] or "") for row in cohort.readings)
    assert any((row["load_window_s"] or 30) < 30 for row in cohort.readings)
