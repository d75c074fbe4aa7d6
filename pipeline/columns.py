"""The data dictionary: what every published column means, in which unit, and why it may be null.

It is read from sql/columns.toml, which also says what a row of each sealed file is, how the rows
are ordered and which codes stand for reasons.  The order of the columns there is the order in
the Parquet files.
"""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from pipeline.shipped import shipped

_LISTS = ("method", "needs", "optional")


@dataclass(frozen=True)
class Column:
    """One published column.

    `type` is DuckDB's name, `unit` is "" for text, codes, times and yes or no and "1" for plain
    numbers, `method` are the ids in use.  A null is explained by `needs` (a null there makes this
    one null), `only` (the condition outside which the value is null), `note` (the column that says
    why), `optional` (what the journal may lack, "kind.field" or "kind"), or by a `column=code` in
    the column `missing`.
    """

    name: str
    type: str
    meaning: str
    unit: str = ""
    method: tuple[str, ...] = ()
    needs: tuple[str, ...] = ()
    source: str = ""
    note: str = ""
    only: str = ""
    optional: tuple[str, ...] = ()


@dataclass(frozen=True)
class Relation:
    """One sealed file: the SQL relation behind it, its grain and the total order of its rows.

    `order` leaves out study and test_id, which come first everywhere.
    """

    name: str
    sql_relation: str
    grain: str
    order: tuple[str, ...]
    columns: tuple[Column, ...]


@cache
def published() -> dict[str, Relation]:
    """The sealed files by name: samples, stages, readings, flags, summary."""
    written = _written()
    return {
        name: Relation(
            name=name,
            sql_relation=about["sql"],
            grain=about["grain"],
            order=tuple(about["order"]),
            columns=tuple(_column(column, table) for column, table in written[name].items()),
        )
        for name, about in written["relations"].items()
    }


@cache
def codes() -> dict[str, str]:
    """The closed list of reasons in `missing` and in `*_note` columns, each with a sentence."""
    return dict(_written()["codes"])


def readme_tables() -> str:
    """One Markdown table a sealed file (column, unit, meaning), then the table of codes."""
    parts = []
    for relation in published().values():
        rows = [(f"`{column.name}`", column.unit, column.meaning) for column in relation.columns]
        table = markdown_table(("column", "unit", "meaning"), rows)
        parts.append(f"### {relation.name}.parquet\n\n{_sentence(relation.grain)}\n\n{table}")
    reasons = [(f"`{code}`", _sentence(words)) for code, words in codes().items()]
    table = markdown_table(("code", "meaning"), reasons)
    parts.append(f"### Codes in `missing` and in the notes\n\n{table}")
    return "\n\n".join(parts)


@cache
def _written() -> dict[str, Any]:
    return tomllib.loads((shipped("sql") / "columns.toml").read_text(encoding="utf-8"))


def _column(name: str, table: dict[str, Any]) -> Column:
    lists = {key: tuple(table[key]) for key in _LISTS if key in table}
    return Column(**{"name": name, **table, **lists})


def markdown_table(heads: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> str:
    """A Markdown table of these rows under these heads; a bar in a cell is escaped."""
    return "\n".join(_line(cells) for cells in (heads, ("---",) * len(heads), *rows))


def _line(cells: tuple[str, ...]) -> str:
    return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"


def _sentence(words: str) -> str:
    return f"{words[0].upper()}{words[1:]}."
