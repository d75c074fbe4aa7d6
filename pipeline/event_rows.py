"""What an event becomes in the tables of tables.sql: rows, by the name of their table."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any

from pipeline.events import Amended, Event, SourceOpened, TestOpened


def event_rows(event: Event) -> list[tuple[str, dict[str, Any]]]:
    """The rows that one event becomes: (table, its columns but study and test_id)."""
    row = {name: without_zone(getattr(event, name)) for name in type(event).model_fields}
    rows = [(event.kind, row)]
    if isinstance(event, TestOpened):
        row["has_protocol"] = event.protocol is not None
        for quantity, threshold in (event.limits.model_dump() if event.limits else {}).items():
            if threshold is not None:
                rows.append(("test_limit", {"quantity": quantity, "threshold": threshold}))
    elif isinstance(event, SourceOpened):
        ranks = dict(part.split("=") for part in (event.ranks or "").split(",") if part)
        row["watts_rank"] = _rank(ranks, "watts")
        row["cadence_rank"] = _rank(ranks, "cadence_rpm")
        row["heart_rate_rank"] = _rank(ranks, "heart_rate_bpm")
        row["heart_rate_from_rr"] = "heart_rate_bpm:rr" in (event.measures or "").split(",")
    elif isinstance(event, Amended):
        row["value"] = json.dumps(event.value)
    return [pair for pair in rows if pair[0] not in _UNTABLED]


# kinds that are history only: nothing is derived from them
_UNTABLED = frozenset(
    {"test_resumed", "source_lost", "source_found", "prompt_late", "note_written", "journal_repaired"}
)


def _rank(ranks: dict[str, str], measure: str) -> int | None:
    return int(ranks[measure]) if measure in ranks else None


def without_zone(value: Any) -> Any:
    """A moment as tables hold it, UTC without a zone; anything else as it is."""
    return value.astimezone(UTC).replace(tzinfo=None) if isinstance(value, datetime) else value
