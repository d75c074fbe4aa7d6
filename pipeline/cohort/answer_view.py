"""How an answer is shown: its rows, what its columns mean, and which tests it comes from."""

from __future__ import annotations

import math
import shutil
from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.archive import publish_with
from pipeline.cohort.ask import Answer
from pipeline.cohort.question import AnswerColumn, Question
from pipeline.errors import UsageError
from pipeline.output import CAUTION, Column, Format, chosen, counted, emit, say, show_table

if TYPE_CHECKING:
    from rich.text import Text

Cells = dict[str, "str | Text"]
_HEADING_CHARACTERS = 10
_PASSED_OVER_SHOWN = 5
_WORD_CHARACTERS = 24
_KEYS = 5


def show_answer(answer: Answer, form: Format | None) -> None:
    """Rows to stdout; units, meanings, where the rows come from and the caution to stderr."""
    shown = chosen(form)
    rows = [{name: _plain(value) for name, value in row.items()} for row in answer.table.to_pylist()]
    if shown == "table":
        cells: list[Cells] = [{name: _cell(value) for name, value in row.items()} for row in rows]
        columns = [_heading(one, rows) for one in answer.columns]
        title = answer.asked.question
        for block in _blocks(columns, cells, shutil.get_terminal_size().columns):
            show_table(cells, block, title)
            title = ""
        for one in answer.columns:
            if one.meaning:
                say(f"{one.name}{f' ({one.unit})' if one.unit else ''}: {one.meaning}")
    else:
        emit(rows, answer.table.column_names, shown)
    say_asked(answer)


def write_answer(answer: Answer, path: Path) -> None:
    """The answer as one Parquet file with units, meanings and words; UsageError for another ending."""
    if path.suffix != ".parquet":
        raise UsageError(f"--out {path}: a name that ends in .parquet is wanted; csv and json go to stdout")
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        publish_with(path, lambda tmp: pq.write_table(answer.table, tmp))
    except pa.ArrowNotImplementedError as error:
        raise UsageError(
            f"--out {path}: Parquet has no place for a column ({error}); cast it to text"
        ) from None
    say_asked(answer)
    say(f"{counted(answer.table.num_rows, 'row')} in {path}")


def say_asked(answer: Answer) -> None:
    """Which tests were asked, what was passed over and why, and the caution."""
    say(answer.asked.words)
    passed = answer.asked.passed_over
    for words in passed[:_PASSED_OVER_SHOWN]:
        say(f"passed over: {words}")
    if len(passed) > _PASSED_OVER_SHOWN:
        say(f"and {len(passed) - _PASSED_OVER_SHOWN} more; cuffwatt verify and cuffwatt seal name them all")
    say(CAUTION)


def show_questions(found: Mapping[str, Question], form: Format | None) -> None:
    """The named questions: what each answers, its parameters with their defaults, an example."""
    shown = chosen(form)
    rows = [
        {
            "question": one.name,
            "answers": one.answers,
            "parameters": " ".join(f"{p.name}={p.shown}" for p in one.parameters),
            "example": f"cuffwatt cohort ask {one.name} {one.example}".strip(),
        }
        for one in found.values()
    ]
    if shown == "table":
        cells: list[Cells] = [
            {"question": row["question"], "answers": f"{row['answers']}\n{row['parameters']}".strip()}
            for row in rows
        ]
        show_table(
            cells,
            [Column("question", "question"), Column("answers", "what it answers", wraps=True)],
            "Questions",
        )
        say("parameters and columns of one, with an example: cuffwatt cohort ask NAME --list")
    else:
        emit(rows, ("question", "answers", "parameters", "example"), shown)


def show_question(one: Question, form: Format | None) -> None:
    """The parameters and columns of one question, with units and meanings."""
    rows: list[Cells] = [
        {"name": f"{p.name}={p.shown}", "unit": p.unit, "meaning": p.meaning, "what": "parameter"}
        for p in one.parameters
    ]
    rows += [{"name": c.name, "unit": c.unit, "meaning": c.meaning, "what": "column"} for c in one.columns]
    keys = ("what", "name", "unit", "meaning")
    shown = chosen(form)
    if shown == "table":
        show_table(rows, [Column(key, key, wraps=key == "meaning") for key in keys], one.answers)
        say(f"for example: cuffwatt cohort ask {one.name} {one.example}".strip())
        say("columns that are called as in the files of a test mean what they mean there")
    else:
        emit(rows, keys, shown)


def _blocks(columns: Sequence[Column], cells: Sequence[Cells], width: int) -> Iterator[list[Column]]:
    """The columns in parts that are not wider than `width`, so that no number is cut.

    Each begins with the first columns, which say what a row is, where they leave enough room.
    """

    def wide(one: Column) -> int:
        texts = [str(row[one.key]) for row in cells]
        if one.wraps:
            texts = [word[:_WORD_CHARACTERS] for text in texts for word in text.split()]
        return 2 + max(map(len, [*one.heading.split("\n"), *texts]))

    room = 0.6 * width
    keys: list[Column] = []
    for one in columns[:_KEYS]:
        if (not one.wraps and not keys) or sum(map(wide, [*keys, one])) > room:
            break
        keys.append(one)
    while keys and not keys[-1].wraps:  # numbers say what a row is only among words
        keys.pop()
    block, used = list(keys), sum(map(wide, keys))
    for one in columns[len(keys) :]:
        if used + wide(one) > width and len(block) > len(keys):
            yield block
            block, used = list(keys), sum(map(wide, keys))
        block.append(one)
        used += wide(one)
    yield block


def _heading(one: AnswerColumn, rows: Sequence[dict[str, Any]]) -> Column:
    """The name in short lines with the unit below; numbers stand to the right."""
    lines = [""]
    # what the name says of the unit is said by the unit
    said = one.unit.lower().replace("/", "_per_").replace("%", "percent")
    name = one.name.removesuffix(f"_{said}").removesuffix("_watts" if one.unit == "W" else "")
    for word in name.split("_"):
        if lines[-1] and len(lines[-1]) + len(word) >= _HEADING_CHARACTERS:
            lines.append(word)
        else:
            lines[-1] = f"{lines[-1]} {word}".strip()
    unit = one.unit if one.unit and one.unit != "1" else ""
    is_number = any(isinstance(row[one.name], int | float) for row in rows)
    return Column(one.name, "\n".join([*lines, *filter(None, [unit])]), right=is_number, wraps=not is_number)


def _plain(value: Any) -> Any:
    """What SQL may answer, as JSON and CSV have it: numbers, yes or no, times and text."""
    if isinstance(value, Decimal):
        return float(value)
    if isinstance(value, float) and not math.isfinite(value):
        return str(value)
    if isinstance(value, Mapping):
        return {str(key): _within(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_within(one) for one in value]
    return value if value is None or isinstance(value, bool | int | float | str | date) else str(value)


def _within(value: Any) -> Any:
    return value.isoformat() if isinstance(value, date) else _plain(value)


def _cell(value: Any) -> str:
    if value is None:
        return "-"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.4g}" if abs(value) < 1000 else f"{value:.0f}"
    return str(value)
