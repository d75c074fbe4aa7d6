"""The rules in force: settings (windows, floors, methods) and one table a flag rule.

The shipped rules.toml holds unless a lab's own file overrides it: its `[settings]` replace single
settings, a `[[rule]]` with a code and quantity that exist changes that rule, `enabled = false`
takes it out, a new pair adds one.  No threshold stands anywhere else.
"""

from __future__ import annotations

import hashlib
import json
import re
import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Annotated, Any, Literal, get_args

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from pipeline.errors import InputError
from pipeline.events import SymptomNoted
from pipeline.protocol import Phase, first_problem
from pipeline.shipped import default_rules, test_ladder

Level = Literal["stop", "caution", "check", "note"]
LEVELS: tuple[Level, ...] = ("stop", "caution", "check", "note")
_CONDITION = ("operator", "threshold", "phase", "intent", "sex", "age_min", "age_max")


class Settings(BaseModel):
    """Windows, floors and methods; every value is written in rules.toml with its reason."""

    model_config = ConfigDict(strict=True, frozen=True, extra="forbid", allow_inf_nan=False)

    k5_floor_mmhg: float
    dbp_policy: Literal["per_reading", "k4_throughout", "k5_throughout"]
    map_method: Literal["third", "two_fifths", "half", "heart_rate"]
    vo2_method: Literal["acsm", "acsm_old", "maximal_cycle"]
    hr_max_method: Literal["tanaka", "fox", "gellish", "gulati"]
    load_window_s: Annotated[float, Field(gt=0)]
    stale_min_s: float
    stale_intervals: float
    stale_max_s: float
    watts_min: float
    watts_max: float
    cadence_min_rpm: float
    cadence_max_rpm: float
    heart_rate_min_bpm: float
    heart_rate_max_bpm: float
    deflation_rest_mmhg_per_s: Annotated[float, Field(gt=0)]
    deflation_mmhg_per_s: Annotated[float, Field(gt=0)]
    deflation_mmhg_per_beat: Annotated[float, Field(gt=0)]
    listen_to_rest_mmhg: float
    listen_to_other_mmhg: float
    dbp_expected_mmhg: float
    release_s: float
    pump_mmhg_per_s: Annotated[float, Field(gt=0)]
    dbp_next_load_s: float
    dbp_next_load_watts: float
    load_grace_s: float
    stage_hr_min_s: float
    steady_min_s: float
    steady_bpm: float
    class_readings: Annotated[float, Field(ge=1)]
    class_rest_s: Annotated[float, Field(ge=0)]
    slope_min_loads: Annotated[float, Field(ge=3)]
    slope_class_watts: Annotated[float, Field(gt=0)]
    slope_span_watts: Annotated[float, Field(gt=0)]
    slope_norm: Literal["hedman_2021", "automated_2025"]
    hr_line_beyond_bpm: Annotated[float, Field(ge=0)]
    u_repeat_rest_mmhg: Annotated[float, Field(gt=0)]
    u_repeat_exercise_mmhg: Annotated[float, Field(gt=0)]
    u_repeat_difficult_factor: Annotated[float, Field(ge=1)]
    gauge_limit_mmhg: Annotated[float, Field(ge=0)]
    gauge_scale_share: Annotated[float, Field(ge=0)]
    gauge_step_default_mmhg: Annotated[float, Field(gt=0)]
    window_early_s: float
    window_late_s: float
    mark_tolerance_s: float
    fall_watts: float
    load_noise_watts: float
    fall_intermittent_s: float
    fall_confirm: Literal["next_reading", "none"]
    fall_confirm_s: float
    fall_confirm_watts: float
    fall_symptom_s: float
    gap_intervals: float
    gap_search_s: float
    load_off_percent: float
    hr_rise_watts: float
    hr_limit_hold_s: Annotated[float, Field(ge=0)]


class Rule(BaseModel):
    """One rule: when `observed OPERATOR threshold` of this code and quantity, a flag holds.

    `base_rate` says how often that is so in a published population; it is shown and decides nothing.
    """

    model_config = ConfigDict(strict=True, frozen=True, extra="forbid", allow_inf_nan=False)

    code: Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]{1,40}$")]
    quantity: str = "presence"
    level: Level
    operator: Literal[">", ">=", "<", "<="] = ">="
    threshold: float = 1.0
    unit: str = ""
    phase: Annotated[tuple[Phase, ...] | None, Field(strict=False)] = None
    intent: Literal["maximal", "submaximal", "symptom_limited"] | None = None
    sex: Literal["female", "male"] | None = None
    age_min: float | None = None
    age_max: float | None = None
    words: Annotated[str, Field(min_length=3)]
    source: Annotated[str, Field(min_length=3)]
    base_rate: Annotated[str, Field(min_length=3)] | None = None
    enabled: bool = True

    @property
    def key(self) -> tuple[str, str]:
        """What identifies a rule when a lab's file changes it."""
        return self.code, self.quantity


@dataclass(frozen=True)
class Rules:
    """The settings and the enabled rules in force, and what identifies them."""

    settings: Settings
    rules: tuple[Rule, ...]

    @property
    def digest(self) -> str:
        """First 16 hex digits of SHA-256 over the settings and rules in force."""
        content = {
            "settings": self.settings.model_dump(mode="json"),
            "rules": [rule.model_dump(mode="json") for rule in self.rules],
        }
        return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()[:16]


@cache
def shipped_rules() -> Rules:
    """The default set."""
    return load_rules(None)


def load_rules(path: Path | None) -> Rules:
    """The default set, overridden by a lab's file where one is given.

    Raises InputError naming the file and key for an unknown setting, code, quantity, operator or
    unit, and for a threshold that is no number; nothing is derived with such a file.
    """
    default = default_rules()
    tables = _read(default)
    settings = dict(tables["settings"])
    rules = {(table["code"], table.get("quantity", "presence")): table for table in tables["rule"]}
    if path is not None:
        own = _read(path)
        unknown = sorted(set(own) - {"settings", "rule"})
        if unknown:
            raise InputError(f"{path}: unknown key {unknown[0]!r}; a rules file has [settings] and [[rule]]")
        written, tables_of_rules = own.get("settings", {}), own.get("rule", [])
        if not isinstance(written, dict):
            raise InputError(f"{path}: settings must be written as [settings], one table")
        if not isinstance(tables_of_rules, list) or not all(isinstance(one, dict) for one in tables_of_rules):
            raise InputError(f"{path}: rule must be written as [[rule]], one table each")
        settings |= written
        for number, table in enumerate(tables_of_rules, start=1):
            _override(rules, table, f"{path}: rule {number}")
    where = str(path or default)
    try:
        chosen = Settings.model_validate(settings)
    except ValidationError as error:
        raise InputError(f"{where}: settings: {first_problem(error)}") from None
    enabled = []
    for table in rules.values():
        try:
            rule = Rule.model_validate(table)
        except ValidationError as error:
            raise InputError(f"{where}: rule {table.get('code')!r}: {first_problem(error)}") from None
        if rule.enabled:
            enabled.append(rule)
    return Rules(settings=chosen, rules=tuple(enabled))


def rules_of(kept: Path) -> Rules:
    """The rules that a test is derived with: the lab's own, kept beside its journal, or the default set."""
    return load_rules(kept) if kept.exists() else shipped_rules()


def rules_text(path: Path) -> str:
    """A rules file as it stands, to be kept with the tests that it holds for."""
    return path.read_text(encoding="utf-8")


def setting_row(rules: Rules) -> dict[str, Any]:
    """The one row of the table `setting`."""
    return rules.settings.model_dump()


def rule_rows(rules: Rules) -> list[dict[str, Any]]:
    """The rows of the table `rule`."""
    return [
        rule.model_dump(exclude={"enabled", "source", "phase", "base_rate"})
        | {
            "phase": ",".join(rule.phase) if rule.phase else None,
            "rule_source": rule.source,
            "position": position,
        }
        for position, rule in enumerate(rules.rules)
    ]


def _override(rules: dict[tuple[str, str], dict[str, Any]], table: dict[str, Any], where: str) -> None:
    if "code" not in table:
        raise InputError(f"{where}: code is missing; write which rule is meant")
    code = str(table["code"])
    quantities = sorted(quantity for known, quantity in rules if known == code)
    if not quantities:
        known = ", ".join(sorted({known for known, _ in rules}))
        raise InputError(f"{where}: unknown code {code!r}; known are {known}")
    if "quantity" not in table and len(quantities) > 1:
        raise InputError(f"{where}: {code} has several quantities; say which: {', '.join(quantities)}")
    quantity = str(table.get("quantity", quantities[0]))
    if quantity not in quantities and (code, quantity) not in _candidates():
        raise InputError(f"{where}: {code} has no quantity {quantity!r}; it has {', '.join(quantities)}")
    before = rules.get((code, quantity), {})
    if "unit" in table and before and table["unit"] != before.get("unit", ""):
        raise InputError(
            f"{where}: {code} is judged in {before.get('unit') or 'plain numbers'}, not in "
            f"{table['unit']!r}; convert the threshold and write that unit"
        )
    changed = before | {"quantity": quantity} | table
    if "base_rate" not in table and any(changed.get(part) != before.get(part) for part in _CONDITION):
        # how often another condition holds says nothing of this one
        changed.pop("base_rate", None)
    rules[(code, quantity)] = changed


@cache
def _candidates() -> frozenset[tuple[str, str]]:
    """Code and quantity of what the SQL offers to the rules, whether a shipped rule asks or not."""
    written = re.findall(r"code: '(\w+)', quantity: '(\w+)'", "".join(select for _, select in test_ladder()))
    symptoms = get_args(SymptomNoted.model_fields["code"].annotation)
    return frozenset(written) | {("symptom", code) for code in symptoms}


def _read(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise InputError(f"{path}: no such rules file; give an existing one or leave it out") from None
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: cannot be read as a rules file ({error}); check the path") from None
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"{path}: not valid TOML ({error}); mend that line") from None
