"""The logs of an invented test: an ergometer, a heart-rate sensor, pedals as a third source.

Loads in W, cadence in rev/min, heart rate in beats/min, times in seconds since the test began
by a right clock; what the sensor's own clock shows is that minus its offset.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from random import Random

from pipeline.simulate.choices import Choices
from pipeline.simulate.truth import Truth, clipped

STANDARD_GRAVITY = 9.80665
TURNING_WATTS = 3.0
SHOWN_MOST_WATTS = 400.0
"""The ergometers of invented tests give no higher load."""
CADENCE_RPM = 70.0
CADENCE_RECOVERY_RPM = 50.0
DROPOUT_S = (6.0, 40.0)
PEDALS_SHOW_MORE = 1.02
"""Pedals measure before the drive train takes its share."""


@dataclass(frozen=True)
class Log:
    """What one sensor logged; the measures it has are as long as `times_s`, the others None.

    `offset_s` is what must be added to the times in the log; `from_rr` says that the heart rate
    came as RR intervals.
    """

    name: str
    offset_s: float
    times_s: tuple[float, ...]
    watts: tuple[float, ...] | None = None
    cadence_rpm: tuple[float, ...] | None = None
    heart_rate_bpm: tuple[float, ...] | None = None
    from_rr: bool = False

    @property
    def measures(self) -> tuple[str, ...]:
        """The names of the measures that it has."""
        names = ("watts", "cadence_rpm", "heart_rate_bpm")
        return tuple(name for name in names if getattr(self, name) is not None)


def make_logs(number: int | str, choices: Choices, truth: Truth, ended_s: float) -> tuple[Log, ...]:
    """The logs of the sensors whose rate is not zero, from the start of the test to `ended_s`."""
    logs = []
    if choices.ergometer_hz:
        logs.append(_ergometer(Random(f"{number} ergometer"), choices, truth, ended_s))
    if choices.heart_rate_hz:
        make = _beats if choices.heart_rate_log == "rr" else _heart_rate
        logs.append(make(Random(f"{number} heart rate"), choices, truth, ended_s))
    if choices.pedals_hz:
        logs.append(_pedals(Random(f"{number} pedals"), choices, truth, ended_s))
    return tuple(logs)


def _moments(hz: float, ended_s: float, phase_s: float = 0.0) -> list[float]:
    return [round(n / hz + phase_s, 3) for n in range(int((ended_s - phase_s) * hz) + 1)]


def _load(random: Random, watts: float) -> float:
    if watts < 1.0:
        return 0.0
    return float(round(clipped(watts + random.gauss(0, 1 + 0.01 * watts), 0, SHOWN_MOST_WATTS)))


def _cadence(random: Random, truth: Truth, time_s: float) -> float:
    watts = truth.watts.at(time_s)
    if watts < TURNING_WATTS:
        return 0.0
    usual = CADENCE_RPM if watts > 0.15 * truth.body.watts_capacity else CADENCE_RECOVERY_RPM
    return float(round(random.gauss(usual, 1.5)))


def _ergometer(random: Random, choices: Choices, truth: Truth, ended_s: float) -> Log:
    times = _moments(choices.ergometer_hz, ended_s)
    watts = [_load(random, truth.watts.at(time_s)) for time_s in times]
    if choices.ergometer_log == "comma":
        # this one shows kgm/min with one decimal, which is what can be had back
        watts = [round(load * 60 / STANDARD_GRAVITY, 1) * STANDARD_GRAVITY / 60 for load in watts]
    cadence = [_cadence(random, truth, time_s) for time_s in times]
    return Log("ergometer", choices.ergometer_offset_s, tuple(times), tuple(watts), tuple(cadence))


def _pedals(random: Random, choices: Choices, truth: Truth, ended_s: float) -> Log:
    times = _moments(choices.pedals_hz, ended_s, 0.11)
    watts = tuple(min(SHOWN_MOST_WATTS, _load(random, PEDALS_SHOW_MORE * truth.watts.at(t))) for t in times)
    return Log("pedals", 0.0, tuple(times), watts, tuple(_cadence(random, truth, t) for t in times))


def _dropouts(random: Random, choices: Choices, ended_s: float) -> list[tuple[float, float]]:
    gaps = [
        (random.uniform(60, max(61.0, ended_s - 60)), random.uniform(*DROPOUT_S))
        for _ in range(choices.heart_rate_dropouts)
    ]
    return [(start_s, start_s + length_s) for start_s, length_s in gaps]


def _kept(times: Sequence[float], gaps: Sequence[tuple[float, float]]) -> list[float]:
    return [time_s for time_s in times if not any(start_s <= time_s < end_s for start_s, end_s in gaps)]


def _heart_rate(random: Random, choices: Choices, truth: Truth, ended_s: float) -> Log:
    gaps = _dropouts(random, choices, ended_s)
    times = _kept(_moments(choices.heart_rate_hz, ended_s, 0.37), gaps)
    rates = [float(round(clipped(truth.heart_rate.at(t) + random.gauss(0, 0.8), 60, 190))) for t in times]
    return Log("heart_rate", choices.heart_rate_offset_s, tuple(times), heart_rate_bpm=tuple(rates))


def _beats(random: Random, choices: Choices, truth: Truth, ended_s: float) -> Log:
    gaps = _dropouts(random, choices, ended_s)
    times: list[float] = []
    intervals: list[int] = []
    time_s = 0.0
    while True:
        rate = clipped(truth.heart_rate.at(time_s) * (1 + random.gauss(0, 0.012)), 60, 190)
        interval_ms = int(clipped(round(60000 / rate), 316, 1000))
        time_s = round(time_s + interval_ms / 1000, 3)
        if time_s > ended_s:
            break
        times.append(time_s)
        intervals.append(interval_ms)
    kept = set(_kept(times, gaps))
    rates = tuple(60000 / ms for t, ms in zip(times, intervals, strict=True) if t in kept)
    return Log(
        "heart_rate",
        choices.heart_rate_offset_s,
        tuple(t for t in times if t in kept),
        heart_rate_bpm=rates,
        from_rr=True,
    )
