"""The machine that a test is about to be recorded on: its clock, and the disk of the archive."""

from __future__ import annotations

import os
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from pipeline.archive import Archive
from pipeline.clock import ClockStep, PipelineClock, today, wall_now
from pipeline.draft import free_folder
from pipeline.errors import ArchiveError, CuffwattError

STEP_S = 0.1
"""A clock that is being set moves by more in some seconds; one that is kept in step does not."""


@dataclass(frozen=True)
class Machine:
    """What was found of it: wall time, offset from UTC and date, clock steps, free space in bytes.

    `installed_at` is when this program came here; `refused` says why the archive, or this test in
    it, cannot be used (None: it can).
    """

    wall: datetime
    offset: timedelta
    today: date
    installed_at: datetime
    steps: Sequence[ClockStep]
    free_bytes: int
    refused: str | None = None


def this_machine(clock: PipelineClock, archive: Archive, study: str, test_id: str) -> Machine:
    """The machine now; `clock` was begun some seconds ago.  Nothing is written."""
    wall = wall_now()
    root = archive.root.absolute()
    there = next(path for path in (root, *root.parents) if path.exists())
    return Machine(
        wall=wall,
        offset=wall.astimezone().utcoffset() or timedelta(0),
        today=today(),
        installed_at=datetime.fromtimestamp(Path(__file__).stat().st_mtime, UTC),
        steps=clock.steps(STEP_S),
        free_bytes=shutil.disk_usage(there).free,
        refused=_refusal(archive, there, study, test_id),
    )


def _refusal(archive: Archive, there: Path, study: str, test_id: str) -> str | None:
    try:
        if not there.is_dir():
            raise ArchiveError(f"{there}: is no folder; name the archive with --archive")
        folder = free_folder(archive, study, test_id)
        nearest = next(path for path in (folder.path, *folder.path.parents) if path.exists())
        if not os.access(nearest, os.W_OK | os.X_OK):
            raise ArchiveError(
                f"{nearest}: cannot be written; check its rights, or name another folder with --archive"
            )
    except CuffwattError as problem:
        return str(problem)
    return None
