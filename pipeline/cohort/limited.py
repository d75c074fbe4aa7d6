"""SQL of the asker in a process of its own, with a limit of memory and time and no right to write.

What DuckDB does not count (Arrow's memory), what cannot be interrupted and what ends a process
then costs the answer and nothing else.
"""

from __future__ import annotations

import contextlib
import json
import os
import resource
import subprocess
import sys
from dataclasses import asdict
from pathlib import Path

from pipeline.cohort.ask import Answer, Request, answer
from pipeline.cohort.locked import TOO_LONG, TOO_MUCH
from pipeline.errors import CuffwattError, UsageError

SECONDS = 120.0
ADDRESS_MB = 6_000
"""Beside what the question may hold (MEMORY_MB) what libraries reserve and never touch, and the answer."""
_GRACE_S = 5.0
_CODE = "from pipeline.cohort.limited import main; main()"


def answer_limited(request: Request, *, seconds: float = SECONDS, address_mb: int = ADDRESS_MB) -> Answer:
    """As `answer`, in a process that ends with the question.

    Raises CuffwattError too where it took longer than `seconds` or needed more than `address_mb`.
    """
    import pyarrow as pa

    paths = [str(Path(__file__).parents[2]), *filter(None, [os.environ.get("PYTHONPATH")])]
    command = [sys.executable, "-c", _CODE]
    order = json.dumps(asdict(request) | {"seconds": seconds, "address_mb": address_mb})
    try:
        done = subprocess.run(
            command,
            input=order.encode(),
            capture_output=True,
            env=os.environ | {"PYTHONPATH": os.pathsep.join(paths), "MALLOC_ARENA_MAX": "2"},
            timeout=seconds + _GRACE_S,
            check=False,
        )
    except subprocess.TimeoutExpired:
        raise CuffwattError(TOO_LONG) from None
    words = done.stderr.decode("utf-8", "replace").strip()
    if done.returncode == UsageError.exit_code:
        raise UsageError(words)
    if done.returncode == CuffwattError.exit_code:
        raise CuffwattError(words)
    if done.returncode:
        raise CuffwattError(
            f"the question was broken off (process ended with {done.returncode}): it needs more memory than "
            "it may have, or DuckDB cannot answer it; ask for fewer rows or columns, or aggregate"
        )
    with pa.ipc.open_stream(done.stdout) as reader:
        return Answer.of(reader.read_all())


def main() -> None:
    """Answer the request on stdin; the answer leaves as an Arrow stream, errors as words and an exit code."""
    order = json.loads(sys.stdin.buffer.read())
    seconds, address_mb = order.pop("seconds"), order.pop("address_mb")
    # nothing can be written, whatever is asked; stdout is a pipe and no file
    for limit, wanted in (
        (resource.RLIMIT_AS, address_mb * 1_000_000),
        (resource.RLIMIT_FSIZE, 0),
        (resource.RLIMIT_CORE, 0),
    ):
        _, most = resource.getrlimit(limit)
        with contextlib.suppress(OSError, ValueError):  # not every system has each
            resource.setrlimit(limit, (wanted if most == resource.RLIM_INFINITY else min(wanted, most), most))
    try:
        _send(answer(Request(**order), seconds=seconds))
    except CuffwattError as error:
        _leave(error, error.exit_code)
    except Exception as error:
        if not isinstance(error, MemoryError):
            words = f"the question was broken off ({type(error).__name__}: {error}); ask it in another way"
            _leave(CuffwattError(words), CuffwattError.exit_code)
        _leave(CuffwattError(TOO_MUCH), CuffwattError.exit_code)


def _send(found: Answer) -> None:
    import pyarrow as pa

    with pa.ipc.new_stream(sys.stdout.buffer, found.table.schema) as writer:
        writer.write_table(found.table)
    sys.stdout.buffer.flush()


def _leave(error: CuffwattError, code: int) -> None:
    sys.stderr.write(str(error))
    sys.stderr.flush()
    os._exit(code)  # a query that cannot be interrupted would hold a usual end
