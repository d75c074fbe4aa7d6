"""How long the commands take, whole process: `python tests/benchmarks/bench_commands.py`.

Prints medians of five runs and the peak memory beside the machine; fails on nothing, because
seconds say more about the machine than about the change.  Compare runs on one machine.
"""

from __future__ import annotations

import os
import platform
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from pipeline.simulate import inputs, simulate_test

RUNS = 5
# 20 minutes: rest 7 min with two readings, then a staircase and recovery
TWENTY_MINUTES = {"rest_minutes": 8.0, "stages": 4, "stage_minutes": 2.0, "recovery_minutes": 4.0}


def write_inputs(folder: Path, **choices: object) -> Path:
    """The input files of one invented test; the path of its setup."""
    folder.mkdir()
    for name, text in inputs(simulate_test(7, **TWENTY_MINUTES, **choices)).items():
        (folder / name).write_text(text)
    return folder / "test.toml"


def run(arguments: list[str], cwd: Path) -> tuple[float, float]:
    """Seconds and peak megabytes of one whole process."""
    code = "import sys; sys.argv[0] = 'cuffwatt'; from pipeline.cli import main; main()"
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])}
    begun = time.perf_counter()
    process = subprocess.Popen(
        [sys.executable, "-c", code, *arguments],
        cwd=cwd,
        env=environment,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
    )
    errors = process.stderr.read() if process.stderr else b""
    _, status, usage = os.wait4(process.pid, 0)
    seconds = time.perf_counter() - begun
    if status:
        raise SystemExit(f"cuffwatt {' '.join(arguments)} failed:\n{errors.decode()}")
    return seconds, usage.ru_maxrss / 1024


def main() -> None:
    """Measure and print the table."""
    scratch = Path(tempfile.mkdtemp(prefix="cuffwatt-bench-"))
    try:
        slow = write_inputs(scratch / "slow")
        fast = write_inputs(scratch / "fast", ergometer_hz=10.0, heart_rate_hz=10.0, pedals_hz=10.0)
        protocol = str(slow.with_name("protocol.toml"))
        cases = {
            "--help": ["--help"],
            "join, 20 min, 1 Hz, two sources": ["join", str(slow)],
            "join, 20 min, 10 Hz, three sources": ["join", str(fast)],
            "demo": ["demo"],
            "simulate, 100 tests of 20 min": ["simulate", "new", "--tests", "100", "--protocol", protocol],
        }
        print(f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}")
        print(f"{'command':40s} {'median s':>9s} {'peak MB':>8s}")
        for name, arguments in cases.items():
            results = []
            for number in range(RUNS):
                cwd = scratch / f"run-{number}"
                shutil.rmtree(cwd, ignore_errors=True)
                cwd.mkdir()
                results.append(run(arguments, cwd))
            seconds = statistics.median(result[0] for result in results)
            print(f"{name:40s} {seconds:9.2f} {max(result[1] for result in results):8.0f}")
    finally:
        shutil.rmtree(scratch)
        resource.getrusage(resource.RUSAGE_CHILDREN)


if __name__ == "__main__":
    main()
