"""How well the live prompts work, against prompts at a fixed time before the stage end.

    python tests/benchmarks/bench_prompts.py [TESTS A LENGTH OF STAGE]

Invented tests: rest with two readings, stages of 25 W more each, recovery with marks at 1, 3 and 5
min.  Pressures, heart rates and capacity are those of the simulator (rise of systolic by Hedman et
al., EJPC 2021; a ride ends before its true systolic passes 226 mmHg), only that systolic goes back
to rest with a lag of 60 to 180 s (ours).  Recorder and planner are the real ones; what the deriver
would find is put together from the entries, which tests/external/test_live_prompts.py holds against
the deriver.

The assessor (ours): pumps 3 to 20 s after cuff_up (drawn for each reading) by 30 mmHg/s, on by 30
mmHg while sounds are there at the top, lets down by 2 to 4 mmHg/s (drawn for each assessor; sd 0.15
from reading to reading) and types the entry 4 to 15 s after release.  Every other one marks first and
last sound; the others type without a time.  A single reading lies 3.5 (rest) or 5 mmHg (sd) beside
the course.  With a fixed prompt the same assessor pumps at that moment of the same test up to the
same pressure, but not within 30 s after release.

Prints Markdown.  Exits with 1 where under 97 % of the readings planned whole or under 99 % of the
first sounds end in their stage, or where a fixed prompt that is as good in both is nearer to the end.
"""

from __future__ import annotations

import multiprocessing
import sys
from collections import Counter
from dataclasses import dataclass, field
from itertools import pairwise
from statistics import median

from prompted import PAUSE_S, PromptedTest, elapsed, fixed, measure
from riders import MARKS_S, Heard, make_rider

from pipeline import events as ev
from pipeline.plan import MARK_S

TESTS = 1000
STAGE_MINUTES = (2, 3)
LEADS_S = (30.0, 45.0, 60.0, 90.0, 120.0)
LAST_INSIDE, FIRST_INSIDE = 97.0, 99.0


@dataclass
class Found:
    """Counts and seconds of one length of stage."""

    counts: Counter[str] = field(default_factory=Counter)
    seconds: dict[str, list[float]] = field(default_factory=dict)

    def add(self, other: Found) -> None:
        """Put both together."""
        self.counts += other.counts
        for name, values in other.seconds.items():
            self.seconds.setdefault(name, []).extend(values)

    def share(self, part: str, whole: str) -> float:
        """In percent."""
        return 100 * self.counts[part] / max(1, self.counts[whole])

    def ahead_s(self, who: str, *, whole: bool = False) -> float:
        """Median seconds from first sound to stage end, of the readings planned whole or of all."""
        kinds = ("whole",) if whole else ("whole", "systolic")
        return median(value for fits in kinds for value in self.seconds.get(f"{who} {fits}", []))


def judge(prompted: PromptedTest) -> Found:
    """Each stage end and each mark of a test, by the true moments of its sounds.

    Those of the fixed prompts too, in the stages where the live ones asked for a reading.
    """
    found, rider = Found(), prompted.rider
    counts = found.counts
    by_lead = {str(int(lead)): fixed(prompted, lead) for lead in LEADS_S}
    ends: dict[int, tuple[ev.ReadingDue, Heard | None]] = {}
    marks: dict[int, tuple[ev.ReadingDue, Heard | None]] = {}
    for seq, due in prompted.dues.items():  # of several the last: room was found, or lost
        if due.aims_at == "stage_end":
            ends[due.stage_index] = due, prompted.heard.get(seq)
        elif due.aims_at == "mark":
            wanted_s = elapsed(due.window_closes) - MARK_S - rider.ridden[due.stage_index].started_s
            number = min(range(len(MARKS_S)), key=lambda n: abs(wanted_s - MARKS_S[n]))
            marks[number] = due, prompted.heard.get(seq)
    for index, (due, live) in ends.items():
        end_s = rider.ridden[index].ended_s
        counts["ends"] += 1
        counts[due.fits] += 1
        if due.fits == "no":
            continue
        counts["asked"] += 1
        heard = {"live": live, **{lead: readings[index] for lead, readings in by_lead.items()}}
        for who, one in heard.items():
            if one is None:
                continue  # counts as outside
            counts[f"{who} first"] += one.first_s <= end_s
            counts[f"{who} last"] += one.last_s <= end_s
            counts[f"{who} last {due.fits}"] += one.last_s <= end_s
            found.seconds.setdefault(f"{who} {due.fits}", []).append(end_s - one.first_s)
    for number, (due, live) in marks.items():
        counts[f"mark {number} no"] += due.fits == "no"
        if live is not None:
            late_s = live.first_s - rider.ridden[-1].started_s - MARKS_S[number]
            counts[f"mark {number} near"] += abs(late_s) <= MARK_S
            found.seconds.setdefault(f"mark {number}", []).append(late_s)
    order = sorted(prompted.heard.values(), key=lambda heard: heard.pump_s)
    counts["tests"] = 1
    counts["pauses"] = len(order) - 1
    counts["short pauses"] = sum(
        after.pump_s - before.release_s < PAUSE_S for before, after in pairwise(order)
    )
    return found


def one_test(job: tuple[int, float]) -> Found:
    """One test of this number and length of stage."""
    return judge(measure(make_rider(*job)))


def failures(minutes: float, found: Found) -> list[str]:
    """What is not as wanted; shares only, seconds are compared with those of the fixed prompts."""
    first, last = found.share("live first", "asked"), found.share("live last whole", "whole")
    wrong = []
    if first < FIRST_INSIDE:
        wrong.append(f"{minutes} min: {first:.1f} % of first sounds inside, {FIRST_INSIDE:g} % wanted")
    if last < LAST_INSIDE:
        wrong.append(f"{minutes} min: {last:.1f} % of whole readings inside, {LAST_INSIDE:g} % wanted")
    for lead in (str(int(lead)) for lead in LEADS_S):
        as_good = found.share(f"{lead} first", "asked") >= first
        if as_good and found.share(f"{lead} last whole", "whole") >= last:
            if found.ahead_s("live") >= found.ahead_s(lead):
                wrong.append(f"{minutes} min: {lead} s before the end is as good and nearer to the end")
            break
    return wrong


def main() -> None:
    """All tests, two at a time; print the tables; exit 1 where something is not as wanted."""
    tests = int(sys.argv[1]) if len(sys.argv) > 1 else TESTS
    results: dict[float, Found] = {minutes: Found() for minutes in STAGE_MINUTES}
    with multiprocessing.get_context("spawn").Pool(2) as pool:
        for minutes, found in results.items():
            for one in pool.imap(one_test, [(number, minutes) for number in range(tests)], chunksize=20):
                found.add(one)
    show_stages(tests, results)
    show_marks(results)
    wrong = [line for minutes, found in results.items() for line in failures(minutes, found)]
    if wrong:
        sys.exit("not as wanted: " + "; ".join(wrong))


def show_stages(tests: int, results: dict[float, Found]) -> None:
    """The readings of stage ends, live and with fixed prompts."""
    print(f"{tests} tests a length of stage\n")
    for minutes, found in results.items():
        shares = ", ".join(
            f"{found.share(fits, 'ends'):.1f} % {words}"
            for fits, words in (("whole", "whole"), ("systolic", "systolic only"), ("no", "without room"))
        )
        print(f"- {minutes} min, {found.counts['ends']:,} stages: {shares}; pauses under 30 s between "
              f"readings: {found.share('short pauses', 'pauses'):.1f} %")  # fmt: skip
    print("\n| stages | prompt | whole: last sound inside, % | first sound inside, % | last sound inside, % "
          "| whole: first sound before the end, s | first sound before the end, s |")  # fmt: skip
    print("| --- | --- |" + " ---: |" * 5)
    for minutes, found in results.items():
        for who in ("live", *(str(int(lead)) for lead in LEADS_S)):
            shares = [
                found.share(f"{who} last whole", "whole"),
                found.share(f"{who} first", "asked"),
                found.share(f"{who} last", "asked"),
            ]
            ahead = [found.ahead_s(who, whole=True), found.ahead_s(who)]
            name = who if who == "live" else f"{who} s before the end"
            print(
                f"| {minutes} min | {name} | " + " | ".join(f"{value:.1f}" for value in shares + ahead) + " |"
            )


def show_marks(results: dict[float, Found]) -> None:
    """The readings of recovery."""
    print("\n| stages | mark | within 15 s, % | without room, % | late, s: median | 5 % | 95 % |")
    print("| --- | --- |" + " ---: |" * 5)
    for minutes, found in results.items():
        for number, mark_s in enumerate(MARKS_S):
            late_s = sorted(found.seconds[f"mark {number}"])
            shares = [found.share(f"mark {number} {what}", "tests") for what in ("near", "no")]
            spread = [median(late_s), late_s[len(late_s) // 20], late_s[-1 - len(late_s) // 20]]
            print(f"| {minutes} min | {mark_s / 60:g} min | "
                  + " | ".join(f"{value:.1f}" for value in shares + spread) + " |")  # fmt: skip


if __name__ == "__main__":
    main()
