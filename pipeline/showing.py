"""Keeps what consoles are shown of a live test: a picture, made anew when something changed."""

from __future__ import annotations

from dataclasses import replace

from pipeline.clock import Clock
from pipeline.derived import Derived, Watched
from pipeline.events import (
    Event,
    ExertionRated,
    Sample,
    SourceFound,
    SourceLost,
    SourceOpened,
    TestOpened,
)
from pipeline.issued import keyed
from pipeline.live import LiveTest
from pipeline.live_view import FlagShown, LiveView, PromptShown, SourceShown


class Showing:
    """What was heard of sources and the deriver, beside a live test; `view` puts it together."""

    def __init__(self, live: LiveTest, clock: Clock) -> None:
        self._live, self._clock = live, clock
        self._derived: Derived | None = None
        self._watched: Watched | None = None
        self._sources: dict[str, SourceShown] = {}
        self._opened: TestOpened | None = None
        self._rated_seq: int | None = None
        self._rated_s: float | None = None

    def take(self, event: Event) -> None:
        """One recorded event."""
        name = event.source
        if isinstance(event, Sample):
            if name in self._sources:
                self._sources[name] = replace(self._sources[name], last_s=event.elapsed_s)
        elif isinstance(event, TestOpened):
            self._opened = event
        elif isinstance(event, SourceOpened):
            self._sources[event.name] = SourceShown(event.name)
        elif isinstance(event, SourceLost):
            self._sources[name] = replace(self._sources.get(name, SourceShown(name)), lost=event.reason)
        elif isinstance(event, SourceFound):
            self._sources[name] = replace(self._sources.get(name, SourceShown(name)), lost=None)
        elif isinstance(event, ExertionRated):
            self._rated_seq, self._rated_s = event.seq, event.elapsed_s

    def found(self, found: Derived | Watched) -> None:
        """What the deriver found last."""
        if isinstance(found, Derived):
            self._derived = found
        else:
            self._watched = found

    def view(self, *troubles: str | None) -> LiveView:
        """The picture now; `troubles` are said as they are."""
        live, opened = self._live, self._opened
        state = "closed" if live.closed else "running" if live.course.force else "waiting"
        said = [f"{one.name}: {one.lost}" for one in self._sources.values() if one.lost]
        if live.rescued:
            said.append("the disk failed: entries go to a rescue journal beside it; change the disk")
        return LiveView(
            test_id=opened.test_id if opened else "",
            participant=opened.participant if opened else "",
            at_s=self._clock.elapsed(),
            state=state,  # type: ignore[arg-type]  # one of the three above
            stage=live.course.force,
            next_stage=live.course.next,
            backed_off=live.course.backed_off,
            stopped=live.stopped[0] if live.stopped else None,
            prompts=self._prompts(),
            no_room=any(prompt.fits == "no" for prompt in live.recorder.plan),
            readings=self._derived.readings if self._derived else (),
            flags=self._flags(),
            watched=self._watched,
            sources=tuple(self._sources.values()),
            trouble=(*(trouble for trouble in troubles if trouble), *said),
            people=(opened.people if opened else None) or 2,
            rpe_scale=opened.rpe_scale if opened else None,
            rated_seq=self._rated_seq,
            rated_s=self._rated_s,
            last_seq=live.recorder.last_seq,
            last_arm=live.last_arm,
            stages=tuple(live.course.stages),
            windows=self._windows(),
            kept=live.not_kept is None,
        )

    def _prompts(self) -> tuple[PromptShown, ...]:
        planner = self._live.recorder.planner
        if planner is None:
            return ()
        # by its key an open prompt is known in the plan
        known = keyed(planner.issued, self._live.course.stages).values()
        issued = [PromptShown(one.prompt, one.due_seq, one.state) for one in known if one.state == "due"]
        keys = {one.prompt.key for one in issued}
        plan = [PromptShown(prompt) for prompt in self._live.recorder.plan if prompt.key not in keys]
        both = [one for one in issued + plan if one.prompt.fits != "no"]
        return tuple(sorted(both, key=lambda one: one.prompt.cuff_up))

    def _windows(self) -> tuple[tuple[float, float], ...]:
        planner = self._live.recorder.planner
        issued = planner.issued if planner is not None else ()
        asked = [one.prompt for one in issued if one.state != "superseded" and one.prompt.fits != "no"]
        return tuple((prompt.cuff_up, prompt.window_closes) for prompt in asked)

    def _flags(self) -> tuple[FlagShown, ...]:
        """Flags that hold, and stop-level ones that have held until somebody has seen them."""
        live = self._live
        holding = (
            {(flag.code, flag.target_seq): flag for flag in self._derived.flags} if self._derived else {}
        )
        shown = []
        for key, raised in live.shown.items():
            seen, flag = key in live.acknowledged, holding.get(key)
            if flag is None and (raised.level != "stop" or seen):
                continue
            shown.append(
                FlagShown(raised.code, raised.level, raised.target_seq, raised.elapsed_s or 0.0, seen, flag)
            )
        order = ("stop", "caution", "check", "note")
        return tuple(sorted(shown, key=lambda one: (one.acknowledged, order.index(one.level), -one.raised_s)))
