"""The command `cuffwatt`; its modules are the one place where adapters meet the pipeline.

Data go to stdout, words and progress to stderr.  Exit 0 done, 1 something is wrong with the data
(named), 2 wrong usage.  Heavy imports stay inside the command that needs them.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional

import typer

from pipeline import __version__
from pipeline.cli_archive import amend, seal, verify
from pipeline.cli_cohort import cohort
from pipeline.cli_join import demo, describe, join, new, write_files
from pipeline.cli_live import preflight, record, replay
from pipeline.cli_options import FormatOption, RulesOption
from pipeline.command import Commands, run
from pipeline.errors import UsageError

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
    write_files(folder, inputs(simulate_test(number)))
    say(f"invented data, no real person; join it with: cuffwatt join {folder / 'test.toml'}")


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


for command in (new, describe, preflight, join, record, demo, replay, seal, verify):
    app.command()(command)
# a value may begin with a minus, which would else be an option
app.command(context_settings={"ignore_unknown_options": True})(amend)
app.command()(simulate)
app.command()(rules)
app.add_typer(cohort, name="cohort")
