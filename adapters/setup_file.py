"""The setup of a test, as a person writes it in test.toml.

`load_setup` reads the file and the protocol it names; everything that is wrong is said at
once, with file, key, what was given and what is wanted.  Paths are relative to the setup.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any, Literal
from zoneinfo import ZoneInfo

from pydantic import ValidationError

from adapters.clock_time import clock_to_utc
from adapters.setup_sections import (
    CsvSource,
    CuffSection,
    MeasuresSection,
    ParticipantSection,
    ProtocolSection,
    SerialSource,
    SheetSource,
    StaffSection,
    TestSection,
    WrittenSetup,
)
from adapters.setup_words import setup_problems
from adapters.suggestion import nearest
from pipeline.errors import InputError
from pipeline.events import MEASURES, TestOpened
from pipeline.protocol import Limits, Protocol, parse_limits, parse_protocol

__all__ = ["CsvSource", "SerialSource", "Setup", "SheetSource", "clock_to_utc", "load_setup", "read_toml"]

SETUP_SOURCE = "setup"
AnySource = CsvSource | SheetSource | SerialSource


@dataclass(frozen=True)
class Setup:
    """A setup that can be used.  `starts` is stage index -> noted clock time; paths are whole."""

    path: Path
    text: str
    test: TestSection
    participant: ParticipantSection
    cuff: CuffSection
    staff: StaffSection
    protocol: Protocol | None
    limits: Limits | None
    sources: dict[str, AnySource]
    measures: MeasuresSection
    starts: dict[int, str] = field(default_factory=dict)
    rules_file: Path | None = None

    def started(self, anchor: datetime) -> datetime:
        """The start whose date and offset hold for clock times: `started`, else the anchor.

        The anchor (UTC, say the first sample) is shown in `timezone` where one is given.
        """
        if self.test.started is not None:
            return self.test.started
        return anchor.astimezone(ZoneInfo(self.test.timezone) if self.test.timezone else UTC)

    def test_id(self, anchor: datetime) -> str:
        """The id that was given, else PARTICIPANT-YYYYMMDD-HHMM of the start."""
        if self.test.id is not None:
            return self.test.id
        return f"{self.test.participant.lstrip('-')}-{self.started(anchor):%Y%m%d-%H%M}"

    def ranks(self, name: str) -> str:
        """When this source is asked, per measure, as text: `watts=1,heart_rate_bpm=2`."""
        every = [key for key, source in self.sources.items() if not isinstance(source, SheetSource)]
        parts = []
        for measure in MEASURES:
            order: list[str] = getattr(self.measures, measure) or every
            if name in order:
                parts.append(f"{measure}={order.index(name) + 1}")
        return ",".join(parts)

    def stage_starts(self, anchor: datetime) -> dict[int, datetime]:
        """The noted starts of stages in UTC, by stage index; raises InputError if not rising."""
        started = self.started(anchor)
        moments = {index: clock_to_utc(text, started) for index, text in sorted(self.starts.items())}
        for before, after in pairwise(moments):
            if moments[after] <= moments[before]:
                raise InputError(
                    f"{self.path}: protocol.starts: stage {after + 1} at {self.starts[after]} does not "
                    f"come after stage {before + 1} at {self.starts[before]}; correct one of them"
                )
        return moments

    def test_opened(
        self, *, mode: Literal["live", "join"], anchor: datetime, rules_digest: str, software: str
    ) -> TestOpened:
        """The first line of the journal; `anchor` is the moment at which the test begins."""
        test = self.test
        return TestOpened(
            event_time=anchor,
            source=SETUP_SOURCE,
            mode=mode,
            anchor=anchor,
            test_id=self.test_id(anchor),
            study=test.study,
            participant=test.participant,
            visit=test.visit,
            purpose=test.purpose,
            intent=test.intent,
            ergometer_posture=test.ergometer_posture,
            rpe_scale=test.rpe_scale,
            observer=test.observer,
            people=self.staff.people,
            protocol=self.protocol,
            limits=self.limits,
            rules_digest=rules_digest,
            software=software,
            timezone=test.timezone,
            **dict(self.participant),
            **dict(self.cuff),
        )


def load_setup(path: Path) -> Setup:
    """The setup in `path` with its protocol; `load_setup(Path("test.toml")).ranks("bike")`.

    Raises InputError naming the file and every key that cannot be used.  Log files, sheets,
    formats and rules are not opened here.
    """
    text, written = read_toml(path, "setup", "`cuffwatt new DIR` writes one to start from")
    try:
        setup = WrittenSetup.model_validate(written)
    except ValidationError as error:
        raise InputError(setup_problems(error, path)) from None
    folder = path.absolute().parent
    protocol, limits, starts = None, setup.limits, dict[int, str]()
    if setup.protocol is not None:
        protocol, protocol_limits = _protocol(setup.protocol, path, folder)
        limits = limits if setup.limits is not None else protocol_limits
        starts = _starts(setup.protocol, protocol, path)
    _check_measures(setup, path)
    for name, source in setup.sources.items():
        if isinstance(source, CsvSource) and source.align is not None:
            _check_clock(source.align, f"{path}: sources.{name}.align")
    return Setup(
        path=path,
        text=text,
        test=setup.test,
        participant=setup.participant,
        cuff=setup.cuff,
        staff=setup.staff,
        protocol=protocol,
        limits=limits,
        sources={name: _whole_paths(source, folder) for name, source in setup.sources.items()},
        measures=setup.measures,
        starts=starts,
        rules_file=folder / setup.rules.file if setup.rules else None,
    )


def read_toml(path: Path, what: str, instead: str) -> tuple[str, dict[str, Any]]:
    """Text and tables of a TOML file.  `what` names it in errors, `instead` says how to go on."""
    if path.is_dir():
        raise InputError(f"{path}: is a folder, a {what} file is wanted; name the file in it, like test.toml")
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise InputError(f"{path}: no such file, a {what} file is wanted; {instead}") from None
    except UnicodeDecodeError as error:
        raise InputError(
            f"{path}: byte {error.start} is no UTF-8 text, a {what} file is wanted; save it as UTF-8"
        ) from None
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}); check its permissions") from None
    try:
        return text, tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(
            f"{path}: not TOML: {error}; text stands in quotes, tables in [brackets], one key = value a line"
        ) from None


def _protocol(section: ProtocolSection, path: Path, folder: Path) -> tuple[Protocol, Limits | None]:
    if section.file is not None:
        file = folder / section.file
        _, written = read_toml(file, "protocol", f"correct protocol.file in {path}")
        where = str(file)
    else:
        written = section.model_dump(exclude_unset=True, exclude={"starts"})
        where = f"{path}: protocol"
    if section.stage_from is not None:
        written["stage_from"] = section.stage_from
    protocol = parse_protocol(written, where)
    limits = written.get("limits")
    if limits is None:
        return protocol, None
    if not isinstance(limits, dict):
        raise InputError(f"{where}: limits = {limits!r}: a table is wanted; write [limits]")
    for key in limits:
        if key not in Limits.model_fields:
            guess = nearest(key, Limits.model_fields)
            known = ", ".join(Limits.model_fields)
            raise InputError(f"{where}: limits.{key}: unknown key{guess}; known are {known}")
    return protocol, parse_limits(limits, where)


def _starts(section: ProtocolSection, protocol: Protocol, path: Path) -> dict[int, str]:
    """Stage index -> clock time; a key is a label that stands once, or a number from 1."""
    labels = [stage.label for stage in protocol.stages]
    starts: dict[int, str] = {}
    for key, text in section.starts.items():
        where = f"{path}: protocol.starts: {key!r}"
        if labels.count(key) > 1:
            raise InputError(f"{where} is the label of {labels.count(key)} stages; write the stage's number")
        if key in labels:
            index = labels.index(key)
        elif key.isascii() and key.isdigit() and 1 <= int(key) <= len(labels):
            index = int(key) - 1
        else:
            numbered = ", ".join(f"{n} {label!r}" for n, label in enumerate(labels, start=1))
            raise InputError(f"{where} is no stage{nearest(key, labels)}; the stages are {numbered}")
        if index in starts:
            raise InputError(f"{where} = {text!r}: that stage has a start already, {starts[index]!r}")
        _check_clock(text, where)
        starts[index] = text
    return starts


def _check_clock(text: str, where: str) -> None:
    try:
        # whether the text is a time does not depend on the day
        clock_to_utc(text, datetime(2026, 1, 1, tzinfo=UTC))
    except InputError as error:
        raise InputError(f"{where}: {error}") from None


def _check_measures(setup: WrittenSetup, path: Path) -> None:
    """Every name in [measures] is a source that can measure, once a measure."""
    able = [name for name, source in setup.sources.items() if not isinstance(source, SheetSource)]
    for measure in MEASURES:
        order: list[str] = getattr(setup.measures, measure) or []
        for position, name in enumerate(order):
            where = f"{path}: measures.{measure}: {name!r}"
            if name in order[:position]:
                raise InputError(f"{where} stands twice; write each source once")
            if name not in setup.sources:
                known = ", ".join(able) or "none"
                raise InputError(f"{where} is no source{nearest(name, able)}; sources are {known}")
            if name not in able:
                raise InputError(f"{where} is a sheet, which has no such measure; name a log or a port")


def _whole_paths(source: AnySource, folder: Path) -> AnySource:
    update: dict[str, Path] = {}
    if not isinstance(source, SerialSource):
        update["path"] = folder / source.path
    if not isinstance(source, SheetSource) and source.format is not None:
        update["format"] = folder / source.format
    return source.model_copy(update=update)
