"""What the setup says of participant, cuff, staff and limits, looked at before a test begins.

Thresholds are those of the rules that flags go by.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from pipeline.bladder import bladder_for
from pipeline.events import TestOpened
from pipeline.finding import Finding
from pipeline.rule import Rule
from pipeline.rules import Rules

# what is asked of a participant, cuff and staff, in the words of the setup
ASKED = (
    "visit", "purpose", "intent", "observer", "ergometer_posture", "rpe_scale", "age_years", "sex",
    "height_cm", "mass_kg", "arm_circumference_cm", "medication", "pacemaker", "bladder_length_cm",
    "bladder_width_cm", "gauge_step_mmhg", "gauge_checked_on", "people",
)  # fmt: skip
_ADULT_YEARS = 18
_UNITS = {
    "heart_rate_bpm": "heart rate {} bpm",
    "hr_percent_max": "{} % of the predicted maximum heart rate",
    "hr_percent_reserve": "{} % of heart rate reserve",
    "rpe": "exertion {}",
    "sbp_mmhg": "systolic {} mmHg",
    "dbp_mmhg": "diastolic {} mmHg",
    "minutes": "{} min of load",
}


def cuff_findings(opened: TestOpened, rules: Rules, today: date) -> list[Finding]:
    """The bladder against the arm, and when the dial was checked; nothing of what is not recorded."""
    findings = _bladder(opened, rules)
    checked = opened.gauge_checked_on
    if checked is not None:
        days = (today - checked).days
        crossed = _crossed(rules, "gauge_unchecked", "days", days)
        if days < 0:
            words = f"checked on {checked}, a day still to come (today is {today}); correct gauge_checked_on"
            findings.append(Finding("mend", "the dial", words))
        elif crossed is not None:
            words = f"checked on {checked}, {days} days ago: {crossed.words}; have it checked"
            findings.append(Finding("mend", "the dial", words))
        else:
            findings.append(Finding("good", "the dial", f"checked on {checked}, {days} days ago"))
    return findings


def people_findings(opened: TestOpened) -> list[Finding]:
    """Who runs the test, and what medication does to what is computed."""
    findings = []
    one = opened.people == 1
    if opened.people is not None:
        words = (
            "1 person: exertion is asked before the cuff goes up, the entry after release"
            if one
            else ("2 people: exertion is asked while the cuff is up")
        )
        findings.append(Finding("good", "staff", words))
    medication = opened.medication or "unknown"
    if "beta_blocker" in medication:
        words = (
            "beta-blocker: a predicted maximum heart rate does not hold, load at 150 and 170 bpm is null, "
            "and a heart rate that does not rise raises no flag"
        )
        findings.append(Finding("look", "medication", words))
    elif medication == "unknown":
        words = "not known: what rests on a predicted maximum heart rate is marked; ask, and write it down"
        findings.append(Finding("look", "medication", words))
    else:
        findings.append(Finding("good", "medication", medication))
    return findings


def limit_findings(opened: TestOpened, measured: Sequence[str]) -> list[Finding]:
    """The limits of this test, and those that could not be judged with `measured` and what is recorded."""
    limits = {} if opened.limits is None else opened.limits.model_dump(exclude_none=True)
    if not limits:
        words = "none of this test's own; those of the rules hold (cuffwatt rules shows them)"
        return [Finding("look", "limits", words)]
    findings = []
    for name in limits:
        by_heart_rate = name in ("heart_rate_bpm", "hr_percent_max", "hr_percent_reserve")
        if by_heart_rate and "heart_rate_bpm" not in measured:
            words = f"{name}: no source gives heart rate, so it is never seen; connect one, or take it out"
            findings.append(Finding("mend", "limits", words))
        elif name.startswith("hr_percent") and opened.age_years is None:
            words = f"{name}: no maximum is predicted without an age; write age_years in [participant]"
            findings.append(Finding("mend", "limits", words))
        elif name.startswith("hr_percent") and (opened.age_years or 0) < _ADULT_YEARS:
            words = f"{name}: no maximum is predicted under 18 years; write heart_rate_bpm instead"
            findings.append(Finding("mend", "limits", words))
        elif name.startswith("hr_percent") and "beta_blocker" in (opened.medication or ""):
            words = f"{name}: no predicted maximum holds with a beta-blocker; write heart_rate_bpm instead"
            findings.append(Finding("mend", "limits", words))
    in_force = ", ".join(_UNITS[name].format(f"{value:g}") for name, value in limits.items())
    return [*findings, Finding("good", "limits", in_force)]


def unrecorded_findings(opened: TestOpened) -> list[Finding]:
    """Everything that is not recorded, in one line."""
    missing = [name for name in ASKED if getattr(opened, name) is None]
    if not missing:
        return []
    words = f"{', '.join(missing)}; what rests on them is left out or marked, and cannot be had later"
    return [Finding("look", "not recorded", words)]


def _bladder(opened: TestOpened, rules: Rules) -> list[Finding]:
    arm = opened.arm_circumference_cm
    length, width = opened.bladder_length_cm, opened.bladder_width_cm
    if arm is None:
        return []
    fits = bladder_for(arm)
    wanted = (
        f"for {arm:g} cm AHA 2005 has the {fits.words}" if fits else f"AHA 2005 has no size for {arm:g} cm"
    )
    if length is None and width is None:
        return [Finding("look", "the cuff", f"{wanted}; write the bladder in [cuff]")]
    if fits is not None and (length, width) == (fits.length_cm, fits.width_cm):
        return [Finding("good", "the cuff", f"the {fits.words}, as AHA 2005 has it for {arm:g} cm")]
    given = " x ".join(f"{side:g}" for side in (width, length) if side is not None)
    sides = [("bladder_length", "percent", length), ("bladder_length", "percent_long", length)]
    sides.append(("bladder_width", "percent", width))
    for code, quantity, side in sides:
        percent = None if side is None else 100 * side / arm
        crossed = None if percent is None else _crossed(rules, code, quantity, percent)
        if crossed is not None:
            words = f"bladder {given} cm on an arm of {arm:g} cm, {percent:.0f} %: {crossed.words}; {wanted}"
            return [Finding("mend", "the cuff", words)]
    return [Finding("good", "the cuff", f"bladder {given} cm on an arm of {arm:g} cm; {wanted}")]


def _crossed(rules: Rules, code: str, quantity: str, observed: float) -> Rule | None:
    """The rule that `observed` crosses, if it is in force."""
    for rule in rules.rules:
        if (rule.code, rule.quantity) == (code, quantity):
            beyond = {
                ">": observed > rule.threshold,
                ">=": observed >= rule.threshold,
                "<": observed < rule.threshold,
                "<=": observed <= rule.threshold,
            }
            return rule if beyond[rule.operator] else None
    return None
