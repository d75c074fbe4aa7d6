"""A load log made ready for cutting: about a point a second, without spikes and drop-outs."""

from __future__ import annotations

import itertools
from bisect import bisect_left, insort
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

NEAR_ZERO_WATTS = 5.0
SHORT_EVENT_S = 11.0
SPIKE_MIN_WATTS = 7.0
SPIKE_SPREADS = 3.0
NOISE_BLOCK_S = 10.0
MAX_POINTS = 7200


@dataclass(frozen=True)
class LoadPoints:
    """The thinned log: when each point starts (s), its load (W), the time it stands for (s).

    `firsts` are the places of the points in the log; `reach` is the number of points to each
    side that were looked at to tell a spike from a load.
    """

    times: list[float]
    watts: list[float]
    weights: list[float]
    firsts: list[int]
    interval_s: float
    reach: int

    def line(self, inside: range) -> tuple[float, float, float]:
        """(moment, load then, slope in W/s) of the least-squares line through some points."""
        weight = sum(self.weights[i] for i in inside)
        middle = sum(self.weights[i] * self.times[i] for i in inside) / weight
        load = sum(self.weights[i] * self.watts[i] for i in inside) / weight
        across = sum(self.weights[i] * (self.times[i] - middle) ** 2 for i in inside)
        along = sum(self.weights[i] * (self.times[i] - middle) * self.watts[i] for i in inside)
        return middle, load, along / across if across else 0.0


def bridged(times: Sequence[float], watts: Sequence[float]) -> list[float]:
    """The loads with drop-outs to zero of up to 11 s filled with the load before them."""
    filled = list(watts)
    index = 0
    while index < len(filled):
        if filled[index] > NEAR_ZERO_WATTS:
            index += 1
            continue
        first = index
        while index < len(filled) and filled[index] <= NEAR_ZERO_WATTS:
            index += 1
        before, after = filled[max(0, first - 3) : first], filled[index : index + 3]
        # three samples of load on each side: a spike at rest is no load to come back to
        loaded = len(before) == len(after) == 3 and min(*before, *after) > NEAR_ZERO_WATTS
        if loaded and times[index] - times[first] <= SHORT_EVENT_S:
            filled[first:index] = [median(before)] * (index - first)
    return filled


def thinned(times: Sequence[float], watts: Sequence[float]) -> LoadPoints:
    """At most a point a second (a log of over two hours: 7200 in all), each the median there."""
    count = len(times)
    gaps = sorted(b - a for a, b in itertools.pairwise(times))
    typical = gaps[len(gaps) // 2] if gaps else 1.0
    width = max(1.0, typical * count / MAX_POINTS)
    firsts: list[int] = []
    if typical > 0.8 * width:
        firsts = list(range(count))
    else:
        slot_before = None
        for index, time in enumerate(times):
            slot = int((time - times[0]) / width)
            if slot != slot_before:
                firsts.append(index)
                slot_before = slot
    ends = [*firsts[1:], count]
    raw = [
        watts[first] if end == first + 1 else median(watts[first:end])
        for first, end in zip(firsts, ends, strict=True)
    ]
    starts = [times[first] for first in firsts]
    interval = max(typical, width if len(firsts) < count else 0.0, 1e-3)
    # a gap without samples says nothing about the load in it, so it weighs like three samples
    weights = [min(max(b - a, 1e-3), 3 * interval) for a, b in itertools.pairwise(starts)]
    weights.append(interval)
    reach = max(1, round(SHORT_EVENT_S / interval))
    return LoadPoints(starts, _without_spikes(raw, reach), weights, firsts, interval, reach)


def noise_between_blocks(points: LoadPoints) -> float:
    """Noise in W^2 s, the variance of a mean times the time it is taken over: a first guess.

    From the differences between neighbouring blocks of 10 s (or samples, where they are rarer),
    by their median absolute deviation: steps hardly count, a steady slope does not at all.
    """
    size = max(1, round(NOISE_BLOCK_S / points.interval_s))
    blocks: list[float] = []
    for first in range(0, len(points.watts) - size + 1, size):
        if points.watts[first] > NEAR_ZERO_WATTS:  # no load has no noise
            blocks.append(sum(points.watts[first : first + size]) / size)
    differences = [b - a for a, b in itertools.pairwise(blocks)]
    if len(differences) < 4:
        return 0.0
    centre = median(differences)
    deviation = 1.4826 * median(abs(value - centre) for value in differences)
    return deviation**2 / 2 * size * points.interval_s


def noise_in_pieces(points: LoadPoints, pieces: Sequence[tuple[int, int]]) -> float:
    """The same from what is left about a line in each piece (first point, end point).

    Where cadence wanders over some 10 s, longer blocks show more of it than shorter ones; the
    growth from 10 s to 20 s blocks is carried one step further.
    """
    short = max(1, round(NOISE_BLOCK_S / points.interval_s))
    single, ten, twenty = (_noise_in_blocks(points, pieces, size) for size in (1, short, 2 * short))
    if single < ten < twenty:
        return twenty * min(2.0, twenty / ten)
    return max(single, ten, twenty)


def _noise_in_blocks(points: LoadPoints, pieces: Sequence[tuple[int, int]], size: int) -> float:
    sizes: list[float] = []
    for first, end in pieces:
        span = end - first
        if span < max(4, 2 * size):
            continue
        since, load, slope = points.line(range(first, end))
        if load <= NEAR_ZERO_WATTS:  # no load has no noise
            continue
        left = [points.watts[i] - load - slope * (points.times[i] - since) for i in range(first, end)]
        blocks = [sum(left[i : i + size]) / size for i in range(0, span - size + 1, size)]
        # the line took up part of what is left, the more the fewer blocks there are
        share = (span / max(size, span - 2 * size)) ** 0.5
        sizes += [abs(value) * share for value in blocks]
    if len(sizes) < 4:
        return 0.0
    # a spike that got through counts as far noise, not as what it is
    largest = 4 * 1.4826 * median(sizes)
    return sum(min(value, largest) ** 2 for value in sizes) / len(sizes) * size * points.interval_s


def _without_spikes(values: list[float], reach: int) -> list[float]:
    """The values, with the running median in the place of those far from it."""
    medians = _running_median(values, reach)
    apart = sorted(abs(x - m) for x, m in zip(values, medians, strict=True) if m > NEAR_ZERO_WATTS)
    spread = 1.4826 * apart[len(apart) // 2] if apart else 0.0
    limit = max(SPIKE_MIN_WATTS, SPIKE_SPREADS * spread)
    return [m if abs(x - m) > limit else x for x, m in zip(values, medians, strict=True)]


def _running_median(values: list[float], reach: int) -> list[float]:
    """Median of `reach` values to each side.

    The window shrinks evenly towards both ends, so that a step near an end stays where it is.
    """
    count = len(values)
    result: list[float] = []
    window: list[float] = []
    low, high = 0, 0  # the window holds values[low:high]
    for index in range(count):
        half = min(reach, index, count - 1 - index)
        while high < index + half + 1:
            insort(window, values[high])
            high += 1
        while low < index - half:
            del window[bisect_left(window, values[low])]
            low += 1
        result.append(window[len(window) // 2])
    return result
