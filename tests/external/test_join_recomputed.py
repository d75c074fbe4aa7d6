"""The join made anew with pandas, from the lines of the journals and the definitions alone.

Every reading gets its stage, its load and heart rate, its times and its measures by merge_asof,
rolling windows and groups; what stands in the sealed files must be the same.  The polars twin
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
TEXT = ("arm", "clarity", "role", "measured_source", "position", "aims_at", "fits", "method")
AGREES_ON = [
    *("status", "used", "stage_index", "stage_source", "phase"),
    *("dbp_mmhg", "dbp_phase", "dbp_upper_mmhg", "deflation_between_mmhg_per_s", "rate_mmhg_per_s"),
    *("pump_started_at", "last_sound_at", "dbp_at", "released_at", "load_window_s"),
    *(column for *_, columns in MEASURES.values() for column in columns),
    *("watts_at_dbp", "dbp_next_load", "pulse_pressure_mmhg", "map_mmhg", "rate_pressure_product"),
    *("vo2_est_ml_kg_min", "vo2_valid", "mets_est"),
    *("hr_max_pred_bpm", "hr_percent_max", "hr_percent_reserve"),
    *("sbp_change_rest_mmhg", "dbp_change_rest_mmhg", "hr_change_rest_bpm"),
    *("earlier_stage_index", "stages_between", "watts_change_stage", "sbp_change_stage_mmhg"),
    *("dbp_change_stage_mmhg", "map_change_stage_mmhg", "pulse_pressure_change_stage_mmhg"),
]
REST = [
    *("rest_position", "sbp_rest_mmhg", "sbp_rest_n", "sbp_rest_spread_mmhg"),
    *("dbp_rest_mmhg", "dbp_rest_phase", "hr_rest_bpm"),
]


class InPandas:
    """Sections 1 to 4 of the definitions over all tests at once."""

    def __init__(self, joined: Any) -> None:
        frame = {kind: pd.DataFrame(rows) for kind, rows in joined.rows.items()}
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
        ended = self._of_stage(readings, "n_due", "ended")
        late = (readings["status"] != "missed") & (readings["measured_at"] > ended + 10 * S)
        readings["n_due"] = readings["n_due"].mask(late)
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
        heard = readings["k5_mmhg"].fillna(readings["heard_to_mmhg"]).fillna(readings["k4_mmhg"])
        lowest = heard.fillna(readings["expected_dbp_mmhg"]).fillna(70)
        marked = readings["last_sound_at"].where(readings["measured_source"] == "marked")
        seconds = (marked - at) / S
        between = ((k1 - lowest) / seconds).where((seconds > 0) & (k1 > lowest) & heard.notna())
        readings["deflation_between_mmhg_per_s"] = between
        entry = at.where(readings["measured_source"] != "estimated", self._anchor(readings, "elapsed_s"))
        beats = self._window(readings.assign(mark=entry), "heart_rate_bpm", by_stage=False)["mean"]
        per_beat = readings["deflation_mmhg_per_beat"] * beats / 60
        rate = between.fillna(readings["deflation_mmhg_per_s"]).fillna(per_beat)
        rate = rate.fillna(pd.Series(np.where(resting, 3.0, 2.5), readings.index))
        readings["rate_mmhg_per_s"] = rate.where(readings["measured_source"].notna())
        listen = readings["listen_to_mmhg"].fillna(pd.Series(np.where(resting, 30, 40), readings.index))
        inflated = readings["inflated_to_mmhg"]

        def later(seconds: pd.Series) -> pd.Series:
            return (at + seconds * S).round().where(readings["measured_source"].notna())

        readings["last_sound_at"] = readings["last_sound_at"].fillna(later((k1 - lowest) / rate))
        readings["dbp_at"] = later((k1 - readings["dbp_mmhg"]) / rate)
        readings["released_at"] = later((k1 - np.minimum(listen, lowest)) / rate + 3)
        readings["pump_started_at"] = later(-inflated / 30 - (inflated - k1) / rate)
        return readings

    def _anchor(self, readings: pd.DataFrame, seconds: str) -> pd.Series:
        return readings["test_id"].map(self.opened["anchor"]) + (readings[seconds] * S).round()

    def _window(
        self, marks: pd.DataFrame, measure: str, *, by_stage: bool = True, number: str = "n"
    ) -> pd.DataFrame:
        """Mean, n, sd, newest and source over the 30 s up to each `mark`, indexed like `marks`."""
        group = ["test_id", "source", *(["n"] if by_stage else [])]
        values = self.long[self.long["measure"] == measure]
        frame = marks.assign(n=marks[number]) if by_stage else marks
        frame = frame[frame["mark"].notna() & (frame["n"].notna() | (not by_stage))]
        frame = frame[["test_id", "n", "mark"]].rename_axis("reading").reset_index()
        one_a_source = frame.merge(
            values[["test_id", "source", "rank", "rr"]].drop_duplicates(), on="test_id", how="inner"
        )
        one_a_source = one_a_source.rename(columns={"mark": "at"}).assign(value=np.nan)
        both = pd.concat([values.assign(reading=-1), one_a_source], ignore_index=True)
        both["at"] = both["at"].astype("int64")
        both["used"] = both["value"].where(~both["rr"].astype(bool), 1 / both["value"])
        both["newest"] = both["at"].where(both["value"].notna())
        both = both.sort_values([*group, "at", "reading"], ignore_index=True)  # a mark after its sample
        both["newest"] = both.groupby(group)["newest"].ffill()
        both["when"] = pd.to_datetime(both["at"], unit="us", utc=True)
        rolling = both.groupby(group, sort=False).rolling("30s", on="when", min_periods=1)
        both["mean"] = rolling["used"].mean().to_numpy()
        both["count"] = rolling["used"].count().to_numpy()
        both["sd"] = rolling["value"].std().to_numpy()
        found = both[(both["reading"] >= 0) & (both["count"] > 0)].copy()
        found["mean"] = found["mean"].where(~found["rr"].astype(bool), 1 / found["mean"])
        found = found.sort_values("rank").drop_duplicates("reading").set_index("reading")
        return found[["mean", "count", "sd", "newest", "source"]].reindex(marks.index)

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
        parts = []
        for source, part in readings.groupby("watts_source"):
            whole = self.long
            self.long = whole[whole["source"] == source]
            marks = part.assign(mark=part["dbp_at"])
            parts.append(self._window(marks, "watts", number="n_dbp")["mean"])
            self.long = whole
        readings["watts_at_dbp"] = pd.concat(parts).reindex(readings.index)
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

    def rows(self) -> list[dict[str, Any]]:
        """What is compared of each reading; a missing value is None."""
        chosen = self.readings[["test_id", "reading_id", *AGREES_ON]].astype(object)
        return chosen.where(chosen.notna(), None).to_dict("records")

    def rest_rows(self) -> list[dict[str, Any]]:
        """What is compared of each test."""
        chosen = self.rest[REST].reset_index().astype(object)
        return chosen.where(chosen.notna(), None).to_dict("records")


Check = Callable[[Sequence[Any], Sequence[Any], Sequence[str]], None]


@pytest.fixture(scope="module")
def in_pandas(cohort: Any) -> InPandas:
    return InPandas(cohort)


@pytest.fixture(scope="module")
def demo_in_pandas(demo_cohort: Any) -> InPandas:
    return InPandas(demo_cohort)


def test_the_readings_of_many_invented_tests(cohort: Any, in_pandas: InPandas, assert_same: Check) -> None:
    assert len(cohort.readings) > 2000
    assert_same(cohort.readings, in_pandas.rows(), ("test_id", "reading_id"))


def test_the_rest_values_of_many_invented_tests(cohort: Any, in_pandas: InPandas, assert_same: Check) -> None:
    assert_same(cohort.summary, in_pandas.rest_rows(), ("test_id",))


def test_the_readings_of_the_demo_tests(
    demo_cohort: Any, demo_in_pandas: InPandas, assert_same: Check
) -> None:
    assert_same(demo_cohort.readings, demo_in_pandas.rows(), ("test_id", "reading_id"))
    assert_same(demo_cohort.summary, demo_in_pandas.rest_rows(), ("test_id",))
