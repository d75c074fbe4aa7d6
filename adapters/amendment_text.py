"""An amendment as a person types it: the columns of a reading sheet, and its notation.

`sbp 148`, `k5 <40`, `pressure 148/70/<40`, `time 09:41:20`, `arm L`, `note null`.
"""

from __future__ import annotations

import tomllib
from contextlib import suppress
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Annotated, Any, Literal, get_args, get_origin
from zoneinfo import ZoneInfo

from adapters.clock_time import clock_to_utc
from adapters.pressure_notation import parse_k1, parse_k5, parse_mmhg, parse_pressures
from pipeline.errors import InputError
from pipeline.events import Event, ReadingTaken, utc_text

PRESSURE = "pressure"
# how a field is called on a sheet or in the Parquet files, where that is not its own name
_OTHER_NAMES = {
    "time": "event_time",
    "measured_at": "event_time",
    "sbp": "k1_mmhg",
    "sbp_mmhg": "k1_mmhg",
    "k1": "k1_mmhg",
    "k4": "k4_mmhg",
    "dbp_k4_mmhg": "k4_mmhg",
    "k5": "k5_mmhg",
    "dbp": "k5_mmhg",
    "dbp_k5_mmhg": "k5_mmhg",
    "heard_to": "heard_to_mmhg",
    "palpated": "palpated_mmhg",
    "inflated_to": "inflated_to_mmhg",
    "deflation_per_s": "deflation_mmhg_per_s",
    "deflation_per_beat": "deflation_mmhg_per_beat",
    "missed_reason": "reason",
    "end_reason": "reason",
    "note": "text",
}
_ARMS = {"L": "left", "R": "right"}
_SWITCH = {"true": True, "yes": True, "false": False, "no": False}


def field_named(target: Event, name: str) -> str:
    """The field of `target` that a person means by `name`; the name itself where there is none."""
    fields = type(target).model_fields
    other = _OTHER_NAMES.get(name)
    return other if name not in fields and other in fields else name


def typed_changes(target: Event, name: str, text: str, started: datetime) -> dict[str, Any]:
    """What `name` and `text` change in `target`, the entry as it stands: field -> value.

    Empty or `null` blanks.  `started`, with its offset, gives clock times their date and offset.
    A first sound without `>` is no lower bound, a last sound without `<` is one that was heard.
    Raises InputError where the text is not of the field's kind; whether the value fits is not
    judged here.
    """
    text = text.strip()
    blank = text in ("", "null")
    if name == PRESSURE and isinstance(target, ReadingTaken) and not blank:
        said = parse_pressures(text)
        return {
            "k1_mmhg": said.k1_mmhg,
            **_bound(target, said.k1_at_least),
            "k4_mmhg": said.k4_mmhg,
            "k5_mmhg": said.k5_mmhg,
            "heard_to_mmhg": said.heard_to_mmhg,
        }
    field = field_named(target, name)
    if field == "void":
        return {field: _switch(field, text)}
    if field not in type(target).model_fields or blank:
        return {field: None if blank else text}
    if field == "k1_mmhg" and isinstance(target, ReadingTaken):
        k1_mmhg, at_least = parse_k1(text)
        return {field: k1_mmhg, **_bound(target, at_least)}
    if field == "k5_mmhg":
        k5_mmhg, heard_to_mmhg = parse_k5(text)
        return {field: k5_mmhg, "heard_to_mmhg": heard_to_mmhg}
    return {field: _value(target, field, text, started)}


def start_kept(setup: Path | None, anchor: datetime, timezone: str | None) -> datetime:
    """The start of a test whose date and offset hold for clock times, as when its sheet was read.

    `started` of the `setup` kept beside the journal, else the anchor in `timezone`, else in UTC.
    """
    started = None
    with suppress(OSError, ValueError, LookupError, TypeError):
        started = tomllib.loads(setup.read_text(encoding="utf-8"))["test"]["started"] if setup else None
    if isinstance(started, str):
        started = datetime.fromisoformat(started)
    if isinstance(started, datetime) and started.tzinfo is not None:
        return started
    return anchor.astimezone(ZoneInfo(timezone) if timezone else UTC)


def _bound(target: ReadingTaken, at_least: bool) -> dict[str, Any]:
    """The mark of a lower bound, where it is or was one."""
    return {"k1_at_least": at_least or None} if at_least or target.k1_at_least else {}


def _value(target: Event, field: str, text: str, started: datetime) -> Any:
    kinds = _kinds(type(target).model_fields[field].annotation)
    if datetime in kinds:
        return utc_text(clock_to_utc(text, started))
    if field == "arm":
        return _ARMS.get(text.upper(), text)
    if kinds & {str, date}:
        return text
    if bool in kinds:
        return _switch(field, text)
    if field in ("k4_mmhg", "heard_to_mmhg", "palpated_mmhg", "inflated_to_mmhg"):
        return parse_mmhg(text)
    try:
        return float(text.replace(",", "."))
    except ValueError:
        raise InputError(f"{field} = {text!r}: a number is wanted, or null to blank it") from None


def _switch(field: str, text: str) -> bool:
    if text.lower() not in _SWITCH:
        raise InputError(f"{field} = {text!r}: true or false is wanted")
    return _SWITCH[text.lower()]


def _kinds(annotation: Any) -> set[Any]:
    """The plain types behind an annotation."""
    if get_origin(annotation) is Annotated:
        return _kinds(get_args(annotation)[0])
    if get_origin(annotation) is Literal:
        return {type(value) for value in get_args(annotation)}
    inner = get_args(annotation)
    return set().union(*map(_kinds, inner)) if inner else {annotation}
