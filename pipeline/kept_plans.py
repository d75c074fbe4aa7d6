"""Relations that are derived again and again, with plans that are made once.

Of one test a relation has a few rows, and planning its statement costs more than running it.
DuckDB keeps the plan of a prepared statement only where its optimizer had no part in it, and only
until a table is made or dropped.  So a connection of its own, without optimizer, makes each
relation as a table once and from then on empties and fills it.  Whenever a table was made, all is
planned once more: what was planned before would be planned at each run from then on.

A plan with DuckDB's operator for ASOF joins cannot be kept: its second run is an internal error
that ends the database (2.0.1).  Small inputs are joined by loops, which are kept.
"""

from __future__ import annotations

from typing import Any

import duckdb

_TIDY_FILLS = 2000


class KeptPlans:
    """Fills relations over the tables of `db`; close it before `db`."""

    def __init__(self, db: duckdb.DuckDBPyConnection) -> None:
        self._main = db
        self._plain = db.cursor()
        self._plain.execute("pragma disable_optimizer").fetchall()
        self._made: set[str] = set()
        self._planned: dict[str, str] = {}
        self._fills = 0

    def close(self) -> None:
        """End the connection; the tables stay."""
        self._plain.close()

    def fill(self, name: str, select: str, *, optimized: bool = False) -> None:
        """The relation `name` as `select` gives it now; `optimized` plans it anew, for many rows."""
        if name not in self._made:
            chosen = self._main if optimized else self._plain
            chosen.execute(f"create table {name} as\n{select}").fetchall()
            self._made.add(name)
            self.forget()
            return
        self.run(f"empty_{name}", f"delete from {name}")
        self._fills += 1
        if optimized:
            self._main.execute(f"insert into {name}\n{select}").fetchall()
            return
        self.run(f"fill_{name}", f"insert into {name}\n{select}")

    def run(self, name: str, statement: str) -> list[tuple[Any, ...]]:
        """The rows of a statement that is planned once under this name."""
        if name not in self._planned:
            self._planned[name] = f"execute {name}"
            if "asof" in statement and self._joins_asof(statement):
                self._planned[name] = statement
            else:
                self._plain.execute(f"prepare {name} as {statement}").fetchall()
        return self._plain.execute(self._planned[name]).fetchall()

    def named(self, name: str, statement: str) -> list[dict[str, Any]]:
        """The same rows by the names of their columns."""
        rows = self.run(name, statement)
        names = [column[0] for column in self._plain.description or ()]
        return [dict(zip(names, row, strict=True)) for row in rows]

    def forget(self) -> None:
        """Plan all once more, because a table was made."""
        self._planned.clear()

    def _joins_asof(self, statement: str) -> bool:
        plan = self._plain.execute(f"explain {statement}").fetchall()
        return any("asof join" in text.lower() for _, text in plan)

    def tidy(self) -> None:
        """Take away what emptied relations leave behind, once in many fills: it slows down every scan."""
        if self._fills >= _TIDY_FILLS:
            self._main.execute("checkpoint").fetchall()
            self._fills = 0
