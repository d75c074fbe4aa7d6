"""How a pressure taken by hand is written: `148/82`, `148/70/0`, `148/70/<40`, `>200/82`.

    K1              the first sound alone
    K1/K5           first and last sound
    K1/K4/K5        with the muffling between them
    K1/K4/-         muffling heard, the end of the sounds not listened for
    .../<H          sounds still there at H, where listening stopped (no K5)
    >K1...          sounds were already there when pumping stopped: K1 is a lower bound

Whole or decimal mmHg from 0 to 400, with a point or a comma.  The reading sheet and the
terminal read the same notation.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from pipeline.errors import InputError

HIGHEST_MMHG = 400.0
_NUMBER = re.compile(r"[0-9]{1,4}(?:[.,][0-9]{1,6})?")
_FORMS = "148/82, 148/70/0, 148/70/<40 or >200/82"


@dataclass(frozen=True)
class Pressures:
    """What a reading says, in mmHg.  `heard_to_mmhg`: sounds were still there, then no k5."""

    k1_mmhg: float
    k1_at_least: bool = False
    k4_mmhg: float | None = None
    k5_mmhg: float | None = None
    heard_to_mmhg: float | None = None

    def order_problem(self) -> str | None:
        """What contradicts k1 > k4 >= k5 >= 0, in words; None where the order holds.

        A console asks back with it; a sheet keeps what was written.
        """
        lowest_name, lowest = "k5", self.k5_mmhg
        if lowest is None:
            lowest_name, lowest = "heard to", self.heard_to_mmhg
        if self.k4_mmhg is not None and self.k4_mmhg >= self.k1_mmhg:
            return f"k4 {self.k4_mmhg:g} is not below k1 {self.k1_mmhg:g}"
        if lowest is not None and lowest >= self.k1_mmhg:
            return f"{lowest_name} {lowest:g} is not below k1 {self.k1_mmhg:g}"
        if lowest is not None and self.k4_mmhg is not None and lowest > self.k4_mmhg:
            return f"{lowest_name} {lowest:g} is above k4 {self.k4_mmhg:g}"
        return None


def parse_pressures(text: str) -> Pressures:
    """The pressures that `text` notes.

    `parse_pressures("148/70/<40")` is `Pressures(148, k4_mmhg=70, heard_to_mmhg=40)`.  Raises
    InputError when a part is no number or out of range; the order is not judged here.
    """
    parts = [part.strip() for part in text.strip().split("/")]
    if not parts[0] or len(parts) > 3:
        raise InputError(f"{text!r} is no pressure; write {_FORMS}")
    k1_mmhg, at_least = parse_k1(parts[0])
    k4_mmhg = parse_mmhg(parts[1]) if len(parts) == 3 else None
    k5_mmhg, heard_to_mmhg = None, None
    if len(parts) > 1 and not (len(parts) == 3 and parts[2] == "-"):
        k5_mmhg, heard_to_mmhg = parse_k5(parts[-1])
    return Pressures(k1_mmhg, at_least, k4_mmhg, k5_mmhg, heard_to_mmhg)


def parse_k1(text: str) -> tuple[float, bool]:
    """The first sound in mmHg and whether it is a lower bound (`>200`)."""
    bare = re.sub(r"^\s*(?:>=?|≥)", "", text)
    return parse_mmhg(bare), bare != text


def parse_k5(text: str) -> tuple[float | None, float | None]:
    """The last sound and, for `<40`, the pressure at which sounds were still there (mmHg)."""
    bare = re.sub(r"^\s*(?:<=?|≤)", "", text)
    return (parse_mmhg(bare), None) if bare == text else (None, parse_mmhg(bare))


def parse_mmhg(text: str) -> float:
    """One pressure from 0 to 400 mmHg; raises InputError."""
    if not _NUMBER.fullmatch(text.strip()):
        raise InputError(f"{text.strip()!r} is no pressure in mmHg; write a number, or {_FORMS}")
    mmhg = float(text.strip().replace(",", "."))
    if mmhg > HIGHEST_MMHG:
        raise InputError(f"{text.strip()} mmHg is more than a dial shows; wanted 0 to {HIGHEST_MMHG:g}")
    return mmhg


def write_pressures(pressures: Pressures) -> str:
    """The notation of `pressures`; `parse_pressures` gives them back."""
    text = (">" if pressures.k1_at_least else "") + _mmhg(pressures.k1_mmhg)
    if pressures.k4_mmhg is not None:
        text += "/" + _mmhg(pressures.k4_mmhg)
    if pressures.k5_mmhg is not None:
        return f"{text}/{_mmhg(pressures.k5_mmhg)}"
    if pressures.heard_to_mmhg is not None:
        return f"{text}/<{_mmhg(pressures.heard_to_mmhg)}"
    return text if pressures.k4_mmhg is None else f"{text}/-"


def _mmhg(value: float) -> str:
    return f"{value:.6f}".rstrip("0").rstrip(".")
