"""What differs between a record and its replay, as it is shown."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from itertools import groupby
from typing import Any

from rich.text import Text

from pipeline.difference import Difference
from pipeline.output import CAUTION, Column, Format, chosen, counted, emit, minutes, say, show_table

COLUMNS = ("what", "change", "at_s", "about", "name", "before", "after", "unit")
_TITLES = {
    "prompt": "Prompts",
    "flag": "Flags",
    "stage": "Stages",
    "reading": "Readings",
    "summary": "The summary",
}
_TABLE = (
    Column("time", "min:s", right=True),
    Column("about", "at", wraps=True),
    Column("change", "change"),
    Column("name", "what", wraps=True),
    Column("before", "record", wraps=True),
    Column("after", "replay", wraps=True),
)
_STYLES = {"new": "green", "gone": "red"}


def show_differences(found: Sequence[Difference], test_id: str, form: Format | None) -> None:
    """A table a kind on a terminal; else one row a difference, with the columns `COLUMNS`."""
    shown = chosen(form)
    if shown == "table":
        for what, rows in groupby(found, key=lambda one: one.what):
            show_table(_cells(list(rows)), _TABLE, f"{_TITLES[what]}: what differs")
    else:
        emit([vars(one) for one in found], COLUMNS, shown)
    if found:
        counts = {title: sum(one.what == what for one in found) for what, title in _TITLES.items()}
        words = ", ".join(f"{title.lower()} {count}" for title, count in counts.items() if count)
        say(f"{test_id}: {counted(len(found), 'difference')}: {words}")
    else:
        say(f"{test_id}: nothing differs")
    say(CAUTION)


def _cells(rows: Sequence[Difference]) -> list[dict[str, str | Text]]:
    cells: list[dict[str, str | Text]] = []
    before: tuple[float | None, str] | None = None
    for row in rows:
        place = row.at_s, row.about
        begins, before = place != before, place
        cells.append(
            {
                "time": minutes(row.at_s) if begins and row.at_s is not None else "",
                "about": row.about if begins else "",
                "change": "" if row.change == "changed" else Text(row.change, _STYLES.get(row.change, "")),
                "name": row.name.replace("_", " ") if row.what == "flag" else row.name,
                "before": _value(row.before, row.unit),
                "after": _value(row.after, row.unit),
            }
        )
    return cells


def _value(value: Any, unit: str) -> str:
    if value is None:
        return "-"
    if unit == "s":
        return minutes(value)
    if isinstance(value, float):
        return f"{value:.4g}"
    if isinstance(value, datetime):
        return f"{value:%H:%M:%S}"
    return str(value).lower() if isinstance(value, bool) else str(value)
