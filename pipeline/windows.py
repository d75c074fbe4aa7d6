"""The windows of a protocol before anybody has come, as a table, and the stages that are too short.

Every number is what `foresee` plans from expected pressures; in the test each reading moves the
next windows.  Times are seconds from the start of the first stage.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from pipeline.finding import Finding
from pipeline.foresight import Foresight
from pipeline.output import Column, minutes, number
from pipeline.plan import HEAD_START_S
from pipeline.prompt import Prompt, StageInForce

COLUMNS = (
    "stage_index", "stage_label", "phase", "started_s", "planned_s", "target_watts",
    "target_watts_to", "aims_at", "arm",
    "cuff_up_s", "first_sound_due_s", "window_closes_s", "inflate_to_mmhg", "listen_to_mmhg",
    "expected_sbp_mmhg", "reading_s", "fits",
)  # fmt: skip
SHOWN = (
    Column("stage", "stage\n", wraps=True),
    Column("start", "start\nmin:s", right=True),
    Column("load", "load\nW", right=True),
    Column("cuff", "cuff up\nmin:s", right=True),
    Column("sound", "sound\nmin:s", right=True),
    Column("closes", "closes\nmin:s", right=True),
    Column("inflate", "inflate\nmmHg", right=True),
    Column("listen", "listen\nmmHg", right=True),
    Column("takes", "takes\ns", right=True),
    Column("fits", "reading\n"),
)
_FITS = {"whole": "whole", "systolic": "systolic", "no": "no room"}
_STEP_S = 5


def window_rows(seen: Foresight) -> list[dict[str, Any]]:
    """One row a reading, in the order of time, with the columns `COLUMNS`; a stage without one has a row too.

    `reading_s` is the time from pumping to full release; `inflate_to_mmhg` is null for the first
    reading, where the pulse is felt.
    """
    rows = []
    for force in seen.stages:
        stage = {
            "stage_index": force.index,
            "stage_label": force.stage.label,
            "phase": force.stage.phase,
            "started_s": force.started_s,
            "planned_s": force.stage.planned_s,
            "target_watts": force.stage.target_watts,
            "target_watts_to": force.stage.target_watts_to,
        }
        here = [prompt for prompt in seen.prompts if prompt.stage_index == force.index]
        rows += [stage | _reading(force, prompt) for prompt in here] or [stage]
    return rows


def window_cells(rows: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """The rows as texts for the columns `SHOWN`; a stage is named where it begins."""
    cells, before = [], None
    for row in rows:
        begins, before = row["stage_index"] != before, row["stage_index"]
        asked = "fits" in row
        load = number(row["target_watts"])
        if row["target_watts_to"] is not None:
            load += f"-{number(row['target_watts_to'])}"
        inflate = number(row["inflate_to_mmhg"]) if asked else ""
        cells.append(
            {
                "stage": row["stage_label"] if begins else "",
                "start": minutes(row["started_s"]) if begins else "",
                "load": load if begins else "",
                "cuff": minutes(row["cuff_up_s"]) if asked else "",
                "sound": minutes(row["first_sound_due_s"]) if asked else "",
                "closes": minutes(row["window_closes_s"]) if asked else "",
                "inflate": "feel" if inflate == "-" else inflate,
                "listen": number(row["listen_to_mmhg"]) if asked else "",
                "takes": number(row["reading_s"]) if asked else "",
                "fits": (_FITS[row["fits"]] + (f", {row['arm']}" if row["arm"] else "")) if asked else "none",
            }
        )
    return cells


def room_findings(seen: Foresight) -> list[Finding]:
    """The stages in which a reading has no room or only its systolic has, and what would help."""
    findings = []
    for fits, level in (("no", "mend"), ("systolic", "look")):
        short = [prompt for prompt in seen.prompts if prompt.fits == fits and prompt.aims_at == "stage_end"]
        if short:
            findings.append(_too_short(seen, short, fits, level))
        marks = [prompt for prompt in seen.prompts if prompt.fits == fits and prompt.aims_at == "mark"]
        instead = {prompt.stage_index for prompt in seen.prompts if prompt.aims_at == "immediate"}
        given_up = [prompt for prompt in marks if prompt.stage_index in instead]
        if given_up:
            words = (
                f"{_names(seen, given_up)}: the reading right after the stop, which the peak rests on, takes "
                f"the place of {_counted(given_up, 'mark')}; one within 90 s before the end of load saves it"
            )
            findings.append(Finding("look", "room for readings", words))
        marks = [prompt for prompt in marks if prompt not in given_up]
        if marks:
            names = _names(seen, marks)
            lost = "the cuff is not free for" if fits == "no" else "the stage ends before the diastolic of"
            words = f"{lost} {_counted(marks, 'mark')} of {names}; write later moments in reading_at_s"
            findings.append(Finding(level, "room for readings", words))  # type: ignore[arg-type]
    asked = [prompt for prompt in seen.prompts if prompt.fits != "no"]
    high = [prompt for prompt in asked if prompt.above_dial]
    if high:
        highest = max(prompt.expected_sbp for prompt in high)
        words = (
            f"{_names(seen, high)}: {highest:.0f} mmHg is expected, and 300 mmHg, the top of the dial, is "
            "under 40 mmHg above it; expect lower bounds, or end the protocol earlier"
        )
        findings.append(Finding("look", "the cuff", words))
    if not findings:
        words = f"{_counted(asked, 'reading')} planned, all whole"
        findings.append(Finding("good", "room for readings", words))
    return findings


def whole_after_s(seen: Foresight, prompt: Prompt) -> float:
    """The least length in s of the stage of `prompt` that would hold its whole reading."""
    force = seen.stages[prompt.stage_index]
    before = [p for p in seen.prompts if p.fits != "no" and p.window_closes < prompt.window_closes]
    free_s = max((p.release_s + 30 for p in before), default=0.0) - force.started_s
    return max(HEAD_START_S, free_s) + prompt.t1 + prompt.t2 + prompt.slack


def _reading(force: StageInForce, prompt: Prompt) -> dict[str, Any]:
    return {
        "aims_at": prompt.aims_at,
        "arm": prompt.arm if force.stage.arms == "both" else None,
        "cuff_up_s": round(prompt.cuff_up, 3),
        "first_sound_due_s": round(prompt.first_sound_due, 3),
        "window_closes_s": round(prompt.window_closes, 3),
        "inflate_to_mmhg": prompt.inflate_to,
        "listen_to_mmhg": prompt.listen_to,
        "expected_sbp_mmhg": round(prompt.expected_sbp, 1),
        "reading_s": round(prompt.t1 + prompt.t2 + prompt.tail, 1),
        "fits": prompt.fits,
    }


def _too_short(seen: Foresight, short: Sequence[Prompt], fits: str, level: Any) -> Finding:
    wanted_s = max(whole_after_s(seen, prompt) for prompt in short)
    wanted_s = _STEP_S * math.ceil(wanted_s / _STEP_S)
    planned_s = min(seen.stages[prompt.stage_index].stage.planned_s or 0.0 for prompt in short)
    lost = "no room for a reading" if fits == "no" else "room for the systolic only"
    words = (
        f"{lost} in {_names(seen, short)}; a whole one wants stages of {minutes(wanted_s)}. Ask every second "
        f'stage (reading = "none" in the others), make the stages longer, or hold each by '
        f"{wanted_s - planned_s:.0f} s when its reading is due"
    )
    return Finding(level, "room for readings", words)


def _names(seen: Foresight, prompts: Sequence[Prompt]) -> str:
    """The stages of these prompts, each once, by number and label."""
    indices = list(dict.fromkeys(prompt.stage_index for prompt in prompts))
    named = [f"{index + 1} ({seen.stages[index].stage.label})" for index in indices]
    if len(named) > 4:
        named = [*named[:2], f"{len(named) - 3} more", named[-1]]
    return f"stage{'' if len(indices) == 1 else 's'} {', '.join(named)}"


def _counted(prompts: Sequence[Prompt], what: str) -> str:
    return f"{len(prompts)} {what}{'' if len(prompts) == 1 else 's'}"
