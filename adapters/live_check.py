"""The sources of a setup before a test: ports opened to be sure of them, logs read whole."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from adapters.live_sources import live_sources
from adapters.serial_port import SerialPort
from adapters.setup_file import Setup
from adapters.setup_sections import CsvSource, SerialSource, SheetSource
from adapters.source_files import read_log_of
from pipeline.errors import InputError
from pipeline.events import SourceLog


@dataclass
class Checked:
    """What can be listened to: ports that are open, logs that are read; what cannot, and why.

    `where` is the port or file of each source that gives events while a test runs.
    """

    ports: list[SerialPort] = field(default_factory=list)
    logs: dict[str, SourceLog] = field(default_factory=dict)
    problems: dict[str, str] = field(default_factory=dict)
    where: dict[str, str] = field(default_factory=dict)


def check_sources(setup: Setup) -> Checked:
    """Try every port and log by itself, so that one that fails hides no other.

    Ports that open stay open: run them, or close them.
    """
    checked = Checked()
    users: dict[str, str] = {}
    for name, source in setup.sources.items():
        if isinstance(source, SheetSource):
            continue
        checked.where[name] = source.address if isinstance(source, SerialSource) else source.path.name
        try:
            if isinstance(source, SerialSource) and (user := users.setdefault(source.address, name)) != name:
                raise InputError(f"port {source.address!r} is that of {user} as well; correct one")
            [live] = live_sources(replace(setup, sources={name: source}))
            if isinstance(live, SerialPort):
                live.open()
                checked.ports.append(live)
            elif isinstance(source, CsvSource):
                checked.logs[name] = read_log_of(setup, name, source)
        except InputError as problem:
            checked.problems[name] = str(problem)
    return checked
