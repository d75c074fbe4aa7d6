"""Where batches run: in this process, in processes of this machine, or on a Dask cluster.

All three are a `concurrent.futures.Executor`, so that the same function gives the same bytes
wherever it runs.  A cluster must see the archive under the same path and have the same cuffwatt.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing.connection import wait
from typing import Any

from pipeline.errors import CuffwattError, UsageError

_ANSWER = "10s"  # how long a scheduler may take to answer
_MOST = 8  # each process takes some 300 MB, and the disk is one


@dataclass(frozen=True)
class Workers:
    """How to begin an executor, anew after one broke, and how many batches to keep under way."""

    begin: Callable[[], Any]  # a context manager of an Executor
    at_once: int


class Inline(Executor):
    """Runs each call at once, in this process."""

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """The finished future of the call."""
        future: Future[Any] = Future()
        try:
            future.set_result(fn(*args, **kwargs))
        except Exception as error:
            future.set_exception(error)
        return future


def inline() -> Workers:
    """This process alone."""
    return Workers(Inline, 1)


def processes(count: int) -> Workers:
    """So many processes of this machine.

    They are spawned, not forked: duckdb and pyarrow have threads of their own.  The keyboard stops
    the command, which stops them; they end with the command, however it ends.
    """

    def begin() -> ProcessPoolExecutor:
        return ProcessPoolExecutor(
            count, mp_context=multiprocessing.get_context("spawn"), initializer=_begin_worker
        )

    # one batch waits for each, so that none is idle while its next one is on its way
    return Workers(begin, 2 * count)


def cluster(address: str) -> Workers:
    """The workers of the Dask cluster whose scheduler listens there, like tcp://10.0.0.1:8786.

    Raises UsageError where dask.distributed is not installed, CuffwattError where no scheduler or
    no worker answers.
    """
    try:
        from distributed import Client
    except ImportError:
        raise UsageError(
            "--scheduler: dask.distributed is not installed; pip install 'cuffwatt[cluster]', or leave "
            "--scheduler out to use the cores of this machine"
        ) from None

    def connected() -> Any:
        try:
            return Client(address, timeout=_ANSWER, set_as_default=False)  # type: ignore[no-untyped-call]
        except (OSError, ValueError) as error:
            raise CuffwattError(
                f"--scheduler {address}: no scheduler answers ({error or type(error).__name__}); give the "
                "address that `dask scheduler` prints, like tcp://10.0.0.1:8786"
            ) from None

    @contextmanager
    def begin() -> Iterator[Executor]:
        client = connected()
        try:
            # a batch writes files: it is no pure function whose result could be taken from before
            yield client.get_executor(pure=False)
        finally:
            client.close()

    with connected() as client:
        threads = sum(client.nthreads().values())
    if not threads:
        raise CuffwattError(
            f"--scheduler {address}: the cluster has no worker; start some with: dask worker {address}"
        )
    return Workers(begin, 2 * threads)


def own_cores(batches: int) -> Workers:
    """What suits this machine: one process a core that this one may use, none for a single batch."""
    # fewer than the machine has where this process may use fewer; not on every system known
    known = hasattr(os, "sched_getaffinity")
    cores = len(os.sched_getaffinity(0)) if known else os.cpu_count() or 1
    count = min(cores, batches, _MOST)
    return processes(count) if count > 1 else inline()


def _begin_worker() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent.sentinel,), daemon=True).start()


def _end_with(sentinel: int) -> None:
    """End this process with the one that began it: a killed one cannot say so."""
    wait([sentinel])
    os._exit(1)
