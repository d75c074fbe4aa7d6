"""What the columns of an unknown log are: by common words of the trade, else by their values.

Every guess that the words do not settle comes with a doubt, in words for the person to judge.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import pairwise
from statistics import median

from adapters.base import Rejected
from adapters.log_format import TimeForm
from adapters.log_time import TimeReader

ANY_START = datetime(2000, 1, 1, tzinfo=UTC)
"""Stands in for the start of the test where only the look of times matters."""
_MOSTLY = 0.9
_MANY = 0.1
_WORDS = {
    "heart_rate_bpm": r"\b(hr|hf|fc|rr|ibi|ecg|ekg|bpm)\b|heart|herz|puls",
    "cadence_rpm": r"\b(rpm|rev|revs|u min|cad)\b|cadenc|kadenz|drehzahl|trittfreq|umdreh",
    "watts": r"\b(w|p|kp|kgm|kpm|last)\b|watt|power|leistung|load|belast|resist|brake|puissance|potencia",
}
_TIME_WORDS = r"\b(t|s|ms|sec|seconds|date|datum)\b|time|zeit|uhr|stamp|elapsed|dauer|duration|epoch"
_ELAPSED_WORDS = r"elapsed|dauer|duration|lap"
_FIRST_MINUTES = re.compile(r"0{1,2}:(0[0-9]:)?[0-9]{2}([.,][0-9]+)?")
_OFFSET = re.compile(r"(Z|[+-][0-9]{2}(:?[0-9]{2})?)$")


@dataclass
class Column:
    """One column: its place from 1, its name if there is a header, its cells in file order."""

    place: int
    name: str
    cells: list[str]
    numbers: list[float] = field(default_factory=list)

    @property
    def words(self) -> str:
        """The name in small letters, everything that is no letter or digit being a space."""
        return re.sub(r"[\W_]+", " ", self.name.casefold()).strip()

    @property
    def shown(self) -> str:
        """How to name it to a person."""
        return repr(self.name) if self.name else f"column {self.place}"

    @property
    def numeric(self) -> bool:
        """Nearly all cells that are not empty are numbers."""
        filled = sum(bool(cell) for cell in self.cells)
        return filled > 0 and len(self.numbers) >= _MOSTLY * filled

    @property
    def falls(self) -> int:
        """How many numbers are below the one before."""
        return sum(after < before for before, after in pairwise(self.numbers))

    @property
    def runs(self) -> bool:
        """Numbers that hardly ever fall, as times do."""
        differing = len(set(self.numbers)) > 1
        return differing and self.falls <= (1 - _MOSTLY) * len(self.numbers)

    @property
    def steady(self) -> bool:
        """Numbers that rise by nearly the same from line to line; a heart rate may rise, but not so."""
        steps = [after - before for before, after in pairwise(self.numbers)]
        usual = median(steps) if steps else 0.0
        return usual > 0 and all(0.5 * usual <= step <= 1.5 * usual for step in steps)


def time_column(columns: Sequence[Column], doubts: list[str]) -> tuple[Column, TimeForm] | None:
    """The column of the times and its form; None where there is none."""
    named = [column for column in columns if re.search(_TIME_WORDS, column.words)]
    others = [column for column in columns if column not in named]
    for column in (*named, *others):
        form = _written_form(column, doubts)
        if form is not None:
            return column, form
    for column in (*named, *others):
        # a count of persons or laps does not fall either, but it has few values
        many = len(set(column.numbers)) > _MANY * len(column.numbers)
        if column.numeric and column.runs and (column in named or many):
            if column not in named:
                doubts.append(f"{column.shown} is taken for the time because its numbers rise")
            if column.falls:
                doubts.append(
                    f"{column.shown} falls {_times(column.falls)}: are several tests in this file? "
                    "Lines out of the order of time are kept aside; make a file of each test"
                )
            return column, _number_form(column, doubts)
    return None


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def _written_form(column: Column, doubts: list[str]) -> TimeForm | None:
    """A form that cannot be a plain number."""
    cells = [cell for cell in column.cells if cell]
    if column.numeric or not cells:
        return None
    if _reads("iso8601", cells):
        return "iso8601"
    day, month = _reads("day_first", cells), _reads("month_first", cells)
    if day and month:
        guess: TimeForm = "day_first" if "." in cells[0][:10] else "month_first"
        doubts.append(f"dates like {cells[0]!r} can be day first or month first: {guess} is assumed")
        return guess
    if day or month:
        return "day_first" if day else "month_first"
    clock, elapsed = _reads("clock", cells), _reads("elapsed_clock", cells)
    if clock and elapsed:
        from_zero = _FIRST_MINUTES.fullmatch(cells[0]) or re.search(_ELAPSED_WORDS, column.words)
        form: TimeForm = "elapsed_clock" if from_zero else "clock"
        meaning = "time since the start" if from_zero else "time of day"
        doubts.append(f"times like {cells[0]!r} are taken for {meaning} ({form})")
        return form
    return "clock" if clock else "elapsed_clock" if elapsed else None


def in_utc(form: TimeForm, cell: str) -> bool:
    """Whether a time like `cell` says where it stands, or needs the start of the test for that."""
    return form.startswith("epoch") or (form == "iso8601" and bool(_OFFSET.search(cell[10:])))


def _reads(form: TimeForm, cells: Sequence[str]) -> bool:
    reader = TimeReader(form, ANY_START, float)
    good = 0
    for cell in cells:
        try:
            reader.read(cell)
        except Rejected:
            continue
        good += 1
    return good >= _MOSTLY * len(cells)


def _number_form(column: Column, doubts: list[str]) -> TimeForm:
    middle = median(column.numbers)
    if middle >= 1e11:
        return "epoch_ms"
    if middle >= 1e8:
        return "epoch_s"
    step = median(after - before for before, after in pairwise(column.numbers))
    said_ms = re.search(r"\bms\b|milli", column.words)
    if said_ms or step >= 90:
        if not said_ms:
            doubts.append(f"{column.shown} rises by {step:g} a line: milliseconds are assumed")
        return "elapsed_ms"
    return "elapsed_s"


def measure_columns(columns: Sequence[Column], doubts: list[str]) -> dict[str, Column]:
    """Measure -> column, by words; by values only where the words tell of no measure at all."""
    free = [column for column in columns if column.numeric]
    found: dict[str, Column] = {}
    for measure, words in _WORDS.items():
        named = [column for column in free if re.search(words, column.words)]
        if len(named) > 1:
            others = ", ".join(column.shown for column in named[1:])
            doubts.append(f"{measure}: {named[0].shown} is taken; {others} could be meant as well")
        if named:
            found[measure] = named[0]
            free.remove(named[0])
    return found or _by_values(free, doubts)


def _by_values(free: list[Column], doubts: list[str]) -> dict[str, Column]:
    """The widest range is the load, the higher of the others the heart rate, then the cadence."""
    found: dict[str, Column] = {}

    def take(measure: str, fits: Callable[[Column], bool], most: Callable[[Column], float]) -> None:
        able = [column for column in free if fits(column)]
        if able:
            found[measure] = max(able, key=most)
            free.remove(found[measure])

    if len(free) > 1 or any(min(column.numbers) < 30 for column in free):
        take("watts", lambda c: min(c.numbers) >= -20, lambda c: max(c.numbers) - min(c.numbers))
    take("heart_rate_bpm", lambda c: 30 <= median(c.numbers) <= 2000, lambda c: median(c.numbers))
    take("cadence_rpm", lambda c: 0 <= median(c.numbers) <= 200, lambda c: median(c.numbers))
    for measure, column in found.items():
        low, high = min(column.numbers), max(column.numbers)
        doubts.append(
            f"{measure}: {column.shown} is taken by its values alone ({low:g} to {high:g}); check it"
        )
    return found


def load_table(column: Column, cadence: Column | None, doubts: list[str]) -> dict[str, str | float]:
    """The keys of [watts] beside the column: unit, and for kp what it needs."""
    high = max(column.numbers)
    if re.search(r"kgm|kpm|kg m|kp m", column.words):
        return {"unit": "kgm/min"}
    if re.search(r"\b(kp|kilopond)\b", column.words):
        doubts.append("watts: metres_per_rev = 6 is assumed; some ergometers have 3, see its manual")
        if cadence is not None:
            return {"unit": "kp", "metres_per_rev": 6}
        doubts.append("watts: no cadence is logged and rpm = 60 is assumed; write the one that was ridden")
        return {"unit": "kp", "metres_per_rev": 6, "rpm": 60}
    if high > 600 and not re.search(r"\bw\b|watt", column.words):
        doubts.append(f"watts: loads up to {high:g} are taken as W; kgm/min would be 6.12 times the W")
    elif 0 < high <= 10:
        doubts.append(f"watts: loads up to {high:g} are taken as W; is it kp?")
    return {"unit": "W"}


def heart_rate_unit(column: Column, doubts: list[str]) -> str:
    """bpm, or ms where the numbers are those of RR intervals."""
    middle = median(column.numbers)
    if middle > 250:
        if not re.search(r"\b(rr|ibi|r r|ms)\b|interval", column.words):
            doubts.append(f"heart_rate_bpm: around {middle:g}, taken as RR intervals in ms")
        return "ms"
    return "bpm"
