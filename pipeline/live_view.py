"""What is to be seen of a live test at one moment: the same for every console.

Made by the recorder's thread after each batch and never changed; a console counts down from it
with the clock.  Times are seconds of pipeline time.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from pipeline.derived import Flag, ShownReading, Watched
from pipeline.events import Arm, RpeScale
from pipeline.issued import State, exertion_asked_s
from pipeline.prompt import Prompt, StageInForce
from pipeline.protocol import Stage

Doing = Literal["wait", "stand_by", "take", "enter"]
LOAD_STEP_AFTER_S = 20.0


@dataclass(frozen=True)
class PromptShown:
    """The reading that is asked for, or the next one planned (`due_seq` None, `state` due)."""

    prompt: Prompt
    due_seq: int | None = None
    state: State = "due"

    def doing(self, now_s: float) -> Doing:
        """What the assessor does now: wait, stand by, take the pressure, enter it."""
        if now_s < self.prompt.stand_by:
            return "wait"
        if now_s < self.prompt.cuff_up:
            return "stand_by"
        return "take" if now_s < self.prompt.window_closes else "enter"

    def exertion_due(self, now_s: float, people: int) -> bool:
        """Whether this is the moment to ask for exertion."""
        asked_s = exertion_asked_s(self.prompt, people)
        return asked_s <= now_s < (self.prompt.cuff_up if people == 1 else self.prompt.window_closes + 30)


@dataclass(frozen=True)
class FlagShown:
    """A flag that is shown: it holds, or (stop-level, not acknowledged) has held."""

    code: str
    level: Literal["stop", "caution", "check", "note"]
    target_seq: int
    raised_s: float
    acknowledged: bool
    flag: Flag | None
    """What the ladder says of it now; None when it no longer holds."""


@dataclass(frozen=True)
class SourceShown:
    """A source of the test: when it last spoke, and why it is lost, if it is."""

    name: str
    last_s: float | None = None
    lost: str | None = None


@dataclass(frozen=True)
class LiveView:
    """All of it.  `prompts` are open or planned, in order; `trouble` is said at once and in words."""

    test_id: str
    participant: str
    at_s: float
    state: Literal["waiting", "running", "closed"]
    stage: StageInForce | None = None
    next_stage: Stage | None = None
    backed_off: bool = False
    stopped: str | None = None
    prompts: tuple[PromptShown, ...] = ()
    no_room: bool = False
    """The stage in force is too short for a reading that it should have."""
    readings: tuple[ShownReading, ...] = ()
    flags: tuple[FlagShown, ...] = ()
    watched: Watched | None = None
    sources: tuple[SourceShown, ...] = ()
    trouble: tuple[str, ...] = ()
    people: int = 2
    rpe_scale: RpeScale | None = None
    rated_seq: int | None = None
    """The seq of the last rating of exertion."""
    rated_s: float | None = None
    last_seq: int = 0
    last_arm: Arm | None = None
    stages: tuple[StageInForce, ...] = ()
    """Every stage so far, the one in force last."""
    windows: tuple[tuple[float, float], ...] = ()
    """From cuff_up to closing, of every prompt that was issued and not superseded."""
    kept: bool = True
    """Whether everything that was taken is on disk."""

    @property
    def prompt(self) -> PromptShown | None:
        """The one that matters now: the oldest that is open, else the next planned."""
        return self.prompts[0] if self.prompts else None

    def at_hand(self, now_s: float) -> PromptShown | None:
        """The one to act on now: an entry that is still to come must not hide the next reading."""
        begun = [one for one in self.prompts if one.doing(now_s) in ("stand_by", "take")]
        return begun[-1] if begun else self.prompt

    def exertion_asked(self, now_s: float) -> bool:
        """Whether to ask for exertion now: for a reading under load, until it is rated."""
        return any(
            one.exertion_due(now_s, self.people)
            and (self.rated_s is None or self.rated_s < exertion_asked_s(one.prompt, self.people))
            for one in self.prompts
            if one.prompt.aims_at in ("stage_end", "mark") and self._is_loaded(one)
        )

    def _is_loaded(self, shown: PromptShown) -> bool:
        """Whether a prompt is of a loaded stage; one of the stage before is known by its aim."""
        if self.stage is not None and self.stage.index == shown.prompt.stage_index:
            return self.stage.stage.loaded
        return shown.prompt.aims_at == "stage_end"

    def quiet(self, now_s: float) -> bool:
        """Whether a reading is going on: from the opening of a window until its entry, no sound."""
        return any(
            one.due_seq is not None and one.state == "due" and one.prompt.cuff_up <= now_s
            for one in self.prompts
        )

    def load_to_set(self, now_s: float) -> float | None:
        """The load to be set on a hand-set brake now, in W; None when there is nothing to set.

        Where one person does all, it waits for the entry, or for 20 s after the last sound.
        """
        if self.stage is None or not self.stage.stage.loaded:
            return None
        since_s = now_s - self.stage.started_s
        busy = [
            one.prompt
            for one in self.prompts
            if one.due_seq is not None and one.prompt.stage_index < self.stage.index
        ]
        if self.people == 1 and busy:
            last_sound_s = max(prompt.first_sound_due + prompt.t2 for prompt in busy)
            if now_s < last_sound_s + LOAD_STEP_AFTER_S:
                return None
            since_s = now_s - last_sound_s - LOAD_STEP_AFTER_S
        return self.stage.stage.target_at(now_s - self.stage.started_s) if since_s < 30 else None
