"""One live test that is killed again and again: what was sent to it, what it confirmed, what is left.

    with Killed(folder) as test:
        test.live(seconds)          # a run, killed so long after its start
        test.finish()               # a last run to its end; the lines that must be there are

For tests and for `tests/benchmarks/bench_kills.py`.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import termios
import threading
import tty
from contextlib import suppress
from pathlib import Path
from typing import Any

from pipeline.archive import Archive
from pipeline.clock import monotonic_s
from pipeline.errors import JournalError
from pipeline.events import JournalRepaired, Sample, SourceOpened, TestResumed
from pipeline.journal import iter_events
from pipeline.seal import seal_all
from pipeline.verify import verify

LONG_S = 60.0
HZ = 50
ROOT = Path(__file__).parents[2]
LOSABLE_S = 1.0
"""What devices sent in the last second before a power cut may be lost."""


class Feeder(threading.Thread):
    """A device that sends its own count, and remembers when it sent what."""

    def __init__(self) -> None:
        super().__init__(daemon=True)
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave, termios.TCSANOW)
        os.set_blocking(self._master, False)
        self.port = os.ttyname(self._slave)
        self.sent_s: dict[int, float] = {}
        self.ended = threading.Event()

    def run(self) -> None:
        """Send until `ended`; what nobody takes is not sent."""
        number, rest = 0, b""
        while not self.ended.wait(1 / HZ):
            with suppress(BlockingIOError):
                if rest:
                    rest = rest[os.write(self._master, rest) :]
                if not rest:
                    number += 1
                    line = b"%d,60\n" % number
                    rest = line[os.write(self._master, line) :]
                    self.sent_s[number] = monotonic_s()

    def close(self) -> None:
        """End it."""
        self.ended.set()
        self.join()
        os.close(self._master)
        os.close(self._slave)


class Killed:
    """The test, its device, and what must be in its journal."""

    def __init__(self, root: Path) -> None:
        self.folder = Archive(root).test_folder("S", "T")
        self._root = root
        self._feeder = Feeder()
        self._process: subprocess.Popen[str] | None = None
        self.confirmed: list[dict[str, Any]] = []
        self.kills_s: list[float] = []

    def __enter__(self) -> Killed:
        self._feeder.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.communicate()
        self._feeder.close()

    def _start(self) -> subprocess.Popen[str]:
        how = "resume" if self._began() else "new"
        words = [sys.executable, str(Path(__file__).with_name("entrant.py"))]
        self._process = subprocess.Popen(
            [*words, str(self._root), self._feeder.port, how],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
            env=os.environ | {"PYTHONPATH": str(ROOT)},
        )  # fmt: skip
        return self._process

    def _began(self) -> bool:
        """Whether there is a test to go on with; one without a line is taken away, as its message says."""
        if not self.folder.journal.exists():
            return False
        if self.folder.journal.read_bytes().count(b"\n"):
            return True
        for path in self.folder.path.iterdir():
            path.unlink()
        return False

    def live(self, seconds: float, *, confirmed: bool = True) -> None:
        """A run that is killed `seconds` after its first confirmation (without `confirmed`: its start)."""
        process = self._start()
        assert process.stdout is not None
        if confirmed:
            line = process.stdout.readline()
            assert line, process.communicate()[1]
            self._heard(line)
        threading.Event().wait(seconds)
        process.kill()
        self.kills_s.append(monotonic_s())
        out, err = process.communicate(timeout=LONG_S)
        assert process.returncode == -signal.SIGKILL, err
        for line in out.splitlines(keepends=True):
            self._heard(line)

    def finish(self) -> None:
        """A last run that is told to end; the test is then sealed."""
        process = self._start()
        assert process.stdout is not None
        first = process.stdout.readline()
        assert first, process.communicate()[1]
        self._heard(first)
        process.terminate()
        self.kills_s.append(monotonic_s())
        out, err = process.communicate(timeout=LONG_S)
        assert process.returncode == 0, err
        for line in out.splitlines(keepends=True):
            self._heard(line)
        assert [outcome.problem for outcome in seal_all([self.folder], None)] == [None]

    def _heard(self, line: str) -> None:
        if line.endswith("\n"):  # a line that was cut off was not heard
            self.confirmed.append(json.loads(line))

    # ---- what must be

    def lost_entries(self) -> list[dict[str, Any]]:
        """Confirmed events that are not in the journal as they were confirmed."""
        there = {event.seq: event for event in iter_events(self.folder.journal)}
        return [
            told
            for told in self.confirmed
            if told["seq"] not in there
            or json.loads(there[told["seq"]].model_dump_json(exclude_none=True)) != told
        ]

    def lost_samples(self) -> list[int]:
        """Of `owed_samples` those that are not there."""
        heard = set[int]().union(*self._runs())
        return sorted(set(self.owed_samples()) - heard)

    def owed_samples(self) -> list[int]:
        """Counts that must be there: sent while a run heard, and more than a second before its end.

        A run hears from the first count that it has written down up to the first kill (or the end) after
        that was sent; a kill while one opens has no run.
        """
        owed: list[int] = []
        sent_s = self._feeder.sent_s.copy()  # the device goes on
        for heard in self._runs():
            if heard:
                first_s = sent_s[min(heard)]
                end_s = min(kill_s for kill_s in self.kills_s if kill_s > first_s)
                owed += [n for n, at_s in sent_s.items() if first_s <= at_s < end_s - LOSABLE_S]
        return owed

    def _runs(self) -> list[set[int]]:
        """The counts that each run wrote down."""
        runs: list[set[int]] = []
        for event in iter_events(self.folder.journal):
            if isinstance(event, TestResumed) or event.seq == 0:
                runs.append(set())
            elif isinstance(event, Sample):
                runs[-1].add(int(event.watts or 0))
        return runs

    def figures(self) -> dict[str, int]:
        """How much there was."""
        try:
            events = list(iter_events(self.folder.journal))
        except JournalError:
            return {}
        kinds = {"resumed": TestResumed, "repaired": JournalRepaired, "samples": Sample}
        counts = {name: sum(isinstance(one, kind) for one in events) for name, kind in kinds.items()}
        opened = sum(isinstance(one, SourceOpened) for one in events)
        return counts | {
            "confirmed": len(self.confirmed),
            "ends": len(self.kills_s),
            "opened": opened,
            "owed": len(self.owed_samples()),
        }

    def findings(self) -> list[str]:
        """The levels that `verify` gives the test."""
        return [finding.level for finding in verify([self.folder])]
