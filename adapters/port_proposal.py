"""A format proposed for a device that is on a port right now (`cuffwatt describe PORT`)."""

from __future__ import annotations

from datetime import timedelta

from adapters.line_cutter import Cut, LineCutter
from adapters.live_lines import LiveLines
from adapters.log_format import LogFormat
from adapters.log_guess import ANY_START
from adapters.log_proposal import Proposal, propose_live
from adapters.port import Connection, Disconnected, receive
from pipeline.clock import Clock
from pipeline.errors import InputError
from pipeline.events import Event, Sample

_STALL_S = 1.0


def propose_port(connection: Connection, seconds: float, clock: Clock, *, where: str) -> Proposal:
    """Listen to an open port for `seconds` of `clock` and propose the format of what came.

    Raises InputError where nothing came, no line ended, the port was lost, or no measure can be told.
    """
    chunks = _heard(connection, seconds, clock, where)
    octets = b"".join(chunk for _, chunk in chunks)
    if not octets:
        raise InputError(
            f"{where}: nothing came in {seconds:g} s; check cable and baud. A device that speaks only when "
            "asked needs a format by hand with [poll]; fixtures/formats has an example"
        )
    line_ending = "\r" if b"\n" not in octets and b"\r" in octets else "\n"
    cutter = LineCutter(line_ending, drop_first=True, stall_s=_STALL_S)
    lines = [(at_s, cut) for at_s, chunk in chunks for cut in cutter.feed(chunk, at_s) if not cut.problem]
    if not lines:
        raise InputError(
            f"{where}: {len(octets)} bytes came in {seconds:g} s and no whole line, they begin with "
            f"{octets[:40]!r}; check baud, or listen longer with --seconds"
        )
    settings = {"line_ending": line_ending} if line_ending != "\n" else {}
    try:
        texts = [cut.raw.decode() for _, cut in lines]
    except UnicodeDecodeError:
        settings["encoding"] = "cp1252"
        texts = [cut.raw.decode("cp1252", "replace") for _, cut in lines]

    def read(fmt: LogFormat) -> list[Event]:
        return _events(lines, fmt, where)

    return propose_live(texts, settings, read, where=where)


def _heard(connection: Connection, seconds: float, clock: Clock, where: str) -> list[tuple[float, bytes]]:
    """What came, with the second at which it came."""
    chunks = []
    began_s = at_s = clock.elapsed()
    try:
        while at_s - began_s < seconds:
            octets = receive(connection)
            at_s = clock.elapsed()
            chunks.append((at_s - began_s, octets))
    except Disconnected as problem:
        raise InputError(
            f"{where}: the port was lost while listening ({problem}); plug the device in"
        ) from None
    return chunks


def _events(lines: list[tuple[float, Cut]], fmt: LogFormat, where: str) -> list[Event]:
    reader = LiveLines(fmt, name="log", adapter="proposal", start=ANY_START)
    events = [
        event for at_s, cut in lines for event in reader.events(cut, ANY_START + timedelta(seconds=at_s))
    ]
    if not any(isinstance(event, Sample) for event in events):
        raise InputError(
            f"{where}: the proposed format reads none of its {len(lines)} lines; write one by hand"
        )
    return events
