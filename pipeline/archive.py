"""Where tests lie, and how a file gets there whole.

    ROOT/study=S/test=T/journal.jsonl  setup.toml  *.parquet  report.html

A file is written under a hidden temporary name in its own folder, synced, renamed and the
folder synced: whoever reads sees the old file or the new one, also after a power cut.
"""

from __future__ import annotations

import difflib
import itertools
import os
import re
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import ArchiveError, JournalExists, UsageError

JOURNAL_NAME = "journal.jsonl"
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,63}")
_TEMPORARY = re.compile(r"\.cuffwatt-.+\.(?P<host>[A-Za-z0-9_-]+)\.(?P<pid>[0-9]+)\.[0-9]+\.tmp")
_HOST = re.sub(r"[^A-Za-z0-9_-]", "-", os.uname().nodename) or "host"
_numbers = itertools.count(1)


@dataclass(frozen=True)
class Disk:
    """The calls that can fail on a full or failing disk; tests pass others."""

    write: Callable[[int, bytes], int] = os.write
    fsync: Callable[[int], None] = os.fsync
    truncate: Callable[[int, int], None] = os.ftruncate

    def sync_folder(self, folder: Path) -> None:
        """Make the names in `folder` last: a rename without it can be undone by a crash."""
        descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            self.fsync(descriptor)
        finally:
            os.close(descriptor)


DISK = Disk()


@dataclass(frozen=True, order=True)
class TestFolder:
    """The folder of one test, named after its study and test id."""

    __test__ = False  # a name that pytest would otherwise collect

    study: str
    test_id: str
    path: Path

    @classmethod
    def at(cls, root: Path, study: str, test_id: str) -> TestFolder:
        """The folder of that test in the archive at `root`."""
        return cls(study, test_id, root / f"study={study}" / f"test={test_id}")

    @property
    def journal(self) -> Path:
        """The journal, from which everything else can be made again."""
        return self.path / JOURNAL_NAME

    @property
    def setup(self) -> Path:
        """The setup as it was given."""
        return self.path / "setup.toml"

    @property
    def rules(self) -> Path:
        """The lab's own rules file as it was given; absent where the default set held."""
        return self.path / "rules.toml"

    @property
    def report(self) -> Path:
        """The page with figures."""
        return self.path / "report.html"

    def parquet(self, name: str) -> Path:
        """The file of one published relation: samples, stages, readings, flags or summary."""
        return self.path / f"{name}.parquet"

    def check_ids(self, study: str, test_id: str) -> None:
        """Raise ArchiveError unless the journal's own ids are those of the folder."""
        if (study, test_id) != (self.study, self.test_id):
            raise ArchiveError(
                f"{self.path}: the folder says study {self.study}, test {self.test_id}, its journal "
                f"says study {study}, test {test_id}; move it to study={study}/test={test_id}"
            )


class Archive:
    """All tests under one root; nothing is read or made before it is asked for."""

    def __init__(self, root: Path | str) -> None:
        self.root = Path(root)

    def test_folder(self, study: str, test_id: str) -> TestFolder:
        """Where that test lies or would lie; UsageError if an id cannot be a folder's name."""
        for what, name in (("study", study), ("test id", test_id)):
            if not _NAME.fullmatch(name):
                raise UsageError(
                    f"{what} {name!r}: 1 to 64 letters, digits, hyphens and underscores are wanted, "
                    "beginning with a letter or digit; choose another"
                )
        return TestFolder.at(self.root, study, test_id)

    def create(self, study: str, test_id: str, disk: Disk = DISK) -> TestFolder:
        """Make the folder of a new test; JournalExists if it already holds a journal."""
        folder = self.test_folder(study, test_id)
        if os.path.lexists(folder.journal):
            raise journal_exists(folder.journal)
        missing = [p for p in (folder.path, *folder.path.parents) if not p.exists()]
        try:
            folder.path.mkdir(parents=True, exist_ok=True)
            for made in reversed(missing):
                disk.sync_folder(made.parent)
        except OSError as error:
            raise not_writable(folder.path, error) from error
        return folder

    def tests(self) -> Iterator[TestFolder]:
        """Every test that has a journal, by study and test id.

        Folders whose names cannot be read are left out; `strays` lists them.
        """
        for path in self._with_journal():
            folder = _folder_at(path)
            if folder is not None:
                yield folder

    def strays(self) -> list[Path]:
        """Folders that hold a journal but are not named study=S/test=T."""
        return [path for path in self._with_journal() if _folder_at(path) is None]

    def find(self, wanted: Path | str) -> TestFolder:
        """The test meant by a path (folder or journal), a STUDY/TEST or a test id.

        Raises UsageError if there is none or if several studies have one of that id.
        """
        path = Path(wanted)
        path = path.parent if path.name == JOURNAL_NAME else path
        if (path / JOURNAL_NAME).is_file():
            folder = _folder_at(path.absolute())
            if folder is None:
                raise UsageError(
                    f"{path}: the folder holds a journal but is not named study=S/test=T; rename it "
                    "after the study and test_id in the journal's first line"
                )
            return folder
        tests = list(self.tests())
        text = str(wanted)
        found = [t for t in tests if text in (t.test_id, f"{t.study}/{t.test_id}")]
        if len(found) == 1:
            return found[0]
        if found:
            names = ", ".join(f"{t.study}/{t.test_id}" for t in found)
            raise UsageError(f"{text!r} is in {len(found)} studies; write one of {names}")
        near = difflib.get_close_matches(text, [t.test_id for t in tests], n=3)
        hint = f"did you mean {' or '.join(near)}?" if near else "give a test id, STUDY/TEST or a path"
        raise UsageError(f"no test {text!r} in {self.root}, which holds {len(tests)} tests; {hint}")

    def within(self, wanted: Path | str) -> list[TestFolder]:
        """The tests meant by an archive's root, a study's folder or whatever `find` takes."""
        path = Path(wanted)
        if path.is_dir() and not (path / JOURNAL_NAME).is_file():
            if path.name.startswith("study="):
                tests = [t for t in Archive(path.parent).tests() if t.path.parent.name == path.name]
            else:
                tests = list(Archive(path).tests())
            if tests:
                return tests
            raise UsageError(f"{path}: no test there; give an archive, a study=S folder or a test")
        return [self.find(wanted)]

    def _with_journal(self) -> Iterator[Path]:
        if not self.root.is_dir():
            raise ArchiveError(
                f"{self.root}: no such folder; name the archive with --archive, or record a test first"
            )
        try:
            for study in sorted(p for p in self.root.absolute().iterdir() if p.is_dir()):
                for name in sorted(os.listdir(study)):  # noqa: PTH208 - there may be 50,000
                    if not name.startswith(".") and os.path.isfile(f"{study}/{name}/{JOURNAL_NAME}"):  # noqa: PTH113
                        yield study / name
        except OSError as error:
            raise ArchiveError(
                f"{self.root}: cannot be read ({error.strerror}); check the rights of the folder"
            ) from error


def journal_exists(journal: Path) -> JournalExists:
    """The error for a test that is already there."""
    return JournalExists(
        journal,
        "An existing test is never overwritten; give the new one another id, or resume this one",
    )


def not_writable(path: Path, error: OSError) -> ArchiveError:
    """The error for a folder or file that cannot be written, with the system's own reason."""
    return ArchiveError(
        f"{path}: cannot be written ({error.strerror}); check the rights and the free space, "
        "or name another folder with --archive"
    )


def temporary(final: Path) -> Path:
    """A hidden name beside `final` that no other process uses."""
    return final.with_name(f".cuffwatt-{final.name}.{_HOST}.{os.getpid()}.{next(_numbers)}.tmp")


def publish(tmp: Path, final: Path, disk: Disk = DISK) -> None:
    """Give the file at `tmp` the name `final`, so that it is there whole and lasts.

    Raises ArchiveError; `tmp` is then gone and `final` is what it was, or, where only the last
    step failed, already new.
    """
    try:
        descriptor = os.open(tmp, os.O_RDONLY)
        try:
            disk.fsync(descriptor)
        finally:
            os.close(descriptor)
        os.replace(tmp, final)  # noqa: PTH105 - kept in the order of the docstring's words
        disk.sync_folder(final.parent)
    except OSError as error:
        _discard(tmp)
        raise not_writable(final, error) from error


def publish_with(final: Path, write: Callable[[Path], object], disk: Disk = DISK) -> None:
    """Let `write` make a file under the temporary name it is given, then publish it as `final`.

    Raises ArchiveError if that cannot be; whatever `write` raises, no half file stays.
    """
    tmp = temporary(final)
    try:
        write(tmp)
    except OSError as error:
        _discard(tmp)
        raise not_writable(final, error) from error
    except BaseException:
        _discard(tmp)
        raise
    publish(tmp, final, disk)


def publish_bytes(final: Path, data: bytes, disk: Disk = DISK) -> None:
    """Write `data` to `final` whole, replacing what was there; ArchiveError if it cannot be."""

    def write(tmp: Path) -> None:
        descriptor = os.open(tmp, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666)
        try:
            rest = data
            while rest:
                rest = rest[disk.write(descriptor, rest) :]
        finally:
            os.close(descriptor)

    publish_with(final, write, disk)


def sweep(folder: Path) -> list[Path]:
    """Remove the temporary files and folders that a process of this machine left when it died.

    Returns what was removed.  Files of living processes and of other machines stay.
    """
    removed = []
    for path in sorted(folder.iterdir()) if folder.is_dir() else []:
        match = _TEMPORARY.fullmatch(path.name)
        if match and match["host"] == _HOST and not _alive(int(match["pid"])):
            _discard(path)
            removed.append(path)
    return removed


def _alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except (ProcessLookupError, OverflowError):
        return False
    except PermissionError:
        pass
    return True


def _discard(path: Path) -> None:
    try:
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path)
        else:
            path.unlink(missing_ok=True)
    except OSError:
        return  # a stale hidden file harms nobody; the error under way says more


def _folder_at(path: Path) -> TestFolder | None:
    study, test = path.parent.name, path.name
    if not (study.startswith("study=") and test.startswith("test=")):
        return None
    study, test = study.removeprefix("study="), test.removeprefix("test=")
    if not (_NAME.fullmatch(study) and _NAME.fullmatch(test)):
        return None
    return TestFolder(study, test, path)
