"""An invented test as the files that a laboratory would have, and its truth beside them.

The setup, the protocol, logs and reading sheet are in the formats that a person and devices
write; truth.json says what was really there.  All of them say that they are invented.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Sequence
from datetime import UTC, date, datetime, timedelta
from typing import Any

from pipeline.protocol import Protocol, Stage
from pipeline.simulate.auscultation import Reading
from pipeline.simulate.sensors import STANDARD_GRAVITY, Log
from pipeline.simulate.simulated import SimulatedTest, source_logs

INVENTED = "invented data, no real person"
COMMENT = f"# {INVENTED}\n"
SHEET_COLUMNS = (
    *("time", "sbp", "k4", "k5", "arm", "observer", "inflated_to", "deflation_per_s"),
    *("clarity", "rpe", "note", "palpated"),
)
COURSE_EVERY_S = 10
_SECTIONS = {
    "test": (
        "id=test_id study participant visit observer intent purpose started ergometer_posture rpe_scale"
    ),
    "participant": "age_years sex height_cm mass_kg arm_circumference_cm medication pacemaker",
    "cuff": "bladder_length_cm bladder_width_cm gauge_step_mmhg gauge_checked_on",
    "staff": "people",
}


_COMMA_FORMAT = """\
name = "ergometer in kgm/min"
delimiter = ";"
decimal_comma = true

[time]
column = "clock"
form = "clock"

[watts]
column = "load_kgm_min"
unit = "kgm/min"

[cadence_rpm]
column = "pedal_rpm"
"""
_RR_FORMAT = """\
name = "RR intervals"
delimiter = ","

[time]
column = "elapsed_s"
form = "elapsed_s"

[heart_rate_bpm]
column = "rr_ms"
unit = "ms"
"""


def inputs(test: SimulatedTest) -> dict[str, str]:
    """File name -> text: test.toml, protocol.toml, the logs with their formats, readings.csv, truth.json."""
    files = {"test.toml": setup_text(test), "protocol.toml": COMMENT + protocol_text(test.protocol)}
    for log in test.logs:
        files |= _log_files(test, log)
    files["readings.csv"] = _sheet(test)
    files["truth.json"] = _truth(test)
    return files


def protocol_text(protocol: Protocol) -> str:
    """The protocol as a person writes it; `parse_protocol` gives it back."""
    head = {
        "name": protocol.name,
        "stage_from": protocol.stage_from,
        "stage_end": protocol.stage_end,
        "hold_max_s": None if protocol.stage_end == "time" else protocol.hold_max_s,
    }
    text = _table(head)
    for stage in protocol.stages:
        text += "\n[[stage]]\n" + _table(_written_stage(stage))
    return text


def _written_stage(stage: Stage) -> dict[str, Any]:
    written: dict[str, Any] = {
        "label": stage.label,
        "phase": stage.phase,
        "position": stage.position,
        "minutes": None if stage.planned_s is None else stage.planned_s / 60,
    }
    if stage.target_watts_to is None:
        written["watts"] = stage.target_watts
    else:
        written |= {"watts_from": stage.target_watts, "watts_to": stage.target_watts_to}
    if stage.reading == "timed":
        written |= {"readings": stage.readings, "wait_s": stage.wait_s, "apart_s": stage.apart_s}
        written["arms"] = None if stage.arms == "one" else stage.arms
    elif stage.reading == "marks":
        written["reading_at_s"] = list(stage.reading_at_s)
    else:
        written["reading"] = stage.reading
    return written


def setup_text(test: SimulatedTest) -> str:
    """The setup of its join; the files that it names are those of `inputs`."""
    fields = source_logs(test)[0] | {"started": test.started}
    text = COMMENT
    for section, keys in _SECTIONS.items():
        pairs = [key.partition("=")[::2] for key in keys.split()]
        text += f"\n[{section}]\n" + _table({key: fields[field or key] for key, field in pairs})
    text += '\n[protocol]\nfile = "protocol.toml"\n'
    if test.protocol.stage_from == "schedule" and test.noted_starts_s:
        noted = {str(index + 1): _clock(test, at_s) for index, at_s in test.noted_starts_s.items()}
        text += f"starts = {{ {', '.join(f'{_toml(key)} = {_toml(at)}' for key, at in noted.items())} }}\n"
    for log in test.logs:
        source: dict[str, Any] = {"kind": "csv", "path": f"{log.name}.csv"}
        if _format(test, log):
            source["format"] = f"{log.name}.toml"
        if test.choices.ergometer_clock == "align" and log.name == "ergometer":
            source["align"] = _clock(test, test.first_load_s)
        elif log.offset_s:
            source["clock_offset_s"] = log.offset_s
        text += f"\n[sources.{log.name}]\n" + _table(source)
    sheet = {"kind": "sheet", "path": "readings.csv", "time_means": "first_sound"}
    return text + "\n[sources.readings]\n" + _table(sheet)


def _log_files(test: SimulatedTest, log: Log) -> dict[str, str]:
    """The log and, where it is not the plain one, its format."""
    begins = test.at(-log.offset_s)
    columns = [getattr(log, measure) for measure in log.measures]
    rows = zip(log.times_s, *columns, strict=True)
    format_text = _format(test, log)
    if format_text is None:
        names: list[str] = ["time", *log.measures]
        cells = ([_iso(begins + timedelta(seconds=t)), *map(_number, values)] for t, *values in rows)
        text = _csv(names, cells)
    elif log.from_rr:
        names = ["elapsed_s", "rr_ms"]
        text = _csv(names, ([f"{t - log.offset_s:.3f}", f"{60000 / bpm:.0f}"] for t, bpm in rows))
    else:
        names = ["clock", "load_kgm_min", "pedal_rpm"]
        cells = (
            [_clock(test, t - log.offset_s), f"{watts * 60 / STANDARD_GRAVITY:.1f}", _number(rpm)]
            for t, watts, rpm in rows
        )
        text = _csv(names, ([cell.replace(".", ",") for cell in row] for row in cells), ";")
    files = {f"{log.name}.csv": COMMENT + text}
    return files if format_text is None else files | {f"{log.name}.toml": COMMENT + format_text}


def _format(test: SimulatedTest, log: Log) -> str | None:
    """The log format as a person writes it; None where the plain one holds."""
    if log.from_rr:
        return _RR_FORMAT
    if log.name == "ergometer" and test.choices.ergometer_log == "comma":
        return _COMMA_FORMAT
    return None


def _sheet(test: SimulatedTest) -> str:
    rows = (_row(test, reading) for reading in test.readings if reading.attempted)
    return COMMENT + _csv(SHEET_COLUMNS, rows)


def _row(test: SimulatedTest, reading: Reading) -> list[str]:
    k1 = _number(reading.k1_mmhg)
    return [
        _clock(test, reading.noted_s),
        ">" + k1 if reading.k1_at_least else k1,
        _number(reading.k4_mmhg),
        _number(reading.k5_mmhg),
        test.choices.arm,
        test.choices.observer,
        _number(reading.inflated_to_mmhg),
        _number(reading.deflation_mmhg_per_s),
        reading.clarity or "",
        _number(reading.rpe),
        reading.missed_because or "",
        _number(reading.palpated_mmhg),
    ]


def _truth(test: SimulatedTest) -> str:
    truth = test.truth
    content = {
        "invented": INVENTED,
        "number": test.number,
        "choices": test.choices.model_dump(mode="json", exclude_defaults=True),
        "study": test.study,
        "test_id": test.test_id,
        "started": test.started.isoformat(),
        "outcome": test.outcome,
        "end_reason": test.end_reason,
        "body": {name: _rounded(value) for name, value in vars(truth.body).items()},
        "clock_offset_s": {log.name: log.offset_s for log in test.logs},
        "stages": [
            [part.stage_index, part.stage.label, part.started_s, part.ended_s] for part in test.ridden
        ],
        "readings": [_true_reading(reading) for reading in test.readings],
        "course_columns": ["time_s", "watts", "sbp_mmhg", "k4_mmhg", "k5_mmhg", "heart_rate_bpm"],
        "course": [_moment(test, time_s) for time_s in range(0, int(test.ended_s) + 1, COURSE_EVERY_S)],
    }
    return _json(content)


def _true_reading(reading: Reading) -> dict[str, Any]:
    return {
        "wanted": reading.prompt.key,
        "taken": reading.k1_mmhg is not None,
        "late": reading.late,
        "noted_s": reading.noted_s,
        "first_sound_s": _rounded(reading.first_sound_s),
        "last_sound_s": _rounded(reading.last_sound_s),
        "sbp_mmhg": _rounded(reading.true_sbp_mmhg),
        "k4_mmhg": _rounded(reading.true_k4_mmhg),
        "k5_mmhg": _rounded(reading.true_k5_mmhg),
        "palpated_mmhg": reading.palpated_mmhg,
    }


def _moment(test: SimulatedTest, time_s: int) -> list[float]:
    truth = test.truth
    courses = (truth.watts.at, truth.sbp.at, truth.k4, truth.k5, truth.heart_rate.at)
    return [time_s, *(_rounded(value(time_s)) for value in courses)]


def _json(content: dict[str, Any]) -> str:
    """One key a line; of a list of lists or tables one item a line."""
    parts = []
    for key, value in content.items():
        if isinstance(value, list) and value and isinstance(value[0], list | dict):
            text = "[\n  " + ",\n  ".join(json.dumps(item) for item in value) + "\n ]"
        else:
            text = json.dumps(value)
        parts.append(f" {json.dumps(key)}: {text}")
    return "{\n" + ",\n".join(parts) + "\n}\n"


def _rounded(value: float) -> float:
    return round(value, 3)


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:g}"


def _clock(test: SimulatedTest, time_s: float) -> str:
    """The time of day where the test was, with milliseconds only where there are any."""
    moment = test.started + timedelta(seconds=time_s)
    return f"{moment:%H:%M:%S}" + (f".{moment.microsecond // 1000:03d}" if moment.microsecond else "")


def _iso(moment: datetime) -> str:
    spec = "milliseconds" if moment.microsecond else "seconds"
    return moment.astimezone(UTC).replace(tzinfo=None).isoformat(timespec=spec) + "Z"


def _csv(columns: Sequence[str], rows: Iterable[Sequence[str]], delimiter: str = ",") -> str:
    text = io.StringIO()
    writer = csv.writer(text, delimiter=delimiter, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows(rows)
    return text.getvalue()


def _table(values: dict[str, Any]) -> str:
    """TOML pairs; what is None is not written."""
    return "".join(f"{key} = {_toml(value)}\n" for key, value in values.items() if value is not None)


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, datetime | date):
        return value.isoformat()
    if isinstance(value, float):
        return f"{value:.0f}" if value == int(value) else repr(value)
    if isinstance(value, list):
        return "[" + ", ".join(_toml(item) for item in value) + "]"
    return json.dumps(value) if isinstance(value, str) else str(value)
