"""How fast an archive is sealed: `python tests/benchmarks/bench_seal.py [TESTS] [RUNS] [--kept FOLDER]`.

Invented tests of 20 minutes at 1 Hz with two sources, whole processes, medians of RUNS, in one run on
one machine: `cuffwatt seal`, the straightforward scripts with pandas and polars beside this file
(one run of pandas), and the floor: DuckDB's read_json of the same journals, all declared fields,
into one table.  Then peak memory, summed over processes, at TESTS and four times TESTS; a run with
nothing to do; and the ladder of another commit (`--before COMMIT`), run on the same tables.
Ratios fail, seconds are printed: they say more about the machine than about a change.
"""

from __future__ import annotations

import argparse
import os
import platform
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import NamedTuple

import duckdb
from cohort_journals import write_journals

from pipeline.archive import Archive
from pipeline.events import KINDS
from pipeline.journal import read_journal
from pipeline.rules import shipped_rules
from pipeline.seal import BATCH, open_test
from pipeline.shipped import table_statements, test_ladder
from pipeline.tables import Tables

HERE = Path(__file__).parent
PYTHON = {"PYTHONPATH": str(HERE.parents[1])}
SEAL = "import sys; sys.argv[0] = 'cuffwatt'; from pipeline.cli import main; main()"
FLOOR = """
import sys, duckdb
from pathlib import Path
from typing import NamedTuple
files = [str(path) for path in Path(sys.argv[1]).glob('study=*/test=*/journal.jsonl')]
duckdb.connect().execute(
    "create table lines as select * from read_json($files, format = 'newline_delimited', filename = true,"
    " hive_partitioning = false, columns = " + sys.argv[2] + ")", {'files': files}).fetchall()
"""


def declared() -> str:
    """The fields of all kinds of events with their types in the tables; nested ones as JSON."""
    with duckdb.connect() as db:
        for statement in table_statements():
            db.execute(statement)
        rows = db.execute(
            "select column_name, max(data_type) from information_schema.columns group by 1"
        ).fetchall()
    types = dict(rows) | {"value": "JSON"}
    names = ["chain", *dict.fromkeys(name for kind in KINDS.values() for name in kind.model_fields)]
    return "{" + ", ".join(f"'{name}': '{types.get(name, 'JSON')}'" for name in names) + "}"


class Run(NamedTuple):
    """Seconds of a whole process, seconds of processors, megabytes with its children at their highest."""

    seconds: float
    processors_s: float
    memory_mb: float


def measured(command: list[str]) -> Run:
    """Run a command to its end."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    begun = time.perf_counter()
    process = subprocess.Popen(
        command, env=os.environ | PYTHON, stderr=subprocess.PIPE, stdout=subprocess.DEVNULL
    )
    highest = [0.0]
    watch = threading.Thread(target=_watch, args=(process, highest))
    watch.start()
    errors = process.communicate()[1]
    seconds = time.perf_counter() - begun
    watch.join()
    if process.returncode:
        raise SystemExit(f"{command[:4]} failed:\n{errors.decode()[-2000:]}")
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return Run(seconds, spent, highest[0])


def _watch(process: subprocess.Popen[bytes], highest: list[float]) -> None:
    while process.poll() is None:
        highest[0] = max(highest[0], _resident_mb(process.pid))
        time.sleep(0.05)


def _resident_mb(pid: int) -> float:
    """Proportional memory of a process and its children: what they share counts once."""
    total = 0.0
    try:
        for line in Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines():
            if line.startswith("Pss:"):
                total += int(line.split()[1]) / 1024
        children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    except OSError:
        return 0.0
    return total + sum(_resident_mb(int(child)) for child in children)


def unsealed(root: Path) -> None:
    """Take away whatever was sealed."""
    for path in root.glob("study=*/test=*/*.parquet"):
        path.unlink()
    shutil.rmtree(root / "gathered", ignore_errors=True)


def runs(root: Path, count: int, command: list[str]) -> Run:
    """Medians and the highest memory of a command that begins with nothing sealed."""
    results = []
    for _ in range(count):
        unsealed(root)
        results.append(measured(command))
    return _medians(results)


def _medians(results: list[Run]) -> Run:
    return Run(
        statistics.median(run.seconds for run in results),
        statistics.median(run.processors_s for run in results),
        max(run.memory_mb for run in results),
    )


def passes(root: Path, commit: str) -> tuple[float, float]:
    """Seconds that one batch takes with the ladder of now and of `commit`, in turns, medians of five.

    Reading, loading and deriving; writing is the same for both but for the columns.
    """
    repository = HERE.parents[1]
    listed = ["git", "-C", str(repository), "ls-tree", "--name-only", commit, "sql/test/"]
    files = subprocess.run(listed, capture_output=True, check=True, text=True).stdout.split()
    show = ["git", "-C", str(repository), "show"]
    before = [
        (Path(file).stem.split("_", 1)[1],
         subprocess.run([*show, f"{commit}:{file}"], capture_output=True, check=True, text=True).stdout)
        for file in sorted(files)
    ]  # fmt: skip
    folders = list(Archive(root).tests())[:BATCH]
    journals = [open_test(folder).journal for folder in folders]
    took: dict[str, list[float]] = {"now": [], "before": []}
    for _ in range(5):
        for name, ladder in (("now", test_ladder()), ("before", before)):
            begun = time.perf_counter()
            for folder in folders:
                read_journal(folder.journal)
            tables = Tables(shipped_rules())
            tables.load(journals)
            tables.run(frozenset())
            for relation, select in ladder:
                tables._db.execute(f"create or replace temp table {relation} as\n{select}").fetchall()
            took[name].append(time.perf_counter() - begun)
            tables.close()
    return statistics.median(took["now"]), statistics.median(took["before"])


def main() -> None:
    """Measure and print; exit 1 where a ratio is not kept."""
    parser = argparse.ArgumentParser()
    parser.add_argument("tests", nargs="?", type=int, default=1000)
    parser.add_argument("runs", nargs="?", type=int, default=5)
    parser.add_argument("--kept", type=Path, help="where the journals stay for the next run")
    parser.add_argument("--before", help="a commit whose ladder is compared")
    given = parser.parse_args()
    root = given.kept or Path(tempfile.mkdtemp(prefix="cuffwatt-bench-"))
    small, large = root / "once", root / "four"
    python = sys.executable
    seal = [python, "-c", SEAL, "seal"]
    try:
        write_journals(small, given.tests)
        write_journals(large, 4 * given.tests)
        print(f"{platform.machine()}, {os.cpu_count()} cores, {given.tests} tests, medians of {given.runs}")
        measured([python, "-c", FLOOR, str(small), declared()])  # journals into the page cache
        ours = runs(small, given.runs, [*seal, str(small)])
        idle = _medians([measured([*seal, str(small)]) for _ in range(given.runs)])
        floor = runs(small, given.runs, [python, "-c", FLOOR, str(small), declared()])
        polars = runs(small, min(3, given.runs), [python, str(HERE / "seal_in_polars.py"), str(small)])
        pandas = runs(small, 1, [python, "-W", "ignore", str(HERE / "seal_in_pandas.py"), str(small)])
        memory = ours.memory_mb
        memory_of_four = runs(large, 1, [*seal, str(large)]).memory_mb
        each = 1000 / given.tests
        for name, run in (
            ("cuffwatt seal", ours),
            ("nothing to do", idle),
            ("floor, read_json", floor),
            ("polars", polars),
            ("pandas", pandas),
        ):
            print(
                f"{name:20s} {run.seconds:8.2f} s, {run.seconds * each:7.2f} ms a test, "
                f"{run.processors_s * each:7.2f} ms of processors"
            )
        print(f"peak memory {memory:.0f} MB, of four times as many {memory_of_four:.0f} MB")
        wanted = [
            ("pandas / ours", pandas.seconds / ours.seconds, 6.0, True),
            ("polars / ours", polars.seconds / ours.seconds, 3.0, True),
            ("ours / floor", ours.seconds / floor.seconds, 3.0, False),
            ("peak memory, GB", memory / 1000, 1.0, False),
            ("memory of four / of one", memory_of_four / memory, 1.15, False),
        ]
        if given.before:
            now, before = passes(small, given.before)
            print(f"one batch: {now:.2f} s, with the ladder of {given.before} {before:.2f} s")
            wanted.append(("speed against that ladder", before / now, 0.75, True))
        for name, value, bound, at_least in wanted:
            kept = value >= bound if at_least else value <= bound
            sign, missed = ">=" if at_least else "<=", "" if kept else "  MISSED"
            print(f"{name:28s} {value:6.2f}, wanted {sign} {bound}{missed}")
        if not all(value >= bound if at_least else value <= bound for _, value, bound, at_least in wanted):
            raise SystemExit(1)
    finally:
        if not given.kept:
            shutil.rmtree(root)


if __name__ == "__main__":
    main()
