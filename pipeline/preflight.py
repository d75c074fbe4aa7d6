"""Preflight: what is looked at before a test begins, from facts that were gathered.

Nothing is opened, written or locked here.  `mend` is what would spoil the test; `look` what
somebody should know; `good` what was found in order.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from pipeline.events import TestOpened
from pipeline.finding import LEVELS, Finding
from pipeline.foresight import Foresight, foresee
from pipeline.listening import Heard
from pipeline.machine import Machine
from pipeline.output import minutes
from pipeline.readiness import cuff_findings, limit_findings, people_findings, unrecorded_findings
from pipeline.rules import Rules
from pipeline.windows import room_findings

CLOCK_APART_S = 2.0
"""A line a second, sent by a device that is a little busy, is this late; ours."""
LINE_BYTES = 30  # what the chain and a number of seven digits add to a sample
SAMPLE_BYTES = 250
"""Of a line where none was heard: with all three measures a line has about 220."""
ROOM_TIMES = 3
"""Room wanted, in journals: one is kept, a rescue and the sealed files are no longer than one each."""
LONGEST_S = 7200.0
"""Where the protocol has no end, or none: two hours, common practice, no source."""
RATE_HZ = 1.0
REJECTED_SHARE = 0.1
RATE_WANTED_HZ = 1 / 15
"""A gap is longer than 15 s."""
_MEGABYTE = 1e6


@dataclass(frozen=True)
class Preflight:
    """All that was found, what is to be mended first, and the test as it would go."""

    findings: tuple[Finding, ...]
    foresight: Foresight | None

    @property
    def to_mend(self) -> int:
        """How many findings are to be mended."""
        return sum(finding.level == "mend" for finding in self.findings)


def preflight(
    opened: TestOpened,
    started: datetime | None,
    rules: Rules,
    heard: Sequence[Heard],
    machine: Machine,
    problems: Sequence[Finding] = (),
) -> Preflight:
    """Look at a test that is about to begin; `problems` were found on the way.

    `opened` is the line that would open it, `started` the start that the setup notes.
    """
    seen = None if opened.protocol is None else foresee(opened.protocol.stages, opened.age_years)
    findings = [*problems, *source_findings(heard), *measure_findings(heard)]
    findings += clock_findings(machine, heard, opened.timezone, started)
    findings += disk_findings(machine, heard, None if seen is None else planned_s(seen))
    if seen is None:
        words = "none: nobody is told when to pump and how high; write [protocol]"
        findings.append(Finding("look", "protocol", words))
    else:
        findings += room_findings(seen)
    findings += cuff_findings(opened, rules, machine.today)
    findings += people_findings(opened)
    measured = {measure for one in heard for measure in one.measures or one.promised}
    findings += limit_findings(opened, sorted(measured))
    findings += unrecorded_findings(opened)
    return Preflight(tuple(sorted(findings, key=lambda one: LEVELS.index(one.level))), seen)


def source_findings(heard: Sequence[Heard]) -> list[Finding]:
    """Whether each source is alive and can be read."""
    findings = []
    for one in heard:
        about = f"source {one.name}"
        if one.problem is not None:
            findings.append(Finding("mend", about, one.problem))
        elif not one.samples and one.rejected:
            words = f"{one.rejected} lines came and none can be read, the first because: {one.first_reason}"
            words += "; correct its format (cuffwatt describe proposes one)"
            findings.append(Finding("mend", about, words))
        elif not one.samples:
            words = one.lost or "nothing came; switch the device on, check cable and baud, or listen longer"
            findings.append(Finding("mend", about, words))
        elif one.lost is not None:
            findings.append(Finding("mend", about, one.lost))
        elif one.rejected:
            share = one.rejected / (one.samples + one.rejected)
            words = (
                f"{one.rejected} of {one.samples + one.rejected} lines cannot be read, the first because: "
            )
            level = "mend" if share > REJECTED_SHARE else "look"
            findings.append(Finding(level, about, words + str(one.first_reason)))  # type: ignore[arg-type]
        elif one.rate_hz is not None and one.rate_hz < RATE_WANTED_HZ:
            words = f"a line every {1 / one.rate_hz:.0f} s; over 15 s readings lack load or heart rate"
            findings.append(Finding("mend", about, words))
        else:
            findings.append(Finding("good", about, f"{', '.join(one.measures)} {_rate(one.rate_hz)}"))
    return findings


def measure_findings(heard: Sequence[Heard]) -> list[Finding]:
    """Load and heart rate that no source gives, or that a source's format has and nothing came of."""
    findings = []
    for measure in ("watts", "heart_rate_bpm"):
        if not any(measure in (one.promised or one.measures) for one in heard):
            words = f"no source gives {measure}, so no reading will have it"
            findings.append(Finding("look", "sources", words))
    for one in heard:
        absent = [measure for measure in one.promised if one.samples and measure not in one.measures]
        if absent:
            words = f"{', '.join(absent)} did not come, though its format has it; is the sensor on?"
            findings.append(Finding("look", f"source {one.name}", words))
    return findings


def clock_findings(
    machine: Machine, heard: Sequence[Heard], timezone: str | None, started: datetime | None
) -> list[Finding]:
    """Whether the clocks of the machine and of the devices can be relied on."""
    findings = []
    if machine.wall < machine.installed_at:
        words = (
            f"the clock says {machine.wall:%Y-%m-%d %H:%M} UTC, before this program came to the machine "
            f"({machine.installed_at:%Y-%m-%d}); set it"
        )
        findings.append(Finding("mend", "the clock", words))
    for step in machine.steps:
        words = f"the machine slept for {step.step_s:g} s while listening; switch its sleep off"
        if step.cause == "wall":
            words = f"the wall clock moved by {step.step_s:+g} s while listening; let it settle, then begin"
        findings.append(Finding("mend", "the clock", words))
    if timezone is not None:
        there = machine.wall.astimezone(ZoneInfo(timezone)).utcoffset() or timedelta(0)
        if there != machine.offset:
            words = (
                f"the machine is at UTC{_offset(machine.offset)}, {timezone} of the setup at "
                f"UTC{_offset(there)}; correct timezone in [test], or the machine's"
            )
            findings.append(Finding("mend", "the clock", words))
    if started is not None and started.astimezone(UTC).date() != machine.wall.date():
        words = f"started = {started.isoformat()} in the setup is not today; take it out for a live test"
        findings.append(Finding("look", "the clock", words))
    if not findings:
        words = f"{machine.wall.astimezone(UTC):%Y-%m-%d %H:%M:%S} UTC, steady"
        findings.append(Finding("good", "the clock", words))
    for one in heard:
        behind_s = one.own_clock_behind_s
        if behind_s is not None and abs(behind_s - one.clock_offset_s) > CLOCK_APART_S:
            words = (
                f"its clock is {_apart(behind_s)}; write clock_offset_s = {behind_s:.1f}"
                + (f" instead of {one.clock_offset_s:g}" if one.clock_offset_s else "")
                + f" in [sources.{one.name}]"
            )
            findings.append(Finding("mend", f"source {one.name}", words))
    return findings


def wanted_bytes(heard: Sequence[Heard], seconds: float) -> float:
    """Room that a test of `seconds` wants: bytes a sample, at the rate heard (else 1 Hz), three times."""
    each = [(one.rate_hz or RATE_HZ) * ((one.sample_bytes or SAMPLE_BYTES) + LINE_BYTES) for one in heard]
    return ROOM_TIMES * seconds * sum(each)


def planned_s(seen: Foresight) -> float:
    """How long the test lasts as planned, in s; two hours where its last stage is open."""
    last = seen.stages[-1]
    return LONGEST_S if last.planned_end_s is None else last.planned_end_s


def disk_findings(machine: Machine, heard: Sequence[Heard], seconds: float | None) -> list[Finding]:
    """Whether the archive takes the test, and has room for it."""
    if machine.refused is not None:
        return [Finding("mend", "the archive", machine.refused)]
    length_s = LONGEST_S if seconds is None else seconds
    wanted = wanted_bytes(heard, length_s)
    free = f"{machine.free_bytes / _MEGABYTE:.0f} MB free"
    words = f"{wanted / _MEGABYTE:.1f} MB wanted for {minutes(length_s)}, {free}"
    if wanted > machine.free_bytes:
        return [Finding("mend", "the archive", f"{words}; free some, or name another folder with --archive")]
    return [Finding("good", "the archive", words)]


def _rate(rate_hz: float | None) -> str:
    return "came once" if rate_hz is None else f"at {rate_hz:.3g} Hz"


def _apart(behind_s: float) -> str:
    return f"{abs(behind_s):.1f} s {'behind' if behind_s > 0 else 'ahead of'} ours"


def _offset(offset: timedelta) -> str:
    whole = round(offset.total_seconds() / 60)
    return f"{'-' if whole < 0 else '+'}{abs(whole) // 60:02d}:{abs(whole) % 60:02d}"
