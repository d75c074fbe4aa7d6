"""Many invented tests as journals, written directly: what a benchmark of sealing begins with.

Each test has a number of its own and is otherwise the usual one of 20 minutes: two sources at
1 Hz, two readings at rest, one a stage, three in recovery.  No prompts are journalled.
"""

from __future__ import annotations

from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from hashlib import sha256
from pathlib import Path

from pipeline.archive import Archive
from pipeline.events import Event, StageStarted, TestClosed, TestOpened
from pipeline.journal_read import CHAIN_DIGITS, CHAIN_END, CHAIN_KEY
from pipeline.simulate import SimulatedTest, simulate_test, source_logs

# 20 minutes: rest 8 min with two readings, then a staircase and recovery
TWENTY_MINUTES = {"rest_minutes": 8.0, "stages": 4, "stage_minutes": 2.0, "recovery_minutes": 4.0}
_ORDER = {"test_opened": 0, "source_opened": 1, "stage_started": 2, "sample": 3}


def write_journals(root: Path, tests: int) -> None:
    """Write the journals of the invented tests 0 to `tests` - 1 below `root`; those there stay."""
    with ProcessPoolExecutor() as pool:
        for _ in pool.map(_write, [root] * tests, range(tests), chunksize=20):
            pass


def _write(root: Path, number: int) -> None:
    folder = Archive(root).test_folder(f"study-{number % 10}", f"T-{number:05d}")
    if folder.journal.exists():
        return
    test = simulate_test(
        number, study=folder.study, test_id=folder.test_id, participant=f"P-{number:05d}", **TWENTY_MINUTES
    )
    folder.path.mkdir(parents=True, exist_ok=True)
    folder.journal.write_bytes(_chained(_events(test)))


def _events(test: SimulatedTest) -> list[Event]:
    fields, logs = source_logs(test)
    opened = TestOpened(**fields | {"rules_digest": "0" * 16, "software": "benchmark"})
    timed: list[tuple[float, Event]] = [(0.0, opened)]
    for part in test.ridden:
        described = part.stage.model_dump(
            include={"label", "phase", "position", "target_watts", "target_watts_to", "planned_s"}
        )
        stage = StageStarted(
            event_time=test.at(part.started_s),
            source="protocol",
            stage_index=part.stage_index,
            by="schedule",
            **described,
        )
        timed.append((part.started_s, stage))
    for log in logs:
        timed.append((0.0, log.opened))
        timed += [(max(0.0, (one.event_time - test.at(0)).total_seconds()), one) for one in log.events]
    timed.sort(key=lambda pair: (pair[0], _ORDER.get(pair[1].kind, 4)))
    closed = TestClosed(
        event_time=test.at(test.ended_s),
        source="recorder",
        outcome="completed",
        counts=dict(Counter(event.kind for _, event in timed)),
    )
    timed.append((max(test.ended_s, timed[-1][0]), closed))
    return [
        event.model_copy(update={"seq": seq, "elapsed_s": elapsed_s})
        for seq, (elapsed_s, event) in enumerate(timed)
    ]


def _chained(events: list[Event]) -> bytes:
    hasher, lines = sha256(), bytearray()
    for event in events:
        line = event.model_dump_json(exclude_none=True).encode()[:-1] + CHAIN_KEY
        hasher.update(line)
        end = hasher.hexdigest()[:CHAIN_DIGITS].encode() + CHAIN_END
        hasher.update(end)
        lines += line + end
    return bytes(lines)
