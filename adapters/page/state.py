"""What the page shows, as data: a picture of the test at one moment, for one kind of device.

Two observers on one double stethoscope must not know each other's numbers: a reading is hidden
from the other's device until that one has entered its own (of the same beats, or after it), or for
`BLIND_S` after the first sound.
"""

from __future__ import annotations

import secrets
import threading
from collections.abc import Iterable
from dataclasses import asdict
from datetime import datetime
from typing import Any, Literal

from adapters.page.desk import Recorded
from pipeline.clock import Clock
from pipeline.derived import ShownReading
from pipeline.events import Event, Sample
from pipeline.issued import when_missed
from pipeline.live_view import FlagShown, LiveView, PromptShown

Role = Literal["primary", "second", "watching"]
BLIND_S = 120.0
PAIR_WITHIN_S = 30.0
TRACE_EVERY_S = 5.0
_NUMBERS = (
    "k1_mmhg", "k4_mmhg", "k5_mmhg", "dbp_mmhg", "dbp_phase", "u_sbp_mmhg", "u_dbp_mmhg",
    "sbp_change_rest_mmhg", "sbp_change_stage_mmhg", "u_sbp_change_rest_mmhg", "u_sbp_change_stage_mmhg",
)  # fmt: skip
_READING = (
    "reading_id", "status", "used", "used_note", "stage_label", "elapsed_s", "k1_at_least", "watts",
    "heart_rate_bpm", "rpe", "role", *_NUMBERS,
)  # fmt: skip


class Board:
    """Follows the test in a thread of its own; `wait` gives the next picture as soon as there is one.

    `before` are the lines of the test from before an interruption, for the chart.
    """

    def __init__(self, recorded: Recorded, clock: Clock, before: Iterable[Event] = ()) -> None:
        self._recorded, self._clock = recorded, clock
        self._run = secrets.token_hex(4)
        self._number = 0
        self._view: LiveView | None = None
        self._trace = list(_traced(before))
        self._news = threading.Condition()
        self._ended = False
        self._thread = threading.Thread(target=self._follow, name="page-board", daemon=True)

    def start(self) -> None:
        """Begin to follow."""
        self._thread.start()

    def end(self) -> None:
        """Let go of everybody who waits."""
        with self._news:
            self._ended = True
            self._news.notify_all()
        with self._recorded.changed:
            self._recorded.changed.notify_all()
        if self._thread.ident is not None:
            self._thread.join(timeout=2)

    def wait(self, after: str, points: int, role: Role, wait_s: float) -> dict[str, Any]:
        """The picture that is newer than `after`, or the same one after `wait_s`.

        `points` is how many points of the traces the device has already.
        """
        with self._news:
            self._news.wait_for(lambda: self._ended or self.version != after, timeout=wait_s)
            view = self._recorded.view  # the thread may not have come to it yet
            # points of another run are not these
            since = points if after.startswith(self._run) else 0
            now_s = self._clock.elapsed()
            shown = picture(view, now_s, self._clock.anchor, role)
            trace = self._trace[since:]
            return shown | {"version": self.version, "trace_from": since, "trace": trace}

    @property
    def version(self) -> str:
        """Names the picture that `wait` gives."""
        return f"{self._run}-{self._number}"

    def _follow(self) -> None:
        while not self._ended:
            with self._recorded.changed:
                if self._recorded.view is self._view:
                    self._recorded.changed.wait(timeout=1.0)
                view = self._recorded.view
            if view is not self._view:
                with self._news:
                    self._view, self._number = view, self._number + 1
                    self._trace_on(view)
                    self._news.notify_all()

    def _trace_on(self, view: LiveView) -> None:
        if view.watched is None or (self._trace and view.at_s < self._trace[-1][0] + TRACE_EVERY_S):
            return
        self._trace.append((view.at_s, view.watched.watts.value, view.watched.heart_rate_bpm.value))


def _traced(before: Iterable[Event]) -> Iterable[tuple[float, float | None, float | None]]:
    """What was logged before an interruption, as load and heart rate about every `TRACE_EVERY_S`."""
    last_s, watts, heart_rate = -TRACE_EVERY_S, None, None
    for event in before:
        if isinstance(event, Sample) and event.elapsed_s is not None:
            watts = event.watts if event.watts is not None else watts
            heart_rate = event.heart_rate_bpm if event.heart_rate_bpm is not None else heart_rate
            if event.elapsed_s >= last_s + TRACE_EVERY_S:
                yield event.elapsed_s, watts, heart_rate
                last_s, watts, heart_rate = event.elapsed_s, None, None


def picture(view: LiveView, now_s: float, anchor: datetime, role: Role) -> dict[str, Any]:
    """All of `view` that a device of this role is shown at `now_s`; times in s of pipeline time."""
    stage, following, watched = view.stage, view.next_stage, view.watched
    hidden = hidden_readings(view, now_s, role)
    return {
        "now_s": now_s,
        "test_id": view.test_id,
        "participant": view.participant,
        "state": view.state,
        "quiet": view.quiet(now_s),
        "load_to_set": view.load_to_set(now_s),
        "exertion_asked": view.exertion_asked(now_s),
        "backed_off": view.backed_off,
        "stopped": view.stopped,
        "stage": None
        if stage is None
        else {
            "number": stage.index + 1,
            "label": stage.stage.label,
            "loaded": stage.stage.loaded,
            "target_watts": stage.stage.target_at(now_s - stage.started_s),
            "started_s": stage.started_s,
            "planned_end_s": stage.planned_end_s,
        },
        "next": None if following is None else following.label,
        "prompts": [_prompt(one) for one in view.prompts],
        "readings": [_reading(one, one.reading_id in hidden) for one in view.readings],
        "flags": [_flag(one, one.target_seq in hidden) for one in view.flags],
        "watts": None if watched is None else asdict(watched.watts),
        "cadence_rpm": None if watched is None else asdict(watched.cadence_rpm),
        "heart_rate_bpm": None if watched is None else asdict(watched.heart_rate_bpm),
        "watched_s": None if watched is None else (watched.as_of - anchor).total_seconds(),
        "trouble": list(view.trouble),
        "people": view.people,
        "rpe_scale": view.rpe_scale,
        "arm": view.last_arm,
        "stages": [
            [one.started_s, one.ended_s, one.stage.label, one.stage.target_watts] for one in view.stages
        ],
        "windows": [list(one) for one in view.windows],
    }


def hidden_readings(view: LiveView, now_s: float, role: Role) -> set[int]:
    """The readings whose numbers this device is not shown yet."""
    if role == "watching":
        return set()
    own = [one for one in view.readings if _is_second(one) == (role == "second")]
    return {
        one.reading_id
        for one in view.readings
        if _is_second(one) != (role == "second")
        and now_s - one.elapsed_s < BLIND_S
        and not any(
            abs(mine.elapsed_s - one.elapsed_s) <= PAIR_WITHIN_S or mine.reading_id > one.reading_id
            for mine in own
        )
    }


def _is_second(reading: ShownReading) -> bool:
    return reading.role == "second"


def _prompt(shown: PromptShown) -> dict[str, Any]:
    prompt = shown.prompt
    return {
        "issued": shown.due_seq is not None,
        "stage": prompt.stage_index + 1,
        "aims_at": prompt.aims_at,
        "fits": prompt.fits,
        "stand_by": prompt.stand_by,
        "cuff_up": prompt.cuff_up,
        "first_sound_due": prompt.first_sound_due,
        "window_closes": prompt.window_closes,
        "missed_at": when_missed(prompt),
        "inflate_to": prompt.inflate_to,
        "above_dial": prompt.above_dial,
        "listen_to": prompt.listen_to,
        "arm": prompt.arm,
    }


def _reading(reading: ShownReading, hidden: bool) -> dict[str, Any]:
    shown = {name: getattr(reading, name) for name in _READING}
    if hidden:
        shown |= dict.fromkeys(_NUMBERS) | {"k1_at_least": False}
    return shown | {"hidden": hidden}


def _flag(shown: FlagShown, hidden: bool) -> dict[str, Any]:
    """A flag in words with its rule; of a reading that is hidden, only that it is outside."""
    flag = shown.flag
    said: dict[str, Any] = {
        "code": shown.code,
        "level": shown.level,
        "target_seq": shown.target_seq,
        "raised_s": shown.raised_s,
        "acknowledged": shown.acknowledged,
        "holds": flag is not None,
        "words": None,
        "rule": None,
        "detail": None,
    }
    if flag is None:
        return said
    said |= {"words": flag.words, "source": flag.rule_source}
    if not hidden:
        said |= {"detail": flag.detail}
        if flag.quantity != "presence":
            unit = f" {flag.unit}" if flag.unit else ""
            said["rule"] = f"{flag.observed:.4g}{unit}, limit {flag.operator} {flag.threshold:g}{unit}"
    return said
