"""How often the default rules raise a flag in healthy tests, and how many true falls they find.

    python tests/benchmarks/bench_alarms.py [TESTS A CASE]

Invented tests, readings only: two at rest, then one 10 s before the end of each loaded stage, all
clear and of one arm, load not logged (the target is used), k1 written to 2 mmHg.  Systolic rises in
a straight line from rest (125 +- 10 mmHg, ours); the slopes are those of Hedman et al., EJPC 2021,
half of the tests 0.41 +- 0.15 (men), half 0.52 +- 0.21 mmHg/W (women): rising from 0.25 mmHg/W on,
the lower ones (never below 0) apart.  A ride ends before its true systolic exceeds what the
simulator allows, 226 mmHg.  In a test with a fall the true systolic of one stage, the third to the
last but one, lies 15 mmHg below that of the stage before, and stays there.  Prints Markdown.
"""

from __future__ import annotations

import multiprocessing
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random

from pipeline import events as ev
from pipeline.rule import LEVELS
from pipeline.rules import shipped_rules
from pipeline.simulate.truth import SBP_RANGE_MMHG, SLOPE_LEAST_MMHG_PER_W, SLOPE_MMHG_PER_W
from pipeline.tables import LoadedJournal, Tables

ANCHOR = datetime(2026, 3, 14, 9, tzinfo=UTC)
TESTS = 2000
BATCH = 500
REST_S = 600
FALL_MMHG = 15.0
STAIRS = (("8 x 25 W, 3 min", 8, 25, 180), ("5 x 50 W, 3 min", 5, 50, 180), ("15 x 10 W, 2 min", 15, 10, 120))
READING_SD = (3.5, 5.0, 7.0)
KINDS = ("rising", "flat", "fall")
FALL_CODES = ("systolic_fall", "systolic_fall_confirmed", "systolic_below_rest")


@dataclass(frozen=True)
class Case:
    """One row of the table and one kind of test in it."""

    stairs: tuple[str, int, int, int]
    reading_sd: float
    kind: str
    tests: int


@dataclass(frozen=True)
class Ride:
    """One invented test; `fell_seq` is the reading at which a fall begins."""

    journal: LoadedJournal
    fell_seq: int | None


def ride(case: Case, number: int, random: Random) -> Ride:
    """One test of the case; rides of under three stages (four, where a fall is wanted) are drawn again."""
    _, stages, step_watts, stage_s = case.stairs
    mean, sd = SLOPE_MMHG_PER_W[("male", "female")[number % 2]]
    while True:
        rest = random.gauss(125, 10)
        slope = random.gauss(mean, sd)
        if slope < 0 or (slope < SLOPE_LEAST_MMHG_PER_W) != (case.kind == "flat"):
            continue
        true = [rest + slope * step_watts * (n + 1) for n in range(stages)]
        true = [sbp for sbp in true if sbp <= SBP_RANGE_MMHG[1]]
        if len(true) >= (4 if case.kind == "fall" else 3):
            break
    fell = random.randrange(2, len(true) - 1) if case.kind == "fall" else None
    if fell is not None:
        true[fell:] = [true[fell - 1] - FALL_MMHG] * (len(true) - fell)
    events: list[ev.Event] = []

    def add(kind: type[ev.Event], at_s: float, **fields: object) -> int:
        moment = ANCHOR + timedelta(seconds=at_s)
        events.append(kind(seq=len(events), event_time=moment, elapsed_s=at_s, source="invented", **fields))
        return len(events) - 1

    def taken(at_s: float, sbp: float) -> int:
        k1 = 2.0 * round(random.gauss(sbp, case.reading_sd) / 2)
        return add(ev.ReadingTaken, at_s, k1_mmhg=k1, k5_mmhg=80.0, measured_source="marked",
                   arm="left", clarity="clear")  # fmt: skip

    def stage(index: int, at_s: float, phase: str, watts: float | None) -> None:
        add(ev.StageStarted, at_s, stage_index=index, label=f"stage {index}", phase=phase,
            position="ergometer", target_watts=watts, by="schedule")  # fmt: skip

    name = f"T{number}"
    add(ev.TestOpened, 0, mode="join", anchor=ANCHOR, study="bench", test_id=name, participant="P-01",
        rules_digest="0" * 16, software="invented")  # fmt: skip
    stage(0, 0, "rest", None)
    taken(400, rest)
    taken(500, rest)
    fell_seq = None
    for n, sbp in enumerate(true):
        begins = REST_S + n * stage_s
        stage(n + 1, begins, "exercise", step_watts * (n + 1.0))
        seq = taken(begins + stage_s - 10, sbp)
        if n == fell:
            fell_seq = seq
    end_s = REST_S + len(true) * stage_s
    add(ev.TestClosed, end_s, outcome="completed", counts={})
    journal = LoadedJournal(study="bench", test_id=name, path=Path(name), data=None, events=events, samples=0,
                            chain="0" * 16, closed=True, as_of=ANCHOR + timedelta(seconds=end_s),
                            last_seq=len(events) - 1)  # fmt: skip
    return Ride(journal, fell_seq)


def rides(case: Case) -> Iterator[list[Ride]]:
    """The tests of a case in batches; the same case gives the same tests."""
    random = Random(f"{case.stairs[0]} {case.reading_sd} {case.kind}")
    for start in range(0, case.tests, BATCH):
        yield [ride(case, number, random) for number in range(start, min(start + BATCH, case.tests))]


def counted(case: Case) -> Counter[str]:
    """Flags by level, tests with one, tests with a stop by code, and falls found by level."""
    counts: Counter[str] = Counter()
    for batch in rides(case):
        tables = Tables(shipped_rules())
        tables.load([one.journal for one in batch])
        tables.run()
        flags = tables.rows("select test_id, code, level, target_seq from flags order by test_id, target_seq")
        tables.close()
        fell = {one.journal.test_id: one.fell_seq for one in batch}
        seen: set[tuple[str, str]] = set()
        for flag in flags:
            test, code, level = flag["test_id"], flag["code"], flag["level"]
            counts[level] += 1
            seen.add((f"any {level}", test))
            if level == "stop":
                seen.add((code, test))
            begun = fell[test]
            if begun is not None and code in FALL_CODES and flag["target_seq"] >= begun:
                seen |= {("found", test), (f"found {level}", test)}
                if flag["target_seq"] == begun:
                    seen.add(("found at once", test))
        counts.update(what for what, _ in seen)
    return counts


def main() -> None:
    """Derive all cases, two at a time, and print the table."""
    tests = int(sys.argv[1]) if len(sys.argv) > 1 else TESTS
    cases = [Case(stairs, sd, kind, tests) for stairs in STAIRS for sd in READING_SD for kind in KINDS]
    with multiprocessing.get_context("spawn").Pool(2) as pool:
        found = dict(zip(cases, pool.map(counted, cases, chunksize=1), strict=True))
    print(f"{tests} tests a case; flags per 100 healthy rising tests, then tests in percent\n")
    print(
        "| protocol | sd, mmHg | stop | caution | check | note | rising: a stop, % | flat: a caution, % "
        "| flat: a stop, % | falls found, % | at the first reading, % | as a stop, % |"
    )
    print("| --- |" + " ---: |" * 11)
    for stairs in STAIRS:
        for sd in READING_SD:
            rising, flat, fall = (found[Case(stairs, sd, kind, tests)] for kind in KINDS)
            shares = [100 * rising[level] / tests for level in LEVELS]
            shares += [100 * rising["any stop"] / tests]
            shares += [100 * flat[f"any {level}"] / tests for level in ("caution", "stop")]
            shares += [100 * fall[what] / tests for what in ("found", "found at once", "found stop")]
            print(f"| {stairs[0]} | {sd:g} | " + " | ".join(f"{share:.1f}" for share in shares) + " |")
    print("\nStops of rising tests by code, in percent of tests:\n")
    for case, counts in found.items():
        codes = {code: f"{100 * counts[code] / tests:.2f}" for code in sorted(counts) if "systolic" in code}
        if case.kind == "rising":
            print(f"{case.stairs[0]}, sd {case.reading_sd:g}: {codes}")


if __name__ == "__main__":
    main()
