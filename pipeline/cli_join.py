"""The commands that begin with files: new, describe, join, demo."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline import __version__
from pipeline.cli_options import DEFAULT_ARCHIVE, ArchiveOption, FormatOption, RulesOption
from pipeline.errors import CuffwattError, InputError, UsageError

if TYPE_CHECKING:
    from pipeline.archive import TestFolder
    from pipeline.events import SourceLog

_REJECTED_SHOWN = 3


def new(
    folder: Annotated[Path, typer.Argument(help="A folder that does not exist yet, or is empty.")],
) -> None:
    """Write a commented setup, protocol, log format and reading sheet to start from."""
    from pipeline.output import say
    from pipeline.shipped import shipped

    templates = sorted((shipped("fixtures") / "templates").iterdir())
    write_files(folder, {path.name: path.read_text(encoding="utf-8") for path in templates})
    say(f"Fill them in, then: cuffwatt join {folder / 'test.toml'}")


def describe(
    log: Annotated[Path, typer.Argument(help="A sample file of a device's log, or the port of a device.")],
    baud: Annotated[int, typer.Option("--baud", min=1, help="Of a port: its speed.")] = 9600,
    seconds: Annotated[
        float, typer.Option("--seconds", min=1, max=600, help="Of a port: listen so long.")
    ] = 10,
) -> None:
    """Propose a log format from a sample file or a live port, with its first rows as they are read.

    The proposal is printed as TOML whose remarks say what was found, what the first lines read as
    and what is not sure: `cuffwatt describe bike.csv > bike_format.toml`, then check it.

    `cuffwatt describe /dev/ttyUSB0 --baud 4800` listens to a device that is sending.
    """
    from adapters.log_proposal import propose

    port = str(log)
    if not (log.is_char_device() or port.startswith("/dev/") or re.fullmatch(r"COM[0-9]+", port)):
        print(propose(log).words(), end="")
        return
    from contextlib import closing

    from adapters.port import open_port
    from adapters.port_proposal import propose_port
    from adapters.setup_sections import SerialSource
    from pipeline.clock import PipelineClock
    from pipeline.output import say

    with closing(open_port(SerialSource(kind="serial", port=port, baud=baud))) as connection:
        say(f"listening to {port} for {seconds:g} s")
        print(propose_port(connection, seconds, PipelineClock(), where=port).words(), end="")


def join(
    setup: Annotated[Path, typer.Argument(help="The setup of the test (test.toml).")],
    archive: ArchiveOption = DEFAULT_ARCHIVE,
    rules: RulesOption = None,
    form: FormatOption = None,
) -> None:
    """Join log files and a reading sheet into a sealed test."""
    from pipeline.view import show_test

    folder = join_setup(setup, archive, rules)
    show_test(folder, form)


def demo(
    folder: Annotated[Path, typer.Option("--dir", help="Where the demo archive is made.")] = Path(
        "cuffwatt-demo"
    ),
    form: FormatOption = None,
) -> None:
    """Join the first shipped test (invented data) and show what comes out."""
    from adapters.setup_file import load_setup
    from pipeline.archive import Archive
    from pipeline.journal import read_journal
    from pipeline.output import say
    from pipeline.seal import is_stale, rules_of
    from pipeline.shipped import shipped
    from pipeline.view import show_test

    example = sorted((shipped("fixtures") / "demo").glob("*/test.toml"))[0]
    test = load_setup(example).test
    done = Archive(folder).test_folder(test.study, test.id or "")
    if done.journal.exists():
        say(f"{folder} holds the demo from before; remove it to see it made again")
        if is_stale(done, rules_of(done), read_journal(done.journal).head):
            make_files(done)
    else:
        say(f"invented data, no real person: {example.parent}")
        done = join_setup(example, folder, None)
    show_test(done, form)


def join_setup(setup_path: Path, archive_path: Path, rules_path: Path | None) -> TestFolder:
    from adapters.setup_file import load_setup
    from adapters.source_files import read_logs, read_sheets
    from pipeline.archive import Archive
    from pipeline.join import JoinOrder, first_moment, join
    from pipeline.output import tracked
    from pipeline.rules import load_rules, rules_text

    setup = load_setup(setup_path)
    rules_file = rules_path or setup.rules_file
    rules = load_rules(rules_file)
    logs = read_logs(setup)
    if setup.test.started is None and not logs:
        raise InputError(
            f"{setup_path}: no log says when the test began; write started in [test], with its offset, "
            "like 2026-03-14T09:30:00+01:00"
        )
    anchor = setup.test.started or first_moment(logs)
    opened = setup.test_opened(
        mode="join", anchor=anchor, rules_digest=rules.digest, software=f"cuffwatt {__version__}"
    )
    sources = [*logs, *read_sheets(setup, anchor)]
    order = JoinOrder(
        opened=opened,
        sources=sources,
        starts=setup.stage_starts(anchor),
        end_reason=setup.test.end_reason,
        setup_text=setup.text,
        rules_text=rules_text(rules_file) if rules_file else None,
    )
    _say_rejected(sources)
    _say_not_measured(logs)
    folder = join(order, Archive(archive_path), rules, lambda coming: tracked(coming, "joining"))
    make_files(folder)
    return folder


def make_files(folder: TestFolder) -> None:
    """Make the files of one test, with the rules kept beside it."""
    from pipeline.output import say
    from pipeline.seal import seal_all

    try:
        for outcome in seal_all([folder], None):
            if outcome.problem:
                raise CuffwattError(outcome.problem)
    except BaseException:
        say(f"the journal is whole, its files are not made; make them with: cuffwatt seal {folder.path}")
        raise


def write_files(folder: Path, texts: dict[str, str]) -> None:
    """Write these files into a new folder and name them."""
    from pipeline.draft import new_folder
    from pipeline.output import say

    new_folder(folder)
    try:
        for name, text in texts.items():
            (folder / name).write_text(text, encoding="utf-8", newline="\n")
    except OSError as error:
        raise UsageError(
            f"{folder}: cannot be written ({error.strerror}); choose a place you may write to"
        ) from None
    for name in texts:
        say(f"{folder / name}")


def _say_rejected(sources: list[SourceLog]) -> None:
    """Name the first lines of each source that could not be read; all are in the journal."""
    from pipeline.events import LineRejected
    from pipeline.output import counted, say

    for source in sources:
        reasons = [event.reason for event in source.events if isinstance(event, LineRejected)]
        for reason in reasons[:_REJECTED_SHOWN]:
            say(f"{source.opened.name}: not read: {reason}")
        if len(reasons) > _REJECTED_SHOWN:
            more = counted(len(reasons) - _REJECTED_SHOWN, "more line")
            say(f"{source.opened.name}: not read: {more}, kept in the journal with the reasons")


def _say_not_measured(logs: list[SourceLog]) -> None:
    """Say which of load and heart rate no log gives: a column may have another name."""
    from pipeline.output import say

    measured = {part.partition(":")[0] for log in logs for part in (log.opened.measures or "").split(",")}
    for measure in ("watts", "heart_rate_bpm"):
        if logs and measure not in measured:
            say(
                f"no log gives {measure}, so no reading has it; if a column has another name, name it in a "
                "format (cuffwatt describe LOG proposes one)"
            )
