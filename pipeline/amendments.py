"""Amendments: what an event says once corrections are laid over it.

The original line stays in the journal; amendments are overlaid where events become rows.  Of
several for one field the highest seq holds.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from pipeline.errors import CuffwattError
from pipeline.events import EVENT, Amended, Event
from pipeline.protocol import first_problem


@dataclass(frozen=True)
class Voided:
    """An event that an amendment takes out; kept and shown."""

    event: Event


def overlaid(events: Iterable[Event], where: Path) -> list[Event | Voided]:
    """The events with all amendments applied; of several for one field the highest seq holds."""
    kept = list(events)
    changes: dict[int, dict[str, Any]] = defaultdict(dict)
    for event in kept:
        if isinstance(event, Amended):
            changes[event.target_seq][event.field] = event.value
    if not changes:
        return list(kept)
    result: list[Event | Voided] = []
    for event in kept:
        changed = changes.get(-1 if event.seq is None else event.seq)
        result.append(amended_event(event, changed, str(where)) if changed else event)
    return result


def amended_event(event: Event, changes: dict[str, Any], where: str) -> Event | Voided:
    """The event with `changes` (field -> value) laid over it, checked by its own model.

    Raises CuffwattError, naming `where` and the field, for a value that does not fit.
    """
    try:
        return _apply(event, changes)
    except ValidationError as error:
        raise CuffwattError(
            f"{where}: an amendment of event {event.seq} does not fit it ({first_problem(error)}); "
            "amend the field again with a value that fits"
        ) from None


def original_value(target: Event | None, field: str) -> str:
    """What the field said before any amendment, as JSON."""
    if target is None or field == "void":
        return json.dumps(False if field == "void" else None)
    return json.dumps(json.loads(target.model_dump_json()).get(field))


def _apply(event: Event, changes: dict[str, Any]) -> Event | Voided:
    # JSON has one kind of number, a field may want a whole one
    fields = {
        field: int(value) if isinstance(value, float) and value.is_integer() else value
        for field, value in changes.items()
        if field != "void"
    }
    changed: Event = event
    if fields:
        content = json.loads(event.model_dump_json(exclude_none=True)) | fields
        changed = EVENT.validate_json(json.dumps(content))
    return Voided(changed) if changes.get("void") is True else changed
