"""The command `record`: sources and consoles meet a live test here."""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections.abc import Sequence
from contextlib import AbstractContextManager, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal
from zoneinfo import ZoneInfo

from pipeline import __version__
from pipeline.errors import UsageError

if TYPE_CHECKING:
    from adapters.base import LiveSource
    from adapters.pressure_notation import Pressures
    from adapters.setup_file import Setup
    from pipeline.archive import TestFolder
    from pipeline.events import Amended
    from pipeline.live import Manner
    from pipeline.protocol import Limits
    from pipeline.record import Recording
    from pipeline.session import Session

Start = Literal["asked", "now", "load"]


@dataclass(frozen=True)
class PageWish:
    """The page is wanted at a port (None: the usual one), shared with the laboratory's network or not."""

    port: int | None = None
    share: bool = False


FROM = "# kept from "
_END_S = 2.0


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
    page: PageWish | None = None,
) -> TestFolder:
    """Record a test until it is closed; the caller seals it.  `page`: on the page, not at the terminal."""
    from pipeline.live import Manner
    from pipeline.output import say

    if headless and page is not None:
        raise UsageError("--headless is without anyone watching, --page is for somebody; give one of them")
    if not headless and page is None:
        from adapters.terminal import needs_terminal

        needs_terminal()
    if idle_min <= 0:
        raise UsageError(f"--idle-min {idle_min:g}: minutes above 0 are wanted, like 10")
    manner = Manner(
        attended=not headless, start=start or ("load" if headless else "asked"), idle_s=60 * idle_min
    )
    if resume is not None:
        opening = _resumed(resume, setup_path, archive_path, rules_path, manner, logging_only=logging_only)
    elif setup_path is not None:
        opening = _opened(setup_path, archive_path, rules_path, manner, logging_only=logging_only)
    else:
        raise UsageError("no setup given; write cuffwatt record SETUP, or cuffwatt record --resume TEST")
    told = _Told()  # from here on there may be a journal
    with opening as recording:
        told.passes_on(recording)
        if headless:
            say("nobody is warned: this records without anyone watching, and shows no flags")
            say(f"recording {recording.folder.path}; end it with Ctrl-C or SIGTERM")
            recording.run()
        elif page is not None:
            _with_page(recording, page, resumed=resume is not None)
        else:
            _with_console(recording)
    return recording.folder


def _opened(
    setup_path: Path, archive_path: Path, rules_path: Path | None, manner: Manner, *, logging_only: bool
) -> AbstractContextManager[Recording]:
    from adapters.local_zone import local_zone
    from adapters.setup_file import load_setup
    from pipeline.archive import Archive
    from pipeline.clock import PipelineClock
    from pipeline.record import Kept, open_test
    from pipeline.rules import load_rules, rules_text

    setup = load_setup(setup_path)
    _check_limits(setup.limits, str(setup_path), manner, logging_only=logging_only)
    rules_file = rules_path or setup.rules_file
    rules = load_rules(rules_file)
    sources = _sources(setup, manner)
    clock = PipelineClock()
    # the test begins now, whatever was written for the last one
    zone = setup.test.timezone or local_zone()
    now = replace(setup, test=setup.test.model_copy(update={"started": None, "timezone": zone}))
    opened = now.test_opened(
        mode="live", anchor=clock.anchor, rules_digest=rules.digest, software=f"cuffwatt {__version__}"
    )
    kept = Kept(
        f"{FROM}{setup_path.absolute()}\n{setup.text}", rules_text(rules_file) if rules_file else None
    )
    return open_test(opened, kept, Archive(archive_path), rules, clock, manner, sources)


def _resumed(
    test: str,
    setup_path: Path | None,
    archive_path: Path,
    rules_path: Path | None,
    manner: Manner,
    *,
    logging_only: bool,
) -> AbstractContextManager[Recording]:
    from adapters.setup_file import load_setup
    from pipeline.archive import Archive
    from pipeline.record import resume_test
    from pipeline.rules import load_rules, rules_text
    from pipeline.seal import rules_of

    folder = Archive(archive_path).find(test)
    setup = load_setup(setup_path or _kept_from(folder))
    _check_limits(setup.limits, str(setup.path), manner, logging_only=logging_only)
    rules = load_rules(rules_path) if rules_path else rules_of(folder)
    text = rules_text(rules_path) if rules_path else None
    sources = _sources(setup, manner)
    return resume_test(folder, rules, manner, sources, f"cuffwatt {__version__}", rules_text=text)


def _check_limits(limits: Limits | None, where: str, manner: Manner, *, logging_only: bool) -> None:
    if not manner.attended and limits is not None and not logging_only:
        raise UsageError(
            f"{where}: [limits] are set, and with --headless nobody sees when one is crossed; record with "
            "somebody watching, or add --logging-only to say that the limits are only written down"
        )


def _sources(setup: Setup, manner: Manner) -> Sequence[LiveSource]:
    """The live sources of a setup; what is left out is said."""
    from adapters.live_sources import live_sources
    from pipeline.output import say

    sources = live_sources(setup)
    live = {source.name for source in sources}
    for name in setup.sources:
        if name not in live:
            say(f"sources.{name}: left out, because a sheet is not live; readings are typed while it records")
    if not sources and not manner.attended:
        raise UsageError(
            f"{setup.path}: no source is live, so without anyone typing there is nothing to record; give a "
            "source of kind serial or csv"
        )
    return sources


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


def _with_console(recording: Recording) -> None:
    """The console in a thread of its own; the recorder keeps this one, and outlives the terminal."""
    from adapters.terminal import Terminal
    from adapters.terminal_desk import Desk, Facts
    from adapters.terminal_words import Wall
    from adapters.typed_entry import Typist
    from pipeline.output import CAUTION

    opened = recording.opened
    here = opened.anchor.astimezone(ZoneInfo(opened.timezone or "UTC"))
    facts = Facts(
        clock=recording.clock,
        wall=Wall(here),
        typist=Typist(here),
        observer=opened.observer,
        correct=lambda *what: _corrected(recording, *what),
        caution=CAUTION,
    )
    terminal = Terminal(Desk(recording.session, facts), recording.session.unattended)
    thread = threading.Thread(target=terminal.run, name="terminal", daemon=True)
    thread.start()
    try:
        recording.run()
    finally:
        terminal.stop()
        thread.join(timeout=_END_S)
        terminal.restore()
        if terminal.gone:
            _say_nothing_more()


def _with_page(recording: Recording, wish: PageWish, *, resumed: bool) -> None:
    """The page in threads of its own; the recorder keeps this one, and never waits for a device."""
    from adapters.page.server import PORT, Facts, PageServer, own_address
    from adapters.typed_entry import Typist
    from pipeline.journal import iter_events
    from pipeline.output import CAUTION, say

    opened = recording.opened
    facts = Facts(
        clock=recording.clock,
        typist=Typist(opened.anchor.astimezone(ZoneInfo(opened.timezone or "UTC"))),
        observer=opened.observer,
        correct=lambda *what: _corrected(recording, *what),
        caution=CAUTION,
        before=list(iter_events(recording.folder.journal)) if resumed else (),
    )
    server = PageServer(
        recording.session,
        facts,
        port=PORT if wish.port is None else wish.port,
        address=own_address() if wish.share else None,
        show=lambda code: say(f"code for the next device: {code}"),
    )
    say(f"recording {recording.folder.path}; the page is at {server.url}")
    say("Ctrl-C closes the test as interrupted")
    server.start()
    try:
        recording.run()
    finally:
        server.end()


def _corrected(
    recording: Recording, seq: int, pressures: Pressures | None, reason: str, by: str
) -> list[Amended]:
    """The amendments of one reading of a test that is being recorded, planned as for one that is over."""
    from pipeline.amend import plan
    from pipeline.amendable import VOID
    from pipeline.journal import read_journal

    changes: dict[str, object] = {VOID: True}
    if pressures is not None:
        changes = {
            "k1_mmhg": pressures.k1_mmhg,
            "k1_at_least": pressures.k1_at_least or None,
            "k4_mmhg": pressures.k4_mmhg,
            "k5_mmhg": pressures.k5_mmhg,
            "heard_to_mmhg": pressures.heard_to_mmhg,
        }
    journal = read_journal(recording.folder.journal)
    return plan(journal, seq, changes, reason=reason, by=by, now=recording.clock.now())


class _Told:
    """Being told to end, from before the test is open: it is then opened, closed and sealed.

    A terminal that goes away ends nothing.
    """

    def __init__(self) -> None:
        self._session: Session | None = None
        self._early = False
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, self._tell)
        signal.signal(signal.SIGHUP, signal.SIG_IGN)

    def _tell(self, *_: object) -> None:
        if self._session is None:
            self._early = True
        else:
            self._session.interrupt()

    def passes_on(self, recording: Recording) -> None:
        """From now on the test is told itself."""
        self._session = recording.session
        if self._early:
            recording.session.interrupt()


def _say_nothing_more() -> None:
    """There is no terminal any more to say anything to, which must not keep the test from being sealed."""
    for stream in (sys.stdout, sys.stderr):
        with suppress(OSError, ValueError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
