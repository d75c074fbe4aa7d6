"""The tables in README.md and DEVELOPERS.md that are made, not written.

    python -m pipeline.readme README.md DEVELOPERS.md

makes them anew between their marks: columns from sql/columns.toml, flags from rules.toml and
rule_sets/, the relations of a test and the questions to a cohort from the first remarks of each file in
sql/test and sql/cohort.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline.cohort.question import questions_table
from pipeline.columns import markdown_table, readme_tables
from pipeline.errors import CuffwattError, UsageError
from pipeline.rule import Rule
from pipeline.rules import named_set, shipped_rules
from pipeline.shipped import TEST_RELATIONS, rule_sets, shipped

_HEADER = re.compile(r"-- (?P<name>\w+): (?P<grain>.*?\.)\n-- inputs: (?P<inputs>.*?)\.", re.DOTALL)


@dataclass(frozen=True)
class Block:
    """Made text in a document, between the lines `begins` and `ends`."""

    begins: str
    ends: str
    make: Callable[[], str]

    def renewed(self, document: str) -> str:
        """The document with this block made anew; as it is where neither mark is in it."""
        before, begins, rest = document.partition(self.begins)
        _, ends, after = rest.partition(self.ends)
        if not begins and self.ends not in document:
            return document
        if not ends or self.begins in rest or self.ends in before + after:
            raise CuffwattError(
                f"the document has not one line {self.begins!r} followed by one line {self.ends!r}; "
                "write both where the table belongs"
            )
        return f"{before}{self.begins}\n\n{self.make()}\n\n{self.ends}{after}"


def flags_table() -> str:
    """One Markdown row a shipped rule, in their order: code, level, when it holds, source."""
    rows = [(f"`{rule.code}`", rule.level, _when(rule), rule.cited) for rule in shipped_rules().rules]
    return markdown_table(("code", "level", "when", "source"), rows)


def sets_table() -> str:
    """One Markdown row a rule of a named set: set, code, level, when it holds, source, how often."""
    rows = [
        (f"`{name}`", f"`{rule.code}`", rule.level, _when(rule), rule.cited, rule.base_rate or "")
        for name in rule_sets()
        for rule in named_set(name)
    ]
    return markdown_table(("set", "code", "level", "when", "source", "how often"), rows)


def relations_table() -> str:
    """One Markdown row a relation of sql/test, in the order in which they build on one another."""
    rows = []
    for file in sorted((shipped("sql") / TEST_RELATIONS).glob("*.sql")):
        header = _HEADER.match(file.read_text(encoding="utf-8"))
        if header is None or header["name"] != file.stem.partition("_")[2]:
            raise CuffwattError(
                f"{file}: its first remarks are wanted as '-- relation: one row a ...' and '-- inputs: ...'"
            )
        grain, inputs = (re.sub(r"\s*\n-- ", " ", header[part]) for part in ("grain", "inputs"))
        rows.append((f"`{file.stem}`", grain.rstrip("."), inputs))
    return markdown_table(("relation", "grain", "from"), rows)


BLOCKS = (
    Block(
        "<!-- columns: made from sql/columns.toml, do not edit -->", "<!-- end of columns -->", readme_tables
    ),
    Block("<!-- flags: made from pipeline/rules.toml, do not edit -->", "<!-- end of flags -->", flags_table),
    Block("<!-- sets: made from pipeline/rule_sets, do not edit -->", "<!-- end of sets -->", sets_table),
    Block(
        "<!-- relations: made from sql/test, do not edit -->", "<!-- end of relations -->", relations_table
    ),
    Block(
        "<!-- questions: made from sql/cohort, do not edit -->", "<!-- end of questions -->", questions_table
    ),
)


def made_anew(document: str) -> str:
    """The document with all its made tables as they are now; the rest is untouched.

    Raises CuffwattError where the two marks of a table are not there once each, in their order.
    """
    for block in BLOCKS:
        document = block.renewed(document)
    return document


def main(paths: Sequence[str]) -> None:
    """Make the tables in these documents anew."""
    if not paths:
        raise UsageError("no document is named; write python -m pipeline.readme README.md DEVELOPERS.md")
    for path in map(Path, paths):
        try:
            path.write_text(made_anew(path.read_text(encoding="utf-8")), encoding="utf-8")
        except OSError as error:
            raise UsageError(f"{path}: cannot be made anew ({error.strerror}); name the README") from None


def _when(rule: Rule) -> str:
    """The words of the rule, and the condition with the quantity by which a rules file names it."""
    condition = f"`{rule.quantity}` {rule.operator} {rule.threshold:g} {rule.unit}".strip()
    parts = ([] if rule.quantity == "presence" else [condition]) + rule.only
    if rule.variant:
        parts.append(f"variant `{rule.variant}`")
    return f"{rule.words} ({', '.join(parts)})" if parts else rule.words


if __name__ == "__main__":
    try:
        main(sys.argv[1:])
    except CuffwattError as error:
        sys.exit(str(error))
