"""What is wrong in a setup, in the words of the file: key, what was given, what is wanted."""

from __future__ import annotations

from pathlib import Path
from typing import Any, get_args

from pydantic import BaseModel, ValidationError

from adapters.setup_sections import CsvSource, SerialSource, SheetSource, WrittenSetup
from adapters.suggestion import nearest

_SOURCES: dict[str, type[BaseModel]] = {"csv": CsvSource, "sheet": SheetSource, "serial": SerialSource}


def setup_problems(error: ValidationError, path: Path) -> str:
    """All problems of a setup: one after the file name, or several on a line each."""
    # a union or a list names the same key more than once; the first says it
    words = list(dict.fromkeys(_problem(dict(problem)) for problem in error.errors(include_url=False)))
    if len(words) == 1:
        return f"{path}: {words[0]}"
    return f"{path}: {len(words)} problems\n" + "\n".join(f"  {line}" for line in words)


def _problem(problem: dict[str, Any]) -> str:
    places: list[str] = [str(part) for part in problem["loc"]]
    kind_of_source = places[2] if places[:1] == ["sources"] and len(places) > 2 else None
    if kind_of_source in _SOURCES:
        del places[2]
    key, given = ".".join(place for place in places if place != "[key]"), problem["input"]
    words = problem["msg"].removeprefix("Value error, ").replace("Input should", "should")
    match problem["type"]:
        case "extra_forbidden":
            return f"{key} = {_shown(given)}: unknown key{_known(places, kind_of_source)}"
        case "missing":
            return f"[{key}] is missing; write it" if len(places) == 1 else f"{key} is missing; write it"
        case "union_tag_not_found":
            return f"{key}.kind is missing; write kind = 'csv', 'sheet' or 'serial'"
        case "union_tag_invalid":
            return f"{key}.kind = {given['kind']!r}: should be 'csv', 'sheet' or 'serial'"
        case "model_type" | "dict_type" | "model_attributes_type":
            return f"{key} = {_shown(given)}: a table is wanted; write [{key}]"
        case "string_pattern_mismatch":
            words = "letters, digits, _ and - are wanted, at most 64, the first a letter or a digit"
    if isinstance(given, dict):
        return f"{key}: {words}"
    return f"{key} = {_shown(given)}: {words[0].lower()}{words[1:]}"


def _shown(given: Any) -> str:
    if hasattr(given, "isoformat"):
        return str(given.isoformat())
    return repr(given) if len(repr(given)) <= 80 else repr(given)[:77] + "..."


def _known(places: list[str], kind_of_source: str | None) -> str:
    """The nearest known key, the section a key belongs to, and what may stand here."""
    *section, key = places
    model = _SOURCES[kind_of_source] if kind_of_source else _model(section)
    known = list(model.model_fields)
    guess = nearest(key, known)
    if not guess and section:
        homes = [name for name in WrittenSetup.model_fields if key in _model([name]).model_fields]
        if key in WrittenSetup.model_fields:
            guess = f"; it is a section of its own, [{key}]"
        elif homes:
            guess = f"; it belongs to [{homes[0]}]"
    return f"{guess}; known are {', '.join(known)}"


def _model(section: list[str]) -> type[BaseModel]:
    """The model of a section by its name; the whole file for none or a section without keys."""
    if not section:
        return WrittenSetup
    annotation = WrittenSetup.model_fields[section[0]].annotation
    for candidate in (annotation, *get_args(annotation)):
        if isinstance(candidate, type) and issubclass(candidate, BaseModel):
            return candidate
    return WrittenSetup
