"""What an amendment shows: entries that can be amended, and what a correction changed.

Values are those of the journal and of the sealed files; times are UTC.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from rich.text import Text

from pipeline.amend import history, plain
from pipeline.amendable import VOID, amendable, entries
from pipeline.archive import TestFolder
from pipeline.errors import CuffwattError
from pipeline.events import Amended, Event, SourceOpened
from pipeline.journal import JournalRead
from pipeline.output import Column, Format, chosen, counted, emit, minutes, say, show_table
from pipeline.seal import is_stale, rules_of, seal_all
from pipeline.view import READINGS, reading_cells, sealed_table

# samples move with the offset of their source and are too many to be told one by one
_KEYS = {
    "readings": ("reading_id",),
    "stages": ("stage_index",),
    "flags": ("code", "target_seq"),
    "summary": (),
}
_CHANGE_COLUMNS = ("relation", "row", "column", "before", "after")
# of these a terminal shows nothing that is not said in words beside the table
_TOLD_IN_WORDS = frozenset({"originals", "amendments", "missing", "words", "rule_source"})
_FIELD_COLUMNS = ("seq", "kind", "field", "value", "original", "amended")
_ENTRIES = (
    Column("seq", "seq", right=True),
    Column("time", "min:s", right=True),
    Column("kind", "entry", wraps=True),
    Column("says", "says", wraps=True),
    Column("amended", "amended", wraps=True),
)
_FIELDS = (
    Column("field", "field"),
    Column("value", "now", wraps=True),
    Column("original", "as entered", wraps=True),
)
_CHANGES = (
    Column("row", "row", wraps=True),
    Column("column", "column", wraps=True),
    Column("before", "before", wraps=True),
    Column("after", "after", wraps=True),
)

Rows = dict[str, list[dict[str, Any]]]


def sealed_rows(folder: TestFolder) -> Rows:
    """The rows of the sealed files but the samples, by relation; ArchiveError where one is not there."""
    return {name: sealed_table(folder, name).to_pylist() for name in _KEYS}


def rows_before(folder: TestFolder, chain: str) -> Rows | None:
    """The rows of the sealed files, made first where they are old; None where they cannot be made.

    A journal with an amendment that does not fit cannot be sealed; the next one may mend it.
    """
    try:
        if is_stale(folder, rules_of(folder), chain):
            [outcome] = seal_all([folder], None)
            if outcome.problem:
                return None
        return sealed_rows(folder)
    except CuffwattError:
        return None


def changes(before: Rows, after: Rows) -> list[dict[str, Any]]:
    """One row a value of the sealed files that differs: relation, row, column, before, after.

    A row that is there on one side only, a flag that came or went, is told by its first value
    beside its key.
    """
    told: list[dict[str, Any]] = []
    for name, keys in _KEYS.items():
        old = {tuple(row[key] for key in keys): row for row in before[name]}
        new = {tuple(row[key] for key in keys): row for row in after[name]}
        for place in sorted(old.keys() | new.keys(), key=str):
            left, right = old.get(place, {}), new.get(place, {})
            columns = list(left or right)
            if not (left and right):
                columns = ["level" if name == "flags" else columns[0]]
            told += [
                {
                    "relation": name,
                    "row": " ".join(map(str, place)),
                    "column": column,
                    "before": left.get(column),
                    "after": right.get(column),
                }
                for column in columns
                if left.get(column) != right.get(column)
            ]
    return told


def show_entries(journal: JournalRead, seq: int | None, form: Format | None) -> None:
    """What can be amended: all entries, or the fields of the one with this seq; then what was."""
    corrections = [one for one in history(journal.events) if seq in (None, one.target_seq)]
    amended = {(one.target_seq, one.field) for one in corrections}
    listed = [one for one in entries(journal) if seq in (None, one.now.seq)]
    rows = [
        {
            "seq": one.now.seq,
            "kind": one.now.kind,
            "field": field,
            "value": plain(one.void) if field == VOID else plain(getattr(one.now, field)),
            "original": "false" if field == VOID else plain(getattr(one.original, field)),
            "amended": (one.now.seq, field) in amended,
        }
        for one in listed
        for field in amendable(one.original)
    ]
    shown = chosen(form)
    if shown != "table":
        emit(rows, _FIELD_COLUMNS, shown)
    elif seq is not None:
        show_table(
            [{name: str(row[name]) for name in ("field", "value", "original")} for row in rows],
            _FIELDS,
            f"Line {seq} ({listed[0].now.kind})",
        )
    else:
        anchor = journal.opened.anchor
        show_table(
            [
                {
                    "seq": str(now.seq),
                    "time": minutes((now.event_time - anchor).total_seconds()),
                    "kind": now.kind.replace("_", " "),
                    "says": _says(now, void),
                    "amended": ", ".join(sorted({field for target, field in amended if target == now.seq})),
                }
                for now, void in ((one.now, one.void) for one in listed)
            ],
            _ENTRIES,
            f"What can be amended in {journal.opened.study}/{journal.opened.test_id}",
        )
    for one in corrections:
        say(one.words())
    if not corrections:
        say("nothing was amended so far")


def show_amended(
    amendments: Sequence[Amended], journal: JournalRead, before: Rows | None, after: Rows, form: Format | None
) -> None:
    """What was written, and what it changed; `before` is None where no files could be made before."""
    written = {one.seq for one in amendments}
    for one in history(journal.events):
        if one.seq in written:
            say(one.words())
    differing = changes(before, after) if before else []
    shown = chosen(form)
    if shown != "table":
        emit(differing, _CHANGE_COLUMNS, shown)
    elif before:
        _show_reading(amendments[0].target_seq, before, after)
        told = [_cells(row) for row in differing if row["column"] not in _TOLD_IN_WORDS]
        if told:
            show_table(told, _CHANGES, "What it changed")
    if before is None:
        say("the files could not be made before this amendment, so there is nothing to compare with")
    else:
        say(f"{counted(len(differing), 'value')} of the sealed files changed")


def _show_reading(seq: int, before: Rows, after: Rows) -> None:
    pair = [row for rows in (before, after) for row in rows["readings"] if row["reading_id"] == seq]
    if pair:
        show_table([reading_cells(row) for row in pair], READINGS, f"Reading {seq}, before and after")


def _says(now: Event, void: bool) -> str:
    names = [name for name in amendable(now) if name not in (VOID, "event_time")]
    if isinstance(now, SourceOpened):
        names = ["name", *names]
    said = [f"{name} {plain(getattr(now, name))}" for name in names if getattr(now, name) is not None]
    return ", ".join(["void", *said] if void else said)


def _cells(row: dict[str, Any]) -> dict[str, str | Text]:
    return {
        "row": f"{row['relation']} {row['row']}".strip().replace("_", " "),
        "column": row["column"].replace("_", " "),
        "before": _short(row["before"]),
        "after": _short(row["after"]),
    }


def _short(value: Any) -> str:
    if isinstance(value, datetime):
        return f"{value:%H:%M:%S} UTC"
    return f"{value:.5g}" if isinstance(value, float) else plain(value)
