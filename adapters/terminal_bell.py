"""When the bell of the terminal sounds; never from the opening of a window until its entry."""

from __future__ import annotations

import math

from pipeline.live_view import LiveView

COUNTDOWN_S = 3


class Bell:
    """Remembers what was sounded.  `due` gives the strokes that are due now; 0 is silence."""

    def __init__(self) -> None:
        self._stage: int | None = None
        self._stood_by: set[str] = set()
        self._counted: dict[str, int] = {}
        self._flags: set[tuple[str, int, str]] = set()

    def due(self, view: LiveView, now_s: float) -> int:
        """Two for a new stop or caution flag, one for a stage, stand-by and each of the last 3 s.

        A flag that came while it had to be quiet sounds afterwards; a stage that did does not.
        """
        index = view.stage.index if view.stage else None
        new_stage, self._stage = index != self._stage and index is not None, index
        if view.quiet(now_s):
            return 0
        flags = {
            (one.code, one.target_seq, one.level)
            for one in view.flags
            if one.level in ("stop", "caution") and not one.acknowledged
        }
        new_flags, self._flags = flags - self._flags, self._flags | flags
        if new_flags:
            return 2
        return 1 if self._prompted(view, now_s) or new_stage else 0

    def _prompted(self, view: LiveView, now_s: float) -> bool:
        at_hand = view.at_hand(now_s)
        if at_hand is None or at_hand.doing(now_s) != "stand_by":
            return False
        key, left = at_hand.prompt.key, math.ceil(at_hand.prompt.cuff_up - now_s)
        if key not in self._stood_by:
            self._stood_by.add(key)
            self._counted[key] = min(left, COUNTDOWN_S + 1)
            return True
        if left < self._counted[key]:
            self._counted[key] = left
            return True
        return False
