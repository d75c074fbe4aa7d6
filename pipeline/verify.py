"""Verification: journals and the files made from them, checked against each other.

Reads only.  A finding has a level: `damaged` (the journal cannot be trusted), `open` (a test that
was never closed), `torn` (bytes after the last whole line), `stale` (sealed files are missing or
were made from another journal, rules or derivation), `fine`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from pipeline.archive import TestFolder
from pipeline.errors import CuffwattError
from pipeline.events import Amended
from pipeline.journal import read_journal
from pipeline.seal import is_stale, rules_of


@dataclass(frozen=True)
class Finding:
    """What was found of one test, in words; `wrong` findings make the command exit with 1."""

    study: str
    test_id: str
    level: Literal["damaged", "open", "torn", "stale", "fine"]
    words: str
    lines: int | None = None
    chain: str | None = None

    @property
    def wrong(self) -> bool:
        """Whether somebody has to act."""
        return self.level != "fine"


def verify(folders: Iterable[TestFolder]) -> list[Finding]:
    """One finding or more for each test, in the order given; nothing is repaired."""
    return [finding for folder in folders for finding in _verify_one(folder)]


def _verify_one(folder: TestFolder) -> list[Finding]:
    def finding(level: Literal["damaged", "open", "torn", "stale", "fine"], words: str) -> Finding:
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
    if is_stale(folder, rules, journal.head):
        found.append(
            finding(
                "stale", f"{folder.path}: the sealed files do not belong to this journal; run cuffwatt seal"
            )
        )
    if not found:
        amended = sum(isinstance(event, Amended) for event in journal.events)
        words = f"{journal.lines} lines, chain {journal.head}, sealed files agree"
        found.append(finding("fine", words + (f", {amended} amendments" if amended else "")))
    return found
