"""A load log cut into pieces: each a constant load or one straight ramp.

The log is thinned and freed from spikes (load_points.py).  Neighbouring points are merged into
at most a few hundred atoms (Ward's criterion).  A dynamic programme over the atoms finds the
pieces with the least squared error plus a penalty a piece.  The boundaries are then placed in
the log as it was, sample by sample.

The penalty is in W^2 s, load error squared times the time it lasts, so that it means the same
at 10 Hz and at one sample in 10 s, and it grows with the noise of this log.  Its constants were
chosen on simulated staircases and ramps, and tests hold them there.
"""

from __future__ import annotations

import heapq
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import accumulate, pairwise
from math import sqrt
from statistics import median

from pipeline.load_points import (
    NEAR_ZERO_WATTS,
    LoadPoints,
    bridged,
    noise_between_blocks,
    noise_in_pieces,
    thinned,
)

HELD_S = 15.0
HELD_POINTS = 2
EDGE_HELD_S = 5.0  # no load at the start or end of a log: there is no load around it to come back to
PLACING_S = 4.0
STEP_MIN_WATTS = 7.0
STEP_MIN_SHARE = 0.04
STEP_SPREADS = 4.0
WANDER_NOISE = 20.0  # W^2 s; in a log that is noisier, a load may wander by WANDER_SHARE for WANDER_S
WANDER_SHARE = 0.08
WANDER_S = 55.0
RAMP_MIN_S = 75.0
RAMP_MIN_WATTS = 25.0
RAMP_MIN_POINTS = 6
RAMP_JUMP_WATTS = 12.0
RAMP_PENALTIES = 1.5
CUT_OFF_S = 30.0
PENALTY_W2S = 300.0  # steps of 10 W leave 8.3 W^2 about a line: 500 W^2 s a minute are cut, 170 in 20 s not
PENALTY_PER_NOISE = 12.0
STEP_IN_RAMP_PER_NOISE = 4.0
STAIRCASE_S = 60.0
MAX_ATOMS = 200
INFINITE = float("inf")


@dataclass(frozen=True)
class Segment:
    """Samples `first` up to but not `end`; a load of `watts` at `since_s`, rising by `watts_per_s`.

    `watts_per_s` is 0 for a constant load, and only for that.
    """

    first: int
    end: int
    since_s: float
    watts: float
    watts_per_s: float = 0.0

    def at(self, elapsed_s: float) -> float:
        """The load in watts that the piece gives for a moment."""
        return self.watts + self.watts_per_s * (elapsed_s - self.since_s)


@dataclass(frozen=True)
class _Piece:
    """Points `first` up to but not `end`."""

    first: int
    end: int
    ramp: bool


def cut(times: Sequence[float], watts: Sequence[float], *, ramps: bool = True) -> list[Segment]:
    """The pieces of a load log, in order, together covering every sample.

    `times` in s, ascending; `watts` finite.  `ramps=False` looks for constant loads only.
    O(n log n).  An empty log gives an empty list.
    """
    if not times:
        return []
    watts = bridged(times, watts)
    points = thinned(times, watts)
    noise = noise_between_blocks(points)
    edges = _atoms(points, noise)
    steps = _best_pieces(points, edges, noise, ramps=False)
    noise = noise_in_pieces(points, [(piece.first, piece.end) for piece in steps])
    pieces = _best_pieces(points, edges, noise, ramps=ramps)
    segments = [_fitted(points, times, watts, piece) for piece in pieces]
    segments = _placed(times, watts, segments, points.interval_s)
    return _steps_merged(times, watts, _ramps_merged(times, segments, noise), noise)


def _atoms(points: LoadPoints, noise: float) -> list[int]:
    """Starts of runs of points that no sensible cut would divide, and the count of points."""
    starts = [0]
    for index in range(1, len(points.watts)):
        if points.watts[index] != points.watts[index - 1]:
            starts.append(index)
    count = len(starts)
    ends = [*starts[1:], len(points.watts)]
    weight = [sum(points.weights[first:end]) for first, end in zip(starts, ends, strict=True)]
    mean = [points.watts[first] for first in starts]
    before = list(range(-1, count - 1))
    after = list(range(1, count + 1))
    version = [0] * count  # -1: merged into the one before

    def pair(left: int, right: int) -> tuple[float, int, int, int]:
        loss = weight[left] * weight[right] / (weight[left] + weight[right]) * (mean[left] - mean[right]) ** 2
        return loss, left, version[left], version[right]

    heap = [pair(i, i + 1) for i in range(count - 1)]
    heapq.heapify(heap)
    alive = count
    enough = 0.05 * _penalty(noise)
    while heap:
        loss, left, left_version, right_version = heapq.heappop(heap)
        right = after[left]
        if version[left] != left_version or right >= count or version[right] != right_version:
            continue  # one of the two has changed since
        if loss > enough and alive <= MAX_ATOMS:
            break
        both = weight[left] + weight[right]
        mean[left] = (weight[left] * mean[left] + weight[right] * mean[right]) / both
        weight[left] = both
        version[left] += 1
        version[right] = -1
        after[left] = after[right]
        alive -= 1
        if after[left] < count:
            before[after[left]] = left
            heapq.heappush(heap, pair(left, after[left]))
        if before[left] >= 0:
            heapq.heappush(heap, pair(before[left], left))
    return [starts[i] for i in range(count) if version[i] >= 0] + [len(points.watts)]


def _penalty(noise: float) -> float:
    return max(PENALTY_W2S, PENALTY_PER_NOISE * noise)


def _best_pieces(points: LoadPoints, edges: list[int], noise: float, *, ramps: bool) -> list[_Piece]:
    """The cheapest cut along `edges`."""
    penalty = _penalty(noise)
    # A staircase in noise pays the penalty a step, a line through it only once.  So a ramp is
    # charged by the second what a staircase of one-minute steps would pay beyond a lower rate.
    charge = (penalty - max(PENALTY_W2S, STEP_IN_RAMP_PER_NOISE * noise)) / STAIRCASE_S
    w, wx, wxx, wt, wtt, wtx = _sums(points, edges)
    last = len(edges) - 1
    moment = [points.times[edge] for edge in edges[:-1]]
    moment.append(points.times[-1] + points.interval_s)
    best = [0.0] + [INFINITE] * last
    came: list[tuple[int, bool]] = [(0, False)] * (last + 1)
    for b in range(1, last + 1):
        for a in range(b - 1, -1, -1):
            length = moment[b] - moment[a]
            count = edges[b] - edges[a]
            weight = w[b] - w[a]
            load = wx[b] - wx[a]
            whole = a == 0 and b == last
            if not whole and not (length >= HELD_S and count >= HELD_POINTS):
                at_edge = a == 0 or (b == last and count >= HELD_POINTS)
                if not at_edge or length < EDGE_HELD_S or abs(load / weight) > NEAR_ZERO_WATTS:
                    continue
            about = max(0.0, wxx[b] - wxx[a] - load * load / weight)
            cost = best[a] + about + penalty
            if cost < best[b]:
                best[b], came[b] = cost, (a, False)
            if not ramps or length < RAMP_MIN_S or count < RAMP_MIN_POINTS:
                continue
            time = wt[b] - wt[a]
            across = wtt[b] - wtt[a] - time * time / weight
            slope = (wtx[b] - wtx[a] - time * load / weight) / across
            if abs(slope) * length < RAMP_MIN_WATTS:
                continue
            about = max(0.0, about - slope * slope * across)
            cost = best[a] + about + RAMP_PENALTIES * penalty + charge * length
            if cost < best[b]:
                best[b], came[b] = cost, (a, True)
    pieces: list[_Piece] = []
    b = last
    while b > 0:
        a, ramp = came[b]
        pieces.append(_Piece(edges[a], edges[b], ramp))
        b = a
    return pieces[::-1]


def _sums(points: LoadPoints, edges: list[int]) -> list[list[float]]:
    """Sums up to each edge of weight times 1, x, x^2, t, t^2 and t x."""
    middle = (points.times[0] + points.times[-1]) / 2  # keeps t^2 small
    rows = [
        (w, w * x, w * x * x, w * (t - middle), w * (t - middle) ** 2, w * (t - middle) * x)
        for w, x, t in zip(points.weights, points.watts, points.times, strict=True)
    ]
    totals = [[0.0, *accumulate(term)] for term in zip(*rows, strict=True)]
    return [[total[edge] for edge in edges] for total in totals]


def _fitted(points: LoadPoints, times: Sequence[float], watts: Sequence[float], piece: _Piece) -> Segment:
    first = points.firsts[piece.first]
    end = points.firsts[piece.end] if piece.end < len(points.firsts) else len(times)
    if not piece.ramp:
        return _level(times, watts, first, end)
    # next to the ends lie spikes that the running median could not judge, and half steps
    trim = min(points.reach, (piece.end - piece.first - RAMP_MIN_POINTS) // 2)
    return Segment(first, end, *points.line(range(piece.first + trim, piece.end - trim)))


def _placed(
    times: Sequence[float], watts: Sequence[float], segments: list[Segment], interval_s: float
) -> list[Segment]:
    """The same pieces with each boundary at the sample where the log itself changes over."""
    starts = [segment.first for segment in segments]
    for number in range(1, len(segments)):
        left, right = segments[number - 1], segments[number]
        now = times[starts[number]]
        low, high = starts[number - 1] + 1, right.end - 1
        bend = left.watts_per_s - right.watts_per_s
        apart = right.at(now) - left.at(now)
        if bend and abs(apart) < RAMP_JUMP_WATTS:
            # no jump: the change is where the two lines cross
            crossing = now + apart / bend
            if abs(crossing - now) <= RAMP_MIN_S:
                starts[number] = min(max(bisect_left(times, crossing), low), high)
            continue
        near = max(HELD_S, 2.5 * interval_s)
        low = max(low, bisect_left(times, now - near))
        high = min(high, bisect_right(times, now + near) - 1)
        starts[number] = _changeover(times, watts, left, right, low, max(low, high))
    ends = [*starts[1:], len(times)]
    return [
        replace(segment, first=first, end=end) if segment.watts_per_s else _level(times, watts, first, end)
        for segment, first, end in zip(segments, starts, ends, strict=True)
    ]


def _changeover(
    times: Sequence[float], watts: Sequence[float], left: Segment, right: Segment, low: int, high: int
) -> int:
    """The first sample of the right piece, low..high, with the least absolute error in sum.

    Absolute errors, because a spike then pulls no harder than a sample on the other side.
    """
    total, least, found = 0.0, 0.0, low
    for index in range(low, high):
        total += abs(watts[index] - left.at(times[index])) - abs(watts[index] - right.at(times[index]))
        if total < least:
            least, found = total, index + 1
    return found


def _ramps_merged(times: Sequence[float], segments: list[Segment], noise: float) -> list[Segment]:
    """A ramp takes in what goes on along it: a short end cut off by noise, or a second ramp."""
    kept: list[Segment] = []
    for segment in segments:
        if kept and (line := _one_ramp(times, kept[-1], segment, noise)):
            kept[-1] = line
        else:
            kept.append(segment)
    return kept


def _one_ramp(times: Sequence[float], left: Segment, right: Segment, noise: float) -> Segment | None:
    """Both as one ramp, or None where they are two things."""
    middle = times[right.first]
    if left.watts_per_s and right.watts_per_s:
        ratio = left.watts_per_s / right.watts_per_s
        if not 2 / 3 <= ratio <= 1.5 or abs(left.at(middle) - right.at(middle)) > RAMP_JUMP_WATTS:
            return None
        since, until = times[left.first], times[right.end - 1]
        rise = right.at(until) - left.at(since)
        return Segment(left.first, right.end, since, left.at(since), rise / max(until - since, 1e-3))
    if not left.watts_per_s and not right.watts_per_s:
        return None
    ramp, level = (left, right) if left.watts_per_s else (right, left)
    length = _length(times, level)
    centre = (times[level.first] + times[level.end - 1]) / 2
    # a level that a ramp ends in lies half its length's rise off the ramp drawn on, one cut
    # out of the ramp lies on it
    nearest = max(abs(ramp.watts_per_s) * length / 4, 2 * sqrt(noise / length))
    if length > CUT_OFF_S or level.watts <= NEAR_ZERO_WATTS or abs(level.watts - ramp.at(centre)) > nearest:
        return None
    return replace(ramp, first=left.first, end=right.end)


def _steps_merged(
    times: Sequence[float], watts: Sequence[float], segments: list[Segment], noise: float
) -> list[Segment]:
    """Neighbouring constant loads that hardly differ become one."""
    kept = list(segments)
    loads = [s.watts for s in kept if not s.watts_per_s and s.watts > NEAR_ZERO_WATTS]
    usual = sum(loads) / len(loads) if loads else 1.0

    def too_short(piece: Segment) -> bool:
        at_edge = piece.first == 0 or piece.end == len(times)
        return _length(times, piece) < HELD_S - PLACING_S and not (at_edge and piece.watts <= NEAR_ZERO_WATTS)

    def clearness(left: Segment, right: Segment) -> float:
        """The step in units of the smallest that counts: below 1 it is none."""
        if left.watts_per_s or right.watts_per_s:
            return INFINITE
        high = max(left.watts, right.watts)
        apart = abs(left.watts - right.watts)
        if too_short(left) or too_short(right):
            return apart / (apart + high + 1.0)
        rates = 1 / _length(times, left) + 1 / _length(times, right)
        # the noise of a hand-set brake grows with the load
        by_noise = STEP_SPREADS * sqrt(max(1.0, high / usual) * noise * rates)
        wander = noise > WANDER_NOISE and min(_length(times, left), _length(times, right)) < WANDER_S
        share = WANDER_SHARE if wander else STEP_MIN_SHARE
        return apart / max(STEP_MIN_WATTS, share * high, by_noise)

    while len(kept) > 1:
        steps = [clearness(left, right) for left, right in pairwise(kept)]
        least = min(range(len(steps)), key=steps.__getitem__)
        if steps[least] >= 1:
            break
        kept[least : least + 2] = [_level(times, watts, kept[least].first, kept[least + 1].end)]
    return kept


def _length(times: Sequence[float], segment: Segment) -> float:
    """From the first sample to the first of the next piece; the last piece: to its last sample."""
    return max(1.0, times[min(segment.end, len(times) - 1)] - times[segment.first])


def _level(times: Sequence[float], watts: Sequence[float], first: int, end: int) -> Segment:
    return Segment(first, end, times[first], median(watts[first:end]))
