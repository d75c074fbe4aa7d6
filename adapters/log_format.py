"""How the lines of a log, or of a device on a serial port, are to be read.

    delimiter = ";"             # one character, "tab" or "space"; or regex = '(?P<t>...) (?P<w>...)'
    decimal_comma = true

    [time]
    column = "Zeit"             # the name in the header, or the number counted from 1
    form = "clock"              # see TIME_FORMS

    [watts]
    column = "Last"
    unit = "kgm/min"            # W, kgm/min or kp

    [heart_rate_bpm]
    column = "RR"
    unit = "ms"                 # bpm, or RR intervals in ms

Only `[time]` and one measure must be there.  A regular expression must match the whole line;
its groups are the columns.
"""

from __future__ import annotations

import hashlib
import json
import re
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, model_validator

from adapters.setup_file import read_toml
from adapters.suggestion import nearest
from pipeline.errors import InputError
from pipeline.events import MEASURES, Positive

TimeForm = Literal[
    "iso8601",
    "day_first",
    "month_first",
    "epoch_s",
    "epoch_ms",
    "elapsed_s",
    "elapsed_ms",
    "elapsed_clock",
    "clock",
    "none",
]
TIME_FORMS: dict[str, str] = {
    "iso8601": "2026-03-14T09:30:00.5+01:00; without an offset that of the test's start holds",
    "day_first": "14.03.2026 09:30:00.5",
    "month_first": "3/14/2026 09:30:00.5",
    "epoch_s": "seconds since 1970 UTC, 1773477000.5",
    "epoch_ms": "milliseconds since 1970 UTC, 1773477000500",
    "elapsed_s": "seconds since the test's start, 12.5",
    "elapsed_ms": "milliseconds since the test's start, 12500",
    "elapsed_clock": "h:mm:ss or mm:ss since the test's start, 0:00:12.5",
    "clock": "time of day, 09:30:00.5; goes on to the next day at midnight",
    "none": "lines carry no time; only for lines that are read live",
}
"""The forms of a time, each with an example."""
_DELIMITERS = {"tab": "\t", "space": None}


def _column(value: Any) -> Any:
    named = isinstance(value, str) and bool(value.strip())
    numbered = isinstance(value, int) and not isinstance(value, bool) and value >= 1
    if not (named or numbered):
        raise ValueError("a column is wanted: its name in quotes, or its number counted from 1")
    return value.strip() if isinstance(value, str) else value


Column = Annotated[int | str, BeforeValidator(_column)]
OptionalColumn = Annotated[int | str | None, BeforeValidator(_column)]


class _Table(BaseModel):
    model_config = ConfigDict(strict=True, frozen=True, extra="forbid", allow_inf_nan=False)


class TimeColumn(_Table):
    """[time]: where the time of a line stands and in which form (see TIME_FORMS)."""

    column: OptionalColumn = None
    form: TimeForm

    @model_validator(mode="after")
    def _column_or_none(self) -> TimeColumn:
        if (self.form == "none") != (self.column is None):
            raise ValueError("a form needs its column, and form 'none' has no column; write both or 'none'")
        return self


class LoadColumn(_Table):
    """[watts]: W, kgm/min, or kp with metres per revolution and a cadence.

    With kp the cadence is `cadence_column`, else a fixed `rpm`, else the column of
    [cadence_rpm].  `optional` columns may be absent from the header.
    """

    column: Column
    unit: Literal["W", "kgm/min", "kp"] = "W"
    metres_per_rev: Positive | None = None
    cadence_column: OptionalColumn = None
    rpm: Positive | None = None
    optional: bool = False

    @model_validator(mode="after")
    def _kp_needs_a_cadence(self) -> LoadColumn:
        if self.unit == "kp" and self.metres_per_rev is None:
            raise ValueError(
                "unit kp needs metres_per_rev, the way of the flywheel's rim in one turn, like 6"
            )
        if self.unit != "kp" and {"metres_per_rev", "cadence_column", "rpm"} & self.model_fields_set:
            raise ValueError(
                f"metres_per_rev, cadence_column and rpm belong to unit kp, not {self.unit}; take them out"
            )
        if self.cadence_column is not None and self.rpm is not None:
            raise ValueError("cadence_column and rpm are both written; keep one")
        return self


class CadenceColumn(_Table):
    """[cadence_rpm]: revolutions per minute."""

    column: Column
    unit: Literal["rpm"] = "rpm"
    optional: bool = False


class HeartRateColumn(_Table):
    """[heart_rate_bpm]: beats per minute, or the RR interval in ms."""

    column: Column
    unit: Literal["bpm", "ms"] = "bpm"
    optional: bool = False


class Checksum(_Table):
    """[checksum]: what stands behind the last `separator` checks what stands before it.

    It covers the bytes from behind the first `starts_after` (else from the line's start) to
    the separator, and the separator itself where `covers_separator`.  `$A,120,60*5D` has
    separator "*" and starts_after "$".  What is not covered is not read, unless the separator
    is the delimiter: then the checksum is a column like the others.
    """

    kind: Literal["xor", "sum8"]
    separator: Annotated[str, Field(min_length=1)]
    starts_after: str = ""
    covers_separator: bool = False
    written: Literal["hex", "decimal"] = "hex"


class Poll(_Table):
    """[poll]: a device that speaks only when asked.  `command` is sent as Latin-1 bytes."""

    command: Annotated[str, Field(min_length=1, pattern=r"^[\x00-\xff]+$")]
    every_s: Annotated[float, Field(ge=0.02, le=60)] = 1.0


class LogFormat(_Table):
    """A format that can be used.

    `columns` is how many cells a line without header has, so that a torn line is noticed.
    `line_ending` is that of a live device; in files every usual one is understood.
    """

    name: str = ""
    delimiter: str | None = None
    regex: str | None = None
    header: bool | None = None
    columns: Annotated[int, Field(ge=1)] | None = None
    skip_lines: Annotated[int, Field(ge=0)] = 0
    comment: str = "#"
    encoding: str = "utf-8"
    decimal_comma: bool = False
    missing: list[str] = ["", "-", "--", "NA", "N/A", "NaN", "null"]
    line_ending: Literal["\n", "\r", "\r\n"] = "\n"
    time: TimeColumn
    watts: LoadColumn | None = None
    cadence_rpm: CadenceColumn | None = None
    heart_rate_bpm: HeartRateColumn | None = None
    checksum: Checksum | None = None
    poll: Poll | None = None

    @property
    def has_header(self) -> bool:
        """Delimited logs have one unless they say otherwise."""
        return self.regex is None if self.header is None else self.header

    @property
    def separator(self) -> str | None:
        """What str.split takes: None is any run of white space."""
        return _DELIMITERS.get(self.delimiter or "", self.delimiter)

    @property
    def wanted(self) -> dict[str, int | str]:
        """Key of the format -> column, in order: time.column, watts.column, ..."""
        tables = {name: getattr(self, name) for name in ("time", *MEASURES)}
        found = {f"{name}.column": table.column for name, table in tables.items() if table is not None}
        if self.watts is not None and self.watts.unit == "kp" and self.watts.rpm is None:
            column = self.watts.cadence_column or (self.cadence_rpm and self.cadence_rpm.column)
            found["watts.cadence_column"] = column
        return {key: column for key, column in found.items() if column is not None}

    @model_validator(mode="after")
    def _can_cut(self) -> LogFormat:
        if (self.delimiter is None) == (self.regex is None):
            raise ValueError("delimiter or regex is wanted, one of the two")
        if self.delimiter is not None and self.delimiter not in _DELIMITERS and len(self.delimiter) != 1:
            raise ValueError(f"delimiter = {self.delimiter!r}: one character, 'tab' or 'space' is wanted")
        if self.delimiter == "," and self.decimal_comma:
            raise ValueError("decimal_comma: the delimiter is a comma as well; one of the two is wrong")
        if self.regex is not None:
            if self.header or self.columns is not None:
                raise ValueError("header and columns belong to a delimiter; skip the header with skip_lines")
            _check_groups(self.regex, self.wanted)
        elif not self.has_header:
            for key, column in self.wanted.items():
                if isinstance(column, str):
                    raise ValueError(f"{key} = {column!r}: without a header write the column's number")
        return self

    @model_validator(mode="after")
    def _can_read(self) -> LogFormat:
        if not any(getattr(self, measure) for measure in MEASURES):
            raise ValueError(f"no measure; write at least one of {', '.join(f'[{m}]' for m in MEASURES)}")
        by_kp = self.watts is not None and self.watts.unit == "kp" and self.watts.rpm is None
        if by_kp and "watts.cadence_column" not in self.wanted:
            raise ValueError("watts.unit kp needs a cadence; write cadence_column or rpm")
        try:
            "0".encode(self.encoding)
        except LookupError:
            raise ValueError(f"encoding = {self.encoding!r}: no such encoding; like utf-8, cp1252") from None
        return self


def _check_groups(regex: str, wanted: dict[str, int | str]) -> None:
    try:
        pattern = re.compile(regex)
    except re.error as error:
        raise ValueError(f"regex cannot be used ({error}); correct it") from None
    for key, column in wanted.items():
        if column not in pattern.groupindex and not (isinstance(column, int) and column <= pattern.groups):
            named = ", ".join(repr(name) for name in pattern.groupindex) or "none"
            raise ValueError(f"{key} = {column!r} is no group of the regex; named groups are {named}")


_TABLES: dict[str, type[BaseModel]] = {
    "time": TimeColumn,
    "watts": LoadColumn,
    "cadence_rpm": CadenceColumn,
    "heart_rate_bpm": HeartRateColumn,
    "checksum": Checksum,
    "poll": Poll,
}


def load_format(path: Path) -> LogFormat:
    """The format in a TOML file; raises InputError naming the file and every key that is wrong."""
    _, written = read_toml(path, "log format", "`cuffwatt describe LOG` proposes one for a log")
    return parse_format(written, str(path))


def parse_format(written: dict[str, Any], where: str) -> LogFormat:
    """The format that a parsed TOML table describes; raises InputError naming `where` and the keys."""
    try:
        return LogFormat.model_validate(written)
    except ValidationError as error:
        lines = [f"{where}: {_words(dict(problem))}" for problem in error.errors(include_url=False)]
        raise InputError("\n".join(lines)) from None


def _words(problem: dict[str, Any]) -> str:
    *tables, last = problem["loc"] or ("",)
    key = ".".join(str(part) for part in problem["loc"])
    if problem["type"] == "extra_forbidden":
        known = (_TABLES[str(tables[0])] if tables else LogFormat).model_fields
        return f"{key}: unknown key{nearest(str(last), known)}; known are {', '.join(known)}"
    if problem["type"] == "missing":
        return f"{key} is missing; write it"
    if problem["type"] == "model_type":
        return f"{key} = {problem['input']!r}: a table is wanted; write [{key}]"
    words = problem["msg"].removeprefix("Value error, ").replace("Input should", "should")
    if not key or isinstance(problem["input"], dict):
        return f"{key}: {words}" if key else words
    return f"{key} = {problem['input']!r}: {words[0].lower()}{words[1:]}"


def format_digest(fmt: LogFormat) -> str:
    """First 16 hex digits of SHA-256 over what the format says beyond the defaults."""
    said = fmt.model_dump(mode="json", exclude_defaults=True)
    return hashlib.sha256(json.dumps(said, sort_keys=True).encode()).hexdigest()[:16]


PLAIN = parse_format(
    {
        "name": "plain",
        "delimiter": ",",
        "time": {"column": "time", "form": "iso8601"},
        **{measure: {"column": measure, "optional": True} for measure in MEASURES},
    },
    "the plain format",
)
"""What holds where no format is named: a CSV headed `time,watts,cadence_rpm,heart_rate_bpm`, any of
the measures being left out, in ISO 8601."""
