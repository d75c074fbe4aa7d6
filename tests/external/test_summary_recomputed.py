"""The measures of a whole test made anew in plain Python, from the definitions alone.

They begin with the lines of the logs, the stages as they were started, and the readings, which are
themselves made anew elsewhere in this folder; the end of exercise and the peak heart rate are taken
as they are.  What stands in the sealed summaries must be the same.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Callable, Sequence
from itertools import pairwise
from math import sqrt
from statistics import fmean
from typing import Any

import pytest

S = 1_000_000
VALID = {"watts": (-20, 2000), "cadence_rpm": (0, 200), "heart_rate_bpm": (25, 240)}
Row = dict[str, Any]
COLUMNS = (
    *("watts_peak", "watts_peak_method", "hr_max_pred_bpm", "chronotropic_index"),
    *("hr_recovery_1min_bpm", "hr_recovery_2min_bpm", "recovery_mode"),
    *("sbp_last_exercise_mmhg", "sbp_last_exercise_at_least", "sbp_max_exercise_mmhg"),
    *("sbp_max_exercise_at_least", "sbp_immediate_mmhg", "sbp_immediate_at_least", "sbp_peak_mmhg"),
    *("sbp_peak_at_least", "sbp_rise_mmhg_per_met", "u_sbp_rise_mmhg_per_met", "sbp_rise_mmhg_per_w"),
    *("u_sbp_rise_mmhg_per_w", "sbp_recovery_3min_1min", "u_sbp_recovery_3min_1min"),
    *("sbp_recovery_3min_peak", "u_sbp_recovery_3min_peak", "sbp_at_watts_mmhg", "u_sbp_at_watts_mmhg"),
    *("sbp_at_percent_reserve_mmhg", "u_sbp_at_percent_reserve_mmhg"),
    *("vo2max_est_ml_kg_min", "u_vo2max_est_ml_kg_min", "vo2max_est_n"),
)


class Logs:
    """What counts of the lines of one test, on its clock: measure -> rank -> [(us, value)]."""

    def __init__(self, lines: Sequence[tuple[Any, ...]], sources: Sequence[Row]) -> None:
        self.by_rank: dict[str, dict[int, list[tuple[int, float]]]] = {}
        self.rr: set[int] = set()
        known = {source["name"]: source for source in sources}
        for place, (measure, (low, high)) in enumerate(VALID.items()):
            last: dict[tuple[str, int], float] = {}
            for _, source, us, _, *values in lines:  # in the order of their numbers
                if values[place] is not None:
                    last[(source, us)] = values[place]
            ranked: dict[int, list[tuple[int, float]]] = defaultdict(list)
            for (source, us), value in last.items():
                ranks = dict(part.split("=") for part in (known[source]["ranks"] or "").split(",") if part)
                if low <= value <= high and measure in ranks:
                    at = us + round(known[source]["clock_offset_s"] * S)
                    ranked[int(ranks[measure])].append((at, value))
            self.by_rank[measure] = {rank: sorted(values) for rank, values in sorted(ranked.items())}
        for source in sources:
            if "heart_rate_bpm:rr" in (source["measures"] or ""):
                ranks = dict(part.split("=") for part in source["ranks"].split(","))
                self.rr.add(int(ranks["heart_rate_bpm"]))

    def within(self, measure: str, begins: float, ends: float) -> tuple[int, list[tuple[int, float]]] | None:
        """Of the first source that has any: its rank and its values in [begins, ends)."""
        for rank, values in self.by_rank[measure].items():
            first, last = bisect_left(values, (begins,)), bisect_left(values, (ends,))
            if first < last:
                return rank, values[first:last]
        return None

    def mean_bpm(self, rank: int, values: Sequence[float]) -> float:
        return 1 / fmean(1 / v for v in values) if rank in self.rr else fmean(values)


class Whole:
    """One test: `made()` gives the columns of its summary."""

    def __init__(
        self,
        opened: Row,
        logs: Logs,
        stages: Sequence[Row],
        closed_at: int,
        readings: Sequence[Row],
        summary: Row,
    ) -> None:
        self.opened, self.logs, self.summary = opened, logs, summary
        self.stages = sorted(stages, key=lambda row: (row["event_time"], row["seq"]))
        bounds = [row["event_time"] for row in self.stages] + [closed_at]
        self.bounds = {
            row["stage_index"]: (bounds[n], bounds[n + 1], bounds[n + 1] + (n == len(self.stages) - 1))
            for n, row in enumerate(self.stages)
        }
        self.readings = sorted(readings, key=lambda row: (row["measured_at"], row["reading_id"]))
        self.end = summary["exercise_end_at"]
        age = opened["age_years"]
        self.hr_max = 208 - 0.7 * age if age is not None and age >= 18 else None
        self.exercise = [row for row in self.stages if row["phase"] == "exercise"]

    def made(self) -> Row:
        found: Row = {"test_id": self.opened["test_id"], "hr_max_pred_bpm": self.hr_max}
        found |= dict(zip(("watts_peak", "watts_peak_method"), self._watts_peak(), strict=True))
        return found | self._after() | self._peaks() | self._at_loads() | self._vo2max()

    def _stage_watts(self, stage: Row, until: float | None = None) -> float | None:
        started, ended, counted = self.bounds[stage["stage_index"]]
        found = self.logs.within("watts", started, counted if until is None else until)
        if found is None:
            return None
        stop = ended if until is None else until
        short = stop - started <= 60 * S
        values = [v for at, v in found[1] if (at - started > 20 * S or short) and at < stop]
        return fmean(values) if values else None

    def _watts_peak(self) -> tuple[float | None, str | None]:
        ridden = []
        for stage in self.exercise:
            started, ended, _ = self.bounds[stage["stage_index"]]
            if self.end is not None and started < self.end:
                stop = min(ended, self.end)
                watts = self._stage_watts(stage, stop if stop < ended else None)
                ridden.append((stage, (stop - started) / S, watts, stop))
        ramps = [one for one in ridden if one[0]["target_watts_to"] is not None]
        if ramps:
            for stage, _, _, stop in reversed(ramps):
                start = max(stop - 15 * S, self.bounds[stage["stage_index"]][0])
                if last := self.logs.within("watts", start, stop):
                    return fmean(v for _, v in last[1]), "ramp"
            return None, None
        planned = bool(ridden) and all(stage["planned_s"] is not None for stage, *_ in ridden)
        values: list[float | None] = []
        for n, (stage, seconds, watts, _) in enumerate(ridden):
            if seconds < (stage["planned_s"] - 5 if planned else 60):
                continue
            after = ridden[n + 1] if n + 1 < len(ridden) else None
            credit = 0.0
            if planned and watts is not None and after and after[2] is not None and after[2] > watts + 5:
                credit = (after[2] - watts) * min(1, after[1] / after[0]["planned_s"])
            values.append(None if watts is None else watts + credit)
        if not values or values[-1] is None:
            return None, None
        return max(v for v in values if v is not None), "credit" if planned else "ridden"

    def _after(self) -> Row:
        peak, rest, end = self.summary["hr_peak_bpm"], self.summary["hr_rest_bpm"], self.end
        found: Row = dict.fromkeys(("hr_recovery_1min_bpm", "hr_recovery_2min_bpm", "chronotropic_index"))
        if self.opened["intent"] == "maximal" and None not in (self.hr_max, rest, peak):
            reserve = self.hr_max - rest
            found["chronotropic_index"] = (peak - rest) / reserve if reserve > 20 else None
        for minute in (1, 2):
            bpm = None if end is None else self._bpm_at(end + minute * 60 * S)
            if bpm is not None and peak is not None:
                found[f"hr_recovery_{minute}min_bpm"] = peak - bpm
        return found | {"recovery_mode": self._mode()}

    def _bpm_at(self, mark: int) -> float | None:
        for rank, values in self.logs.by_rank["heart_rate_bpm"].items():
            values = [(at, v) for at, v in values if at > self.end]
            inside = [v for at, v in values if -5 * S < at - mark <= 5 * S]
            if inside:
                return self.logs.mean_bpm(rank, inside)
            before = [pair for pair in values if pair[0] <= mark][-1:]
            after = [pair for pair in values if pair[0] > mark][:1]
            if before and after and after[0][0] - before[0][0] <= 15 * S:
                (at_a, a), (at_b, b) = before[0], after[0]
                return a + (b - a) * (mark - at_a) / (at_b - at_a)
        return None

    def _mode(self) -> str | None:
        if self.end is None:
            return None
        # (end, end + 60 s]; times are whole microseconds
        minute = (self.end + 1, self.end + 60 * S + 1)
        watts, turns = self.logs.within("watts", *minute), self.logs.within("cadence_rpm", *minute)
        if (watts and fmean(v for _, v in watts[1]) >= 10) or (turns and fmean(v for _, v in turns[1]) >= 20):
            return "active"
        recovering = [
            row["position"]
            for row in self.stages
            if row["phase"] == "recovery" and self.bounds[row["stage_index"]][1] > self.end
        ]
        position = recovering[0] if recovering else None
        lying = position == "ergometer" and self.opened["ergometer_posture"] == "supine"
        if position == "supine" or lying:
            return "supine"
        known = watts or turns or position not in (None, "ergometer")
        return "passive" if known else None

    def _peaks(self) -> Row:
        found: Row = {}
        counts = [row for row in self.readings if row["used"] or self._is_lower_bound(row)]
        loaded = [row for row in counts if row["phase"] in ("warmup", "exercise") and self.end is not None]
        last = [row for row in loaded if row["measured_at"] <= self.end][-1:]
        at_once = [
            row for row in counts if self.end is not None and 0 < row["measured_at"] - self.end <= 30 * S
        ][:1]
        highest = sorted(loaded, key=lambda row: (row["sbp_mmhg"], row["measured_at"], row["reading_id"]))[
            -1:
        ]
        near_end = bool(last) and self.end - last[0]["measured_at"] <= 90 * S
        peak = last if near_end else at_once
        for name, rows in (("last_exercise", last), ("immediate", at_once), ("peak", peak)):
            found[f"sbp_{name}_mmhg"] = rows[0]["sbp_mmhg"] if rows else None
            found[f"sbp_{name}_at_least"] = rows[0]["k1_at_least"] if rows else None
        found["sbp_max_exercise_mmhg"] = highest[0]["sbp_mmhg"] if highest else None
        later = [row for row in loaded if highest and row["measured_at"] >= highest[0]["measured_at"]]
        found["sbp_max_exercise_at_least"] = any(row["k1_at_least"] for row in later) if highest else None
        return found | self._rise(peak[0] if near_end else None) | self._ratios(peak)

    def _is_lower_bound(self, row: Row) -> bool:
        """Whether sounds were there when pumping stopped, and nothing else is against the reading."""
        return (
            (row["status"], row["role"], row["k1_at_least"]) == ("taken", "primary", True)
            and row["sbp_mmhg"] is not None
            and row["clarity"] != "doubtful"
            and (row["due_seq"] is None or row["reading_id"] == self._first_entry(row["due_seq"]))
            and (row["dbp_mmhg"] is None or row["sbp_mmhg"] > row["dbp_mmhg"])
        )

    def _first_entry(self, due_seq: int) -> int:
        return min(
            int(row["reading_id"])
            for row in self.readings
            if row["due_seq"] == due_seq and (row["status"], row["role"]) == ("taken", "primary")
        )

    def _rise(self, peak: Row | None) -> Row:
        names = ("sbp_rise_mmhg_per_met", "u_sbp_rise_mmhg_per_met", "sbp_rise_mmhg_per_w")
        names = (*names, "u_sbp_rise_mmhg_per_w")
        rest = self.summary["sbp_rest_mmhg"]
        if peak is None or rest is None or peak["k1_at_least"] or (peak["mets_est"] or 0) < 3:
            return dict.fromkeys(names)
        if peak["watts"] is None:
            return dict.fromkeys(names)
        rise, u = peak["sbp_mmhg"] - rest, peak["u_sbp_change_rest_mmhg"]
        mets, watts = peak["mets_est"] - 1, peak["watts"]
        return dict(zip(names, (rise / mets, u / mets, rise / watts, u / watts), strict=True))

    def _ratios(self, peak: Sequence[Row]) -> Row:
        def at(minutes: int) -> Row | None:
            def off(row: Row) -> int:
                return abs(int(row["measured_at"] - self.end) - minutes * 60 * S)

            near = [row for row in self.readings if row["used"] and self.end is not None]
            near = [row for row in near if off(row) <= 15 * S]
            return min(near, key=off) if near else None

        three, found = at(3), {}
        top = peak[0] if peak and not peak[0]["k1_at_least"] else None
        for name, below in (("1min", at(1)), ("peak", top)):
            value = u = None
            if three and below:
                a, b = three["sbp_mmhg"], below["sbp_mmhg"]
                value = a / b
                u = sqrt((three["u_sbp_mmhg"] / b) ** 2 + (a * below["u_sbp_mmhg"] / b**2) ** 2)
            found |= {f"sbp_recovery_3min_{name}": value, f"u_sbp_recovery_3min_{name}": u}
        return found

    def _at_loads(self) -> Row:
        last = {
            row["stage_index"]: row for row in self.readings if row["used"] and row["phase"] == "exercise"
        }
        rising: list[Row] = []
        for row in sorted(last.values(), key=lambda row: (row["measured_at"], row["reading_id"])):
            if row["watts"] is not None and (not rising or row["watts"] > rising[-1]["watts"] + 0.5):
                rising.append(row)
        found: Row = {}
        for name, axis, wanted in (
            ("watts", "watts", 100.0),
            ("percent_reserve", "hr_percent_reserve", 60.0),
        ):
            value = u = None
            known = [row for row in rising if row[axis] is not None]
            pairs = [
                (a, b)
                for a, b in pairwise(known)
                if a[axis] <= wanted <= b[axis] and b[axis] > a[axis] and b["watts"] - a["watts"] <= 60
            ]
            if pairs:
                a, b = min(pairs, key=lambda pair: float(pair[0][axis]))
                share = (wanted - a[axis]) / (b[axis] - a[axis])
                value = (1 - share) * a["sbp_mmhg"] + share * b["sbp_mmhg"]
                u = sqrt(((1 - share) * a["u_sbp_mmhg"]) ** 2 + (share * b["u_sbp_mmhg"]) ** 2)
            found |= {f"sbp_at_{name}_mmhg": value, f"u_sbp_at_{name}_mmhg": u}
        return found

    def _stage_bpm(self, stage: Row) -> float | None:
        started, ended, counted = self.bounds[stage["stage_index"]]
        found = self.logs.within("heart_rate_bpm", started, counted)
        if found is None or ended - started < 90 * S:
            return None
        values = [v for at, v in found[1] if 0 < ended - at <= 30 * S]
        return self.logs.mean_bpm(found[0], values) if values else None

    def _vo2max(self) -> Row:
        nothing = dict.fromkeys(("vo2max_est_ml_kg_min", "u_vo2max_est_ml_kg_min", "vo2max_est_n"))
        mass = self.opened["mass_kg"]
        if self.hr_max is None or mass is None or "beta_blocker" in (self.opened["medication"] or ""):
            return nothing
        points: list[tuple[float, float]] = []
        highest = None
        for stage in self.exercise:
            watts, bpm = self._stage_watts(stage), self._stage_bpm(stage)
            if stage["target_watts_to"] is not None or watts is None or bpm is None:
                continue
            if highest is None or watts > highest + 0.5:
                points.append((watts, bpm))
            highest = max(watts, highest if highest is not None else watts)
        points = [(w, h) for w, h in points if 110 <= h <= 0.85 * self.hr_max]
        if len(points) < 2 or max(h for _, h in points) - min(h for _, h in points) < 10:
            return nothing
        loads, rates = zip(*points, strict=True)
        middle = fmean(loads)
        sxx = sum((w - middle) ** 2 for w in loads)
        weights = [(w - middle) / sxx for w in loads]
        slope = sum(weight * h for weight, h in zip(weights, rates, strict=True))
        if slope <= 0:
            return nothing

        def load_at(rates: Sequence[float], top: float) -> float:
            steep = sum(weight * h for weight, h in zip(weights, rates, strict=True))
            return middle + (top - fmean(rates)) / steep

        # what each heart rate moves, by a small step to both sides
        step, parts = 1e-4, []
        for n in range(len(rates)):
            up = [h + step * (k == n) for k, h in enumerate(rates)]
            down = [h - step * (k == n) for k, h in enumerate(rates)]
            parts.append(3 * (load_at(up, self.hr_max) - load_at(down, self.hr_max)) / (2 * step))
        parts.append(10 / slope)
        return {
            "vo2max_est_ml_kg_min": 10.8 * load_at(rates, self.hr_max) / mass + 7,
            "u_vo2max_est_ml_kg_min": 10.8 / mass * sqrt(sum(part**2 for part in parts)),
            "vo2max_est_n": len(points),
        }


def made(joined: Any) -> list[Row]:
    """The columns of every test of these."""

    def by_test(rows: Sequence[Row]) -> dict[str, list[Row]]:
        found: dict[str, list[Row]] = defaultdict(list)
        for row in rows:
            found[row["test_id"]].append(row)
        return found

    lines: dict[str, list[tuple[Any, ...]]] = defaultdict(list)
    for line in sorted(joined.samples, key=lambda line: (line[0], line[3])):
        lines[line[0]].append(line)
    sources, stages = by_test(joined.rows["source_opened"]), by_test(joined.rows["stage_started"])
    readings, summaries = by_test(joined.readings), by_test(joined.summary)
    closed = {row["test_id"]: row["event_time"] for row in joined.rows["test_closed"]}
    return [
        Whole(
            opened,
            Logs(lines[opened["test_id"]], sources[opened["test_id"]]),
            stages[opened["test_id"]],
            closed[opened["test_id"]],
            readings[opened["test_id"]],
            summaries[opened["test_id"]][0],
        ).made()
        for opened in joined.rows["test_opened"]
    ]


Check = Callable[[Sequence[Any], Sequence[Any], Sequence[str]], None]


@pytest.fixture(scope="module")
def again(cohort: Any) -> list[Row]:
    return made(cohort)


@pytest.mark.parametrize("column", COLUMNS)
def test_the_summaries_of_many_invented_tests(
    column: str, cohort: Any, again: list[Row], assert_same: Check
) -> None:
    assert sum(row[column] is not None for row in again) > 5
    if column.startswith("u_vo2max"):  # by steps: to six digits
        rows = {row["test_id"]: row[column] for row in cohort.summary if row[column] is not None}
        steps = {row["test_id"]: row[column] for row in again if row[column] is not None}
        assert steps == pytest.approx(rows, rel=1e-6)
        return
    assert_same(
        cohort.summary, [{"test_id": row["test_id"], column: row[column]} for row in again], ["test_id"]
    )


def test_the_demo_tests(demo_cohort: Any, assert_same: Check) -> None:
    rows = [{k: v for k, v in row.items() if not k.startswith("u_vo2max")} for row in made(demo_cohort)]
    assert_same(demo_cohort.summary, rows, ["test_id"])
