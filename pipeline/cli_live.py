"""The commands around a live test: preflight, record, replay."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from pipeline import __version__
from pipeline.cli_join import make_files
from pipeline.cli_options import DEFAULT_ARCHIVE, ArchiveOption, FormatOption, RulesOption, StartChoice
from pipeline.errors import InputError, UsageError

if TYPE_CHECKING:
    from pipeline.protocol import Protocol

_STEADY_S = 1.0  # how long the clocks are compared where no port is listened to


def preflight(
    setup: Annotated[Path, typer.Argument(help="The setup of the test (test.toml).")],
    archive: ArchiveOption = DEFAULT_ARCHIVE,
    rules: RulesOption = None,
    seconds: Annotated[
        float, typer.Option("--seconds", min=1, max=600, help="How long to listen to each port.")
    ] = 10,
    form: FormatOption = None,
) -> None:
    """Look at everything before a test: sources, clocks, disk, protocol, cuff; write nothing.

    Shows when each reading would be asked for and how high to pump, and names what is to be mended.
    """
    from adapters.live_check import check_sources
    from adapters.setup_file import load_setup
    from pipeline.archive import Archive
    from pipeline.clock import PipelineClock
    from pipeline.finding import Finding
    from pipeline.listening import Heard, heard, listen
    from pipeline.machine import this_machine
    from pipeline.output import counted, say
    from pipeline.preflight import preflight as look
    from pipeline.preflight_view import show_preflight
    from pipeline.rules import load_rules

    test = load_setup(setup)
    problems = []
    try:
        in_force = load_rules(rules or test.rules_file)
    except InputError as problem:
        problems.append(Finding("mend", "rules", str(problem)))
        in_force = load_rules(None)
    checked = check_sources(test)
    clock = PipelineClock()
    if checked.ports:
        say(f"listening to {counted(len(checked.ports), 'port')} for {seconds:g} s")
    taken = listen(checked.ports, seconds if checked.ports else _STEADY_S, clock)
    taken |= {name: [(0.0, one) for one in (log.opened, *log.events)] for name, log in checked.logs.items()}
    sources = [
        heard(name, where, taken[name], clock, live=name not in checked.logs)
        if name in taken
        else Heard(name, where, live=True, problem=checked.problems[name])
        for name, where in checked.where.items()
    ]
    opened = test.test_opened(
        mode="live", anchor=clock.anchor, rules_digest=in_force.digest, software=f"cuffwatt {__version__}"
    )
    machine = this_machine(clock, Archive(archive), opened.study, opened.test_id)
    found = look(opened, test.test.started, in_force, sources, machine, problems)
    show_preflight(found, sources, seconds, f"{opened.study}/{opened.test_id}", form)
    if found.to_mend:
        raise typer.Exit(1)


def record(
    setup: Annotated[
        Optional[Path],  # noqa: UP045 - typer reads it at run time
        typer.Argument(help="The setup of the test (test.toml); with --resume it may be left out."),
    ] = None,
    resume: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option("--resume", help="Go on with a test that was broken off: its folder or its id."),
    ] = None,
    archive: ArchiveOption = DEFAULT_ARCHIVE,
    rules: RulesOption = None,
    headless: Annotated[
        bool, typer.Option("--headless", help="Log only, without entries; nobody is warned.")
    ] = False,
    logging_only: Annotated[
        bool, typer.Option("--logging-only", help="With --headless: [limits] are only written down.")
    ] = False,
    start: Annotated[
        Optional[StartChoice],  # noqa: UP045
        typer.Option("--start", help="asked (default), now, or load: when it first rises (headless)."),
    ] = None,
    idle_min: Annotated[
        float, typer.Option("--idle-min", help="Nobody watching: end so many minutes after the last load.")
    ] = 10.0,
    page: Annotated[
        bool, typer.Option("--page", help="On a page for a tablet or laptop, not at the terminal.")
    ] = False,
    share: Annotated[
        bool, typer.Option("--share", help="With --page: in the laboratory's network, behind a code.")
    ] = False,
    port: Annotated[
        Optional[int],  # noqa: UP045
        typer.Option("--port", min=0, max=65535, help="With --page: its port (8630); 0 takes a free one."),
    ] = None,
    form: FormatOption = None,
) -> None:
    """Record a test live: prompts, entries, flags; then seal it.

    Readings are typed at the terminal, like 148/82; ? shows what else can be typed and pressed.
    """
    from pipeline.cli_record import PageWish
    from pipeline.cli_record import record as run_live
    from pipeline.view import show_test

    if (share or port is not None) and not page:
        raise UsageError("--share and --port are about the page; add --page, or leave them out")
    folder = run_live(
        setup,
        resume,
        archive,
        rules,
        headless=headless,
        logging_only=logging_only,
        start=start,
        idle_min=idle_min,
        page=PageWish(port, share) if page else None,
    )
    make_files(folder)
    show_test(folder, form)


def replay(
    test: Annotated[str, typer.Argument(help="The folder of a test, or its id in the archive.")],
    archive: ArchiveOption = DEFAULT_ARCHIVE,
    rules: RulesOption = None,
    protocol: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option("--protocol", help="The same stages with other readings."),
    ] = None,
    keep: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option("--keep", help="Keep the replay in this archive."),
    ] = None,
    form: FormatOption = None,
) -> None:
    """Record a test again from its journal, with other rules or readings, and show what differs.

    Samples, entries, symptoms and stages come in as they came; prompts, flags and measures are made
    anew.  The test itself is left as it is.
    """
    from tempfile import TemporaryDirectory

    from pipeline.archive import Archive
    from pipeline.compared import record_side, replay_side
    from pipeline.difference import differences
    from pipeline.difference_view import show_differences
    from pipeline.output import say
    from pipeline.replay import Changes
    from pipeline.replay import replay as record_again
    from pipeline.rules import load_rules, rules_text
    from pipeline.seal import rules_of

    folder = Archive(archive).find(test)
    chosen = load_rules(rules) if rules else rules_of(folder)
    kept_rules = rules or (folder.rules if folder.rules.exists() else None)
    changes = Changes(
        rules=chosen,
        software=f"cuffwatt {__version__}",
        protocol=protocol_file(protocol) if protocol else None,
        rules_text=rules_text(kept_rules) if kept_rules else None,
    )
    with TemporaryDirectory(prefix="cuffwatt-") as scratch:
        done = record_again(folder, Archive(keep or Path(scratch) / "replay"), changes)
        again = replay_side(done.folder, chosen, done.recorded)
        found = differences(record_side(folder, Path(scratch) / "record"), again)
    for words in done.left_out:
        say(f"left out: {words}")
    show_differences(found, f"{folder.study}/{folder.test_id}", form)
    if keep:
        say(f"kept: {done.folder.path}")


def protocol_file(path: Path) -> Protocol:
    """A protocol from its file."""
    from adapters.setup_file import read_toml
    from pipeline.protocol import parse_protocol

    _, written = read_toml(path, "protocol", "fixtures/protocols has examples")
    return parse_protocol(written, str(path))
