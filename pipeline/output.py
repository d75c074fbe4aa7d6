"""How results leave a command: tables for people, plain CSV or JSON when piped.

Data go to stdout, words and progress to stderr.
"""

from __future__ import annotations

import csv
import io
import json
import shutil
import sys
import textwrap
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING, Any, Literal, TypeVar

if TYPE_CHECKING:
    from rich.text import Text

Format = Literal["table", "csv", "json"]
Item = TypeVar("Item")

CAUTION = (
    "cuffwatt records and computes; it does not diagnose or decide. The supervising professional decides "
    "when a test starts and stops, under the local rules and licences that apply."
)
_WORD = 14


@dataclass(frozen=True)
class Column:
    """One column of a table on the terminal: the key of its value, and how it is headed and set.

    Only columns that `wrap` give way on a narrow terminal, by words.
    """

    key: str
    heading: str
    right: bool = False
    wraps: bool = False


def say(words: str) -> None:
    """Words for the person, on stderr; on a terminal no word is cut.  Nothing where nobody reads."""
    if sys.stderr.isatty():
        width = shutil.get_terminal_size().columns
        lines = [
            textwrap.fill(line, width, break_long_words=False, break_on_hyphens=False)
            for line in words.splitlines()
        ]
        words = "\n".join(lines)
    with suppress(OSError):
        print(words, file=sys.stderr)


def chosen(wanted: Format | None) -> Format:
    """The format asked for; else a table on a terminal and CSV in a pipe."""
    if wanted is not None:
        return wanted
    return "table" if sys.stdout.isatty() else "csv"


def tracked(items: Sequence[Item], words: str) -> Iterable[Item]:
    """The items one by one, with a progress bar on stderr where that is a terminal."""
    if len(items) < 2 or not sys.stderr.isatty():
        return items
    from rich.console import Console
    from rich.progress import track

    return track(items, words, console=Console(stderr=True), transient=True)


@contextmanager
def progress(total: int, words: str) -> Iterator[Callable[[], None]]:
    """A progress bar on stderr where that is a terminal; call what it gives when one of `total` is done."""
    if total < 2 or not sys.stderr.isatty():
        yield lambda: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(words, total=total)
        yield lambda: bar.advance(task)


def emit(rows: Sequence[dict[str, Any]], columns: Sequence[str], form: Literal["csv", "json"]) -> None:
    """Print rows to stdout: these columns, in this order; values keep their units in the names."""
    if form == "json":
        content = [{column: _plain(row.get(column)) for column in columns} for row in rows]
        sys.stdout.write(json.dumps(content, ensure_ascii=False, indent=2) + "\n")
        return
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(columns)
    for row in rows:
        writer.writerow(["" if row.get(column) is None else _plain(row[column]) for column in columns])
    sys.stdout.write(text.getvalue())


def show_table(rows: Sequence[dict[str, str | Text]], columns: Sequence[Column], title: str) -> None:
    """Print a table for a person to stdout; its cells are texts that are ready to be read."""
    from rich import box
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table = Table(
        title=title,
        title_justify="left",
        title_style="bold",
        box=box.SIMPLE_HEAD,
        pad_edge=False,
        collapse_padding=True,
    )
    for column in columns:
        words = [word for row in rows for word in str(row.get(column.key, "")).split()]
        table.add_column(
            column.heading,
            justify="right" if column.right else "left",
            no_wrap=not column.wraps,
            overflow="fold" if column.wraps else "ellipsis",
            # a word is broken only where it is very long
            min_width=min(_WORD, max(map(len, words), default=0)) if column.wraps else None,
        )
    for row in rows:
        cells = (row.get(column.key, "") for column in columns)
        table.add_row(*(cell if isinstance(cell, Text) else Text(cell) for cell in cells))
    Console(file=sys.stdout, highlight=False).print(table)


def minutes(seconds: float | None) -> str:
    """Seconds as minutes and seconds: 670 s is 11:10; "-" for none."""
    if seconds is None:
        return "-"
    whole = round(seconds)
    return f"{'-' if whole < 0 else ''}{abs(whole) // 60}:{abs(whole) % 60:02d}"


def counted(count: int, what: str) -> str:
    """A count with what is counted: 1 test, 2 tests."""
    return f"{count} {what}{'' if count == 1 else 's'}"


def number(value: float | None, *, sign: bool = False) -> str:
    """A number without decimals, with its sign where it is a change; "-" for none."""
    if value is None:
        return "-"
    return f"{round(value):+d}" if sign else f"{round(value)}"


def _plain(value: Any) -> Any:
    if isinstance(value, datetime):
        return value.isoformat(timespec="microseconds").replace("+00:00", "Z")
    return value.isoformat() if isinstance(value, date) else value
