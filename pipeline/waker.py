"""The waker: APScheduler on the pipeline clock, so that no step of the wall moves a prompt.

It wakes the recorder at the next moment that matters and once a second, and decides nothing:
what is due then is asked of the planner.  As it is, APScheduler asks the wall clock; a wall that
goes back by an hour would stop every prompt.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC

from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.date import DateTrigger

from pipeline.clock import Clock, pipeline_time

HEARTBEAT_S = 1.0
_JOB = "next"


class Waker(BackgroundScheduler):  # type: ignore[misc]  # apscheduler has no types
    """Calls `wake` at `wake_at` and at least once a second, from a thread of its own.

    `wake` must only queue.  A replay does not start the thread: it moves the clock and calls
    `process`, which is what the thread does.
    """

    def __init__(self, clock: Clock, wake: Callable[[], None]) -> None:
        super().__init__(
            timezone=UTC,
            # late is told by the planner and never left out
            job_defaults={"misfire_grace_time": None, "coalesce": True, "max_instances": 1},
        )
        self._clock, self._wake = clock, wake
        self._beat_s = clock.elapsed()

    def wake_at(self, elapsed_s: float | None) -> None:
        """The one moment to wake at, in seconds of pipeline time; None: the heartbeat is enough."""
        if elapsed_s is None:
            if self.get_job(_JOB) is not None:
                self.remove_job(_JOB)
            return
        due = DateTrigger(pipeline_time(self._clock.anchor, elapsed_s), timezone=UTC)
        # adding a job wakes the thread, which then asks how long it may wait
        self.add_job(self._wake, due, id=_JOB, replace_existing=True)

    def process(self) -> float:
        """Call `wake` and run what is due; the seconds until this is wanted again, at most one."""
        wait_s: float = self._process_jobs()
        return wait_s

    def _process_jobs(self) -> float:
        # the one place where the scheduler asks for the time
        now, now_s = self._clock.now(), self._clock.elapsed()
        wake = now_s >= self._beat_s + HEARTBEAT_S
        with self._jobstores_lock:
            for name, store in self._jobstores.items():
                for job in store.get_due_jobs(now):
                    self.remove_job(job.id, name)
                    wake = True
            following = [store.get_next_run_time() for store in self._jobstores.values()]
        if wake:
            self._beat_s = now_s
            self._wake()
        next_s = [(due - now).total_seconds() for due in following if due is not None]
        wait_s: float = max(0.0, min(self._beat_s + HEARTBEAT_S - now_s, *next_s, HEARTBEAT_S))
        return wait_s
