"""The command `cuffwatt`: the one place where adapters meet the pipeline.

Data go to stdout, words and progress to stderr.  Exit 0 done, 1 something is wrong with the data
(named), 2 wrong usage.  Heavy imports stay inside the command that needs them.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated, Any, Literal, Optional

import typer

from pipeline import __version__
from pipeline.errors import CuffwattError, UsageError

app = typer.Typer(
    name="cuffwatt",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    help="Hand-taken blood pressure in graded cycle tests: joined to load and heart rate, checked, kept. "
    "It records and computes; it does not diagnose or decide. The supervising professional decides when a "
    "test starts and stops, under the local rules and licences that apply.",
)

FormatChoice = Literal["table", "csv", "json"]
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


def main() -> None:
    """Run the command; errors leave as words and an exit code, never as a traceback."""
    try:
        app()
    except CuffwattError as error:
        print(f"cuffwatt: {error}", file=sys.stderr)
        sys.exit(error.exit_code)
    except KeyboardInterrupt:
        print("cuffwatt: stopped from the keyboard; what was published is whole", file=sys.stderr)
        sys.exit(1)
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(0)


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

    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise UsageError(f"{folder}: is there and not empty; name a new folder, nothing is overwritten")
    _make_folder(folder)
    for template in sorted((shipped("fixtures") / "templates").iterdir()):
        (folder / template.name).write_bytes(template.read_bytes())
        say(f"{folder / template.name}")
    say(f"Fill them in, then: cuffwatt join {folder / 'test.toml'}")


@app.command()
def describe(
    log: Annotated[Path, typer.Argument(help="A sample file of a device's log.")],
) -> None:
    """Propose a log format from a sample file, with its first rows as they are read.

    The proposal is printed as TOML whose remarks say what was found, what the first lines read as
    and what is not sure: `cuffwatt describe bike.csv > bike_format.toml`, then check it.
    """
    from adapters.log_proposal import propose

    print(propose(log).words(), end="")


@app.command()
def join(
    setup: Annotated[Path, typer.Argument(help="The setup of the test (test.toml).")],
    archive: ArchiveOption = DEFAULT_ARCHIVE,
    rules: RulesOption = None,
    form: FormatOption = None,
) -> None:
    """Join log files and a reading sheet into a sealed test."""
    from pipeline.output import show_test

    folder = _join(setup, archive, rules)
    show_test(folder, form)


@app.command()
def demo(
    folder: Annotated[Path, typer.Option("--dir", help="Where the demo archive is made.")] = Path(
        "cuffwatt-demo"
    ),
    form: FormatOption = None,
) -> None:
    """Join the first shipped test (invented data) and show what comes out."""
    from pipeline.archive import Archive
    from pipeline.output import say, show_test
    from pipeline.shipped import shipped

    example = sorted((shipped("fixtures") / "demo").glob("*/test.toml"))[0]
    done = list(Archive(folder).tests()) if folder.is_dir() else []
    if done:
        say(f"{folder} holds the demo from before; remove it to see it made again")
        show_test(done[0], form)
        return
    say(f"invented data, no real person: {example.parent}")
    show_test(_join(example, folder, None), form)


@app.command()
def seal(
    tests: TestsArgument,
    archive: ArchiveOption = DEFAULT_ARCHIVE,
    rules: RulesOption = None,
) -> None:
    """Derive tests again: the Parquet files from their journals."""
    from pipeline.output import say
    from pipeline.rules import load_rules
    from pipeline.seal import seal_all

    folders = _folders(tests, archive)
    outcomes = seal_all(folders, load_rules(rules) if rules else None)
    for outcome in outcomes:
        if outcome.problem:
            say(f"passed over: {outcome.problem}")
    bad = sum(outcome.problem is not None for outcome in outcomes)
    say(f"{len(outcomes) - bad} sealed, {bad} passed over")
    if bad:
        raise typer.Exit(1)


@app.command()
def verify(
    tests: TestsArgument,
    archive: ArchiveOption = DEFAULT_ARCHIVE,
    form: FormatOption = None,
) -> None:
    """Check journals and sealed files against each other; nothing is changed."""
    from pipeline.output import chosen, emit
    from pipeline.verify import verify as check

    findings = check(_folders(tests, archive))
    columns = ["study", "test_id", "level", "lines", "chain", "words"]
    emit([vars(finding) for finding in findings], columns, chosen(form))
    if any(finding.wrong for finding in findings):
        raise typer.Exit(1)


@app.command()
def simulate(
    folder: Annotated[Path, typer.Argument(help="A new folder for the input files of the invented test.")],
    number: Annotated[int, typer.Option("--number", min=0, help="The same number gives the same test.")] = 1,
) -> None:
    """Write the input files of one invented test, with its truth beside them."""
    from pipeline.output import say
    from pipeline.simulate import inputs, simulate_test

    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise UsageError(f"{folder}: is there and not empty; name a new folder, nothing is overwritten")
    _make_folder(folder)
    for name, text in inputs(simulate_test(number)).items():
        (folder / name).write_text(text, encoding="utf-8")
        say(f"{folder / name}")
    say(f"invented data, no real person; join it with: cuffwatt join {folder / 'test.toml'}")


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(
            f"{folder}: cannot be made ({error.strerror}); choose a place you may write to"
        ) from None


def _folders(wanted: list[str], archive: Path) -> list[Any]:
    from pipeline.archive import Archive

    return [folder for one in wanted for folder in Archive(archive).within(one)]


def _join(setup_path: Path, archive_path: Path, rules_path: Path | None) -> Any:
    from adapters.setup_file import load_setup
    from adapters.source_files import read_logs, read_sheets
    from pipeline.archive import Archive
    from pipeline.join import JoinOrder, first_moment, join, rules_text
    from pipeline.rules import load_rules
    from pipeline.seal import seal_all

    setup = load_setup(setup_path)
    rules_file = rules_path or setup.rules_file
    rules = load_rules(rules_file)
    logs = read_logs(setup)
    anchor = setup.test.started or first_moment(logs)
    opened = setup.test_opened(
        mode="join", anchor=anchor, rules_digest=rules.digest, software=f"cuffwatt {__version__}"
    )
    order = JoinOrder(
        opened=opened,
        sources=[*logs, *read_sheets(setup, anchor)],
        starts=setup.stage_starts(anchor),
        end_reason=setup.test.end_reason,
        setup_text=setup.text,
        rules_text=rules_text(rules_file),
    )
    folder = join(order, Archive(archive_path), rules)
    for outcome in seal_all([folder], rules):
        if outcome.problem:
            raise CuffwattError(outcome.problem)
    return folder
