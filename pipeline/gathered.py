"""The rows of a whole archive, for a question: gathered, or from the tests' own files.

Each test is checked first.  Where size and time of its journal and files are those of the index, its rows
come from the gathered tables; else its own files say what they were made from, and are read where
that is its journal, the rules kept beside it and this version.  What is left out is named.
"""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Collection, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pyarrow as pa
import pyarrow.dataset as ds

from pipeline.archive import Archive, TestFolder
from pipeline.columns import published
from pipeline.errors import ArchiveError, CuffwattError
from pipeline.gathered_cache import GATHERED, Index, Key, gathered_path, load_index
from pipeline.output import counted
from pipeline.sealed_files import SCHEMA_VERSION, UNREADABLE, found_stamp, read_sealed, schema
from pipeline.shipped import derivation_digest

_TAIL = 65_536


@dataclass(frozen=True)
class PassedOver:
    """A test that a question does not see.

    `why` is never_sealed, stale, unreadable, other_schema or misplaced; `words` say it with what to do.
    """

    study: str
    test_id: str
    why: str
    words: str


@dataclass
class Report:
    """Where the rows of a question came from: counts of tests, and what was passed over."""

    gathered: int = 0
    own_files: int = 0
    passed_over: list[PassedOver] = field(default_factory=list)

    @property
    def tests(self) -> int:
        """All tests of the archive."""
        return self.gathered + self.own_files + len(self.passed_over)

    def words(self) -> str:
        """One line for a person."""
        line = (
            f"{counted(self.tests, 'test')}: {self.gathered} gathered, {self.own_files} from their own files"
        )
        if not self.passed_over:
            return line
        reasons = Counter(one.why.replace("_", " ") for one in self.passed_over)
        why = ", ".join(f"{count} {reason}" for reason, count in sorted(reasons.items()))
        return f"{line}, {len(self.passed_over)} passed over ({why})"


@dataclass(frozen=True)
class Gathered:
    """What a question reads: of each relation the datasets and tables whose rows together are all there are.

    A relation has at least one, with the columns of its sealed file; no row stands in two.
    """

    relations: dict[str, list[ds.Dataset | pa.Table]]
    report: Report


def gathered(archive: Archive, names: Collection[str] = GATHERED) -> Gathered:
    """The relations `names` (summary, stages, readings, flags, samples) of all tests of `archive`.

    Samples always come from the tests' own files.  Raises ArchiveError where there is no such
    folder; one bad test is passed over and named in the report.  A page of the gathered tables that
    was damaged on disk shows only to whoever reads its rows, as an error: `cuffwatt seal` mends it.
    """
    root = archive.root.absolute()
    index = load_index(root) or Index({})
    report = Report()
    kept: set[Key] = set()
    own: dict[str, list[pa.Table]] = {name: [] for name in names}
    samples: list[str] = []
    for key, path in _tests(root):
        if index.holds(key, path, names):
            kept.add(key)
            report.gathered += 1
        else:
            found = _own_rows(TestFolder(*key, Path(path)), names)
            if found is None:
                continue
            if isinstance(found, PassedOver):
                report.passed_over.append(found)
                continue
            report.own_files += 1
            for name, rows in found.items():
                own[name].append(rows)
        samples.append(f"{path}/samples.parquet")
    relations: dict[str, list[ds.Dataset | pa.Table]] = {}
    for name in names:
        if name == "samples":
            if samples:
                relations[name] = [ds.dataset(samples, schema=_plain(name), format="parquet")]
        else:
            parts: list[ds.Dataset | pa.Table] = []
            if kept:
                parts.append(_cached(root, name, set(index.entries) - kept))
            if own[name]:
                parts.append(pa.concat_tables(own[name]))
            if parts:
                relations[name] = parts
        relations.setdefault(name, [_plain(name).empty_table()])
    return Gathered(relations, report)


def _tests(root: Path) -> Iterator[tuple[Key, str]]:
    """Every folder that is named as a test, by study and test id."""
    try:
        studies = sorted(entry.name for entry in os.scandir(root) if entry.name.startswith("study="))
    except OSError as error:
        raise ArchiveError(
            f"{root}: cannot be read ({error.strerror}); name the archive with --archive, or record a "
            "test first"
        ) from None
    for study in studies:
        try:
            tests = sorted(os.listdir(root / study))  # noqa: PTH208 - ten thousand names
        except OSError:
            continue
        for test in tests:
            if test.startswith("test="):
                yield (study.removeprefix("study="), test.removeprefix("test=")), f"{root}/{study}/{test}"


def _cached(root: Path, name: str, gone: set[Key]) -> ds.Dataset:
    checked = ds.ParquetFragmentScanOptions(page_checksum_verification=True)
    dataset = ds.dataset(
        gathered_path(root, name),
        schema=_plain(name),
        format=ds.ParquetFileFormat(default_fragment_scan_options=checked),
    )
    by_study: dict[str, list[str]] = {}
    for study, test_id in gone:
        by_study.setdefault(study, []).append(test_id)
    for study, test_ids in sorted(by_study.items()):
        theirs = (ds.field("study") == study) & ds.field("test_id").isin(test_ids)
        dataset = dataset.filter(~theirs)
    return dataset


def _own_rows(folder: TestFolder, names: Collection[str]) -> dict[str, pa.Table] | PassedOver | None:
    """The rows of one test from its own files, why it is passed over, or None where no test is there."""

    from pipeline.rules import rules_of

    def passed(why: str, words: str) -> PassedOver:
        return PassedOver(folder.study, folder.test_id, why, f"{folder.path}: {words}")

    seal = f"run cuffwatt seal {folder.path}"
    if not folder.journal.is_file():
        return None
    if not any(folder.parquet(name).exists() for name in published()):
        return passed("never_sealed", f"never sealed; {seal}")
    try:
        wanted = {"chain": _last_chain(folder), "rules_digest": rules_of(folder.rules).digest}
    except (CuffwattError, OSError) as error:
        return passed("unreadable", f"{error}")
    wanted["derivation_digest"] = derivation_digest()
    # the summary has a row of every test: it says whose files these are
    for name in dict.fromkeys(("summary", *names)):
        path = folder.parquet(name)
        made = found_stamp(path)
        if made is None:
            return passed("unreadable", f"{path.name} is missing or cannot be read; {seal}")
        if made.get("schema_version") != str(SCHEMA_VERSION):
            return passed(
                "other_schema",
                f"{path.name} has schema version {made.get('schema_version')}, this cuffwatt reads "
                f"{SCHEMA_VERSION}; {seal}",
            )
        if any(made.get(key) != value for key, value in wanted.items()):
            return passed("stale", f"{path.name} was made from another journal, rules or version; {seal}")
    rows = {}
    for name in dict.fromkeys(("summary", *names)):
        if name == "samples":
            continue
        try:
            found = read_sealed(folder.parquet(name))
        except UNREADABLE as error:
            return passed("unreadable", f"{name}.parquet cannot be read ({error}); {seal}")
        if not found.schema.equals(schema(name)):
            return passed("other_schema", f"{name}.parquet has other columns than this cuffwatt; {seal}")
        rows[name] = found.cast(_plain(name)).replace_schema_metadata(None)
    said_of = rows["summary"].select(["study", "test_id"]).to_pylist()
    whose = {(row["study"], row["test_id"]) for row in said_of}
    if whose != {(folder.study, folder.test_id)}:
        said = ", ".join("/".join(key) for key in sorted(whose)) or "no test"
        return passed("misplaced", f"its files are those of {said}; rename the folder, or remove the copy")
    return {name: rows[name] for name in names if name in rows}


def _last_chain(folder: TestFolder) -> str:
    """The chain of the last whole line of a journal, which is not checked otherwise."""
    from pipeline.journal_read import CHAIN_DIGITS, CHAIN_END, read_journal

    path = folder.journal
    with path.open("rb") as file:
        start = max(0, os.fstat(file.fileno()).st_size - _TAIL)
        file.seek(start)
        tail = file.read()
    end = tail.rfind(b"\n") + 1
    digits = tail[end - CHAIN_DIGITS - len(CHAIN_END) : end - len(CHAIN_END)]
    rescued = any(path.parent.glob(f"{path.stem}.rescue-*.jsonl"))
    if rescued or len(digits) != CHAIN_DIGITS or not tail[:end].endswith(CHAIN_END):
        return read_journal(path).head
    return digits.decode("ascii", "replace")


def _plain(name: str) -> pa.Schema:
    """The columns of a relation, names and types alone."""
    return pa.schema([pa.field(column.name, column.type) for column in schema(name)])
