"""What differs between two records of one test: prompts, flags, stages, readings, summary.

Lines are matched by what they are (`pipeline/line_names.py`), never by their number.  Times of the
recorder's own making move by fractions of a second from one recording to the next, so times count
as the same within half a second; other numbers have to be equal.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

from pipeline.columns import published
from pipeline.events import ReadingDue
from pipeline.journal import JournalRead
from pipeline.line_names import line_names, prompts_by_name

What = Literal["prompt", "flag", "stage", "reading", "summary"]
SAME_WITHIN_S = 0.5
_SHARE = 1e-9  # sums of the same numbers, one derived in a batch of one
_MOMENTS = ("cuff_up", "first_sound_due", "window_closes")
_PLANNED = {"inflate_to_mmhg": "mmHg", "listen_to_mmhg": "mmHg", "fits": ""}
# what says only that something was recorded again, or under which number a line stands
_NOT_COMPARED = {
    "study", "test_id", "reading_id", "stage_seq", "due_seq", "pair_seq", "software", "rules_digest",
}  # fmt: skip
# of the prompt that a reading answers, which is compared itself
_NOT_COMPARED |= {"cuff_up", "first_sound_due", "window_closes", "aims_at", "fits"}


@dataclass(frozen=True)
class Side:
    """One record of the test: its journal, its sealed rows by file, and the names of its lines."""

    journal: JournalRead
    rows: Mapping[str, Sequence[Mapping[str, Any]]]
    recorded: Mapping[int, int] | None = None

    @property
    def names(self) -> dict[int, str]:
        """Names by seq."""
        return line_names(self.journal.events, self.journal.opened, self.recorded)


@dataclass(frozen=True)
class Difference:
    """One thing that differs: of what, how, where, and what it was and is (None: not there).

    `change`: new, gone, earlier or later (a time that moved), changed.  `at_s` is pipeline time in s,
    `about` the stage or reading in words, `name` a column or the code of a flag; of a flag `before` and
    `after` are level and state, or the moments from which it holds.
    """

    what: What
    change: Literal["new", "gone", "earlier", "later", "changed"]
    at_s: float | None
    about: str
    name: str
    before: Any = None
    after: Any = None
    unit: str = ""


def differences(record: Side, replay: Side) -> list[Difference]:
    """Everything that differs, by kind, each in the order of time."""
    before, after = record.names, replay.names
    return [
        *_prompts(record, replay, before, after),
        *_flags(record, replay, before, after),
        *_rows("stages", record, replay, _by("stage_index", None, record), _by("stage_index", None, replay)),
        *_rows(
            "readings", record, replay, _by("reading_id", before, record), _by("reading_id", after, replay)
        ),
        *_rows("summary", record, replay, *({"": side.rows["summary"][0]} for side in (record, replay))),
    ]


def _prompts(
    record: Side, replay: Side, before: Mapping[int, str], after: Mapping[int, str]
) -> list[Difference]:
    old = prompts_by_name(record.journal.events, before)
    new = prompts_by_name(replay.journal.events, after)
    anchor = record.journal.opened.anchor
    labels = {row["stage_index"]: row["label"] for row in record.rows["stages"]}

    def at(moment: datetime) -> float:
        return (moment - anchor).total_seconds()

    found: list[Difference] = []
    for name in sorted(old.keys() | new.keys(), key=lambda one: (_cuff_up(old, new, one), one)):
        was, now = old.get(name), new.get(name)
        one = was or now
        assert one is not None
        about = f"{labels.get(one.stage_index, one.stage_index)}, {one.aims_at.replace('_', ' ')}"
        place = at(one.cuff_up), about
        if was is None or now is None:
            change: Literal["new", "gone"] = "gone" if now is None else "new"
            was_up, now_up = (None if prompt is None else at(prompt.cuff_up) for prompt in (was, now))
            found.append(Difference("prompt", change, *place, "cuff_up_s", was_up, now_up, "s"))
            fits = was and was.fits, now and now.fits
            found.append(Difference("prompt", change, *place, "fits", *fits))
            continue
        for moment in _MOMENTS:
            was_s, now_s = at(getattr(was, moment)), at(getattr(now, moment))
            if abs(was_s - now_s) > SAME_WITHIN_S:
                name_s = f"{moment}_s"
                found.append(Difference("prompt", _moved(was_s, now_s), *place, name_s, was_s, now_s, "s"))
        for field, unit in _PLANNED.items():
            values = getattr(was, field), getattr(now, field)
            if values[0] != values[1]:
                found.append(Difference("prompt", "changed", *place, field, *values, unit))
    return found


def _cuff_up(old: Mapping[str, ReadingDue], new: Mapping[str, ReadingDue], name: str) -> datetime:
    return (old.get(name) or new[name]).cuff_up


def _flags(
    record: Side, replay: Side, before: Mapping[int, str], after: Mapping[int, str]
) -> list[Difference]:
    old = {(row["code"], before.get(row["target_seq"])): row for row in record.rows["flags"]}
    new = {(row["code"], after.get(row["target_seq"])): row for row in replay.rows["flags"]}
    opened_at = record.journal.opened.anchor
    pressures = {before.get(row["reading_id"]): _about(row) for row in record.rows["readings"]}
    pressures |= {after.get(row["reading_id"]): _about(row) for row in replay.rows["readings"]}
    labels = {row["stage_index"]: row["label"] for row in record.rows["stages"]}

    def at(row: Mapping[str, Any]) -> float | None:
        moment = row["flag_at"] or row["raised_at"]
        return None if moment is None else (moment - opened_at).total_seconds()

    found: list[Difference] = []
    for key in sorted(old.keys() | new.keys(), key=str):
        was, now = old.get(key), new.get(key)
        one = was or now
        assert one is not None
        about = pressures.get(key[1]) or labels.get(one["stage_index"]) or "the test"
        place, code = (at(one), str(about)), key[0]
        if was is None or now is None:
            change: Literal["new", "gone"] = "gone" if now is None else "new"
            found.append(Difference("flag", change, *place, code, _state(was), _state(now)))
            continue
        was_s, now_s = at(was), at(now)
        if was_s is not None and now_s is not None and abs(was_s - now_s) > SAME_WITHIN_S:
            found.append(Difference("flag", _moved(was_s, now_s), *place, code, was_s, now_s, "s"))
        if _state(was) != _state(now):
            found.append(Difference("flag", "changed", *place, code, _state(was), _state(now)))
    return sorted(found, key=lambda one: (one.at_s is None, one.at_s or 0.0, one.name, one.about))


def _rows(
    file: Literal["stages", "readings", "summary"],
    record: Side,
    replay: Side,
    old: Mapping[Any, Mapping[str, Any]],
    new: Mapping[Any, Mapping[str, Any]],
) -> list[Difference]:
    """Every column of every row that is in both, and the rows that are in one."""
    what: What = {"stages": "stage", "readings": "reading", "summary": "summary"}[file]  # type: ignore[assignment]
    found: list[Difference] = []
    for key in [*old, *(key for key in new if key not in old)]:
        was, now = old.get(key), new.get(key)
        one = was or now
        assert one is not None
        place = _at_s(file, one), _about(one) if file == "readings" else str(one.get("label", ""))
        if was is None or now is None:
            status = "status" if file == "readings" else "label"
            change: Literal["new", "gone"] = "gone" if now is None else "new"
            found.append(
                Difference(what, change, *place, status, (was or {}).get(status), (now or {}).get(status))
            )
            continue
        for column in published()[file].columns:
            name, unit = column.name, column.unit
            if name in _NOT_COMPARED or _same(was[name], now[name], unit):
                continue
            found.append(Difference(what, "changed", *place, name, was[name], now[name], unit))
    return found


def _by(column: str, names: Mapping[int, str] | None, side: Side) -> dict[Any, Mapping[str, Any]]:
    file = "stages" if names is None else "readings"
    return {row[column] if names is None else names[row[column]]: row for row in side.rows[file]}


def _at_s(file: str, row: Mapping[str, Any]) -> float | None:
    return None if file == "summary" else row["started_s" if file == "stages" else "elapsed_s"]


def _about(row: Mapping[str, Any]) -> str:
    """A reading in words: its stage and pressure."""
    systolic = "missed" if row["status"] == "missed" else "-"
    if row["sbp_mmhg"] is not None:
        systolic = f"{'>' if row['k1_at_least'] else ''}{row['sbp_mmhg']:.0f}"
    return f"{row['stage_label'] or 'no stage'}, {systolic}"


def _state(flag: Mapping[str, Any] | None) -> str | None:
    return None if flag is None else f"{flag['level']}, {flag['state']}"


def _same(was: Any, now: Any, unit: str) -> bool:
    if isinstance(was, datetime) and isinstance(now, datetime):
        return abs((was - now).total_seconds()) <= SAME_WITHIN_S
    if isinstance(was, float) and isinstance(now, float):
        return math.isclose(was, now, rel_tol=_SHARE, abs_tol=SAME_WITHIN_S if unit == "s" else 1e-12)
    return bool(was == now)


def _moved(was_s: float, now_s: float) -> Literal["earlier", "later"]:
    return "earlier" if now_s < was_s else "later"
