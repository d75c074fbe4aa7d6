"""A live test in a process of its own, to be killed: `python entrant.py ROOT PORT new|resume`.

It reads a device on PORT and enters notes and readings as fast as they are confirmed.  Every
line on stdout is one confirmed event, written after it came back.  SIGTERM closes the test.
"""

from __future__ import annotations

import signal
import sys
import threading
from contextlib import suppress
from pathlib import Path

from adapters.log_format import parse_format
from adapters.serial_port import SerialPort
from adapters.setup_sections import SerialSource
from pipeline.archive import Archive
from pipeline.clock import Clock, PipelineClock
from pipeline.errors import CuffwattError
from pipeline.events import Event, NoteWritten, ReadingTaken, TestOpened
from pipeline.live import Manner
from pipeline.protocol import parse_protocol
from pipeline.record import Kept, open_test, resume_test
from pipeline.rules import shipped_rules
from pipeline.session import Session

FORMAT = parse_format(
    {"delimiter": ",", "header": False, "columns": 2, "time": {"form": "none"}, "watts": {"column": 1},
     "cadence_rpm": {"column": 2}},
    "format",
)  # fmt: skip
PROTOCOL = {"stage": [{"phase": "rest", "minutes": 5}, {"phase": "exercise", "minutes": 60, "watts": 50}]}
MANNER = Manner(start="now")
EVERY_S = 0.02


def enter(session: Session, clock: Clock, ended: threading.Event) -> None:
    """Entries one after another, each said once it is confirmed."""
    number = 0
    with suppress(CuffwattError):  # the test is closed
        while not ended.wait(EVERY_S):
            number += 1
            event: Event
            if number % 5:
                event = NoteWritten(event_time=clock.now(), source="terminal", text=f"note {number}")
            else:
                event = ReadingTaken(
                    event_time=clock.now(), source="terminal", k1_mmhg=120.0 + number % 20, k5_mmhg=80.0,
                    measured_source="estimated",
                )  # fmt: skip
            kept = session.ask(event).result()
            print(kept.model_dump_json(exclude_none=True), flush=True)


def main(root: Path, port: str, how: str) -> None:
    """Record until SIGTERM."""
    rules, ended = shipped_rules(), threading.Event()
    sources = [SerialPort("bike", SerialSource(kind="serial", port=port), FORMAT, ranks="watts=1")]
    if how == "new":
        clock = PipelineClock()
        opened = TestOpened(
            event_time=clock.anchor, source="setup", mode="live", anchor=clock.anchor, test_id="T",
            study="S", participant="P-01", protocol=parse_protocol(PROTOCOL, "test"),
            rules_digest=rules.digest, software="test",
        )  # fmt: skip
        opening = open_test(opened, Kept(""), Archive(root), rules, clock, MANNER, sources)
    else:
        opening = resume_test(Archive(root).test_folder("S", "T"), rules, MANNER, sources, "test")
    with opening as recording:
        signal.signal(signal.SIGTERM, lambda *_: recording.session.interrupt())
        given = (recording.session, recording.clock, ended)
        threading.Thread(target=enter, args=given, daemon=True).start()
        recording.run()
        ended.set()


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2], sys.argv[3])
