"""The four demo tests of an invented study, as fixtures/demo has them.

The study is that of a bell ringers' guild that does not exist.  `write_demo` writes the files
again; a test compares them with what the simulator gives.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from pipeline.shipped import shipped
from pipeline.simulate import SimulatedTest, inputs, simulate_test

STUDY = "millpond-ringers"
_USUAL: dict[str, Any] = {"study": STUDY, "rest_minutes": 9.0, "stages": 6, "observer": "BELFRY-1"}
DEMO: dict[str, tuple[int, dict[str, Any]]] = {
    # all in order: every reading in its window, sounds that end at a pressure
    "01-staircase": (19, _USUAL | {"participant": "MR-019", "step_watts": 30.0}),
    # systolic falls by over 10 mmHg in the fifth stage and again when it is repeated; no
    # symptoms; one reading is not taken, one not heard, some come late
    "02-fall": (
        289,
        _USUAL
        | {
            "participant": "MR-289",
            "stages": 7,
            "step_watts": 30.0,
            "fall_mmhg": 20.0,
            "fall_stage": 5,
            "stops_after_fall": True,
            "late_share": 0.15,
            "missed_share": 0.15,
        },
    ),
    # sounds down to zero under load, a heart-rate sensor that drops out, an ergometer 37 s slow
    "03-sounds-to-zero": (
        6,
        _USUAL
        | {
            "participant": "MR-006",
            "step_watts": 25.0,
            "sounds_to_mmhg": 0.0,
            "sounds_from_stage": 2,
            "deflation_mmhg_per_s": 3.2,
            "heart_rate_dropouts": 5,
            "ergometer_offset_s": 37.0,
            "ergometer_clock": "align",
        },
    ),
    # a ramp, the load in kgm/min with decimal commas, the heart rate as RR intervals
    "04-ramp": (
        15,
        _USUAL
        | {
            "participant": "MR-015",
            "ramp_from_watts": 20.0,
            "ramp_to_watts": 220.0,
            "ramp_minutes": 12.5,
            "ergometer_log": "comma",
            "heart_rate_log": "rr",
        },
    ),
}


def demo_test(name: str) -> SimulatedTest:
    """The demo test of that name, `01-staircase` to `04-ramp`."""
    number, choices = DEMO[name]
    return simulate_test(number, **choices)


def demo_files() -> dict[str, str]:
    """Path below fixtures/demo -> text, of all four tests."""
    return {f"{name}/{file}": text for name in DEMO for file, text in inputs(demo_test(name)).items()}


def write_demo(folder: Path | None = None) -> None:
    """Write the demo tests to `folder` (default: the fixtures of this checkout), over what is there."""
    folder = shipped("fixtures") / "demo" if folder is None else folder
    for path, text in demo_files().items():
        file = folder / path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(text, encoding="utf-8", newline="\n")
