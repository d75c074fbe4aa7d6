"""A format proposed for a log that nobody has described yet (`cuffwatt describe LOG`).

The proposal is a start: it says what was found, how the first lines read, and what is not sure.
"""

from __future__ import annotations

import csv
import json
import re
import tomllib
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from adapters.csv_log import log_text, read_log
from adapters.log_format import LogFormat, parse_format
from adapters.log_guess import (
    ANY_START,
    Column,
    heart_rate_unit,
    in_utc,
    load_table,
    measure_columns,
    time_column,
)
from pipeline.errors import InputError
from pipeline.events import MEASURES, Event, LineRejected, Sample

ROWS_SHOWN = 5
_LINES_LOOKED_AT = 500
_DELIMITERS = {";": ";", "tab": "\t", "|": "|", ",": ",", "space": None}
_MISSING = frozenset(LogFormat.model_fields["missing"].default)
_NUMBER = re.compile(r"[+-]?[0-9]*[.,]?[0-9]+(e[+-]?[0-9]+)?", re.IGNORECASE)
_LOOKS_TIMED = re.compile(r"[0-9]{1,4}[-:./][0-9]{1,2}([-:./].*)?")
_BY_HAND = "write a format by hand: delimiter or regex, [time] and one measure; fixtures/formats has examples"


@dataclass(frozen=True)
class Proposal:
    """A format with the TOML text that gives it, the first lines as it reads them, and doubts."""

    toml: str
    fmt: LogFormat
    found: tuple[str, ...]
    rows: tuple[str, ...]
    doubts: tuple[str, ...]

    def words(self) -> str:
        """Everything for the person, as remarks of the TOML text, and the text itself."""
        parts = (("Found:", self.found), ("The first lines:", self.rows), ("Not sure:", self.doubts))
        lines = [line for title, told in parts if told for line in (title, *(f"  {t}" for t in told), "")]
        return "".join(f"# {line}".rstrip() + "\n" for line in lines) + self.toml


def propose(path: Path) -> Proposal:
    """The format that `path` seems to have; `propose(Path("bike.csv")).toml`.

    Raises InputError, saying what to do, where the file is no text, is not cut by a known
    delimiter, or has no column of times or no measure that can be told.
    """
    doubts: list[str] = []
    encoding, text = _text(path, doubts)

    def read(fmt: LogFormat) -> list[Event]:
        return read_log(path, fmt, name="log", started=ANY_START).events

    return _proposal(
        str(path), text.split("\n"), {} if encoding == "utf-8" else {"encoding": encoding}, read, doubts
    )


def propose_live(
    lines: Sequence[str],
    settings: dict[str, Any],
    read: Callable[[LogFormat], list[Event]],
    *,
    where: str,
) -> Proposal:
    """The format of lines that came from a port; as `propose`, but they need no times.

    `settings` is what is known of the format already, `read` gives the events of the lines.
    """
    return _proposal(where, lines, settings, read, [], live=True)


def _proposal(
    where: str,
    every: Sequence[str],
    settings: dict[str, Any],
    read: Callable[[LogFormat], list[Event]],
    doubts: list[str],
    *,
    live: bool = False,
) -> Proposal:
    numbered = [(n, line) for n, line in enumerate(every, start=1) if line.strip()]
    lines = [pair for pair in numbered if not pair[1].startswith("#")][:_LINES_LOOKED_AT]
    if not lines:
        raise InputError(f"{where}: is empty, a log is wanted; check what the device wrote")
    delimiter, width = _delimiter(where, [line for _, line in lines])
    first = next(n for n, (_, line) in enumerate(lines) if len(_split(line, delimiter)) == width)
    rows = [_split(line, delimiter) for _, line in lines[first:]]
    has_header = any(not _is_value(cell) for cell in rows[0])
    if live and has_header:
        # the words of a device that says them in every line head nothing
        has_header = len(rows) > 1 and all(_is_value(cell) for cell in rows[1])
    names = rows[0] if has_header else [""] * width
    body = [row for row in rows[has_header:] if len(row) == width]
    if "sbp" in (name.casefold() for name in names):
        raise InputError(
            f"{where}: has a column 'sbp', so it is a reading sheet, which needs no format; "
            "write kind = 'sheet' at its source"
        )
    if has_header and body and not any(_is_value(cell) and cell for cell in body[0]):
        doubts.append(f"the line after the header ({', '.join(body[0])}) is no data; it will be kept aside")
        body = body[1:]
    if not body:
        raise InputError(f"{where}: holds a header and no line, so nothing can be told; take a longer log")
    decimal_comma = _decimal_comma(body, delimiter, doubts)
    columns = [_column(n, names, body, decimal_comma) for n in range(width)]
    # in a few seconds a heart rate may only rise, and lines that come live need no time
    may_be_time = [c for c in columns if not live or c.name or not c.numeric or c.steady]
    timed = time_column(may_be_time, doubts)
    found = measure_columns([c for c in columns if timed is None or c is not timed[0]], doubts)
    told = ", ".join(f"{column.shown} ({column.cells[0]!r})" for column in columns)
    if (timed is None and not live) or not found:
        lacks = "with a load, a cadence or a heart rate" if live or timed is not None else "of times"
        raise InputError(f"{where}: no column {lacks} can be told among {told}; {_BY_HAND}")
    settings = {"delimiter": delimiter} | settings
    if not has_header:
        settings |= {"header": False, "columns": width}
    if lines[first][0] > 1 and first > 0 and not live:
        settings["skip_lines"] = lines[first][0] - 1
        doubts.append(f"the first {lines[first][0] - 1} lines are left out as a preamble")
    if decimal_comma:
        settings["decimal_comma"] = True
    tables: dict[str, dict[str, Any]] = {"time": {"form": "none"}}
    zone = ""
    if timed is not None:
        tables = {"time": {"column": _key(timed[0], columns), "form": timed[1]}}
        zone = " UTC" if in_utc(timed[1], timed[0].cells[0]) else ""
        if not zone:
            doubts.append(
                "times do not say their offset or date: `started` in [test] of the setup gives them"
            )
    tables |= {m: _table(m, found, columns, doubts) for m in MEASURES if m in found}
    toml = _toml(settings) + "".join(f"\n[{name}]\n{_toml(table)}" for name, table in tables.items())
    used = [*([] if timed is None else [timed[0]]), *found.values()]
    fmt = parse_format(tomllib.loads(toml), f"the format proposed for {where}")
    return _checked(Proposal(toml, fmt, (), (), ()), read(fmt), zone, used, columns, doubts)


def _text(path: Path, doubts: list[str]) -> tuple[str, str]:
    try:
        text = log_text(path, "utf-8")
    except InputError:
        if path.is_file() and path.read_bytes()[:2] in (b"\xff\xfe", b"\xfe\xff"):
            return "utf-16", log_text(path, "utf-16")
        raise
    if not any("\udc80" <= letter <= "\udcff" for letter in text):
        return "utf-8", text
    doubts.append("the file is no UTF-8 text; encoding cp1252 is assumed")
    return "cp1252", log_text(path, "cp1252")


def _split(line: str, delimiter: str) -> list[str]:
    mark = _DELIMITERS[delimiter]
    cells = next(csv.reader([line], delimiter=mark)) if mark and '"' in line else line.split(mark)
    return [cell.strip() for cell in cells]


def _delimiter(where: str, lines: Sequence[str]) -> tuple[str, int]:
    """The delimiter that cuts most lines into the same number of cells, and that number."""
    best, best_share, best_width = "", 0.0, 0
    for delimiter in _DELIMITERS:
        widths = Counter(len(_split(line, delimiter)) for line in lines)
        width, count = max(widths.items(), key=lambda pair: (pair[0] > 1, pair[1]))
        if width > 1 and count / len(lines) > best_share:
            best, best_share, best_width = delimiter, count / len(lines), width
    if best_share < 0.5:
        raise InputError(
            f"{where}: no delimiter cuts its lines alike, the first is {lines[0][:100]!r}; {_BY_HAND}"
        )
    return best, best_width


def _is_value(cell: str) -> bool:
    """A number, a time, or a mark for a missing value: nothing that heads a column."""
    return cell in _MISSING or bool(_NUMBER.fullmatch(cell) or _LOOKS_TIMED.fullmatch(cell))


def _decimal_comma(body: Sequence[Sequence[str]], delimiter: str, doubts: list[str]) -> bool:
    if delimiter == ",":
        return False
    cells = [cell for row in body for cell in row]
    commas = sum(bool(re.fullmatch(r"[+-]?[0-9]+,[0-9]+", cell)) for cell in cells)
    points = sum(bool(re.fullmatch(r"[+-]?[0-9]+\.[0-9]+", cell)) for cell in cells)
    if commas and points:
        doubts.append(f"{commas} numbers have a decimal comma and {points} a point; the more usual is taken")
    return commas > points


def _column(n: int, names: Sequence[str], body: Sequence[Sequence[str]], decimal_comma: bool) -> Column:
    cells = ["" if row[n] in _MISSING else row[n] for row in body]
    numbers = []
    for cell in cells:
        if _NUMBER.fullmatch(cell) and ("." if decimal_comma else ",") not in cell:
            numbers.append(float(cell.replace(",", ".")))
    return Column(n + 1, names[n], cells, numbers)


def _key(column: Column, columns: Sequence[Column]) -> str | int:
    """The name where it stands once and can be written, else the number."""
    same = [other for other in columns if other.name.casefold() == column.name.casefold()]
    return column.name if column.name.isprintable() and column.name and len(same) == 1 else column.place


def _table(
    measure: str, found: dict[str, Column], columns: Sequence[Column], doubts: list[str]
) -> dict[str, Any]:
    column = found[measure]
    table: dict[str, Any] = {"column": _key(column, columns)}
    if measure == "watts":
        table |= load_table(column, found.get("cadence_rpm"), doubts)
    else:
        table["unit"] = "rpm" if measure == "cadence_rpm" else heart_rate_unit(column, doubts)
    return table


def _toml(pairs: dict[str, Any]) -> str:
    return "".join(f"{key} = {json.dumps(value, ensure_ascii=False)}\n" for key, value in pairs.items())


def _checked(
    proposed: Proposal,
    events: Sequence[Event],
    zone: str,
    used: Sequence[Column],
    columns: Sequence[Column],
    doubts: list[str],
) -> Proposal:
    """The proposal with what its `events`, of all lines, show; nothing is proposed that reads none."""
    fmt = proposed.fmt
    samples = [event for event in events if isinstance(event, Sample)]
    rejected = [event for event in events if isinstance(event, LineRejected)]
    if rejected:
        doubts.append(f"{len(rejected)} of {len(events)} lines have a problem; {rejected[0].reason}")
    unused = [column.shown for column in columns if all(column is not other for other in used)]
    if unused:
        doubts.append(f"not used: {', '.join(unused)}")
    first, last = _when(samples[0], fmt) + zone, _when(samples[-1], fmt) + zone
    found = [f"times from {first} to {last}, {len(samples)} lines"]
    for measure in MEASURES:
        values = [value for event in samples if (value := getattr(event, measure)) is not None]
        if values:
            found.append(f"{measure} {min(values):.6g} to {max(values):.6g}")
    rows = tuple(_row(event, fmt) for event in samples[:ROWS_SHOWN])
    return replace(proposed, found=tuple(found), rows=rows, doubts=tuple(doubts))


def _when(event: Event, fmt: LogFormat) -> str:
    if fmt.time.form.startswith("elapsed") or fmt.time.form == "none":
        return f"{(event.event_time - ANY_START).total_seconds():.6g} s"
    shown = event.event_time.replace(tzinfo=None).isoformat(" ", "milliseconds").removesuffix(".000")
    return shown[11:] if fmt.time.form == "clock" else shown


def _row(event: Sample, fmt: LogFormat) -> str:
    parts = [f"{name} {value:.6g}" for name in MEASURES if (value := getattr(event, name)) is not None]
    return f"{_when(event, fmt)}  {', '.join(parts)}"
