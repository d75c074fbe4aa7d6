"""The two sides of a comparison, from their folders: the record as it is sealed, and its replay."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from pipeline.archive import Archive, TestFolder, publish_bytes
from pipeline.difference import Side
from pipeline.errors import CuffwattError
from pipeline.journal import JournalRead, read_journal
from pipeline.rules import Rules
from pipeline.seal import is_stale, rules_of, seal_all
from pipeline.view import sealed_table

_FILES = ("stages", "readings", "flags", "summary")


def record_side(folder: TestFolder, scratch: Path) -> Side:
    """The record; where its files are not those of its journal they are made below `scratch`, not beside it.

    Raises JournalDamaged, JournalError or CuffwattError where it cannot be derived.
    """
    read, rules = read_journal(folder.journal), rules_of(folder)
    if not is_stale(folder, rules, read.head):
        return _side(folder, read, None)
    copy = Archive(scratch).create(folder.study, folder.test_id)
    publish_bytes(copy.journal, read.data)
    seal_one(copy, rules)
    return _side(copy, read, None)


def replay_side(folder: TestFolder, rules: Rules, recorded: Mapping[int, int]) -> Side:
    """The replay, sealed with `rules`; `recorded` says which line of the record each line was."""
    seal_one(folder, rules)
    return _side(folder, read_journal(folder.journal), recorded)


def seal_one(folder: TestFolder, rules: Rules) -> None:
    """Make the files of one test; CuffwattError where that cannot be."""
    for outcome in seal_all([folder], rules):
        if outcome.problem:
            raise CuffwattError(outcome.problem)


def _side(folder: TestFolder, read: JournalRead, recorded: Mapping[int, int] | None) -> Side:
    return Side(read, {name: sealed_table(folder, name).to_pylist() for name in _FILES}, recorded)
