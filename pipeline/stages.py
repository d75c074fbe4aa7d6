"""The stages of a test as events, from its protocol and noted starts or from its load log.

Detection is in load_stages.py, matching with a protocol in stage_match.py; their names can be
had here.  All moments are elapsed seconds; loads are watts.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from pipeline.errors import InputError
from pipeline.events import StageStarted
from pipeline.load_stages import DetectedStage, clock_offset, detect_stages, first_rise
from pipeline.protocol import Protocol, Stage
from pipeline.stage_match import Match, match_to_protocol

__all__ = [
    "DetectedStage",
    "Match",
    "Timeline",
    "clock_offset",
    "detect_stages",
    "detected_timeline",
    "first_rise",
    "match_to_protocol",
    "matched_timeline",
    "scheduled_timeline",
]


@dataclass(frozen=True)
class Timeline:
    """The stages of a test in order, each with the elapsed second where it ends."""

    stages: list[tuple[StageStarted, float]]
    started_s: float
    ended_s: float

    @property
    def events(self) -> list[StageStarted]:
        """The stages alone, in order."""
        return [event for event, _ in self.stages]


def scheduled_timeline(
    protocol: Protocol,
    anchor: datetime,
    *,
    source: str = "protocol",
    starts: Mapping[int, float] | None = None,
    last_sample_s: float | None = None,
    stopped_s: float | None = None,
) -> Timeline:
    """The stages of a test that went by its protocol, from elapsed second 0.

    `starts` are noted starts by stage index.  Stages between them follow their planned
    durations; a later noted start cuts the earlier stages short, or prolongs the one before
    it; a stage with no time left was not ridden.  Nothing starts at or after `stopped_s`.  The
    last stage ends where it was planned to, or at `stopped_s`; one without minutes at
    `last_sample_s`.  Raises InputError for noted starts that cannot be.
    """
    noted = _checked(protocol, starts or {})
    moments: list[tuple[int, float]] = []
    now = 0.0
    for index, stage in enumerate(protocol.stages):
        now = noted.get(index, now)
        later = min((noted[n] for n in noted if n > index), default=math.inf)
        if now < later and (stopped_s is None or now < stopped_s):
            moments.append((index, now))
        now += stage.planned_s or 0.0
    if not moments:
        raise InputError(
            f"the test is said to have stopped at {stopped_s:g} s, before its first stage began; "
            "give a later moment or leave it out"
        )
    timed = []
    for index, second in moments:
        method = "noted" if index in noted else "planned"
        timed.append((_started(index, protocol.stages[index], anchor, second, source, method), second))
    last, since = moments[-1]
    planned = protocol.stages[last].planned_s
    ended = since + planned if planned is not None else max(since, last_sample_s or since)
    return _timeline(timed, ended if stopped_s is None else min(ended, stopped_s))


def _checked(protocol: Protocol, starts: Mapping[int, float]) -> dict[int, float]:
    noted = dict(sorted(starts.items()))
    for index, second in noted.items():
        if not 0 <= index < len(protocol.stages):
            raise InputError(
                f"a start is noted for stage {index + 1}, but the protocol has {len(protocol.stages)}; "
                "correct the number of the stage"
            )
        if not math.isfinite(second):
            raise InputError(
                f"the start of stage {protocol.stages[index].label!r} is noted as {second}; "
                "a number of seconds is wanted; correct it"
            )
        if second < 0:
            raise InputError(
                f"the start of stage {protocol.stages[index].label!r} is noted {-second:g} s before the test "
                "opened; correct it or the start of the test"
            )
    order = list(noted)
    for earlier, later in itertools.pairwise(order):
        if noted[later] <= noted[earlier]:
            labels = (protocol.stages[later].label, protocol.stages[earlier].label)
            raise InputError(
                f"stage {labels[0]!r} is noted to start at {noted[later]:g} s, not after {labels[1]!r} at "
                f"{noted[earlier]:g} s; starts are wanted in the order of the protocol"
            )
    return noted


def detected_timeline(
    samples: Iterable[tuple[float, float]],
    anchor: datetime,
    *,
    protocol: Protocol | None = None,
    source: str = "load",
) -> Timeline:
    """The stages that a log of (elapsed_s, watts) shows, matched with the protocol where there is one.

    Ramps are looked for unless the protocol has none.  Raises InputError where the log has no
    valid load sample.
    """
    ramps = protocol is None or any(stage.target_watts_to is not None for stage in protocol.stages)
    found = detect_stages(samples, ramps=ramps)
    matches = match_to_protocol(found, protocol) if protocol else [Match(stage, None) for stage in found]
    return matched_timeline(matches, anchor, protocol=protocol, source=source)


def matched_timeline(
    matches: Sequence[Match], anchor: datetime, *, protocol: Protocol | None = None, source: str = "load"
) -> Timeline:
    """Detected stages as events by="detected".

    A matched one has label, phase, position, target and planned seconds of its protocol stage.
    One without has its load as label and target, position ergometer and no planned seconds.
    The index counts the stages as they were ridden.  Raises InputError for an empty list.
    """
    if not matches:
        raise InputError(
            "no stage can be found: the log has no valid load sample; "
            'check its watts column and unit, or use a protocol with stage_from = "schedule"'
        )
    timed: list[tuple[StageStarted, float]] = []
    for index, match in enumerate(matches):
        found, planned = match.detected, match.stage_index
        stage = protocol.stages[planned] if protocol and planned is not None else _as_stage(found)
        event = _started(index, stage, anchor, found.started_s, source, _method(match), by_load=True)
        timed.append((event, found.started_s))
    return _timeline(timed, matches[-1].detected.ended_s)


def _method(match: Match) -> str:
    found = match.detected
    method = f"load_step {_whole(found.watts)} W"
    if found.watts_from is not None and found.watts_to is not None:
        method = f"load_ramp {_whole(found.watts_from)}-{_whole(found.watts_to)} W"
    return method + (", divided by planned minutes" if match.divided else "")


def _timeline(timed: Sequence[tuple[StageStarted, float]], ended_s: float) -> Timeline:
    ends = [second for _, second in timed[1:]] + [ended_s]
    stages = [(event, end) for (event, _), end in zip(timed, ends, strict=True)]
    return Timeline(stages=stages, started_s=timed[0][1], ended_s=ended_s)


def _as_stage(found: DetectedStage) -> Stage:
    load = float(_whole(found.watts if found.watts_from is None else found.watts_from))
    to = None if found.watts_to is None else float(_whole(found.watts_to))
    label = f"{load:g} W" if to is None else f"{load:g} to {to:g} W"
    if found.phase != "exercise":
        label = found.phase if found.phase == "rest" or not load else f"{found.phase} {label}"
    return Stage(label=label, phase=found.phase, position="ergometer", target_watts=load, target_watts_to=to)


def _whole(watts: float) -> int:
    return max(0, round(watts))


def _started(
    index: int,
    stage: Stage,
    anchor: datetime,
    second: float,
    source: str,
    method: str,
    *,
    by_load: bool = False,
) -> StageStarted:
    return StageStarted(
        event_time=anchor + timedelta(seconds=second),
        source=source,
        stage_index=index,
        label=stage.label,
        phase=stage.phase,
        position=stage.position,
        target_watts=stage.target_watts,
        target_watts_to=stage.target_watts_to,
        planned_s=stage.planned_s,
        by="detected" if by_load else "schedule",
        method=method,
    )
