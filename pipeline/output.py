"""How results leave a command: rich tables on a terminal, plain CSV or JSON when piped.

Data go to stdout, words and progress to stderr.
"""

from __future__ import annotations

import csv
import io
import json
import sys
from collections.abc import Sequence
from datetime import date, datetime
from typing import Any, Literal

Format = Literal["table", "csv", "json"]

CAUTION = (
    "cuffwatt records and computes; it does not diagnose or decide. The supervising professional decides "
    "when a test starts and stops, under the local rules and licences that apply."
)


def say(words: str) -> None:
    """Words for the person, on stderr."""
    print(words, file=sys.stderr)


def chosen(wanted: Format | None) -> Format:
    """The format asked for; else a table on a terminal and CSV in a pipe."""
    if wanted is not None:
        return wanted
    return "table" if sys.stdout.isatty() else "csv"


def emit(rows: Sequence[dict[str, Any]], columns: Sequence[str], form: Format, title: str = "") -> None:
    """Print rows to stdout: these columns, in this order; values keep their units in the names."""
    if form == "json":
        content = [{column: _plain(row.get(column)) for column in columns} for row in rows]
        sys.stdout.write(json.dumps(content, ensure_ascii=False, indent=2) + "\n")
    elif form == "csv":
        text = io.StringIO()
        writer = csv.writer(text, lineterminator="\n")
        writer.writerow(columns)
        for row in rows:
            writer.writerow(["" if row.get(column) is None else _plain(row[column]) for column in columns])
        sys.stdout.write(text.getvalue())
    else:
        _table(rows, columns, title)


def _table(rows: Sequence[dict[str, Any]], columns: Sequence[str], title: str) -> None:
    from rich import box
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table = Table(title=title, title_justify="left", title_style="bold", box=box.SIMPLE_HEAD, pad_edge=False)
    for column in columns:
        numbers = all(isinstance(row.get(column), int | float | None) for row in rows)
        table.add_column(Text(column), justify="right" if numbers else "left", overflow="fold")
    for row in rows:
        table.add_row(*(Text(_shown(row.get(column))) for column in columns))
    Console(file=sys.stdout, highlight=False).print(table)


def _shown(value: Any) -> str:
    if value is None:
        return "–"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.0f}" if value == int(value) else f"{value:.1f}"
    if isinstance(value, datetime):
        return value.strftime("%H:%M:%S")
    return str(value)


def _plain(value: Any) -> Any:
    if isinstance(value, datetime):
        return value.isoformat(timespec="microseconds").replace("+00:00", "Z")
    return value.isoformat() if isinstance(value, date) else value
