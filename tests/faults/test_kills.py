"""kill -9 in mid-test: what was confirmed is there, and the test goes on."""

from __future__ import annotations

from pathlib import Path
from random import Random

from tests.faults.killed import Killed


def test_what_was_confirmed_outlives_every_kill(tmp_path: Path) -> None:
    moments = Random(5)
    with Killed(tmp_path) as test:
        for _ in range(4):
            test.live(moments.uniform(0, 0.6))
        test.live(moments.uniform(0.1, 0.9), confirmed=False)  # while it opens
        test.live(1.5)  # long enough for samples that are older than a second
        test.finish()
        assert test.lost_entries() == []
        assert test.lost_samples() == []
        figures = test.figures()
        assert figures["confirmed"] > 6
        assert figures["resumed"] >= 5
        assert figures["owed"] > 10  # samples of the last run that is killed
        assert test.findings() == ["fine"]
