"""What can go wrong, in words for the person who has to act.

    CuffwattError                something is wrong with the data; exit code 1
      UsageError                 the command was given something it cannot use; exit code 2
      InputError                 a file that a person or a device wrote cannot be used
      JournalError               a journal cannot be used; names file, offset and line
        JournalDamaged           bytes before the last newline are not what was written
        JournalLocked            another recorder has it open
        JournalExists            a test of that name is already there
        JournalClosed            the test was closed, nothing may follow
      ArchiveError               the archive folder cannot be used
      NotConfirmed               an entry of a live test is taken and not on disk yet

Every message says what was given, what was wanted and what to do next.  The library raises,
the command line turns it into words and an exit code.
"""

from __future__ import annotations

from pathlib import Path


class CuffwattError(Exception):
    """Something is wrong with the data; the message is for the user."""

    exit_code = 1


class UsageError(CuffwattError, ValueError):
    """The command was given something it cannot use."""

    exit_code = 2


class InputError(CuffwattError, ValueError):
    """A file that a person or a device wrote cannot be used."""


class ArchiveError(CuffwattError, OSError):
    """The archive folder cannot be used."""


class NotConfirmed(CuffwattError):
    """An entry was taken and is not on disk."""


class JournalError(CuffwattError):
    """A journal cannot be used; says where: file, byte offset, line (counted from 1)."""

    def __init__(self, path: Path, problem: str, *, offset: int = 0, line: int = 1) -> None:
        super().__init__(f"{path}: line {line}, byte {offset}: {problem}")
        self.path = path
        self.problem = problem
        self.offset = offset
        self.line = line


class JournalDamaged(JournalError, ValueError):
    """Bytes before the last newline are not what was written."""


class JournalLocked(JournalError, BlockingIOError):
    """Another recorder has it open."""

    def __init__(self, path: Path, problem: str, *, offset: int = 0, line: int = 1) -> None:
        JournalError.__init__(self, path, problem, offset=offset, line=line)

    def __str__(self) -> str:
        return f"{self.path}: {self.problem}"


class JournalExists(JournalError, FileExistsError):
    """A test of that name is already there."""

    def __init__(self, path: Path, problem: str, *, offset: int = 0, line: int = 1) -> None:
        JournalError.__init__(self, path, problem, offset=offset, line=line)

    def __str__(self) -> str:
        # no place in the file is meant
        return f"{self.path}: {self.problem}"


class JournalClosed(JournalError, ValueError):
    """The test was closed, nothing may follow."""
