"""How a command begins and ends: streams that can be written to, errors in words, an exit code."""

from __future__ import annotations

import contextlib
import errno
import os
import sys
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Any

import typer
from typer.core import TyperGroup

from pipeline.errors import CuffwattError
from pipeline.output import say


class Commands(TyperGroup):
    """The commands as a group; what the framework would end without a word is said here."""

    def invoke(self, ctx: Any) -> Any:
        """Run the command that was asked for; its output has left when this returns."""
        try:
            result = super().invoke(ctx)
            sys.stdout.flush()
        except KeyboardInterrupt:
            raise CuffwattError(
                "stopped from the keyboard; what was there before is untouched, what was under way is "
                "not kept"
            ) from None
        except OSError as error:
            if isinstance(error, CuffwattError) or error.filename is not None:
                raise
            _output_closed()
            if error.errno == errno.EPIPE:  # the reader has had enough, as `head` has
                raise typer.Exit(0) from None
            raise CuffwattError(
                f"the output cannot be written ({error.strerror}); send it somewhere else, or free space"
            ) from None
        return result


def run(app: Callable[[], None]) -> None:
    """Run the command line; errors leave as words and an exit code, never as a traceback."""
    _streams()
    try:
        app()
    except CuffwattError as error:
        say(f"cuffwatt: {error}")
        sys.exit(error.exit_code)
    except Exception as error:
        say(f"cuffwatt: {_fault(error)}")
        sys.exit(1)


def _streams() -> None:
    """Streams that can be written to, whatever was closed and whatever the terminal can show."""
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: SIM115, PTH123
        reconfigure = getattr(getattr(sys, name), "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="backslashreplace")


def _output_closed() -> None:
    """Nothing more can go to stdout; what is still in its buffer must not fail again at exit."""
    with contextlib.suppress(OSError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _fault(error: Exception) -> str:
    """An error that nobody foresaw, with the place where it arose."""
    frame = traceback.extract_tb(error.__traceback__)[-1]
    place = f"{Path(frame.filename).name}, line {frame.lineno}"
    if isinstance(error, OSError) and error.filename is not None:
        return f"{error.filename}: {error.strerror} ({place}); check the file, its rights and the free space"
    return (
        f"a fault of the program, not of your data: {type(error).__name__}: {error} ({place}); "
        "what was there before is untouched, please report it"
    )
