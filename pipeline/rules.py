"""The rules in force: settings (windows, floors, methods) and one table a flag rule.

The shipped rules.toml holds unless a lab's own file overrides it: its `sets` lay named sets of
rules (pipeline/rule_sets) over the shipped one, in that order, its `[settings]` replace single
settings, a `[[rule]]` with a code, quantity and variant that exist changes that rule,
`enabled = false` takes it out, another of them adds one.  No threshold stands anywhere else.
"""

from __future__ import annotations

import hashlib
import json
import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from pipeline.errors import InputError, UsageError
from pipeline.protocol import first_problem
from pipeline.rule import CONDITION, Key, Rule, candidates
from pipeline.shipped import default_rules, rule_sets


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
    watts_peak_short_s: Annotated[float, Field(ge=0)]
    watts_peak_credit_watts: Annotated[float, Field(ge=0)]
    rise_min_mets: Annotated[float, Field(gt=1)]
    recovery_active_watts: float
    recovery_active_rpm: float
    sbp_at_watts: Annotated[float, Field(gt=0)]
    sbp_at_percent_reserve: Annotated[float, Field(gt=0)]
    sbp_bracket_watts: Annotated[float, Field(gt=0)]
    vo2max_hr_min_bpm: Annotated[float, Field(gt=0)]
    vo2max_hr_max_share: Annotated[float, Field(gt=0, le=1)]
    vo2max_hr_apart_bpm: Annotated[float, Field(gt=0)]
    u_hr_max_pred_bpm: Annotated[float, Field(ge=0)]
    u_stage_hr_bpm: Annotated[float, Field(ge=0)]
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


@dataclass(frozen=True)
class Rules:
    """The settings and the enabled rules in force, what identifies them, and the named sets among them."""

    settings: Settings
    rules: tuple[Rule, ...]
    sets: tuple[str, ...] = ()

    @property
    def digest(self) -> str:
        """First 16 hex digits of SHA-256 over the settings and rules in force."""
        content = {
            "settings": self.settings.model_dump(mode="json"),
            "rules": [rule.model_dump(mode="json") for rule in self.rules],
        }
        return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()[:16]


@cache
def shipped_rules(sets: tuple[str, ...] = ()) -> Rules:
    """The default set, with these named sets over it in their order."""
    return _checked(_Layers(sets), str(default_rules()))


@cache
def named_set(name: str) -> tuple[Rule, ...]:
    """The rules of one named set, in the order of its file.

    Raises UsageError for a name that no set has.
    """
    if name not in rule_sets():
        raise UsageError(f"no set of rules is called {name!r}; there are {', '.join(rule_sets())}")
    path = rule_sets()[name]
    return tuple(_rule(table, str(path)) for table in _read(path)["rule"])


def load_rules(path: Path | None) -> Rules:
    """The default set, overridden by a lab's file where one is given.

    Raises InputError naming the file and key for an unknown set, setting, code, quantity, operator
    or unit, for a threshold that is no number, and for a condition that a rule cannot have;
    nothing is derived with such a file.
    """
    if path is None:
        return shipped_rules()
    own = _read(path)
    unknown = sorted(set(own) - {"sets", "settings", "rule"})
    if unknown:
        raise InputError(
            f"{path}: unknown key {unknown[0]!r}; a rules file has sets = [], [settings] and [[rule]]"
        )
    written, tables_of_rules = own.get("settings", {}), own.get("rule", [])
    if not isinstance(written, dict):
        raise InputError(f"{path}: settings must be written as [settings], one table")
    if not isinstance(tables_of_rules, list) or not all(isinstance(one, dict) for one in tables_of_rules):
        raise InputError(f"{path}: rule must be written as [[rule]], one table each")
    layers = _Layers(_sets(own.get("sets", []), path))
    layers.settings |= written
    for number, table in enumerate(tables_of_rules, start=1):
        layers.override(table, f"{path}: rule {number}")
    return _checked(layers, str(path))


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
        rule.model_dump(exclude={"enabled", "source", "edition", "phase", "base_rate"})
        | {
            "phase": ",".join(rule.phase) if rule.phase else None,
            "rule_source": rule.cited,
            "position": position,
        }
        for position, rule in enumerate(rules.rules)
    ]


class _Layers:
    """Settings and tables of rules as they are written, the later over the earlier."""

    def __init__(self, sets: tuple[str, ...]) -> None:
        shipped = _read(default_rules())
        self.sets = sets
        self.settings: dict[str, Any] = dict(shipped["settings"])
        self.rules: dict[Key, dict[str, Any]] = {}
        for table in shipped["rule"]:
            self.rules[_key(table)] = table
        for name in sets:
            for table in _read(rule_sets()[name])["rule"]:
                self.rules[_key(table)] = table

    def override(self, table: dict[str, Any], where: str) -> None:
        """Lay one [[rule]] of a lab over what is there; `where` begins what is said of a wrong one."""
        key = self._meant(table, where)
        before = self.rules.get(key, {})
        unit = self._unit(key)
        if unit is not None and table.get("unit", unit) != unit:
            raise InputError(
                f"{where}: {key[0]} is judged in {unit or 'plain numbers'}, not in "
                f"{table['unit']!r}; convert the threshold and write that unit"
            )
        changed = before | {"quantity": key[1], "variant": key[2], "unit": unit or ""} | table
        if "base_rate" not in table and any(changed.get(part) != before.get(part) for part in CONDITION):
            # how often another condition holds says nothing of this one
            changed.pop("base_rate", None)
        self.rules[key] = changed

    def _meant(self, table: dict[str, Any], where: str) -> Key:
        """Which rule a table is about: one that is there, or another quantity or variant."""
        if "code" not in table:
            raise InputError(f"{where}: code is missing; write which rule is meant")
        code = str(table["code"])
        quantities = sorted({quantity for known, quantity, _ in self.rules if known == code})
        if not quantities:
            off = [name for name in rule_sets() if any(rule.code == code for rule in named_set(name))]
            if off:
                raise InputError(
                    f"{where}: {code} is a rule of the set {off[0]!r}, which is not on; "
                    f"write sets = {[*self.sets, off[0]]} at the top"
                )
            known = ", ".join(sorted({known for known, _, _ in self.rules}))
            raise InputError(f"{where}: unknown code {code!r}; known are {known}")
        if "quantity" not in table and len(quantities) > 1:
            raise InputError(f"{where}: {code} has several quantities; say which: {', '.join(quantities)}")
        quantity = str(table.get("quantity", quantities[0]))
        if quantity not in quantities and (code, quantity) not in candidates():
            raise InputError(f"{where}: {code} has no quantity {quantity!r}; it has {', '.join(quantities)}")
        variants = sorted(variant for *known, variant in self.rules if known == [code, quantity])
        if "variant" not in table and "" not in variants and len(variants) > 1:
            raise InputError(f"{where}: {code} has several variants; say which: {', '.join(variants)}")
        usual = variants[0] if variants else ""
        return code, quantity, str(table.get("variant", usual))

    def _unit(self, key: Key) -> str | None:
        """The unit in which this quantity is judged; None where no rule has said it yet."""
        for rules in (self.rules, _written()):
            for (code, quantity, _), table in rules.items():
                if (code, quantity) == key[:2]:
                    return str(table.get("unit", ""))
        return None


@cache
def _written() -> dict[Key, dict[str, Any]]:
    """Every shipped rule, of all named sets too."""
    return _Layers(tuple(rule_sets())).rules


def _checked(layers: _Layers, where: str) -> Rules:
    try:
        chosen = Settings.model_validate(layers.settings)
    except ValidationError as error:
        raise InputError(f"{where}: settings: {first_problem(error)}") from None
    rules = (_rule(table, where) for table in layers.rules.values())
    return Rules(settings=chosen, rules=tuple(rule for rule in rules if rule.enabled), sets=layers.sets)


def _rule(table: dict[str, Any], where: str) -> Rule:
    try:
        return Rule.model_validate(table)
    except ValidationError as error:
        raise InputError(f"{where}: rule {table.get('code')!r}: {first_problem(error)}") from None


def _key(table: dict[str, Any]) -> Key:
    return table["code"], table.get("quantity", "presence"), table.get("variant", "")


def _sets(written: Any, path: Path) -> tuple[str, ...]:
    """The named sets that a lab's file asks for, each once."""
    if not isinstance(written, list) or not all(isinstance(one, str) for one in written):
        raise InputError(f'{path}: sets must be a list of names, like sets = ["screening"]')
    for name in written:
        if name not in rule_sets():
            raise InputError(f"{path}: sets: unknown set {name!r}; there are {', '.join(rule_sets())}")
    return tuple(dict.fromkeys(written))


def _read(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise InputError(f"{path}: no such rules file; give an existing one or leave it out") from None
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: cannot be read as a rules file ({error}); check the path") from None
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"{path}: not valid TOML ({error}); mend that line") from None
