"""Preflight as it is shown: sources, windows and findings on a terminal; else the windows."""

from __future__ import annotations

from collections.abc import Sequence

from rich.text import Text

from pipeline.finding import Finding
from pipeline.foresight import Foresight
from pipeline.listening import Heard
from pipeline.output import CAUTION, Column, Format, chosen, counted, emit, say, show_table
from pipeline.preflight import Preflight
from pipeline.windows import COLUMNS, SHOWN, window_cells, window_rows

_SOURCES = (
    Column("name", "source\n"),
    Column("where", "port or file\n", wraps=True),
    Column("samples", "samples\n", right=True),
    Column("rejected", "not\nread", right=True),
    Column("rate", "rate\nHz", right=True),
    Column("gives", "gives\n", wraps=True),
    Column("behind", "behind\ns", right=True),
)
_FINDINGS = (Column("level", ""), Column("about", "about", wraps=True), Column("words", "found", wraps=True))
_STYLES = {"mend": "bold red", "look": "yellow", "good": "green"}
_SHORT = {"watts": "load", "cadence_rpm": "cadence", "heart_rate_bpm": "heart rate"}


def show_preflight(
    flight: Preflight, heard: Sequence[Heard], seconds: float, test_id: str, form: Format | None
) -> None:
    """Show what was found.  Data are the windows; in CSV and JSON the findings go to stderr."""
    shown = chosen(form)
    if shown == "table":
        _show_sources(heard, seconds)
        if flight.foresight is not None:
            _show_windows(flight.foresight)
        show_table([_cells(one) for one in flight.findings], _FINDINGS, f"Before {test_id}")
    else:
        emit([] if flight.foresight is None else window_rows(flight.foresight), COLUMNS, shown)
        for one in flight.findings:
            say(f"{one.level}: {one.about}: {one.words}")
    say(f"{counted(flight.to_mend, 'thing')} to mend" if flight.to_mend else "nothing to mend")
    say(CAUTION)


def _show_sources(heard: Sequence[Heard], seconds: float) -> None:
    cells: list[dict[str, str | Text]] = [
        {
            "name": one.name,
            "where": one.where,
            "samples": str(one.samples),
            "rejected": str(one.rejected),
            "rate": "-" if one.rate_hz is None else f"{one.rate_hz:.2f}",
            "gives": ", ".join(_SHORT[measure] for measure in one.measures) or "nothing",
            "behind": "-" if one.own_clock_behind_s is None else f"{one.own_clock_behind_s:.1f}",
        }
        for one in heard
    ]
    if cells:
        show_table(cells, _SOURCES, f"Sources: ports over {seconds:g} s, logs whole")
    else:
        print("no sources")


def _show_windows(seen: Foresight) -> None:
    show_table(
        window_cells(window_rows(seen)),
        SHOWN,
        "Windows, if pressures are as expected (feel: 30 mmHg above where the pulse goes)",
    )


def _cells(one: Finding) -> dict[str, str | Text]:
    return {"level": Text(one.level, _STYLES[one.level]), "about": one.about, "words": one.words}
