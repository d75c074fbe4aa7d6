"""Whether a hundred kills lose anything: `python tests/benchmarks/bench_kills.py [KILLS]`.

One live test with a device that sends 50 lines a second and an entry every 20 ms, killed with
`kill -9` at random moments (one in five while it is still opening) and resumed each time.  Prints
what was confirmed, what of it is missing, and what `verify` says; ends with 1 where anything is.
The quick one of six kills is tests/faults/test_kills.py.
"""

from __future__ import annotations

import sys
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory

sys.path.insert(0, str(Path(__file__).parents[2]))
from tests.faults.killed import Killed


def main(kills: int) -> int:
    """Kill so often; the exit code."""
    moments = Random(1)
    with TemporaryDirectory() as folder, Killed(Path(folder)) as test:
        for number in range(kills):
            if number % 5:
                test.live(moments.uniform(0, 2.0))
            else:
                test.live(moments.uniform(0, 2.0), confirmed=False)
            print(f"{number + 1} of {kills}", end="\r", file=sys.stderr)
        test.finish()
        lost = test.lost_entries(), test.lost_samples()
        print(", ".join(f"{count} {name}" for name, count in test.figures().items()))
        print(f"lost: {len(lost[0])} entries, {len(lost[1])} of the samples owed")
        findings = test.findings()
        print(f"verify: {', '.join(findings)}")
        return 0 if lost == ([], []) and findings == ["fine"] else 1


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 100))
