"""What the relations of a test are made from, read from their SQL.

Every `from NAME` and `join NAME` that names a relation or a table counts, so that nothing has to
be kept in step by hand.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import cache

from pipeline.shipped import table_statements, test_ladder

_NAMED = re.compile(r"\b(?:from|join)\s+\"?(\w+)")
_REMARK = re.compile(r"--[^\n]*")
_TABLE = re.compile(r"create table \"?(\w+)")
# said in the first remarks of a relation that is empty until the test is closed
AFTER_CLOSING = "Closed tests only."


@cache
def inputs() -> dict[str, frozenset[str]]:
    """Of every relation of the ladder the relations and tables that its SELECT names."""
    known = {name for name, _ in test_ladder()} | {"setting"}
    known |= {match[1] for match in map(_TABLE.search, table_statements()) if match}
    return {
        name: frozenset(_NAMED.findall(_REMARK.sub("", select))) & known - {name}
        for name, select in test_ladder()
    }


@cache
def needed_live(wanted: frozenset[str]) -> frozenset[str]:
    """The relations that `wanted` are made from, and they themselves, while a test is not closed."""
    later = {name for name, select in test_ladder() if AFTER_CLOSING in select}
    found: set[str] = set()
    ahead = list(wanted)
    while ahead:
        name = ahead.pop()
        if name in inputs() and name not in found | later:
            found.add(name)
            ahead += inputs()[name]
    return frozenset(found)


def made_from(changed: Iterable[str], without: frozenset[str] = frozenset()) -> frozenset[str]:
    """The relations that any of `changed` goes into, at whatever distance; not by way of `without`."""
    found: set[str] = set()
    sources = set(changed)
    for name, _ in test_ladder():
        if inputs()[name] & (sources | (found - without)):
            found.add(name)
    return frozenset(found)
