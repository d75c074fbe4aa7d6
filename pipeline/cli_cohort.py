"""The commands `cuffwatt cohort ...`: questions to all tests of an archive."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal, Optional

import typer

from pipeline.errors import UsageError

cohort = typer.Typer(
    no_args_is_help=True, help="Questions to all tests of an archive: named ones, or SQL of your own."
)


@cohort.callback()
def cohort_commands() -> None:
    """Questions to all tests of an archive: named ones, or SQL of your own."""


@cohort.command()
def ask(
    name: Annotated[
        Optional[str],  # noqa: UP045 - typer reads it at run time
        typer.Argument(help="A named question, as --list has them."),
    ] = None,
    given: Annotated[
        Optional[list[str]],  # noqa: UP045
        typer.Argument(metavar="[PARAMETER=VALUE]...", help="What is asked otherwise than by default."),
    ] = None,
    sql: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option("--sql", help="One SELECT over summary, stages, readings, samples and flags instead."),
    ] = None,
    listed: Annotated[
        bool, typer.Option("--list", help="Show the questions; with NAME its parameters and columns.")
    ] = False,
    study: Annotated[
        Optional[list[str]],  # noqa: UP045
        typer.Option("--study", help="Only tests of this study; can be given again."),
    ] = None,
    only: Annotated[
        str,
        typer.Option("--only", help="Only tests that meet a condition on summary, like \"sex = 'female'\"."),
    ] = "",
    out: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option("--out", help="Write the answer to this .parquet file, with units and meanings."),
    ] = None,
    archive: Annotated[Path, typer.Option("--archive", help="Folder that holds the tests.")] = Path(
        "cuffwatt-archive"
    ),
    form: Annotated[
        Optional[Literal["table", "csv", "json"]],  # noqa: UP045
        typer.Option("--format", help="table, csv or json; default: table on a terminal, csv in a pipe."),
    ] = None,
) -> None:
    """Ask all tests of an archive a named question, or SQL.

    `cuffwatt cohort ask systolic_at sbp_at_watts=75 --only "age_years >= 40"`

    `cuffwatt cohort ask --sql "select sex, avg(sbp_peak_mmhg) from summary group by sex"`

    SQL sees the rows of the archive and nothing else, and writes nothing.
    """
    from pipeline.cohort.question import find, questions

    if listed:
        from pipeline.cohort.answer_view import show_question, show_questions

        if name is None:
            show_questions(questions(), form)
        else:
            show_question(find(name, questions()), form)
        return
    if (name is None) == (sql is None):
        raise UsageError(
            "one question is wanted: a NAME (cuffwatt cohort ask --list has them), or --sql with a SELECT"
        )
    from pipeline.cohort.ask import Request, answer
    from pipeline.cohort.limited import answer_limited

    request = Request(str(archive), name or "", tuple(given or ()), sql or "", tuple(study or ()), only)
    found = answer_limited(request) if request.is_foreign else answer(request)
    from pipeline.cohort.answer_view import show_answer, write_answer

    if out is None:
        show_answer(found, form)
    else:
        write_answer(found, out)
    if found.asked.passed_over:
        raise typer.Exit(1)
