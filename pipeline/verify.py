"""Verification: journals and the files made from them, checked against each other.

Reads only.  A finding has a level: `damaged` (the journal cannot be trusted), `open` (a test that
was never closed), `torn` (bytes after the last whole line), `stale` (sealed files are missing,
cannot be read, or were made from another journal, rules or derivation), `stray` (a folder with a
journal whose name says no study and test), `fine`, `amended` (a correction, in words; nothing is wrong).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.amend import history
from pipeline.archive import Archive, TestFolder
from pipeline.columns import published
from pipeline.errors import CuffwattError
from pipeline.journal import read_journal
from pipeline.seal import is_stale, rules_of

Level = Literal["damaged", "open", "torn", "stale", "stray", "fine", "amended"]


@dataclass(frozen=True)
class Finding:
    """What was found of one test, in words; `wrong` findings make the command exit with 1."""

    study: str
    test_id: str
    level: Level
    words: str
    lines: int | None = None
    chain: str | None = None

    @property
    def wrong(self) -> bool:
        """Whether somebody has to act."""
        return self.level not in ("fine", "amended")


def verify(folders: Iterable[TestFolder]) -> list[Finding]:
    """One finding or more for each test, in the order given; nothing is repaired."""
    return [finding for folder in folders for finding in _verify_one(folder)]


def strays(root: Path) -> list[Finding]:
    """A finding for each folder of an archive or study that holds a journal but is not named as a test."""
    whole = root.parent if root.name.startswith("study=") else root
    return [
        Finding(
            path.parent.name,
            path.name,
            "stray",
            f"{path}: holds a journal but is not named study=S/test=T, so no command sees it; rename it "
            "after the study and test_id in the journal's first line",
        )
        for path in Archive(whole).strays()
        if root.absolute() in path.parents
    ]


def _verify_one(folder: TestFolder) -> list[Finding]:
    def finding(level: Level, words: str) -> Finding:
        return Finding(folder.study, folder.test_id, level, words, lines, chain)

    lines: int | None = None
    chain: str | None = None
    try:
        journal = read_journal(folder.journal)
        folder.check_ids(journal.opened.study, journal.opened.test_id)
    except CuffwattError as error:
        return [finding("damaged", str(error))]
    lines, chain = journal.lines, journal.head
    found = []
    if journal.torn_tail:
        found.append(
            finding(
                "torn",
                f"{folder.journal}: {len(journal.torn_tail)} bytes after the last whole line were never "
                "confirmed; they are cut, with a backup, when the test is resumed",
            )
        )
    if not journal.closed:
        found.append(
            finding(
                "open", f"{folder.journal}: the test was not closed; it was interrupted or is still running"
            )
        )
    try:
        rules = rules_of(folder)
    except CuffwattError as error:
        return [*found, finding("damaged", str(error))]
    seal = f"run cuffwatt seal {folder.path}"  # by itself: it is then derived whatever it looks like
    if is_stale(folder, rules, journal.head):
        found.append(finding("stale", f"{folder.path}: {_why_stale(folder)}; {seal}"))
    elif unreadable := _unreadable(folder):
        found.append(finding("stale", f"{folder.path}: {unreadable}; {seal}"))
    if not found:
        found.append(finding("fine", f"{journal.lines} lines, chain {journal.head}, sealed files agree"))
    return [*found, *(finding("amended", one.words()) for one in history(journal.events))]


def _why_stale(folder: TestFolder) -> str:
    missing = [name for name in published() if not folder.parquet(name).exists()]
    if len(missing) == len(published()):
        return "not sealed yet"
    if missing:
        return f"{', '.join(f'{name}.parquet' for name in missing)} not there"
    if unreadable := _unreadable(folder):
        return unreadable
    return "the sealed files were made from another journal, other rules or another version"


def _unreadable(folder: TestFolder) -> str | None:
    """What is wrong with the first sealed file whose rows cannot be read."""
    for name in published():
        path = folder.parquet(name)
        try:
            pq.read_table(path, page_checksum_verification=True)
        except (OSError, ValueError, pa.ArrowException):
            return f"{path.name} cannot be read"
    return None
