"""The sources of a setup that give events while a test runs: ports, and logs that are played."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from adapters.base import LiveSource
from adapters.csv_replay import CsvReplay, first_row
from adapters.log_format import load_format
from adapters.serial_port import SerialPort
from adapters.setup_file import Setup
from adapters.setup_sections import CsvSource, SerialSource
from adapters.source_files import read_log_of
from pipeline.errors import InputError
from pipeline.events import SourceLog


def live_sources(setup: Setup, *, speed: float = 1.0) -> list[LiveSource]:
    """One LiveSource for each port and log, in the order of the setup; no port is opened here.

    Logs are played together: the earliest first row is the start, `speed` how fast.  Sheets are
    left out: readings are entered.  Raises InputError for two sources on one port, a port without
    a format, a log with `align` (which needs the whole test), and for what csv_log refuses.
    """
    logs: dict[str, SourceLog] = {}
    ports: dict[str, SerialPort] = {}
    users: dict[str, str] = {}
    for name, source in setup.sources.items():
        where = f"{setup.path}: sources.{name}"
        if isinstance(source, SerialSource):
            user = users.setdefault(source.address, name)
            if user != name:
                raise InputError(f"{where}: port {source.address!r} is that of {user} as well; correct one")
            ports[name] = _port(setup, name, source, where)
        elif isinstance(source, CsvSource):
            if source.align is not None:
                raise InputError(
                    f"{where}: align = {source.align!r} needs the whole test, and the log is played; "
                    "write clock_offset_s, or leave it out"
                )
            logs[name] = read_log_of(setup, name, source)
    begins = min((first_row(log) for log in logs.values()), default=None)
    played = {name: CsvReplay(log, begins=begins, speed=speed) for name, log in logs.items()}
    live: dict[str, LiveSource] = {**ports, **played}
    return [live[name] for name in setup.sources if name in live]


def _port(setup: Setup, name: str, source: SerialSource, where: str) -> SerialPort:
    if source.format is None:
        raise InputError(f"{where}: a port needs a format; `cuffwatt describe {source.address}` proposes one")
    test = setup.test
    zone = ZoneInfo(test.timezone) if test.timezone else (test.started.tzinfo if test.started else None)
    try:
        return SerialPort(name, source, load_format(source.format), ranks=setup.ranks(name), zone=zone)
    except InputError as problem:
        raise InputError(f"{where}: {problem}") from None
