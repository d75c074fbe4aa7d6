"""Relations that are derived again and again, with plans that are made once.

Of one test a relation has a few rows, and planning its statement costs more than running it.
DuckDB keeps the plan of a prepared statement only where its optimizer had no part in it, and only
until a table is made or dropped.  So a connection of its own, without optimizer, makes each
relation as a table once and from then on empties and fills it.
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
        self._planned: set[str] = set()
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
            return
        self._plain.execute(f"delete from {name}").fetchall()
        self._fills += 1
        if optimized:
            self._main.execute(f"insert into {name}\n{select}").fetchall()
            return
        self.run(f"fill_{name}", f"insert into {name}\n{select}")

    def run(self, name: str, statement: str) -> list[tuple[Any, ...]]:
        """The rows of a statement that is planned once under this name."""
        if name not in self._planned:
            self._plain.execute(f"prepare {name} as {statement}").fetchall()
            self._planned.add(name)
        return self._plain.execute(f"execute {name}").fetchall()

    def tidy(self) -> None:
        """Take away what emptied relations leave behind, once in many fills: it slows down every scan."""
        if self._fills >= _TIDY_FILLS:
            self._main.execute("checkpoint").fetchall()
            self._fills = 0
