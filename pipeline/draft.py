"""A test folder that is being made: hidden until it is whole.

What is joined from files can be joined again, so half of it is worth nothing: it has its name
only when all of it is there, and a failure leaves nothing that the next attempt would meet.
"""

from __future__ import annotations

import contextlib
import os
import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from pipeline.archive import DISK, Archive, Disk, TestFolder, not_writable, sweep, temporary
from pipeline.errors import ArchiveError, JournalExists, UsageError


def new_folder(folder: Path) -> None:
    """Make a folder that is not there yet, or take one that is empty.

    Raises UsageError where something is in it, or where it cannot be made.
    """
    try:
        if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
            raise UsageError(f"{folder}: is there and not empty; name a new folder, nothing is overwritten")
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(
            f"{folder}: cannot be made ({error.strerror}); choose a place you may write to"
        ) from None


def free_folder(archive: Archive, study: str, test_id: str) -> TestFolder:
    """Where the new test is going to lie.

    Raises JournalExists where it is there already, ArchiveError where other files stand there.
    """
    folder = archive.test_folder(study, test_id)
    if os.path.lexists(folder.journal):
        raise JournalExists(
            folder.journal,
            f"test {test_id} of study {study} is there already and an existing test is never overwritten; "
            "give the new one another id in [test], or move that folder away",
        )
    if os.path.lexists(folder.path) and not folder.path.is_dir():
        raise ArchiveError(f"{folder.path}: is there and no folder; move it away, or give another id")
    found = sorted(path.name for path in folder.path.iterdir()) if folder.path.is_dir() else []
    if found:
        raise ArchiveError(
            f"{folder.path}: is there without a journal, and holds {', '.join(found[:3])}; "
            "move it away, or give the new test another id"
        )
    return folder


@contextlib.contextmanager
def draft(archive: Archive, study: str, test_id: str, disk: Disk = DISK) -> Iterator[TestFolder]:
    """A hidden folder to make the test in; it gets its name when the block ends without an error.

    However else the block ends, it is removed, with the folders that were made around it.  What a
    killed process left behind is removed by the next one.  Raises as `free_folder` does, and
    ArchiveError where the folders cannot be made.
    """
    final = free_folder(archive, study, test_id)
    around = final.path.parent
    missing = [path for path in (around, *around.parents) if not path.exists()]
    hidden = temporary(final.path)
    try:
        around.mkdir(parents=True, exist_ok=True)
        for made in reversed(missing):
            disk.sync_folder(made.parent)
        sweep(around)
        hidden.mkdir()
    except OSError as error:
        _remove(hidden, missing)
        raise not_writable(final.path, error) from error
    try:
        yield replace(final, path=hidden)
        _name(hidden, final, disk)
    except ArchiveError as error:
        _remove(hidden, missing)
        # nobody knows the hidden name
        raise ArchiveError(str(error).replace(str(hidden), str(final.path))) from error
    except BaseException:
        _remove(hidden, missing)
        raise


def _name(hidden: Path, final: TestFolder, disk: Disk) -> None:
    try:
        disk.sync_folder(hidden)
        hidden.rename(final.path)  # onto nothing or an empty folder; refused where another came first
    except OSError as error:
        free_folder(Archive(final.path.parents[1]), final.study, final.test_id)
        raise not_writable(final.path, error) from error
    try:
        disk.sync_folder(final.path.parent)
    except OSError as error:
        final.path.rename(hidden)  # a name that may not last is taken back
        raise not_writable(final.path, error) from error


def _remove(hidden: Path, made: list[Path]) -> None:
    shutil.rmtree(hidden, ignore_errors=True)
    with contextlib.suppress(OSError):  # somebody else put something there
        for folder in made:
            folder.rmdir()
