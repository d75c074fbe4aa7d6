"""Observers of an invented cohort: what each adds to every pressure, and how they write and work."""

from __future__ import annotations

from dataclasses import dataclass
from random import Random

ZERO_SHARE = (0.22, 0.536)
"""Systolic readings that end in zero, from nurse to nurse: Mayo nurse series, PMID 16733227."""
EVEN_ZERO_SHARE = 0.2
"""The same without habit, where only even digits are read."""
BIAS_SD_MMHG = 1.6
"""Two observers then differ by a standard deviation of 2.2 mmHg: Murray et al., CinC 2019."""
LATE_SHARE = (0.0, 0.10)
MISSED_SHARE = (0.0, 0.08)
DEFLATION_MMHG_PER_S = (2.0, 3.0)
"""2 to 3 mmHg/s: AHA 2005, appendix A; how shares of late and missed readings spread is ours."""


@dataclass(frozen=True)
class Observer:
    """Somebody invented who takes readings.

    `zero_preference` is how often a pressure is written as the nearest ten, `bias_mmhg` what is
    added to every pressure; shares are of the planned readings.
    """

    code: str
    bias_mmhg: float
    zero_preference: float
    late_share: float
    missed_share: float
    deflation_mmhg_per_s: float

    @property
    def zero_share(self) -> float:
        """The share of systolic readings that end in zero, to be expected on a dial of 2 mmHg."""
        return EVEN_ZERO_SHARE + (1 - EVEN_ZERO_SHARE) * self.zero_preference


def draw_observer(random: Random, code: str) -> Observer:
    """An observer of that code."""
    zero_share = random.uniform(*ZERO_SHARE)
    return Observer(
        code=code,
        bias_mmhg=random.gauss(0, BIAS_SD_MMHG),
        zero_preference=(zero_share - EVEN_ZERO_SHARE) / (1 - EVEN_ZERO_SHARE),
        late_share=random.uniform(*LATE_SHARE),
        missed_share=random.uniform(*MISSED_SHARE),
        deflation_mmhg_per_s=round(random.uniform(*DEFLATION_MMHG_PER_S), 1),
    )
