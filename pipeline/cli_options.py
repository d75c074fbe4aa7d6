"""Options that several commands have."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal, Optional

import typer

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
