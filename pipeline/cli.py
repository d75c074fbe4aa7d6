"""The command `cuffwatt`: the one place where adapters meet the pipeline.

Data go to stdout, words and progress to stderr.  Exit 0 done, 1 something is wrong with the data
(named), 2 wrong usage.  Heavy imports stay inside the command that needs them.
"""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal, Optional

import typer

from pipeline import __version__
from pipeline.cli_cohort import cohort
from pipeline.command import Commands, run
from pipeline.errors import CuffwattError, InputError, UsageError

if TYPE_CHECKING:
    from collections.abc import Iterable

    from pipeline.archive import TestFolder
    from pipeline.events import SourceLog
    from pipeline.journal import JournalRead
    from pipeline.protocol import Protocol


app = typer.Typer(
    name="cuffwatt",
    cls=Commands,
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    help="Hand-taken blood pressure in graded cycle tests: joined to load and heart rate, checked, kept. "
    "It records and computes; it does not diagnose or decide. The supervising professional decides when a "
    "test starts and stops, under the local rules and licences that apply.",
)

app.add_typer(cohort, name="cohort")

FormatChoice = Literal["table", "csv", "json"]
StartChoice = Literal["asked", "now", "load"]
ArchiveOption = Annotated[Path, typer.Option("--archive", help="Folder that holds the tests.")]
FormatOption = Annotated[
    Optional[FormatChoice],  # noqa: UP045 - typer reads it at run time
    typer.Option("--format", help="table, csv or json; default: table on a terminal, csv in a pipe."),
]
RulesOption = Annotated[
    Optional[Path],  # noqa: UP045
    typer.Option("--rules", help="A rules file that overrides the shipped set."),
]
TestsArgument = Annotated[
    list[str], typer.Argument(help="Folders of tests, studies or archives; or ids of tests in the archive.")
]
DEFAULT_ARCHIVE = Path("cuffwatt-archive")
_REJECTED_SHOWN = 3
_STEADY_S = 1.0  # how long the clocks are compared where no port is listened to


def main() -> None:
    """Run the command; errors leave as words and an exit code, never as a traceback."""
    run(app)


def _version(wanted: bool) -> None:
    if wanted:
        print(f"cuffwatt {__version__}")
        raise typer.Exit


@app.callback()
def cuffwatt(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    """Options that hold for every command."""


@app.command()
def new(
    folder: Annotated[Path, typer.Argument(help="A folder that does not exist yet, or is empty.")],
) -> None:
    """Write a commented setup, protocol, log format and reading sheet to start from."""
    from pipeline.output import say
    from pipeline.shipped import shipped

    templates = sorted((shipped("fixtures") / "templates").iterdir())
    _write_files(folder, {path.name: path.read_text(encoding="utf-8") for path in templates})
    say(f"Fill them in, then: cuffwatt join {folder / 'test.toml'}")


@app.command()
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


@app.command()
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


@app.command()
def join(
    setup: Annotated[Path, typer.Argument(help="The setup of the test (test.toml).")],
    archive: ArchiveOption = DEFAULT_ARCHIVE,
    rules: RulesOption = None,
    form: FormatOption = None,
) -> None:
    """Join log files and a reading sheet into a sealed test."""
    from pipeline.view import show_test

    folder = _join(setup, archive, rules)
    show_test(folder, form)


@app.command()
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
    _seal(folder)
    show_test(folder, form)


@app.command()
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
            _seal(done)
    else:
        say(f"invented data, no real person: {example.parent}")
        done = _join(example, folder, None)
    show_test(done, form)


@app.command()
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
        protocol=_protocol(protocol) if protocol else None,
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


@app.command()
def seal(
    tests: TestsArgument,
    archive: ArchiveOption = DEFAULT_ARCHIVE,
    rules: RulesOption = None,
    scheduler: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option("--scheduler", help="Address of a Dask scheduler whose workers see the same folders."),
    ] = None,
) -> None:
    """Derive tests again: the Parquet files from their journals.

    Of an archive or a study those that are stale; a test that is named by itself in any case.

    A rules file that is given is kept beside each journal: it holds for that test from now on.
    """
    from pipeline.executors import cluster
    from pipeline.output import counted, progress, say
    from pipeline.seal_run import Outcome, keep_rules, seal_archive, seal_tests

    named: list[TestFolder] = []
    whole: dict[Path, dict[Path, TestFolder]] = {}
    for one in tests:
        found = _folders([one], archive)
        if Path(one).is_dir() and not (Path(one) / "journal.jsonl").is_file():
            for folder in found:
                whole.setdefault(folder.path.parents[1], {})[folder.path] = folder
        else:
            named += found
    of_whole = {path: folder for folders in whole.values() for path, folder in folders.items()}
    named = [folder for folder in dict.fromkeys(named) if folder.path not in of_whole]
    everything = [*named, *of_whole.values()]
    if rules is not None:
        keep_rules(rules, everything)
    workers = cluster(scheduler) if scheduler else None
    sealed = fresh = bad = 0

    def count(outcomes: Iterable[Outcome]) -> None:
        nonlocal sealed, fresh, bad
        for outcome in outcomes:
            advance()
            if outcome.problem:
                say(f"passed over: {outcome.problem}")
            bad += outcome.problem is not None
            fresh += outcome.fresh
            sealed += outcome.problem is None and not outcome.fresh

    with progress(len(everything), f"sealing {counted(len(everything), 'test')}") as advance:
        try:
            if named:
                count(seal_tests(named, workers))
            for root, folders in whole.items():
                count(seal_archive(root, list(folders.values()), workers))
        except KeyboardInterrupt:
            say(f"{counted(sealed, 'test')} sealed so far, which stay; the same command goes on from there")
            raise
    current = f", {fresh} up to date" if fresh else ""
    say(f"{counted(sealed, 'test')} sealed{current}, {bad} passed over")
    if bad:
        raise typer.Exit(1)


@app.command()
def verify(
    tests: TestsArgument,
    archive: ArchiveOption = DEFAULT_ARCHIVE,
    form: FormatOption = None,
) -> None:
    """Check journals and sealed files against each other; nothing is changed."""
    from pipeline.output import Column, chosen, counted, emit, show_table, tracked
    from pipeline.verify import strays
    from pipeline.verify import verify as check

    findings = [found for one in tests if Path(one).is_dir() for found in strays(Path(one))]
    try:
        folders = _folders(tests, archive)
    except UsageError:
        if not findings:
            raise
        folders = []
    findings += check(tracked(folders, f"verifying {counted(len(folders), 'test')}"))
    shown = chosen(form)
    if shown == "table":
        columns = (Column("test", "test"), Column("level", "found"), Column("words", "words", wraps=True))
        show_table(
            [
                {"test": f"{one.study}/{one.test_id}", "level": one.level, "words": one.words}
                for one in findings
            ],
            columns,
            f"{counted(len(folders), 'test')} verified",
        )
    else:
        columns_all = ["study", "test_id", "level", "lines", "chain", "words"]
        emit([vars(finding) for finding in findings], columns_all, shown)
    if any(finding.wrong for finding in findings):
        raise typer.Exit(1)


# a value may begin with a minus, which would else be an option
@app.command(context_settings={"ignore_unknown_options": True})
def amend(
    test: Annotated[str, typer.Argument(help="The folder of a test, or its id in the archive.")],
    seq: Annotated[
        Optional[int],  # noqa: UP045 - typer reads it at run time
        typer.Argument(help="Which entry: the id of a reading, or another number that --list shows."),
    ] = None,
    field: Annotated[
        Optional[str],  # noqa: UP045
        typer.Argument(help="What is corrected, like sbp, k5, pressure, time, arm, note, or void."),
    ] = None,
    value: Annotated[
        Optional[str],  # noqa: UP045
        typer.Argument(help="As on a sheet: 148, '<40', 148/82, 09:41:20, L; null blanks."),
    ] = None,
    reason: Annotated[str, typer.Option("--reason", help="Why the entry was wrong, in a few words.")] = "",
    by: Annotated[str, typer.Option("--by", help="Code of who corrects it, like AB-1.")] = "",
    show: Annotated[
        bool, typer.Option("--list", help="Show what can be amended and what was; writes nothing.")
    ] = False,
    archive: ArchiveOption = DEFAULT_ARCHIVE,
    form: FormatOption = None,
) -> None:
    """Correct an entry, with a reason; the original stays, and the test is sealed again.

    `cuffwatt amend TEST 812 sbp 148 --reason "typed 184" --by AB-1`

    `cuffwatt amend TEST 812 void true ...` takes a reading out.

    `cuffwatt amend TEST --list` shows the entries of a test, with SEQ the
    fields of one.
    """
    from pipeline.amend import amend as write
    from pipeline.amend import plan
    from pipeline.amend_view import rows_before, sealed_rows, show_amended, show_entries
    from pipeline.amendable import entry
    from pipeline.archive import Archive
    from pipeline.clock import wall_now
    from pipeline.journal import read_journal
    from pipeline.output import say

    folder = Archive(archive).find(test)
    journal = read_journal(folder.journal)
    folder.check_ids(journal.opened.study, journal.opened.test_id)
    if show:
        if field is not None:
            raise UsageError(
                "--list shows and writes nothing; leave out FIELD and VALUE, or leave out --list"
            )
        if seq is not None:
            entry(journal, seq)
        show_entries(journal, seq, form)
        return
    given = {"SEQ": seq, "FIELD": field, "VALUE": value, "--reason": reason or None, "--by": by or None}
    lacking = [name for name, said in given.items() if said is None]
    if seq is None or field is None or value is None or lacking:
        raise UsageError(
            f"{', '.join(lacking)} not given; write cuffwatt amend {test} SEQ FIELD VALUE --reason TEXT "
            f"--by CODE (null as VALUE blanks), or see what there is with cuffwatt amend {test} --list"
        )
    wanted = _typed_changes(folder, journal, seq, field, value)
    now = wall_now()
    plan(journal, seq, wanted, reason=reason, by=by, now=now)  # refused before any file is made
    before = rows_before(folder, journal.head)
    amendments = write(folder, seq, wanted, reason=reason, by=by, now=now)
    _seal(folder)
    journal = read_journal(folder.journal)
    show_amended(amendments, journal, before, sealed_rows(folder), form)
    if not journal.closed:
        say(f"{folder.journal}: the test was never closed; the amendment is kept all the same")


@app.command()
def simulate(
    folder: Annotated[Path, typer.Argument(help="A new folder for what is invented.")],
    number: Annotated[int, typer.Option("--number", min=0, help="The same number gives the same.")] = 1,
    tests: Annotated[
        Optional[int],  # noqa: UP045
        typer.Option("--tests", min=1, help="A cohort of so many tests as an archive, with its truth."),
    ] = None,
    protocol: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option("--protocol", help="All tests of the cohort by this protocol; else three shipped ones."),
    ] = None,
) -> None:
    """Write the input files of one invented test, or a whole invented cohort, with the truth beside them.

    `cuffwatt simulate DIR --tests 1000 && cuffwatt seal DIR/archive`
    """
    from pipeline.output import say
    from pipeline.simulate import inputs, simulate_test

    if tests is not None:
        _simulate_cohort(folder, number, tests, protocol)
        return
    if protocol is not None:
        raise UsageError("--protocol is for a cohort; give --tests too, or leave it out")
    _write_files(folder, inputs(simulate_test(number)))
    say(f"invented data, no real person; join it with: cuffwatt join {folder / 'test.toml'}")


@app.command()
def rules(
    own: RulesOption = None,
    form: FormatOption = None,
    settings: Annotated[
        bool, typer.Option("--settings", help="The settings (windows, floors, methods) instead.")
    ] = False,
    named: Annotated[
        str | None, typer.Option("--set", help="One named set, whether it is on or off, instead.")
    ] = None,
) -> None:
    """Print the rules in force, with their sources and how they differ from the shipped set."""
    from pipeline.rule_list import show_rules, show_set, show_settings
    from pipeline.rules import load_rules

    if named is not None:
        if own is not None or settings:
            raise UsageError("--set prints a shipped set as it is; leave out --rules and --settings")
        show_set(named, form)
        return
    in_force = load_rules(own)
    if settings:
        show_settings(in_force, form)
    else:
        show_rules(in_force, form)


def _simulate_cohort(folder: Path, number: int, tests: int, protocol_path: Path | None) -> None:
    from adapters.setup_file import read_toml
    from pipeline.output import counted, say, tracked
    from pipeline.protocol import parse_protocol
    from pipeline.simulate.cohort import invented_cohort
    from pipeline.simulate.cohort_archive import TRUTH_NAME, write_cohort

    protocol = None
    if protocol_path is not None:
        _, written = read_toml(protocol_path, "protocol", "give the file of a protocol")
        protocol = parse_protocol(written, str(protocol_path))
    words = f"inventing {counted(tests, 'test')}"
    root = write_cohort(
        invented_cohort(number, protocol), tests, folder, watched=lambda done: tracked(done, words)
    )
    say(f"{counted(tests, 'test')} in {root}, what is true of them in {folder / TRUTH_NAME}")
    say(f"invented data, no real person; derive the files with: cuffwatt seal {root}")


def _typed_changes(
    folder: TestFolder, journal: JournalRead, seq: int, name: str, text: str
) -> dict[str, Any]:
    """What was typed, as fields and values of the entry; clock times mean what they meant in the setup."""
    from adapters.amendment_text import PRESSURE, field_named, start_kept, typed_changes
    from pipeline.amendable import check_field, entry
    from pipeline.events import ReadingTaken

    target = entry(journal, seq).now
    if not (name == PRESSURE and isinstance(target, ReadingTaken)):
        check_field(target, field_named(target, name))
    opened = journal.opened
    # a live test began when it began, whatever `started` its setup still had
    setup = folder.setup if opened.mode == "join" else None
    return typed_changes(target, name, text, start_kept(setup, opened.anchor, opened.timezone))


def _protocol(path: Path) -> Protocol:
    """A protocol from its file."""
    from adapters.setup_file import read_toml
    from pipeline.protocol import parse_protocol

    _, written = read_toml(path, "protocol", "fixtures/protocols has examples")
    return parse_protocol(written, str(path))


def _write_files(folder: Path, texts: dict[str, str]) -> None:
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


def _folders(wanted: list[str], archive: Path) -> list[TestFolder]:
    """The tests meant, each once."""
    from pipeline.archive import JOURNAL_NAME, Archive

    folders: dict[Path, TestFolder] = {}
    for one in wanted:
        path = Path(one)
        if path.exists() and not path.is_dir() and path.name != JOURNAL_NAME:
            raise UsageError(f"{one}: is no folder; give the folder of a test, of a study or of an archive")
        if os.sep in one and not path.exists() and not archive.is_dir():
            raise UsageError(f"{one}: no such folder; give the folder of a test, of a study or of an archive")
        folders |= {folder.path: folder for folder in Archive(archive).within(one)}
    return list(folders.values())


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


def _seal(folder: TestFolder) -> None:
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


def _join(setup_path: Path, archive_path: Path, rules_path: Path | None) -> TestFolder:
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
    _seal(folder)
    return folder
