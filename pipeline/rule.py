"""One rule: when a flag holds, for whom, by which source; and what cannot be asked of a quantity."""

from __future__ import annotations

import re
from functools import cache
from typing import Annotated, Literal, get_args

from pydantic import BaseModel, ConfigDict, Field, model_validator

from pipeline.events import SymptomNoted
from pipeline.protocol import Phase
from pipeline.shipped import test_ladder

Level = Literal["stop", "caution", "check", "note"]
LEVELS: tuple[Level, ...] = ("stop", "caution", "check", "note")
WHOM = ("intent", "sex", "age_min", "age_max", "beta_blocker", "recovery_mode")
CONDITION = ("operator", "threshold", "persistence", "phase", *WHOM)
Key = tuple[str, str, str]

# their threshold is asked for before there is a flag: when a repeat is due, since when a limit held
_ONE_FOR_ALL = ("protocol_limit", "systolic_fall", "pressure_unwatched")
_ABOUT_RECOVERY = ("hr_recovery_slow", "systolic_recovery_slow", "recovery_low")
_PER_READING = "reading_candidates"
_PER_TEST = ("whole_candidates", "response_candidates")


class Rule(BaseModel):
    """One rule: when `observed OPERATOR threshold` of this code and quantity, a flag holds.

    A rule with a `variant` is for some tests, by one condition of `WHOM` or more; for those it
    stands in place of the rule of its code and quantity that has none.  `persistence` is the
    number of judged readings running that must cross the threshold; the last of them is flagged.
    `base_rate` says how often that is so in a published population; it is shown and decides nothing.
    Raises ValueError, naming the key, for a condition that this quantity cannot have.
    """

    model_config = ConfigDict(strict=True, frozen=True, extra="forbid", allow_inf_nan=False)

    code: Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]{1,40}$")]
    quantity: str = "presence"
    variant: str = ""
    level: Level
    operator: Literal[">", ">=", "<", "<="] = ">="
    threshold: float = 1.0
    unit: str = ""
    persistence: Annotated[int, Field(ge=1, le=20)] = 1
    phase: Annotated[tuple[Phase, ...] | None, Field(strict=False)] = None
    intent: Literal["maximal", "submaximal", "symptom_limited"] | None = None
    sex: Literal["female", "male"] | None = None
    age_min: float | None = None
    age_max: float | None = None
    beta_blocker: bool | None = None
    recovery_mode: Literal["active", "passive", "supine"] | None = None
    words: Annotated[str, Field(min_length=3)]
    source: Annotated[str, Field(min_length=3)]
    edition: Annotated[str, Field(min_length=3)] | None = None
    base_rate: Annotated[str, Field(min_length=3)] | None = None
    enabled: bool = True

    @property
    def key(self) -> Key:
        """What identifies a rule when a lab's file changes it: code, quantity, variant."""
        return self.code, self.quantity, self.variant

    @property
    def cited(self) -> str:
        """The source with its edition."""
        return f"{self.source} (edition {self.edition})" if self.edition else self.source

    @property
    def only(self) -> list[str]:
        """In words, where and for whom it is judged: one part a condition."""
        parts = [f"in {' and '.join(self.phase)}"] if self.phase else []
        if self.persistence > 1:
            parts.append(f"{self.persistence} readings running")
        parts += [word for word in (self.intent, self.sex) if word]
        if self.age_min is not None:
            parts.append(f"from {self.age_min:g} years on")
        if self.age_max is not None:
            parts.append(f"under {self.age_max:g} years")
        if self.beta_blocker is not None:
            parts.append(f"{'' if self.beta_blocker else 'not '}on beta-blockers")
        if self.recovery_mode:
            parts.append(f"{self.recovery_mode} recovery")
        return parts

    @model_validator(mode="after")
    def _can_hold(self) -> Rule:
        relation = candidates().get((self.code, self.quantity))
        if self.age_min is not None and self.age_max is not None and self.age_min >= self.age_max:
            raise ValueError(f"age_min = {self.age_min:g} must lie below age_max = {self.age_max:g}")
        if self.phase is not None and relation in _PER_TEST:
            raise ValueError(f"phase: {self.quantity} is judged once a test, in no phase; take phase out")
        if self.persistence > 1 and relation != _PER_READING:
            running = f"persistence = {self.persistence}"
            raise ValueError(f"{running}: {self.quantity} is not judged at each reading; take it out")
        if self.recovery_mode is not None and self.code not in _ABOUT_RECOVERY:
            raise ValueError(
                f"recovery_mode = {self.recovery_mode!r}: only rules about recovery can have it "
                f"({', '.join(_ABOUT_RECOVERY)}); take it out"
            )
        if self.variant and not re.fullmatch(r"[a-z][a-z0-9_]{1,40}", self.variant):
            raise ValueError(f"variant = {self.variant!r}: write two or more small letters, digits and _")
        if self.variant and self.code in _ONE_FOR_ALL:
            raise ValueError(f"variant = {self.variant!r}: {self.code} is one rule for all; take it out")
        if self.variant and all(getattr(self, part) is None for part in WHOM):
            for_whom = ", ".join(WHOM)
            raise ValueError(f"variant = {self.variant!r} says for whom by none of {for_whom}; write one")
        return self


@cache
def candidates() -> dict[tuple[str, str], str]:
    """Code and quantity of what the SQL offers to the rules -> the relation that offers it.

    Symptoms are offered by the codes that may be noted.
    """
    offered = re.compile(r"code: '(\w+)', quantity: '(\w+)'")
    written = {pair: name for name, select in test_ladder() for pair in offered.findall(select)}
    symptoms = get_args(SymptomNoted.model_fields["code"].annotation)
    return written | {("symptom", code): "test_candidates" for code in symptoms}
