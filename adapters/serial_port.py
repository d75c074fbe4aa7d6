"""A device on a serial port, read while a test runs.

    source = SerialPort("bike", settings, fmt)
    source.open()                     # InputError in words: not there, in use, not permitted
    Thread(target=source.run, args=(queue.put, stop, clock)).start()

A port that goes away is looked for again, at growing intervals; one that stays open and says
nothing readable is lost as well, because on the outside it is the same.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime, tzinfo
from statistics import median

from adapters.line_cutter import LineCutter
from adapters.live_lines import LiveLines, check_live
from adapters.log_format import LogFormat
from adapters.port import (
    READ_WAIT_S,
    Connection,
    Disconnected,
    PortMissing,
    open_port,
    ports_there,
    receive,
)
from adapters.setup_sections import SerialSource
from pipeline.clock import Clock, pipeline_time
from pipeline.errors import InputError
from pipeline.events import Event, Sample, SourceFound, SourceLost

ADAPTER = "serial_port"
FIRST_WAIT_S, LONGEST_WAIT_S = 0.5, 5.0
SILENT_S, SILENT_INTERVALS = 15.0, 4.0
"""As for a gap in the logs: over 15 s and over four intervals between lines."""
_STALL_S, _SHORTEST_STALL_S = 1.0, 0.1
_INTERVALS_KEPT = 5


class SerialPort:
    """One device on one port; `run` is the body of its thread.

    `zone` is where the device's clock times are those of (None: this machine's zone), `connect`
    opens the port (InputError where that cannot be).  The port is opened by `open`, else by `run`.
    """

    def __init__(
        self,
        name: str,
        settings: SerialSource,
        fmt: LogFormat,
        *,
        ranks: str | None = None,
        zone: tzinfo | None = None,
        connect: Callable[[], Connection] | None = None,
    ) -> None:
        check_live(fmt)
        self.name = name
        self._settings, self._fmt, self._ranks, self._zone = settings, fmt, ranks, zone
        wait_s = min(READ_WAIT_S, fmt.poll.every_s) if fmt.poll else READ_WAIT_S
        self._connect = connect or (lambda: open_port(settings, wait_s=wait_s))
        self._port: Connection | None = None

    def open(self) -> None:
        """Open the port now, to be sure of it; raises InputError naming the source and what to do.

        Call it just before `run` (or `close` it again): what comes in between is stamped when it is read.
        """
        try:
            self._port = self._port or self._connect()
        except PortMissing as problem:
            raise InputError(
                f"source {self.name}: {problem}; the ports of this machine are {ports_there()}, and on Linux "
                "the names below /dev/serial/by-id stay the same"
            ) from None
        except InputError as problem:
            raise InputError(f"source {self.name}: {problem}") from None

    def close(self) -> None:
        """Give the port back."""
        port, self._port = self._port, None
        if port is not None:
            with suppress(*Disconnected):
                port.close()

    def run(self, put: Callable[[Event], None], stop: threading.Event, clock: Clock) -> None:
        """Put what the device says until `stop` is set; see LiveSource."""
        lines = LiveLines(
            self._fmt,
            name=self.name,
            adapter=ADAPTER,
            start=self._start(clock.anchor),
            ranks=self._ranks,
            clock_offset_s=self._settings.clock_offset_s,
        )
        put(lines.opened(clock.now()))
        presence = _Presence(self.name, self._fmt, put, clock)
        wait_s = FIRST_WAIT_S
        try:
            while not stop.is_set():
                try:
                    self._port = self._port or self._connect()
                except PortMissing as problem:
                    presence.lost(str(problem), once=True)
                except InputError as problem:
                    presence.lost(str(problem))
                else:
                    lines.reopened()
                    before = presence.lines
                    self._listen(self._port, lines, presence, stop, clock)
                    self.close()
                    # a port that opens and fails at once is as good as none
                    wait_s = FIRST_WAIT_S if presence.lines > before else wait_s
                if not stop.wait(wait_s):
                    wait_s = min(LONGEST_WAIT_S, 2 * wait_s)
        finally:
            self.close()

    def _listen(
        self,
        port: Connection,
        lines: LiveLines,
        presence: _Presence,
        stop: threading.Event,
        clock: Clock,
    ) -> None:
        """Read until `stop` is set or the port is gone."""
        poll = self._fmt.poll
        stall_s = _STALL_S
        if poll is not None:
            stall_s = min(_STALL_S, max(_SHORTEST_STALL_S, poll.every_s / 2))
        # opening discards what has come; what a polled device says then is an answer, and whole
        cutter = LineCutter(self._fmt.line_ending, drop_first=poll is None, stall_s=stall_s)
        why = "the recording ended"
        next_poll_s = at_s = clock.elapsed()
        try:
            while not stop.is_set():
                if poll is not None and at_s >= next_poll_s:
                    port.write(poll.command.encode("latin-1"))
                    next_poll_s += poll.every_s
                    if next_poll_s <= at_s:
                        # what was missed while the machine was busy is not asked for in a burst
                        next_poll_s = at_s + poll.every_s
                octets = receive(port)
                at_s = clock.elapsed()
                moment = pipeline_time(clock.anchor, at_s)
                for cut in cutter.feed(octets, at_s):
                    presence.take(lines.events(cut, moment), at_s)
                presence.watch(at_s)
        except Disconnected as problem:
            why = f"port {self._settings.address!r} was lost: unplugged or switched off ({problem})"
            presence.lost(why)
        moment = clock.now()
        for cut in cutter.end(why):
            presence.take(lines.events(cut, moment), clock.elapsed())

    def _start(self, anchor: datetime) -> datetime:
        """The anchor with the offset that the device's clock has."""
        return anchor.astimezone(UTC).astimezone(self._zone)


class _Presence:
    """Whether the source is there: says at once when it is lost, and when a line can be read again."""

    def __init__(self, name: str, fmt: LogFormat, put: Callable[[Event], None], clock: Clock) -> None:
        self.lines = 0
        self._name, self._put, self._clock = name, put, clock
        self._asked_every_s = fmt.poll.every_s if fmt.poll else 0.0
        self._intervals_s: deque[float] = deque(maxlen=_INTERVALS_KEPT)
        self._latest_s = clock.elapsed()
        self._unreadable = 0
        self._told: set[str] = set()

    def take(self, events: list[Event], at_s: float) -> None:
        """Pass on what a line gave."""
        for event in events:
            if isinstance(event, Sample):
                self._heard(at_s)
            elif event.kind == "line_rejected":
                self._unreadable += 1
            self._put(event)

    def lost(self, reason: str, *, once: bool = False) -> None:
        """The source is lost; each reason is told once, with `once` only where none was."""
        if reason in self._told or (once and self._told):
            return
        self._told.add(reason)
        self._put(SourceLost(event_time=self._clock.now(), source=self._name, reason=reason))

    def watch(self, at_s: float) -> None:
        """Notice that nothing readable has come for too long."""
        silent_s = at_s - self._latest_s
        interval_s = self._asked_every_s or (median(self._intervals_s) if self._intervals_s else 0.0)
        if self._told or silent_s <= max(SILENT_S, SILENT_INTERVALS * interval_s):
            return
        heard = f"{self._unreadable} lines in {silent_s:.0f} s, none readable" if self._unreadable else None
        self.lost(f"silent: {heard or f'no line for {silent_s:.0f} s'}")

    def _heard(self, at_s: float) -> None:
        gap_s = at_s - self._latest_s
        if self._told:
            self._told.clear()
            moment = pipeline_time(self._clock.anchor, at_s)
            self._put(SourceFound(event_time=moment, source=self._name, gap_s=round(gap_s, 3)))
        elif self.lines:
            self._intervals_s.append(gap_s)
        self.lines += 1
        self._latest_s = at_s
        self._unreadable = 0
