"""The rules and settings in force, or one named set, as a person or a program reads them.

On a terminal a table that fits 100 columns; else one row a rule (or setting) with every
part of it in a column of its own.  `differs` says how one differs from what is shipped.
"""

from __future__ import annotations

import re
import textwrap
from typing import Any

from rich.text import Text

from pipeline.output import CAUTION, Column, Format, chosen, counted, emit, say, show_table
from pipeline.rule import Key, Rule
from pipeline.rules import Rules, named_set, shipped_rules
from pipeline.shipped import default_rules, rule_sets

RULE_COLUMNS = (
    *("set", "code", "quantity", "variant", "level", "operator", "threshold", "unit", "persistence"),
    *("phase", "intent", "sex", "age_min", "age_max", "beta_blocker", "recovery_mode"),
    *("words", "source", "edition", "base_rate", "differs"),
)
SETTING_COLUMNS = ("setting", "value", "remark", "differs")
_STYLES = {"stop": "bold red", "caution": "yellow", "check": "", "note": "dim"}
_RULES = (
    Column("rule", "code\nwhen, by quantity"),
    Column("level", "level\n"),
    Column("about", "words\nsource, how often, how it differs", wraps=True),
)
_SETTINGS = (
    Column("setting", "setting"),
    Column("value", "value", right=True),
    Column("remark", "remark", wraps=True),
    Column("differs", "differs", wraps=True),
)
_WHEN_WIDTH = 30
_REMARK = re.compile(r"^(?P<name>\w+) = [^#\n]*?# (?P<remark>.+)$", re.MULTILINE)


def show_rules(rules: Rules, form: Format | None) -> None:
    """Print the rules in force to stdout, and to stderr what was taken out and the caution."""
    rows = rule_list(rules)
    shown = chosen(form)
    if shown == "table":
        show_table([_cells(row) for row in rows], _RULES, f"{counted(len(rows), 'rule')} in force")
    else:
        emit(rows, RULE_COLUMNS, shown)
    _say_differing(rows, "rule")
    for key in taken_out(rules):
        say(f"taken out of the shipped set: {' '.join(part for part in key if part)}")
    off = [name for name in rule_sets() if name not in rules.sets]
    if off:
        say(f"named sets that are off: {', '.join(off)} (cuffwatt rules --set NAME prints one)")
    say(CAUTION)


def show_set(name: str, form: Format | None) -> None:
    """Print the rules of one named set to stdout.  Raises UsageError for an unknown name."""
    rows = [_row(rule) | {"set": name, "differs": None} for rule in named_set(name)]
    shown = chosen(form)
    if shown == "table":
        show_table([_cells(row) for row in rows], _RULES, f"{counted(len(rows), 'rule')} in the set {name}")
    else:
        emit(rows, RULE_COLUMNS, shown)
    say(f'a set is off unless a rules file names it: sets = ["{name}"]')
    say(CAUTION)


def show_settings(rules: Rules, form: Format | None) -> None:
    """Print the settings in force to stdout: windows, floors and methods."""
    rows = setting_list(rules)
    shown = chosen(form)
    if shown == "table":
        texts: list[dict[str, str | Text]]
        texts = [{key: "" if row[key] is None else str(row[key]) for key in SETTING_COLUMNS} for row in rows]
        columns = _SETTINGS if any(row["differs"] for row in rows) else _SETTINGS[:-1]
        show_table(texts, columns, f"{counted(len(rows), 'setting')} in force")
    else:
        emit(rows, SETTING_COLUMNS, shown)
    _say_differing(rows, "setting")
    say(CAUTION)


def rule_list(rules: Rules) -> list[dict[str, Any]]:
    """One row a rule in force, in the order of the files; phases joined by commas.

    `set` is the named set that it comes from, "default" or, where a lab added it, "own".
    """
    shipped = {rule.key: rule for rule in shipped_rules(rules.sets).rules}
    origins = dict.fromkeys(shipped, "default")
    for name in rules.sets:
        origins |= {rule.key: name for rule in named_set(name)}
    return [
        _row(rule)
        | {"set": origins.get(rule.key, "own"), "differs": _difference(rule, shipped.get(rule.key))}
        for rule in rules.rules
    ]


def taken_out(rules: Rules) -> list[Key]:
    """Code, quantity and variant of the shipped rules, of the sets that are on too, that are not in force."""
    left = {rule.key for rule in rules.rules}
    return [rule.key for rule in shipped_rules(rules.sets).rules if rule.key not in left]


def setting_list(rules: Rules) -> list[dict[str, Any]]:
    """One row a setting: its value, the remark beside the shipped value, and how it differs."""
    remarks = dict(_REMARK.findall(default_rules().read_text(encoding="utf-8")))
    shipped = _values(shipped_rules())
    return [
        {
            "setting": name,
            "value": value,
            "remark": remarks.get(name),
            "differs": None if value == shipped[name] else f"shipped: {shipped[name]}",
        }
        for name, value in _values(rules).items()
    ]


def _values(rules: Rules) -> dict[str, str]:
    return {
        name: f"{value:g}" if isinstance(value, float) else str(value)
        for name, value in rules.settings.model_dump().items()
    }


def _parts(rule: Rule) -> dict[str, Any]:
    parts = rule.model_dump(exclude={"enabled"})
    return parts | {"phase": ",".join(rule.phase) if rule.phase else None}


def _row(rule: Rule) -> dict[str, Any]:
    return _parts(rule) | {"only": rule.only, "cited": rule.cited}


def _difference(rule: Rule, shipped: Rule | None) -> str | None:
    """What is written otherwise than in the shipped rule; "added" where there is none.

    That the base rate went with its condition is no change of its own.
    """
    if shipped is None:
        return "added"
    before, now = _parts(shipped), _parts(rule)
    if now["base_rate"] is None:
        del before["base_rate"]
    changed = [f"{key} shipped: {_plain(before[key])}" for key in before if before[key] != now[key]]
    return "; ".join(changed) or None


def _plain(value: Any) -> str:
    if value is None or value == "":
        return "none"
    return f"{value:g}" if isinstance(value, float) else str(value)


def _say_differing(rows: list[dict[str, Any]], what: str) -> None:
    differing = sum(row["differs"] is not None for row in rows)
    if differing:
        say(f"other than in the shipped set: {counted(differing, what)} of {len(rows)}")


def _cells(row: dict[str, Any]) -> dict[str, str | Text]:
    condition = f"{row['quantity']} {row['operator']} {row['threshold']:g} {row['unit']}".strip()
    when = ["presence" if row["quantity"] == "presence" else condition, *row["only"]]
    if row["variant"]:
        when.append(f"variant {row['variant']}")
    if row["set"] != "default":
        when.append(f"set {row['set']}")
    lines = [line for part in when for line in textwrap.wrap(part, _WHEN_WIDTH, break_long_words=False)]
    about = Text(row["words"])
    about.append(f"\n{row['cited']}", "dim")
    if row["base_rate"]:
        about.append(f"\nhow often: {row['base_rate']}", "dim")
    if row["differs"]:
        about.append(f"\ndiffers: {row['differs']}", "bold")
    return {
        "rule": Text.assemble((row["code"], "bold"), *(f"\n{line}" for line in lines)),
        "level": Text(row["level"], _STYLES[row["level"]]),
        "about": about,
    }
