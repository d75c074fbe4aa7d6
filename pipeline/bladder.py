"""Which bladder an arm wants: the sizes of cuffs by arm circumference.

The sizes are those of Pickering et al., Hypertension 2005;45:142 (AHA), as the AHA/AMA page on
selecting the right cuff size gives them: whole centimetres, with nothing said between 26 and 27,
34 and 35, 44 and 45.  There the smaller size is taken, which still covers 80 % of the arm; up to
35 cm the larger one would overlap itself.  The table is coarser than the limits that
flags go by: at 27 to 29 cm and at 35 cm its bladder is longer than the arm is round, and over 40 cm
it is narrower than 40 % of it.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any


@dataclass(frozen=True)
class Bladder:
    """One size: arms in cm from `arm_from_cm` to `arm_to_cm`, both in print; the bladder in cm."""

    arm_from_cm: float
    arm_to_cm: float
    cuff: str
    width_cm: float
    length_cm: float

    @property
    def words(self) -> str:
        """As people say it: `adult cuff, bladder 16 x 30 cm`."""
        return f"{self.cuff} cuff, bladder {self.width_cm:g} x {self.length_cm:g} cm"


BLADDERS = (
    Bladder(22, 26, "small adult", 12, 22),
    Bladder(27, 34, "adult", 16, 30),
    Bladder(35, 44, "large adult", 16, 36),
    Bladder(45, 52, "extra-large adult", 16, 42),
)


def bladder_for(arm_cm: float) -> Bladder | None:
    """The size for an arm of `arm_cm` circumference; None under 22 and over 52 cm, where none is given."""
    if arm_cm > BLADDERS[-1].arm_to_cm:
        return None
    return next((size for size in reversed(BLADDERS) if size.arm_from_cm <= arm_cm), None)


def bladder_rows() -> list[dict[str, Any]]:
    """The sizes as rows of the table `bladder`."""
    return [asdict(size) | {"words": size.words} for size in BLADDERS]
