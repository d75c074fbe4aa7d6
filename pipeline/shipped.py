"""Where the files that ship with the package are: sql/, fixtures/, rules.toml and rule_sets/.

In a wheel they lie inside the package, in a checkout one level up.
"""

from __future__ import annotations

import hashlib
from functools import cache
from pathlib import Path

from pipeline.bladder import BLADDERS

_PACKAGE = Path(__file__).resolve().parent
TEST_RELATIONS = "test"
WATCH_RELATIONS = "watch"


def shipped(name: str) -> Path:
    """The folder `sql` or `fixtures`."""
    inside = _PACKAGE / name
    return inside if inside.is_dir() else _PACKAGE.parent / name


def default_rules() -> Path:
    """The rules file that holds unless a lab gives its own."""
    return _PACKAGE / "rules.toml"


@cache
def rule_sets() -> dict[str, Path]:
    """The named sets of rules that a lab may turn on: name -> file, by name."""
    return {file.stem: file for file in sorted((_PACKAGE / "rule_sets").glob("*.toml"))}


@cache
def test_ladder() -> tuple[tuple[str, str], ...]:
    """The relations of a test in the order in which they build on one another: (name, SELECT)."""
    files = sorted((shipped("sql") / TEST_RELATIONS).glob("*.sql"))
    return tuple((file.stem.split("_", 1)[1], file.read_text(encoding="utf-8")) for file in files)


@cache
def watch_relations() -> dict[str, str]:
    """What a live test is asked between two runs of the ladder: name -> SELECT; nothing is sealed from it."""
    files = sorted((shipped("sql") / WATCH_RELATIONS).glob("*.sql"))
    return {file.stem: file.read_text(encoding="utf-8") for file in files}


@cache
def table_statements() -> tuple[str, ...]:
    """The statements that make the empty tables and the macros."""
    text = (shipped("sql") / "tables.sql").read_text(encoding="utf-8")
    return tuple(part for part in text.split(";\n") if part.strip())


@cache
def derivation_digest() -> str:
    """First 16 hex digits of SHA-256 over what derives a test: SQL, names and bytes, and sizes of cuffs."""
    digest = hashlib.sha256(repr(BLADDERS).encode())
    for statement in table_statements():
        digest.update(statement.encode())
    for name, select in test_ladder():
        digest.update(f"\0{name}\0{select}".encode())
    return digest.hexdigest()[:16]
