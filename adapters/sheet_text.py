"""A reading sheet as text: its bytes, its header and its rows, before anything is understood.

Comma or semicolon, UTF-8 or what spreadsheet programs of Windows write; lines that begin with
`#` and empty rows are left out.  A row that cannot be cut into cells is kept with the reason.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from adapters.suggestion import nearest
from pipeline.errors import InputError

# a quoted note may run over lines; an unclosed quote must not swallow the rows that follow
_LINES_OF_A_CELL = 8
_SYNONYMS = {"dbp": "k5"}


@dataclass(frozen=True)
class SheetRow:
    """One row: its text, and its cells by column or the reason why there are none."""

    line: int
    raw: str
    cells: dict[str, str]
    problem: str | None = None


def sheet_rows(path: Path, known: tuple[str, ...], required: tuple[str, ...]) -> list[SheetRow]:
    """The rows of the sheet in file order; `dbp` is the column `k5`.

    Raises InputError when the file is missing, a folder, binary, empty, without a `required`
    column, with a column that is not `known` or stands twice, or cut by another delimiter.
    """
    lines = list(io.StringIO(_text(path), newline=""))
    at = next((n for n, line in enumerate(lines) if line.strip() and not line.startswith("#")), None)
    if at is None:
        raise InputError(f"{path}: is empty, a reading sheet is wanted; write at least the header time,sbp")
    delimiter = ";" if lines[at].count(";") > lines[at].count(",") else ","
    columns = _columns(path, lines[at], delimiter, known, required)
    return list(_rows(lines, at + 1, delimiter, columns))


def _text(path: Path) -> str:
    if path.is_dir():
        raise InputError(f"{path}: is a folder, a reading sheet (CSV) is wanted; name the file in it")
    try:
        raw = path.read_bytes()
    except FileNotFoundError:
        raise InputError(f"{path}: no such file, a reading sheet (CSV) is wanted; correct its path") from None
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}); check its permissions") from None
    if any(byte < 32 and byte not in b"\t\n\r\f" for byte in raw):
        raise InputError(f"{path}: is no text, a reading sheet (CSV) is wanted; save it as CSV in UTF-8")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        # only notes can hold such characters: numbers and columns read the same in both
        return raw.decode("cp1252", errors="replace")


def _columns(
    path: Path, header: str, delimiter: str, known: tuple[str, ...], required: tuple[str, ...]
) -> list[str]:
    written = [name.strip().strip('"').strip().lower() for name in header.strip("\r\n").split(delimiter)]
    while written and not written[-1]:
        written.pop()
    found = ", ".join(repr(name) for name in written)
    if len(written) == 1 and any(mark in header.strip() for mark in "\t|"):
        raise InputError(
            f"{path}: the header {header.strip()!r} is not cut by comma or semicolon; save the sheet with one"
        )
    columns = [_SYNONYMS.get(name, name) for name in written]
    for name in required:
        if name not in columns:
            raise InputError(
                f"{path}: no column {name!r}; found are {found}, wanted are at least {' and '.join(required)}"
            )
    for position, (name, column) in enumerate(zip(written, columns, strict=True)):
        if column not in known:
            raise InputError(
                f"{path}: unknown column {name!r}{nearest(name, (*known, *_SYNONYMS))}; "
                f"known are {', '.join(known)} (or dbp for k5); rename it or take it out"
            )
        if column in columns[:position]:
            raise InputError(f"{path}: column {column!r} stands twice in {found}; take one out")
    return columns


def _rows(lines: list[str], at: int, delimiter: str, columns: list[str]) -> Iterator[SheetRow]:
    while at < len(lines):
        raw, number = lines[at].strip("\r\n"), at + 1
        if not raw.strip() or raw.startswith("#"):
            at += 1
            continue
        cells, used = _cut(lines, at, delimiter, len(columns))
        cut_off = at + used == len(lines) and not lines[-1].endswith(("\n", "\r"))
        raw = "".join(lines[at : at + used]).strip("\r\n")
        at += used
        problem = _cells_problem(cells, columns, delimiter, cut_off)
        if cells is None or problem is not None:
            yield SheetRow(number, raw, {}, problem)
        elif any(cell.strip() for cell in cells):
            yield SheetRow(number, raw, dict(zip(columns, (cell.strip() for cell in cells), strict=False)))


def _cells_problem(cells: list[str] | None, columns: list[str], delimiter: str, cut_off: bool) -> str | None:
    if cells is None:
        return "a quote is opened and not closed; close it or take it out"
    if any(cell.strip() for cell in cells[len(columns) :]):
        return (
            f"{len(cells)} cells under {len(columns)} columns; put a cell that holds {delimiter!r} in quotes"
        )
    if cut_off and len(cells) < len(columns):
        return (
            f"the file ends within this line ({len(cells)} of {len(columns)} cells); "
            "complete it and end it with a new line"
        )
    return None


def _cut(lines: list[str], at: int, delimiter: str, wanted: int) -> tuple[list[str] | None, int]:
    """The cells of the row at `at` and the number of lines it takes; None for an open quote."""
    for used in range(1, _LINES_OF_A_CELL + 1):
        text = "".join(lines[at : at + used])
        if at + used > len(lines):
            break
        try:
            cells = next(csv.reader([text.strip("\r\n")], delimiter=delimiter, strict=True))
        except (csv.Error, StopIteration):
            continue
        if used == 1 or len(cells) == wanted:
            return cells, used
    return None, 1
