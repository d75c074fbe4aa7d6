"""A database that sees the rows of an archive and nothing else of the machine.

DuckDB's own read-only connections and "one SELECT only" do not hold: with c as (copy ... to 'file')
counts as a SELECT and writes.  So everything outside is shut and the settings are locked before the
first question: no file, no address on the net, no extension, no object of this program.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import duckdb

from pipeline.errors import CuffwattError, UsageError
from pipeline.shipped import default_rules, table_statements, test_ladder

if TYPE_CHECKING:
    import pyarrow as pa

    from pipeline.cohort.question import Value
    from pipeline.gathered import Gathered

MEMORY_MB = 2_000
TOO_LONG = "the question took too long and was broken off; ask for less, or of fewer tests"
TOO_MUCH = (
    "the question needs more memory than it may have and was broken off; ask for fewer rows or columns, "
    "or aggregate"
)
# under the names that the relations of sql/test know, what a sealed archive has of them
_AS_DERIVED = {
    "measures": "select * exclude (u_sbp_mmhg) from readings",
    "uncertainty": "select study, test_id, reading_id, u_sbp_mmhg from readings",
    "stage_loads": "select * from stages",
    "test_opened": "select study, test_id, sex, age_years from summary",
    "rest_values": "select study, test_id, hr_rest_bpm, sbp_rest_mmhg from summary",
}


class Locked:
    """One connection over gathered rows; `only` and `studies` choose among the tests first.

    Raises UsageError where `only` is no condition on the columns of summary.
    """

    def __init__(
        self, rows: Gathered, *, studies: Sequence[str] = (), only: str = "", memory_mb: int = MEMORY_MB
    ) -> None:
        self._db = duckdb.connect(
            ":memory:",
            config={
                "temp_directory": "",
                "python_enable_replacements": False,
                "autoinstall_known_extensions": False,
                "autoload_known_extensions": False,
                "allow_community_extensions": False,
                "memory_limit": f"{memory_mb}MB",
                "threads": min(4, os.cpu_count() or 1),
            },
        )
        self._run("set TimeZone = 'UTC'")
        self._names = tuple(rows.relations)
        chosen = bool(studies or only)
        for name, parts in rows.relations.items():
            for number, part in enumerate(parts):
                self._db.register(f"{name}_part_{number}", part)
            # each part was checked to have the columns of its file, in their order
            union = " union all ".join(f"select * from {name}_part_{n}" for n in range(len(parts)))
            self._run(f"create temp view {f'all_{name}' if chosen else name} as {union}")
        self._run("set enable_external_access = false")
        self._run("set lock_configuration = true")
        if chosen:
            self._choose(list(studies), only)

    def interrupt(self) -> None:
        """Break off what is running; from another thread."""
        self._db.interrupt()

    def close(self) -> None:
        """Give the memory back."""
        self._db.close()

    def tests(self) -> int:
        """How many tests are asked, after choosing."""
        found = self._db.execute("select count(*) from summary").fetchall()
        return int(found[0][0])

    def derive(self, names: Sequence[str], settings: Mapping[str, Value]) -> None:
        """Make relations of sql/test by their own files, from the rows that are here.

        `settings` stand in place of those of the shipped rules that have their names.
        """
        for statement in table_statements():
            if "create macro" in statement:
                self._run(statement)
        for name, select in _AS_DERIVED.items():
            if select.rpartition(" ")[2] in self._names:
                self._run(f"create temp view {name} as {select}")
        row = shipped_settings()
        row |= {name: value for name, value in settings.items() if name in row}
        columns = ", ".join(f"${name} as {name}" for name in row)
        self._db.execute(f"create temp table setting as select {columns}", row).fetchall()
        with _in_words():
            for name, select in test_ladder():
                if name in names:
                    self._run(f"create temp table {name} as\n{select}")

    def ask(self, select: str, values: Mapping[str, Any] | None = None) -> pa.Table:
        """The rows of one SELECT; CuffwattError in words where there are none to be had."""
        try:
            statements = duckdb.extract_statements(select)
        except duckdb.Error as error:
            raise UsageError(f"the SQL cannot be read: {_first_words(error)}") from None
        if len(statements) != 1 or statements[0].type != duckdb.StatementType.SELECT:
            raise UsageError(
                f"one SELECT is wanted, this is {_kinds(statements)}; questions read, they change nothing"
            )
        with _in_words():
            return self._db.sql(statements[0], params=dict(values or {})).to_arrow_table()

    def _choose(self, studies: list[str], only: str) -> None:
        conditions = ["list_contains($studies, study)"] if studies else []
        conditions += [f"(\n{only}\n)"] if only else []
        select = f"select study, test_id from all_summary where {' and '.join(conditions)}"
        try:
            tests = self.ask(select, {"studies": studies} if studies else None)
        except UsageError as error:
            raise UsageError(
                f"--only {only!r}: one condition on the columns of summary is wanted, like "
                f"\"sex = 'female'\" ({error})"
            ) from None
        self._db.register("chosen", tests)
        for name in self._names:
            self._run(
                f"create temp view {name} as select * from all_{name} semi join chosen using (study, test_id)"
            )

    def _run(self, statement: str) -> None:
        self._db.execute(statement).fetchall()


def shipped_settings() -> dict[str, Value]:
    """The settings of the shipped rules as they are written; checking them takes longer than a question."""
    written = tomllib.loads(default_rules().read_text(encoding="utf-8"))["settings"]
    return {name: one if isinstance(one, str) else float(one) for name, one in written.items()}


@contextmanager
def _in_words() -> Iterator[None]:
    """What DuckDB raises, in words for the asker."""
    try:
        yield
    except duckdb.InterruptException:
        raise CuffwattError(TOO_LONG) from None
    except (duckdb.OutOfMemoryException, MemoryError):
        raise CuffwattError(TOO_MUCH) from None
    except duckdb.PermissionException as error:
        raise UsageError(
            "refused: a question sees summary, stages, readings, samples and flags, and no file or address "
            f"({_first_words(error)})"
        ) from None
    except duckdb.Error as error:
        words = _first_words(error)
        if "reading the stream registered" in words:  # what Arrow met in a file
            raise CuffwattError(
                f"rows of the gathered tables or of a test's samples cannot be read ({words}); cuffwatt "
                "verify names a damaged test; remove the folder gathered in the archive and run cuffwatt seal"
            ) from None
        raise UsageError(f"the SQL cannot be answered: {words}") from None


def _kinds(statements: Sequence[Any]) -> str:
    if not statements:
        return "empty"
    kinds = ", ".join(one.type.name for one in statements)
    return f"{len(statements)} statements ({kinds})" if len(statements) > 1 else f"a statement {kinds}"


def _first_words(error: Exception) -> str:
    """What DuckDB says, without the copy of the statement below it."""
    return str(error).partition("\n")[0].strip().rstrip(".;")
