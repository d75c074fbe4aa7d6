"""Whether the files of a test are still those that were seen before: sizes and times, not contents.

A state is text: the change time of the folder, then size and time of the journal, the rules kept beside
it and the sealed files.  The folder's changes with every file that comes, goes or is renamed there,
and cannot be set back as a copy sets back the time of last writing; so a rules file or a rescue
journal that was not there before need not be looked for.  An empty state is that of no test.
Times are those of the file system, ns.
"""

from __future__ import annotations

import os
from collections.abc import Collection, Mapping
from pathlib import Path

from pipeline.archive import JOURNAL_NAME
from pipeline.columns import published

FileState = str
_RULES = "rules.toml"
_ABSENT = "-"


def journal_state(folder: Path) -> FileState:
    """The part of a state that sealing starts from; "" where lines stand in a rescue journal too."""
    try:
        names = os.listdir(folder)  # noqa: PTH208 - ten thousand folders
        if any(name.startswith("journal.rescue-") for name in names):
            return ""
        rules = _of(os.stat(f"{folder}/{_RULES}")) if _RULES in names else _ABSENT  # noqa: PTH116
        journal = os.stat(f"{folder}/{JOURNAL_NAME}")  # noqa: PTH116
        return f"{_of(journal)} {rules}"
    except OSError:
        return ""


def sealed_state(folder: Path, before: FileState, files: Mapping[str, os.stat_result]) -> FileState:
    """The state of a test whose files were just published from what `before` says.

    `files` are size and time of each as it was written: what another process put in its place
    since then has others.
    """
    if not before:
        return ""
    try:
        folder_ns = os.stat(folder).st_ctime_ns  # noqa: PTH116
    except OSError:
        return ""
    # seen after the folder's time: what came before it is in the list, what comes later changes the time
    if journal_state(folder).split(" ")[-1:] != before.split(" ")[-1:]:
        return ""
    written = " ".join(_of(files[f"{name}.parquet"]) for name in published())
    return f"{folder_ns} {before} {written}"


def current_state(folder: Path) -> FileState:
    """The state of a sealed test as its files are now; "" where one is missing."""
    try:
        folder_ns = os.stat(folder).st_ctime_ns  # noqa: PTH116
        before = journal_state(folder)
        if not before:
            return ""
        found = [os.stat(f"{folder}/{name}.parquet") for name in published()]  # noqa: PTH116
    except OSError:
        return ""
    return f"{folder_ns} {before} {' '.join(map(_of, found))}"


def holds(folder: str, state: FileState, names: Collection[str]) -> bool:
    """Whether journal, rules and the sealed files `names` in this folder are as `state` says.

    Looks into none of them; four looks at the file system for two files.
    """
    parts = state.split(" ")
    if len(parts) != len(_NAMES) + 1:
        return False
    stat = os.stat
    try:
        if str(stat(folder).st_ctime_ns) != parts[0] or _of(stat(f"{folder}/{JOURNAL_NAME}")) != parts[1]:
            return False
        if parts[2] != _ABSENT and _of(stat(f"{folder}/{_RULES}")) != parts[2]:
            return False
        return all(_of(stat(f"{folder}/{name}.parquet")) == parts[_PLACE[name]] for name in names)
    except OSError:
        return False


_NAMES = (JOURNAL_NAME, _RULES, *published())
_PLACE = {name: place for place, name in enumerate(_NAMES, start=1)}


def _of(found: os.stat_result) -> str:
    """Size and time of writing."""
    return f"{found.st_size}:{found.st_mtime_ns}"
