"""The named questions: one SQL file each in sql/cohort, whose first remarks say all about it.

    -- NAME: what it answers.
    -- reads: summary, readings; sbp_brackets.
    -- parameter NAME = DEFAULT UNIT: meaning.
    -- parameter NAME = DEFAULT of ONE, OTHER: meaning.
    -- example: NAME=VALUE
    -- column NAME, UNIT: meaning.

What stands behind the semicolon are relations of sql/test that are derived from the archive by their
own files.  A parameter is $NAME in the SELECT, or the setting of that name for these relations.
Columns that are called as in a sealed file need no line.  Other remarks follow after a line `--`.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from pipeline.columns import markdown_table, published
from pipeline.errors import CuffwattError, UsageError
from pipeline.shipped import shipped

FOLDER = "cohort"
_FIELDS = re.compile(r"^-- (?=reads: |parameter |example: |column )", re.MULTILINE)
_PARAMETER = re.compile(
    r"parameter (?P<name>\w+) = (?P<default>\S+?)"
    r"(?: of (?P<choices>[\w, ]+)| (?P<unit>[^:]+))?: (?P<meaning>.+)"
)
_COLUMN = re.compile(r"column (?P<name>\w+)(?:, (?P<unit>[^:]+))?: (?P<meaning>.+)")
Value = float | str


@dataclass(frozen=True)
class Parameter:
    """One thing that can be asked otherwise: a number, or one of `choices`."""

    name: str
    default: Value
    unit: str
    choices: tuple[str, ...]
    meaning: str

    def read(self, text: str) -> Value:
        """What was typed, as a value; UsageError where it is none."""
        if self.choices:
            if text in self.choices:
                return text
            raise UsageError(f"{self.name}={text}: one of {', '.join(self.choices)} is wanted")
        try:
            value = float(text)
        except ValueError:
            value = float("nan")
        if value - value == 0:  # neither nan nor inf
            return value
        unit = f" of {self.unit}" if self.unit else ""
        raise UsageError(f"{self.name}={text}: a number{unit} is wanted, like {self.name}={self.shown}")

    @property
    def shown(self) -> str:
        """The default as it is typed."""
        return f"{self.default:g}" if isinstance(self.default, float) else self.default


@dataclass(frozen=True)
class AnswerColumn:
    """One column of an answer, with its unit and meaning as those of a test have them."""

    name: str
    unit: str
    meaning: str


@dataclass(frozen=True)
class Question:
    """One named question."""

    name: str
    answers: str
    reads: tuple[str, ...]
    derives: tuple[str, ...]
    parameters: tuple[Parameter, ...]
    example: str
    columns: tuple[AnswerColumn, ...]
    select: str

    @property
    def select_only(self) -> str:
        """The SELECT without its remarks."""
        return re.sub(r"--.*", "", self.select)

    def values(self, given: Sequence[str]) -> dict[str, Value]:
        """All parameters, with what was given as NAME=VALUE; UsageError where it is not understood."""
        known = {one.name: one for one in self.parameters}
        values = {one.name: one.default for one in self.parameters}
        for text in given:
            name, equals, value = text.partition("=")
            if not equals:
                raise UsageError(f"{text!r}: a parameter is written NAME=VALUE; {self._parameter_words()}")
            if name not in known:
                raise UsageError(f"{self.name} has no parameter {name!r}; {self._parameter_words()}")
            values[name] = known[name].read(value)
        return values

    def _parameter_words(self) -> str:
        if not self.parameters:
            return f"{self.name} takes none"
        return "it takes " + ", ".join(f"{one.name}={one.shown}" for one in self.parameters)


def questions(folder: Path | None = None) -> dict[str, Question]:
    """Every question by name: each file of `folder`, of sql/cohort where none is given."""
    files = sorted((folder or shipped("sql") / FOLDER).glob("*.sql"))
    return {file.stem: _read(file) for file in files}


def find(name: str, among: Mapping[str, Question]) -> Question:
    """The question of that name; UsageError with the nearest ones where there is none."""
    if name in among:
        return among[name]
    near = difflib.get_close_matches(name, among, n=3, cutoff=0.5) or [n for n in among if name in n]
    hint = f"did you mean {' or '.join(near)}?" if near else f"there are {', '.join(among)}"
    raise UsageError(f"no question {name!r}; {hint} (cuffwatt cohort ask --list says what each answers)")


def described(names: Iterable[str], declared: Sequence[AnswerColumn] = ()) -> list[AnswerColumn]:
    """The columns of an answer: as declared, else as the sealed files have them, else without words."""
    said = {one.name: one for one in declared}
    return [said.get(name) or _published().get(name) or AnswerColumn(name, "", "") for name in names]


def questions_table() -> str:
    """One Markdown row a question: what it answers, parameters with defaults, an example."""
    rows = []
    for one in questions().values():
        takes = "; ".join(
            f"`{p.name}` = {p.shown}{f' {p.unit}' if p.unit else ''}: {p.meaning}" for p in one.parameters
        )
        example = f"`cuffwatt cohort ask {one.name}{f' {one.example}' if one.example else ''}`"
        rows.append((f"`{one.name}`", one.answers, takes, example))
    return markdown_table(("question", "what it answers", "parameters", "example"), rows)


@cache
def _published() -> dict[str, AnswerColumn]:
    found: dict[str, AnswerColumn] = {}
    for relation in ("summary", "readings", "stages", "flags", "samples"):
        for one in published()[relation].columns:
            found.setdefault(one.name, AnswerColumn(one.name, one.unit, one.meaning))
    return found


def _read(file: Path) -> Question:
    try:
        text = file.read_text(encoding="utf-8")
    except (OSError, ValueError) as error:
        raise CuffwattError(f"{file}: cannot be read ({error}); a question is a text file in UTF-8") from None
    lines = text.splitlines()
    end = next((n for n, line in enumerate(lines) if line.strip() == "--" or not line.startswith("--")), 0)
    first, *parts = _FIELDS.split("\n".join(lines[:end]))
    name, colon, answers = _one_line(first.removeprefix("-- ")).partition(": ")
    if not colon or name != file.stem or not answers:
        raise _wrong(file, f"'-- {file.stem}: what it answers.' is wanted first")
    reads: tuple[str, ...] = ()
    derives: tuple[str, ...] = ()
    example = ""
    parameters, columns = [], []
    for part in map(_one_line, parts):
        if part.startswith("reads: "):
            published_ones, _, derived = part.removeprefix("reads: ").rstrip(".").partition("; ")
            reads, derives = (tuple(filter(None, one.split(", "))) for one in (published_ones, derived))
        elif part.startswith("example: "):
            example = part.removeprefix("example: ")
        elif found := _PARAMETER.fullmatch(part):
            parameters.append(_parameter(found))
        elif found := _COLUMN.fullmatch(part):
            columns.append(AnswerColumn(found["name"], found["unit"] or "", found["meaning"]))
        else:
            raise _wrong(file, f"'-- {part}' is not understood")
    if not reads or set(reads) - set(published()):
        raise _wrong(file, f"'-- reads: ' with one or more of {', '.join(published())} is wanted")
    return Question(
        name, answers.rstrip("."), reads, derives, tuple(parameters), example, tuple(columns), text
    )


def _parameter(found: re.Match[str]) -> Parameter:
    choices = tuple(part.strip() for part in (found["choices"] or "").split(",") if part.strip())
    default: Value = found["default"] if choices else float(found["default"])
    return Parameter(found["name"], default, found["unit"] or "", choices, found["meaning"].rstrip("."))


def _one_line(part: str) -> str:
    return re.sub(r"\s*\n--\s*", " ", part.strip())


def _wrong(file: Path, words: str) -> CuffwattError:
    return CuffwattError(f"{file}: {words}; see how the other questions begin")
