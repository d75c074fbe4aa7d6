"""How a command ends: words and an exit code, whatever goes wrong."""

from __future__ import annotations

import errno
import sys
from collections.abc import Callable
from typing import Any

import pytest
import typer

from pipeline.command import Commands, run
from pipeline.errors import ArchiveError, InputError, UsageError


def command(fails: Callable[[], Any]) -> typer.Typer:
    app = typer.Typer(cls=Commands, add_completion=False, pretty_exceptions_enable=False)

    @app.callback()
    def group() -> None:
        """A group of one."""

    @app.command()
    def go() -> None:
        """Do it."""
        fails()

    return app


def raises(error: BaseException) -> Callable[[], Any]:
    def fail() -> None:
        raise error

    return fail


@pytest.mark.parametrize(
    ("error", "code", "said"),
    [
        (InputError("x.csv: is empty"), 1, "cuffwatt: x.csv: is empty\n"),
        (UsageError("no such test"), 2, "cuffwatt: no such test\n"),
        (ArchiveError("a: cannot be written"), 1, "cuffwatt: a: cannot be written\n"),
        (KeyboardInterrupt(), 1, "cuffwatt: stopped from the keyboard; what was there before is untouched"),
        (BrokenPipeError(errno.EPIPE, "Broken pipe"), 0, ""),
        (OSError(errno.ENOSPC, "No space left"), 1, "cuffwatt: the output cannot be written (No space left)"),
        (
            PermissionError(errno.EACCES, "Permission denied", "/a/file"),
            1,
            "cuffwatt: /a/file: Permission denied (test_command.py, line ",
        ),
        (
            KeyError("elapsed"),
            1,
            "cuffwatt: a fault of the program, not of your data: KeyError: 'elapsed' (test_command.py, line ",
        ),
        (typer.Exit(1), 1, ""),
    ],
)
def test_every_end_has_its_words_and_its_code(
    error: BaseException,
    code: int,
    said: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setattr(sys, "argv", ["cuffwatt", "go"])
    # pytest's own streams have no place to be put aside
    monkeypatch.setattr("pipeline.command._output_closed", lambda: None)
    with pytest.raises(SystemExit) as ended:
        run(command(raises(error)))
    assert ended.value.code == code
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith(said)
    assert "Traceback" not in err
    assert len(err.splitlines()) == bool(said)


def test_a_command_that_goes_well_ends_with_zero(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "argv", ["cuffwatt", "go"])
    with pytest.raises(SystemExit) as ended:
        run(command(lambda: print("done")))
    assert (ended.value.code, capsys.readouterr().out) == (0, "done\n")


def test_streams_that_are_closed_are_no_trouble(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "argv", ["cuffwatt", "go"])
    with monkeypatch.context() as closed:
        closed.setattr(sys, "stdout", None)
        closed.setattr(sys, "stderr", None)
        with pytest.raises(SystemExit) as ended:
            run(command(raises(InputError("nobody sees it"))))
        sys.stdout.close()
        sys.stderr.close()
    assert ended.value.code == 1
