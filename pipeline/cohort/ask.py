"""A question to all tests of an archive, and its answer: a table that says where it comes from."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from threading import Timer
from typing import TYPE_CHECKING

from pipeline.archive import Archive
from pipeline.cohort.locked import MEMORY_MB, Locked
from pipeline.cohort.question import AnswerColumn, Question, described, find, questions
from pipeline.columns import published
from pipeline.gathered import gathered
from pipeline.output import CAUTION

if TYPE_CHECKING:
    import pyarrow as pa

    from pipeline.gathered import PassedOver, Report


@dataclass(frozen=True)
class Request:
    """What is asked of which tests: a named question with what was given as NAME=VALUE, or `sql`.

    `studies` and `only`, a condition on the columns of summary, choose among the tests.
    """

    root: str
    name: str = ""
    given: Sequence[str] = ()
    sql: str = ""
    studies: Sequence[str] = ()
    only: str = ""

    @property
    def is_foreign(self) -> bool:
        """Whether SQL of the asker runs, which may want more than the machine has."""
        return bool(self.sql or self.only)


@dataclass(frozen=True)
class Asked:
    """Where an answer comes from, in words: tests seen and chosen, what was passed over and why."""

    question: str
    words: str
    passed_over: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Answer:
    """The rows of an answer, the unit and meaning of each column, and where they come from."""

    table: pa.Table
    asked: Asked

    @property
    def columns(self) -> list[AnswerColumn]:
        """The columns with their units and meanings, as they stand in the table's own metadata."""
        return [
            AnswerColumn(
                one.name, *((one.metadata or {}).get(key, b"").decode() for key in (b"unit", b"meaning"))
            )
            for one in self.table.schema
        ]

    @classmethod
    def of(cls, table: pa.Table) -> Answer:
        """The answer that a table with its metadata is."""
        return cls(table, Asked(**json.loads(table.schema.metadata[b"asked"])))


def answer(request: Request, *, folder: Path | None = None, seconds: float | None = None) -> Answer:
    """The answer to one request; what cannot be read is passed over and named in it.

    `folder` holds the named questions, sql/cohort where none is given; after `seconds` the question
    is broken off.  Raises UsageError for a question, parameter or SQL that is not understood or
    not allowed, ArchiveError where there is no such archive.
    """
    asked = None if request.sql else find(request.name, questions(folder))
    values = asked.values(request.given) if asked else {}
    rows = gathered(Archive(request.root), ("summary", *_others(asked)))
    locked = Locked(rows, studies=request.studies, only=request.only, memory_mb=MEMORY_MB)
    timer = Timer(seconds, locked.interrupt) if seconds else None
    if timer:
        timer.daemon = True
        timer.start()
    try:
        if asked is not None:
            if asked.derives:
                locked.derive(asked.derives, values)
            named = {name: value for name, value in values.items() if f"${name}" in asked.select_only}
            table = locked.ask(asked.select, named)
        else:
            table = locked.ask(request.sql)
        chosen = locked.tests()
    finally:
        if timer:
            timer.cancel()
        locked.close()
    columns = described(table.column_names, asked.columns if asked else ())
    words = Asked(
        asked.answers if asked else "",
        _words(rows.report, chosen, is_chosen=bool(request.studies or request.only)),
        _passed_over(rows.report.passed_over),
    )
    return Answer(_with_words(table, columns, words), words)


def _others(asked: Question | None) -> list[str]:
    """The relations beside summary that are read."""
    return [name for name in (asked.reads if asked else published()) if name != "summary"]


def _words(report: Report, chosen: int, *, is_chosen: bool) -> str:
    if not report.tests:
        return "the archive has no test: record, join or simulate one first"
    return report.words() + (f"; {chosen} of them chosen" if is_chosen else "")


def _passed_over(found: Sequence[PassedOver]) -> list[str]:
    return [f"{one.study}/{one.test_id} {one.why.replace('_', ' ')}: {one.words}" for one in found]


def _with_words(table: pa.Table, columns: Sequence[AnswerColumn], asked: Asked) -> pa.Table:
    """The table with units and meanings in its fields and the words in its metadata."""
    import pyarrow as pa

    fields = [
        one.with_metadata({"unit": said.unit, "meaning": said.meaning})
        for one, said in zip(table.schema, columns, strict=True)
    ]
    metadata = {"asked": json.dumps(asdict(asked), ensure_ascii=False), "caution": CAUTION}
    return pa.Table.from_arrays(table.columns, schema=pa.schema(fields, metadata=metadata))
