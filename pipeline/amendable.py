"""What of a test may be amended: entries, as they were entered and as they stand."""

from __future__ import annotations

import difflib
from collections import defaultdict
from dataclasses import dataclass
from typing import Any

from pipeline.amendments import Voided, amended_event
from pipeline.errors import CuffwattError, UsageError
from pipeline.events import Amended, Event
from pipeline.journal import JournalRead

VOID = "void"

# what somebody entered or measured with a watch; what the program found out, and how a journal
# is read, is not an entry
_READING = frozenset({"reading_taken", "reading_missed"})
_VOIDABLE = _READING | {"exertion_rated", "symptom_noted", "sign_noted"}
_WHOLE = _VOIDABLE | {"test_opened", "stage_started", "stage_extended", "note_written", "cuff_changed"}
_SOME = {"source_opened": ("clock_offset_s",), "test_closed": ("outcome", "reason", "stopped_by")}
_FIXED = {"seq", "kind", "elapsed_s", "source"}
_FIXED_OF = {
    "test_opened": {
        "event_time", "journal_version", "mode", "anchor", "test_id", "study", "protocol", "limits",
        "rules_digest", "software",
    },
    "stage_started": {"stage_index", "by", "method"},
    "stage_extended": {"event_time", "stage_index"},
    "note_written": {"event_time"},
}  # fmt: skip


def amendable(event: Event) -> list[str]:
    """The fields of an event that may be amended; none where it is no entry."""
    if event.kind in _SOME:
        return list(_SOME[event.kind])
    if event.kind not in _WHOLE:
        return []
    fixed = _FIXED | _FIXED_OF.get(event.kind, set())
    names = [name for name in type(event).model_fields if name not in fixed]
    return [*names, VOID] if event.kind in _VOIDABLE else names


@dataclass(frozen=True)
class Entry:
    """An event that may be amended: as it was entered, and as it stands.

    `unfit` are fields whose last amendment does not fit (written by hand; `amend` writes none):
    the test cannot be derived before they are amended again, and `now` leaves them out.
    """

    original: Event
    now: Event
    void: bool
    unfit: frozenset[str] = frozenset()


def entries(journal: JournalRead) -> list[Entry]:
    """Every event that may be amended, in order."""
    amended: dict[int | None, list[Amended]] = defaultdict(list)
    for event in journal.events:
        if isinstance(event, Amended):
            amended[event.target_seq].append(event)
    return [_entry(event, amended[event.seq]) for event in journal.events if amendable(event)]


def _entry(original: Event, amended: list[Amended]) -> Entry:
    changes: dict[str, Any] = {}
    unfit: set[str] = set()
    now: Event | Voided = original
    for one in amended:
        try:
            now = amended_event(original, changes | {one.field: one.value}, "")
        except CuffwattError:
            unfit.add(one.field)
        else:
            changes[one.field] = one.value
            unfit.discard(one.field)
    plainly = now.event if isinstance(now, Voided) else now
    return Entry(original, plainly, isinstance(now, Voided), frozenset(unfit))


def entry(journal: JournalRead, seq: int) -> Entry:
    """The entry with this seq; UsageError where there is none that can be amended."""
    for found in entries(journal):
        if found.now.seq == seq:
            return found
    other = next((event for event in journal.events if event.seq == seq), None)
    if other is not None:
        what = f"a {other.kind}, which the program wrote itself"
    else:
        what = "a sample of a log" if 0 <= seq <= journal.last_seq else "not there"
    raise UsageError(
        f"{journal.path}: line {seq} is {what}, and cannot be amended; give the reading_id of a reading, or "
        f"the seq of another entry: cuffwatt amend {journal.opened.test_id} --list"
    )


def check_field(target: Event, field: str) -> None:
    """UsageError, with the fields that there are, unless `field` of `target` may be amended."""
    names = amendable(target)
    if field not in names:
        near = difflib.get_close_matches(field, names, n=1)
        hint = f"did you mean {near[0]}? " if near else ""
        raise UsageError(
            f"line {target.seq} is a {target.kind} and has no field {field!r} to amend; {hint}"
            f"it has {', '.join(names)}"
        )
