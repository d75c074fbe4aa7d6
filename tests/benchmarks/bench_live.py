"""How soon the flags of an entry are there: `python tests/benchmarks/bench_live.py`.

Two invented tests of an hour (1 Hz of two sources, 10 Hz of three) are taken up to their end; then
entries come 4 s apart, with samples, and a watch each second that is followed by a run where it says
so.  Prints; asserts nothing, because seconds say more about the machine than about the change.
bench_load.py has a whole recording with devices and disk.
"""

from __future__ import annotations

import os
import platform
import time
from collections.abc import Callable
from datetime import timedelta
from typing import Any

from pipeline import events as ev
from pipeline.deriver import Deriver
from pipeline.rules import shipped_rules
from pipeline.simulate import simulate_test, source_logs

HOUR = {"rest_minutes": 8.0, "stages": 14, "stage_minutes": 3.0, "recovery_minutes": 10.0, "step_watts": 15.0}
ENTRIES = 25
ENTRY_EVERY_S = 4


class Fed:
    """A deriver and the number and pipeline second that it has come to."""

    def __init__(self) -> None:
        self.deriver = Deriver(shipped_rules())
        self.seq = -1
        self.second = 0.0
        self.anchor = simulate_test(7).at(0)

    def take(self, event: ev.Event, second: float) -> None:
        self.seq += 1
        self.second = max(self.second, second)
        self.deriver.take(event.model_copy(update={"seq": self.seq, "elapsed_s": max(0.0, second)}))

    @property
    def now(self) -> Any:
        return self.anchor + timedelta(seconds=self.second)

    def reading(self, before_s: float = 40.0) -> None:
        moment = self.now - timedelta(seconds=before_s)
        self.take(
            ev.ReadingTaken(event_time=moment, source="console", k1_mmhg=150.0, k5_mmhg=80.0,
                            measured_source="stated"),
            self.second,
        )  # fmt: skip

    def samples(self, sources: int, hz: float, from_s: float, to_s: float) -> None:
        for n in range(round((to_s - from_s) * hz)):
            at_s = from_s + (n + 1) / hz
            moment = self.anchor + timedelta(seconds=at_s)
            for source in range(sources):
                measures = {"heart_rate_bpm": 120.0} if source == 1 else {"watts": 100.0}
                self.take(ev.Sample(event_time=moment, source=f"source-{source}", **measures), at_s)


def an_hour(**logs: float) -> Fed:
    """A deriver that has taken an invented hour, in its last loaded minutes."""
    test = simulate_test(7, **HOUR, **logs)
    fields, sources = source_logs(test)
    one = Fed()
    one.anchor = test.at(0)
    one.take(ev.TestOpened(**fields | {"mode": "live"}, rules_digest="0" * 16, software="bench"), 0)
    for log in sources:
        one.take(log.opened, 0)
    for index, part in enumerate(test.ridden[:-1]):
        stage = part.stage
        one.take(
            ev.StageStarted(event_time=test.at(part.started_s), source="recorder", stage_index=index,
                            label=stage.label, phase=stage.phase, position=stage.position,
                            target_watts=stage.target_watts, planned_s=stage.planned_s, by="schedule"),
            part.started_s,
        )  # fmt: skip
    for event in sorted(
        (event for log in sources for event in log.events), key=lambda event: event.event_time
    ):
        one.take(event, (event.event_time - one.anchor).total_seconds())
    return one


def timed(work: Callable[[], object]) -> tuple[float, float]:
    """Milliseconds of one call, by the clock on the wall and of the processor."""
    begun, worked = time.perf_counter(), time.process_time()
    work()
    return (time.perf_counter() - begun) * 1e3, (time.process_time() - worked) * 1e3


def said(name: str, times: list[tuple[float, float]]) -> None:
    """One line of the table: 50th and 99th percentile, and the 50th of processor time."""
    wall, worked = (sorted(one) for one in zip(*times, strict=True))
    middle, last = len(wall) // 2, int(len(wall) * 0.99)
    print(f"{name:62s} {wall[middle]:8.1f} {wall[last]:8.1f} {worked[middle]:8.1f}", flush=True)


def entries(name: str, one: Fed, sources: int, hz: float) -> None:
    """Flags of an entry and the watch at the end of an hour."""
    for source in range(sources):
        measure = "heart_rate_bpm" if source == 1 else "watts"
        one.take(
            ev.SourceOpened(event_time=one.now, source=f"source-{source}", name=f"source-{source}",
                            adapter="bench", ranks=f"{measure}={source + 4}"),
            one.second,
        )  # fmt: skip
    one.deriver.derive(one.now, one.seq)
    one.deriver.warm_up()
    derived, watched, run = [], [], []
    for number in range(ENTRIES * ENTRY_EVERY_S):
        one.samples(sources, hz, one.second, one.second + 1)
        watched.append(timed(lambda: one.deriver.watch(one.now, one.seq)))
        if one.deriver.watch(one.now, one.seq).differs:
            run.append(timed(lambda: one.deriver.derive(one.now, one.seq)))
        if number % ENTRY_EVERY_S == 0:
            one.reading()
            derived.append(timed(lambda: one.deriver.derive(one.now, one.seq)))
    said(f"flags of an entry, {name}", derived)
    said(f"watch, {name}", watched)
    said(f"a run that the watch asked for, {name}", run)
    one.deriver.close()


def main() -> None:
    """Measure and print."""
    print(f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}")
    print(f"{'':62s} {'p50 ms':>8s} {'p99 ms':>8s} {'CPU ms':>8s}")
    entries("60 min at 1 Hz, two sources", an_hour(), 2, 1)
    fast = {"ergometer_hz": 10.0, "heart_rate_hz": 10.0, "pedals_hz": 10.0}
    entries("60 min at 10 Hz, three sources", an_hour(**fast), 3, 10)


if __name__ == "__main__":
    main()
