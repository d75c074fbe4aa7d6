"""A recording under load: `python tests/benchmarks/bench_load.py [--seconds 180]`.

Four devices of 50 Hz on ptys, fed by a process of its own, and two entries a second while the
ladder runs after them.  Prints the share of one core and the memory of the recording process, how
soon entries were confirmed (on disk) and prompts shown, and whether a line was lost.  Fails where
a line was lost; seconds are printed only.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import ExitStack
from datetime import timedelta
from pathlib import Path

from adapters.log_format import LogFormat, parse_format
from adapters.serial_port import SerialPort
from adapters.setup_sections import SerialSource
from pipeline.archive import Archive
from pipeline.clock import PipelineClock
from pipeline.control import Begin
from pipeline.events import Event, ExertionRated, LineRejected, ReadingDue, ReadingTaken, Sample, TestOpened
from pipeline.journal import iter_events
from pipeline.live import Manner
from pipeline.protocol import parse_protocol
from pipeline.record import Kept, open_test
from pipeline.rules import shipped_rules

HZ, SOURCES, ENTRIES_HZ = 50, 4, 2
SETTLES_S = 2.0
PROTOCOL = {
    "stage": [{"phase": "exercise", "minutes": 1.5, "watts": 80 + 20 * number} for number in range(1, 8)]
}


def fed(ends: list[int], seconds: float) -> int:
    """The body of the feeding process: lines to all ends at their rate; how many were sent."""
    sent, begun = 0, time.monotonic()
    for number in range(round(seconds * HZ)):
        time.sleep(max(0.0, begun + number / HZ - time.monotonic()))
        for end in ends:
            os.write(end, f"{100 + number % 7},60\n".encode())
            sent += 1
    return sent


def formatted(measure: str) -> LogFormat:
    """Lines of two cells, of which the first is the measure."""
    return parse_format(
        {"delimiter": ",", "header": False, "columns": 2, "time": {"form": "none"}, measure: {"column": 1}},
        "format",
    )


def percentile(values: list[float], percent: float) -> float:
    """The value that so many per cent do not exceed."""
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(len(ordered) * percent / 100))] if ordered else float("nan")


def entered(number: int, clock: PipelineClock) -> Event:
    """A reading or a rating, in turn."""
    if number % ENTRIES_HZ:
        return ExertionRated(event_time=clock.now(), source="bench", rpe=13.0, rpe_scale="6-20")
    # typed when the cuff is down: the last sound of 80 mmHg came 28 s after the first
    moment = clock.now() - timedelta(seconds=40)
    return ReadingTaken(
        event_time=moment, source="bench", k1_mmhg=150.0, k5_mmhg=80.0, measured_source="stated"
    )


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=180.0)
    parser.add_argument("--feed", type=int, nargs="*", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.feed:
        print(fed(asked.feed, asked.seconds))
        return 0
    with tempfile.TemporaryDirectory() as folder, ExitStack() as stack:
        clock, rules = PipelineClock(), shipped_rules()
        pairs = [os.openpty() for _ in range(SOURCES)]
        sources = []
        for number, (_, device) in enumerate(pairs):
            measure = "heart_rate_bpm" if number == 1 else "watts"
            settings = SerialSource(kind="serial", port=os.ttyname(device))
            source = SerialPort(
                f"source-{number}", settings, formatted(measure), ranks=f"{measure}={number + 1}"
            )
            source.open()
            sources.append(source)
        opened = TestOpened(
            event_time=clock.now(), source="recorder", mode="live", anchor=clock.anchor, test_id="L-1",
            study="bench", participant="P-01", ergometer_posture="upright", age_years=40.0,
            rules_digest=rules.digest, software="bench", protocol=parse_protocol(PROTOCOL, "protocol"),
        )  # fmt: skip
        recording = stack.enter_context(
            open_test(opened, Kept(""), Archive(Path(folder)), rules, clock, Manner(), sources)
        )
        thread = threading.Thread(target=recording.run, daemon=True)
        thread.start()
        time.sleep(SETTLES_S)
        recording.session.ask(Begin()).result()
        ends = [end for end, _ in pairs]
        feeder = subprocess.Popen(
            [sys.executable, __file__, "--seconds", str(asked.seconds), "--feed", *map(str, ends)],
            pass_fds=ends,
            stdout=subprocess.PIPE,
            text=True,
        )
        confirmed: list[float] = []
        begun, worked = time.monotonic(), time.process_time()
        for number in range(round(asked.seconds * ENTRIES_HZ)):
            time.sleep(max(0.0, begun + number / ENTRIES_HZ - time.monotonic()))
            at = time.perf_counter()
            answer = recording.session.ask(entered(number, clock))
            answer.add_done_callback(lambda _, at=at: confirmed.append((time.perf_counter() - at) * 1e3))
        sent = int(feeder.communicate()[0])
        took = time.monotonic() - begun
        share = 100 * (time.process_time() - worked) / took
        time.sleep(SETTLES_S)
        recording.session.interrupt()
        thread.join()
        events = list(iter_events(recording.folder.journal))
    samples = sum(isinstance(event, Sample) for event in events)
    rejected = sum(isinstance(event, LineRejected) for event in events)
    late = [
        1e3 * ((event.elapsed_s or 0) - (event.stand_by - opened.anchor).total_seconds())
        for event in events
        if isinstance(event, ReadingDue)
    ]
    print(f"{took:.0f} s, {sent} lines sent: {samples} samples, {rejected} said to be unused")
    print(f"process: {share:.1f} % of one core (wanted 20), at most "
          f"{resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB (wanted 250)")  # fmt: skip
    print(f"{len(confirmed)} entries confirmed within {percentile(confirmed, 50):.1f} ms (median), "
          f"{percentile(confirmed, 99):.1f} ms (99th percentile, wanted 25)")  # fmt: skip
    print(f"{len(late)} prompts shown within {max(late, default=0):.1f} ms of their time (wanted 50)")
    print(f"trouble: {', '.join(recording.session.view.trouble) or 'none'}")
    return 0 if samples + rejected == sent else 1


if __name__ == "__main__":
    sys.exit(main())
