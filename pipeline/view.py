"""What a sealed test says to a person: its stages, readings and flags on a terminal.

Times are minutes and seconds since the test was opened; every number has its unit in the heading.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
from rich.text import Text

from pipeline.archive import TestFolder
from pipeline.errors import ArchiveError
from pipeline.output import (
    CAUTION,
    Column,
    Format,
    chosen,
    counted,
    emit,
    minutes,
    number,
    say,
    show_table,
)

LEVELS = ("stop", "caution", "check", "note")
_STYLES = {"stop": "bold red", "caution": "yellow", "check": "", "note": "dim"}

_STAGES = (
    Column("start", "start\nmin:s", right=True),
    Column("length", "length\nmin:s", right=True),
    Column("label", "stage\n", wraps=True),
    Column("phase", "phase\n"),
    Column("position", "position\n"),
    Column("target", "planned\nW", right=True),
    Column("watts", "ridden\nW", right=True),
    Column("bpm", "HR end\nbpm", right=True),
)
READINGS = (
    Column("id", "id\n", right=True),
    Column("time", "time\nmin:s", right=True),
    Column("label", "stage\n", wraps=True),
    Column("pressure", "SBP/DBP\nmmHg", right=True),
    Column("phase", "phase\n"),
    Column("watts", "load\nW", right=True),
    Column("bpm", "HR\nbpm", right=True),
    Column("map", "MAP\nmmHg", right=True),
    Column("change", "dSBP rest\nmmHg", right=True),
    Column("remark", "remark\n", wraps=True),
)
_FLAGS = (
    Column("level", "level"),
    Column("time", "min:s", right=True),
    Column("at", "at", wraps=True),
    Column("flag", "flag", wraps=True),
    Column("found", "found", wraps=True),
)
# why a reading does not count across readings, in words
_NOT_USED = {
    "second_observer": "second observer",
    "no_systolic": "no systolic",
    "lower_bound": "a lower bound",
    "entered_twice": "entered twice, the first counts",
    "not_above_diastolic": "systolic not above diastolic",
}


def show_test(folder: TestFolder, form: Format | None) -> None:
    """Show a sealed test: on a terminal stages, readings and flags; else its readings.

    Raises ArchiveError where a sealed file cannot be read.
    """
    tables = {name: sealed_table(folder, name) for name in ("stages", "readings", "flags", "summary")}
    rows: dict[str, list[dict[str, Any]]] = {name: table.to_pylist() for name, table in tables.items()}
    [summary] = rows["summary"]
    shown = chosen(form)
    if shown == "table":
        show_table(
            [stage_cells(row) for row in rows["stages"]],
            _STAGES,
            f"Stages of {folder.study}/{folder.test_id}",
        )
        if rows["readings"]:
            show_table([reading_cells(row) for row in rows["readings"]], READINGS, "Readings")
        else:
            print("no readings")
        if rows["flags"]:
            show_table(
                flags_cells(rows["flags"], rows["readings"], rows["stages"], summary["opened_at"]),
                _FLAGS,
                "Flags: outside a cited limit, or worth a look",
            )
        else:
            print("no flags")
    else:
        emit(rows["readings"], tables["readings"].column_names, shown)
    say(summary_words(summary))
    if found := measures_words(summary):
        say(found)
    say(f"files: {folder.path}")
    say(CAUTION)


def stage_cells(row: dict[str, Any]) -> dict[str, str | Text]:
    """One stage as texts; of a ramp both ends of the planned load."""
    target = number(row["target_watts"])
    if row["target_watts_to"] is not None:
        target += f"-{number(row['target_watts_to'])}"
    return {
        "start": minutes(row["started_s"]),
        "length": minutes(row["ridden_s"]),
        "label": row["label"],
        "phase": row["phase"],
        "position": row["position"].replace("_", " "),
        "target": target,
        "watts": number(row["watts_mean"]),
        "bpm": number(row["stage_hr_bpm"]),
    }


def reading_cells(row: dict[str, Any]) -> dict[str, str | Text]:
    """One reading as texts: `>200/82` is a lower bound, `148/<=40` a diastolic not resolved."""
    return {
        "id": str(row["reading_id"]),
        "time": minutes(row["elapsed_s"]),
        "label": row["stage_label"] or "none",
        "pressure": _pressure(row),
        "phase": row["dbp_phase"] or "-",
        "watts": number(row["watts"]),
        "bpm": number(row["heart_rate_bpm"]),
        "map": number(row["map_mmhg"]),
        "change": number(row["sbp_change_rest_mmhg"], sign=True),
        "remark": _remark(row),
    }


def flags_cells(
    flags: Sequence[dict[str, Any]],
    readings: Sequence[dict[str, Any]],
    stages: Sequence[dict[str, Any]],
    opened_at: datetime,
) -> list[dict[str, str | Text]]:
    """The flags as texts, the most severe first, then in the order of time.

    `at` names the reading or stage that a flag is about; a flag about the whole test has no time.
    What a flag means is said where it comes first.
    """
    read = {row["reading_id"]: row for row in readings}
    labels = {row["stage_index"]: row["label"] for row in stages}

    def order(row: dict[str, Any]) -> tuple[int, float, int, str]:
        at_s = 0.0 if row["flag_at"] is None else (row["flag_at"] - opened_at).total_seconds()
        return LEVELS.index(row["level"]), at_s, row["target_seq"], row["code"]

    cells: list[dict[str, str | Text]] = []
    said: set[str | None] = set()
    for row in sorted(flags, key=order):
        at_s = None if row["flag_at"] is None else (row["flag_at"] - opened_at).total_seconds()
        reading = read.get(row["target_seq"])
        parts = (
            labels.get(row["stage_index"]) if reading is None else reading["stage_label"],
            None if reading is None else _pressure(reading),
        )
        cells.append(
            {
                "level": Text(row["level"], _STYLES[row["level"]]),
                "time": "" if at_s is None else minutes(at_s),
                "at": ", ".join(part for part in parts if part) or "the test",
                "flag": row["code"].replace("_", " ")
                + ("" if row["words"] in said or row["words"] is None else f": {row['words']}"),
                "found": _found(row),
            }
        )
        said.add(row["words"])
    return cells


def summary_words(row: dict[str, Any]) -> str:
    """One line: readings, flags by level, lines not read, clocks that were moved."""
    counts = [f"{row[f'flags_{level}']} {level}" for level in LEVELS if row[f"flags_{level}"]]
    words = [
        f"{counted(row['readings_taken'], 'reading')} taken, {row['readings_missed']} missed",
        f"flags: {', '.join(counts) or 'none'}",
    ]
    if row["lines_rejected"]:
        words.append(f"{counted(row['lines_rejected'], 'line')} could not be read")
    moved = [part for part in (row["clock_offsets"] or "").split("; ") if part and not part.endswith(" none")]
    if moved:
        words.append(f"clocks moved: {', '.join(moved)}")
    return "; ".join(words)


def measures_words(row: dict[str, Any]) -> str:
    """One line: highest load, heart rate and systolic, and recovery; empty where there is none of them.

    A load is called a peak only where the participant could do no more; `>=` is a lower bound.
    """
    words = []
    if row["watts_peak"] is not None:
        words.append(
            f"{'peak' if row['watts_peak_is_limit'] else 'highest'} load {number(row['watts_peak'])} W"
        )
    if row["hr_peak_bpm"] is not None:
        words.append(f"highest heart rate {number(row['hr_peak_bpm'])} bpm")
    if row["sbp_peak_mmhg"] is not None:
        when = "just after exercise" if row["sbp_peak_source"] == "immediate" else "at the end of exercise"
        bound = ">=" if row["sbp_peak_at_least"] else ""
        words.append(f"systolic {when} {bound}{number(row['sbp_peak_mmhg'])} mmHg")
    if row["hr_recovery_1min_bpm"] is not None:
        mode = f" ({row['recovery_mode']})" if row["recovery_mode"] else ""
        words.append(f"heart rate 1 min later {number(-row['hr_recovery_1min_bpm'], sign=True)} bpm{mode}")
    if row["vo2max_est_ml_kg_min"] is not None:
        value, u = number(row["vo2max_est_ml_kg_min"]), number(row["u_vo2max_est_ml_kg_min"])
        words.append(f"VO2max by extrapolation {value} mL/kg/min (u {u})")
    return "; ".join(words)


def sealed_table(folder: TestFolder, name: str) -> Any:
    """One sealed file as an Arrow table; ArchiveError where it is not there or cannot be read."""
    path = folder.parquet(name)
    try:
        return pq.read_table(path)
    except (OSError, ValueError, pa.ArrowException) as error:
        found = "no such file" if isinstance(error, FileNotFoundError) else "cannot be read"
        raise ArchiveError(
            f"{path}: {found}; make the test's files from its journal with: cuffwatt seal {folder.path}"
        ) from None


def _pressure(row: dict[str, Any]) -> str:
    if row["status"] == "missed":
        return "missed"
    if row["sbp_mmhg"] is None:
        return "-"
    systolic = f"{'>' if row['k1_at_least'] else ''}{number(row['sbp_mmhg'])}"
    if row["dbp_mmhg"] is None and row["dbp_upper_mmhg"] is not None:
        return f"{systolic}/<={number(row['dbp_upper_mmhg'])}"
    return f"{systolic}/{number(row['dbp_mmhg'])}"


def _remark(row: dict[str, Any]) -> str:
    words = []
    if row["status"] == "missed":
        words.append((row["missed_reason"] or "").replace("_", " "))
    elif row["status"] == "void":
        words.append("void")
    elif row["used_note"]:
        words.append(_NOT_USED.get(row["used_note"], row["used_note"].replace("_", " ")))
    if row["stage_label"] is None:
        words.append("in no stage")
    elif row["in_window"] is False and row["role"] != "second":
        words.append("outside window")
    if row["amendments"]:
        words.append("amended")
    return ", ".join(word for word in words if word)


def _found(row: dict[str, Any]) -> str:
    """What was observed against the limit, and what there is to add."""
    words = []
    if row["quantity"] != "presence" and row["observed"] is not None and row["threshold"] is not None:
        unit = f" {row['unit']}" if row["unit"] else ""
        limit = " ".join(part for part in (row["operator"], f"{row['threshold']:g}") if part)
        words.append(f"{row['observed']:.4g}{unit} (limit {limit})")
    if row["detail"]:
        words.append(row["detail"].replace("_", " "))
    if row["state"] == "withdrawn":
        words.append("shown during the test, holds no longer")
    return "; ".join(words)
