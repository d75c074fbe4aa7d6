"""What the operator can ask of a live test beside entries: to move it on, back, or to its end."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.events import EndReason, StoppedBy

HOLD_S = 30.0


@dataclass(frozen=True)
class Begin:
    """Begin the first stage."""


@dataclass(frozen=True)
class NextStage:
    """Go on to the next stage of the protocol now."""


@dataclass(frozen=True)
class Hold:
    """Let the stage in force last longer, by `seconds`."""

    seconds: float = HOLD_S


@dataclass(frozen=True)
class LowerLoad:
    """Go back to the stage with less load; the load does not rise again by itself."""


@dataclass(frozen=True)
class Recover:
    """End the load and go on to recovery."""


@dataclass(frozen=True)
class Stop:
    """Stop: under load go on to recovery and remember why; otherwise end the test."""

    reason: EndReason
    by: StoppedBy = "operator"


@dataclass(frozen=True)
class Close:
    """End the test now."""


@dataclass(frozen=True)
class Interrupt:
    """The program is told to end: the test is closed as interrupted."""


Control = Begin | NextStage | Hold | LowerLoad | Recover | Stop | Close | Interrupt
