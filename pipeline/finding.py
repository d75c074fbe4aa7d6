"""What a check before a test found: in order, worth a look, or to be mended before it begins."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Level = Literal["mend", "look", "good"]
LEVELS: tuple[Level, ...] = ("mend", "look", "good")


@dataclass(frozen=True)
class Finding:
    """One thing that was checked; `words` say what was found and, unless it is good, what to do."""

    level: Level
    about: str
    words: str
