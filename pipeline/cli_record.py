"""The command `record`: sources and consoles meet a live test here."""

from __future__ import annotations

import signal
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from pipeline import __version__
from pipeline.errors import UsageError

if TYPE_CHECKING:
    from pipeline.archive import TestFolder
    from pipeline.live import Manner
    from pipeline.record import Recording

Start = Literal["asked", "now", "load"]
FROM = "# kept from "


def record(
    setup_path: Path | None,
    resume: str | None,
    archive_path: Path,
    rules_path: Path | None,
    *,
    headless: bool,
    logging_only: bool,
    start: Start | None,
    idle_min: float,
) -> TestFolder:
    """Record a test until it is closed; the caller seals it."""
    from pipeline.live import Manner
    from pipeline.output import say

    manner = Manner(
        attended=not headless, start=start or ("load" if headless else "asked"), idle_s=60 * idle_min
    )
    if resume is not None:
        opening = _resumed(resume, setup_path, archive_path, rules_path, manner)
    elif setup_path is not None:
        opening = _opened(setup_path, archive_path, rules_path, manner, logging_only=logging_only)
    else:
        raise UsageError("no setup given; write cuffwatt record SETUP, or cuffwatt record --resume TEST")
    with opening as recording:
        if headless:
            say("nobody is warned: this records without anyone watching, and shows no flags")
            _watched_by_nobody(recording)
        else:
            from adapters.terminal import Terminal

            _with_console(recording, Terminal)
    return recording.folder


def _opened(
    setup_path: Path, archive_path: Path, rules_path: Path | None, manner: Manner, *, logging_only: bool
) -> AbstractContextManager[Recording]:
    from adapters.live_sources import live_sources
    from adapters.setup_file import load_setup
    from pipeline.archive import Archive
    from pipeline.clock import PipelineClock
    from pipeline.record import Kept, open_test
    from pipeline.rules import load_rules, rules_text

    setup = load_setup(setup_path)
    if not manner.attended and setup.limits is not None and not logging_only:
        raise UsageError(
            f"{setup_path}: [limits] are set, and with --headless nobody sees when one is crossed; record "
            "with somebody watching, or add --logging-only to say that the limits are only written down"
        )
    rules_file = rules_path or setup.rules_file
    rules = load_rules(rules_file)
    sources = live_sources(setup)
    clock = PipelineClock()
    opened = setup.test_opened(
        mode="live", anchor=clock.anchor, rules_digest=rules.digest, software=f"cuffwatt {__version__}"
    )
    kept = Kept(
        f"{FROM}{setup_path.absolute()}\n{setup.text}", rules_text(rules_file) if rules_file else None
    )
    return open_test(opened, kept, Archive(archive_path), rules, clock, manner, sources)


def _resumed(
    test: str, setup_path: Path | None, archive_path: Path, rules_path: Path | None, manner: Manner
) -> AbstractContextManager[Recording]:
    from adapters.live_sources import live_sources
    from adapters.setup_file import load_setup
    from pipeline.archive import Archive
    from pipeline.record import resume_test
    from pipeline.rules import load_rules
    from pipeline.seal import rules_of

    folder = Archive(archive_path).find(test)
    setup = load_setup(setup_path or _kept_from(folder))
    rules = load_rules(rules_path) if rules_path else rules_of(folder)
    return resume_test(folder, rules, manner, live_sources(setup), f"cuffwatt {__version__}")


def _kept_from(folder: TestFolder) -> Path:
    """Where the setup of a test was kept from: its formats lie beside it."""
    try:
        first = folder.setup.read_text(encoding="utf-8").split("\n", 1)[0]
    except OSError as error:
        raise UsageError(
            f"{folder.setup}: cannot be read ({error.strerror}); give the setup too: "
            f"cuffwatt record SETUP --resume {folder.test_id}"
        ) from None
    path = Path(first.removeprefix(FROM))
    if not first.startswith(FROM) or not path.exists():
        raise UsageError(
            f"{folder.setup}: the setup that it was kept from is not there any more; give it: "
            f"cuffwatt record SETUP --resume {folder.test_id}"
        )
    return path


def _watched_by_nobody(recording: Recording) -> None:
    _end_on_signals(recording)
    recording.run()


def _with_console(recording: Recording, console: Callable[..., object]) -> None:
    """The console in a thread of its own; the recorder keeps this one."""
    raise NotImplementedError


def _end_on_signals(recording: Recording) -> None:
    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(number, lambda *_: recording.session.interrupt())
