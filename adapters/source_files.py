"""The files that a setup names as sources, each read whole by its adapter."""

from __future__ import annotations

from datetime import datetime

from adapters.clock_time import clock_to_utc
from adapters.csv_log import read_log
from adapters.log_format import PLAIN, load_format
from adapters.reading_sheet import read_sheet
from adapters.setup_file import Setup
from adapters.setup_sections import CsvSource, SerialSource, SheetSource
from pipeline.errors import InputError
from pipeline.events import SourceLog


def read_logs(setup: Setup) -> list[SourceLog]:
    """The logs of devices in the order of the setup.

    Raises InputError for a source that is no file, and for `align` without a start whose date
    and offset the noted clock time can take; what a log itself is refused for, see csv_log.
    """
    return [
        _file_log(setup, name, source)
        for name, source in setup.sources.items()
        if not isinstance(source, SheetSource)
    ]


def read_sheets(setup: Setup, anchor: datetime) -> list[SourceLog]:
    """The reading sheets; `anchor` is the start where the setup notes none."""
    return [
        read_sheet(
            source.path,
            name=name,
            started=setup.started(anchor),
            time_means=source.time_means,
            observer=source.observer or setup.test.observer,
            rpe_scale=setup.test.rpe_scale,
        )
        for name, source in setup.sources.items()
        if isinstance(source, SheetSource)
    ]


def _file_log(setup: Setup, name: str, source: CsvSource | SerialSource) -> SourceLog:
    if isinstance(source, SerialSource):
        raise InputError(
            f"{setup.path}: sources.{name}: kind = 'serial' is a port, join reads files; "
            "write kind = 'csv' with the path of its log"
        )
    return read_log_of(setup, name, source)


def read_log_of(setup: Setup, name: str, source: CsvSource) -> SourceLog:
    """One log, with what the setup says of it; raises InputError as read_logs does."""
    started = setup.test.started
    if source.align is not None and started is None:
        raise InputError(
            f"{setup.path}: sources.{name}: align = {source.align!r} is a clock time without a date; "
            "write [test] started, whose date and offset it takes"
        )
    return read_log(
        source.path,
        load_format(source.format) if source.format else PLAIN,
        name=name,
        started=started,
        ranks=setup.ranks(name),
        clock_offset_s=source.clock_offset_s or 0.0,
        clock_method="none" if source.clock_offset_s is None else "given",
        align_to=clock_to_utc(source.align, started) if source.align and started else None,
    )
