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
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from pipeline.archive import TestFolder

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


_STAGES = (
    "stage_index",
    "label",
    "phase",
    "position",
    "target_watts",
    "watts_mean",
    "started_s",
    "ridden_s",
    "stage_hr_bpm",
)
_READINGS = (
    "elapsed_s",
    "stage_label",
    "status",
    "sbp_mmhg",
    "dbp_mmhg",
    "dbp_phase",
    "watts",
    "heart_rate_bpm",
    "map_mmhg",
    "sbp_change_rest_mmhg",
    "rate_pressure_product",
    "hr_percent_reserve",
    "in_window",
    "used_note",
)
_FLAGS = ("level", "code", "target_seq", "observed", "operator", "threshold", "unit", "words", "detail")


def show_test(folder: TestFolder, form: Format | None) -> None:
    """What a sealed test says: on a terminal stages, readings and flags; else its readings."""
    import pyarrow.parquet as pq

    names = ("stages", "readings", "flags", "summary")
    tables = {name: pq.read_table(folder.parquet(name)) for name in names}
    rows = {name: table.to_pylist() for name, table in tables.items()}
    if chosen(form) == "table":
        severity = {level: number for number, level in enumerate(("stop", "caution", "check", "note"))}
        rows["flags"].sort(key=lambda row: (severity[row["level"]], row["target_seq"]))
        emit(rows["stages"], _STAGES, "table", title=f"Stages of {folder.study}/{folder.test_id}")
        emit(rows["readings"], _READINGS, "table", title="Readings")
        emit(rows["flags"], _FLAGS, "table", title="Flags: outside a cited limit, or worth a look")
    else:
        emit(rows["readings"], tables["readings"].column_names, chosen(form))
    for row in rows["summary"]:
        say(
            f"{row['readings_taken']} readings taken, {row['readings_missed']} missed; worst flag: "
            f"{row['worst_flag'] or 'none'}; {row['lines_rejected']} lines rejected; clocks: "
            f"{row['clock_offsets'] or 'one'}"
        )
    say(f"files: {folder.path}")
    say(CAUTION)


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
