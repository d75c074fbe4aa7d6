"""The commands for tests that are there: seal, verify, amend."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Optional

import typer

from pipeline.cli_join import make_files
from pipeline.cli_options import DEFAULT_ARCHIVE, ArchiveOption, FormatOption, RulesOption, TestsArgument
from pipeline.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Iterable

    from pipeline.archive import TestFolder
    from pipeline.journal import JournalRead


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
    make_files(folder)
    journal = read_journal(folder.journal)
    show_amended(amendments, journal, before, sealed_rows(folder), form)
    if not journal.closed:
        say(f"{folder.journal}: the test was never closed; the amendment is kept all the same")


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
