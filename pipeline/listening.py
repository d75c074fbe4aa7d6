"""Listening to sources for some seconds before a test, and what came of it."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median
from typing import TYPE_CHECKING

from pipeline.clock import Clock
from pipeline.events import MEASURES, Event, LineRejected, Sample, SourceLost, SourceOpened

if TYPE_CHECKING:
    from pipeline.session import Source

_LOOK_EVERY_S = 0.25
Taken = tuple[float, Event]


@dataclass(frozen=True)
class Heard:
    """What a source said: counts of samples and of rejected lines, and how fast they came.

    `rate_hz` is None under two samples, `own_clock_behind_s` how far the source's own times lie behind
    ours (None without samples, or for what is not live), `clock_offset_s` what the setup adds to them,
    `measures` what came, `promised` what its format has, `sample_bytes` the longest sample as JSON,
    `problem` why there was nothing to listen to.
    """

    name: str
    where: str
    live: bool
    samples: int = 0
    rejected: int = 0
    first_reason: str | None = None
    lost: str | None = None
    measures: tuple[str, ...] = ()
    promised: tuple[str, ...] = ()
    rate_hz: float | None = None
    own_clock_behind_s: float | None = None
    clock_offset_s: float = 0.0
    sample_bytes: int = 0
    problem: str | None = None


def listen(sources: Sequence[Source], seconds: float, clock: Clock) -> dict[str, list[Taken]]:
    """Run these sources for `seconds` of `clock`; what each gave, with the second at which it came."""
    taken: dict[str, list[Taken]] = {source.name: [] for source in sources}
    stop, until_s = threading.Event(), clock.elapsed() + seconds

    def body(source: Source) -> None:
        def put(event: Event) -> None:
            taken[source.name].append((clock.elapsed(), event))

        source.run(put, stop, clock)

    threads = [threading.Thread(target=body, args=(source,), daemon=True) for source in sources]
    for thread in threads:
        thread.start()
    try:
        while (left_s := until_s - clock.elapsed()) > 0:
            stop.wait(min(left_s, _LOOK_EVERY_S))
    finally:
        stop.set()
        for thread in threads:
            thread.join(timeout=2)
    return {name: [one for one in came if one[0] <= until_s] for name, came in taken.items()}


def heard(name: str, where: str, taken: Sequence[Taken], clock: Clock, *, live: bool) -> Heard:
    """What came of one source.  The rate of what is live is that of arrival, else that of its own times."""
    samples = [(at_s, event) for at_s, event in taken if isinstance(event, Sample)]
    rejected = [event for _, event in taken if isinstance(event, LineRejected)]
    opened = [event for _, event in taken if isinstance(event, SourceOpened)]
    lost = [event.reason for _, event in taken if isinstance(event, SourceLost)] if live else []
    own_s = [(event.event_time - clock.anchor).total_seconds() for _, event in samples]
    times = [at_s for at_s, _ in samples] if live else own_s
    span_s = times[-1] - times[0] if len(times) > 1 else 0.0
    behind = [at_s - own for (at_s, _), own in zip(samples, own_s, strict=True)]
    return Heard(
        name=name,
        where=where,
        live=live,
        samples=len(samples),
        rejected=len(rejected),
        first_reason=rejected[0].reason if rejected else None,
        lost=lost[-1] if lost else None,
        measures=tuple(m for m in MEASURES if any(getattr(event, m) is not None for _, event in samples)),
        promised=_measures_of(opened[-1]) if opened else (),
        rate_hz=(len(times) - 1) / span_s if span_s > 0 else None,
        own_clock_behind_s=median(behind) if behind and live else None,
        clock_offset_s=opened[-1].clock_offset_s if opened else 0.0,
        sample_bytes=max((len(event.model_dump_json(exclude_none=True)) for _, event in samples), default=0),
    )


def _measures_of(opened: SourceOpened) -> tuple[str, ...]:
    """The measures that a source announces, without how they are made."""
    return tuple(part.partition(":")[0] for part in (opened.measures or "").split(",") if part)
