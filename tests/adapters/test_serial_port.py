"""Live sources: one contract for ports and played logs, then what only a port can do."""

from __future__ import annotations

import termios
import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from statistics import median
from typing import Any

import pytest
from serial import SerialException

from adapters.csv_log import read_log
from adapters.csv_replay import CsvReplay
from adapters.log_format import PLAIN, LogFormat, Poll, load_format, parse_format
from adapters.port import PortMissing
from adapters.serial_port import SerialPort
from adapters.setup_sections import SerialSource
from pipeline.clock import PipelineClock
from pipeline.errors import InputError
from pipeline.events import Event
from pipeline.shipped import shipped

WALL = datetime(2026, 3, 14, 8, 30, tzinfo=UTC)
LOAD = parse_format(
    {"delimiter": ",", "header": False, "columns": 2, "time": {"form": "none"}, "watts": {"column": 1},
     "cadence_rpm": {"column": 2}},
    "format",
)  # fmt: skip
POLLED = load_format(shipped("fixtures") / "formats" / "polled_line.toml")


def source_on(device: Any, fmt: LogFormat = LOAD, *, opened: bool = True, **others: Any) -> SerialPort:
    """A source on a device; already open, so that nothing is said into a port that nobody reads."""
    if hasattr(device, "connection"):
        others["connect"] = lambda: device.connection
    source = SerialPort("bike", SerialSource(kind="serial", port=device.port), fmt, **others)
    if opened:
        source.open()
    return source


@pytest.fixture(params=["pty", "loop"])
def device(request: pytest.FixtureRequest, pty: Any, loop: Any) -> Any:
    return {"pty": pty, "loop": loop}[request.param]


@pytest.fixture(params=["pty", "loop", "csv"])
def playing(
    request: pytest.FixtureRequest, pty: Any, loop: Any, tmp_path: Path, run: Callable[..., Any]
) -> Callable[[str], Any]:
    """(text of a log) -> a source that gives it, running; its first row is at the test's start."""

    def play(text: str) -> Any:
        if request.param == "csv":
            (tmp_path / "bike.csv").write_text(text)
            ranks = "watts=1,cadence_rpm=1,heart_rate_bpm=2"
            return run(CsvReplay(read_log(tmp_path / "bike.csv", name="bike", ranks=ranks)))
        device = {"pty": pty, "loop": loop}[request.param]
        running = run(source_on(device, PLAIN, ranks="watts=1,cadence_rpm=1,heart_rate_bpm=2"))
        device.say(text.encode())
        return running

    return play


class TestEveryLiveSource:
    TEXT = (
        "time,watts,cadence_rpm\n2026-03-14T08:30:00Z,100,60\n2026-03-14T08:30:00Z,1x0,\n"
        "2026-03-14T08:30:00Z,102,62\n"
    )

    def test_it_announces_itself_and_gives_its_lines_in_order(self, playing: Callable[[str], Any]) -> None:
        running = playing(self.TEXT)
        opened = running.next()
        assert opened.kind == "source_opened"
        assert (opened.source, opened.name) == ("bike", "bike")
        assert opened.clock_method == "none"
        last = running.until("sample", 2)
        assert [(e.watts, e.cadence_rpm) for e in running.of("sample")] == [(100, 60), (102, 62)]
        # the header said what there is
        announced = running.of("source_opened")[-1]
        assert (announced.measures, announced.ranks) == ("watts,cadence_rpm", "watts=1,cadence_rpm=1")
        [rejected] = running.of("line_rejected")
        assert rejected.raw == "2026-03-14T08:30:00Z,1x0,"
        assert "'1x0' is no number" in rejected.reason
        assert all(e.seq is None and e.elapsed_s is None for e in running.events)
        assert last.event_time == WALL

    def test_it_ends_soon_after_it_is_told_to(self, playing: Callable[[str], Any]) -> None:
        # the second row is an hour away
        running = playing("time,watts\n2026-03-14T08:30:00Z,100\n2026-03-14T09:30:00Z,100\n")
        running.until("sample")
        running.stop.set()
        running.thread.join(2.0)
        assert not running.thread.is_alive()


# ---- lines ------------------------------------------------------------------------------------


def test_the_line_that_had_begun_at_the_opening_is_counted_and_kept(
    device: Any, run: Callable[..., Any]
) -> None:
    running = run(source_on(device))
    device.say(b"20,60\n120,60\n")
    sample = running.until("sample")
    [rejected] = running.of("line_rejected")
    assert (sample.watts, rejected.raw) == (120, "20,60")
    assert rejected.reason.startswith("first_partial: 5 bytes")


def test_halves_of_a_line_are_one_line(device: Any, run: Callable[..., Any]) -> None:
    running = run(source_on(device))
    for part in (b"\n12", b"5,6", b"1\r", b"\n130,", b"62\r\n"):
        device.say(part)
    running.until("sample", 2)
    assert [(e.watts, e.cadence_rpm) for e in running.of("sample")] == [(125, 61), (130, 62)]
    assert running.of("line_rejected") == []


def test_garbage_costs_no_good_line(device: Any, run: Callable[..., Any]) -> None:
    running = run(source_on(device))
    device.say(b"\n120,60\n\xff\xfe\x80\n12\x000,60\n" + b"U" * 5000 + b"\n121,61\n")
    running.until("sample", 2)
    assert [e.watts for e in running.of("sample")] == [120, 121]
    reasons = [e.reason for e in running.of("line_rejected")]
    assert [reason.partition(":")[0] for reason in reasons] == [
        "holds what is no utf-8 text",
        "holds NUL bytes, as after a loss of power",
        "no line end within 2000 bytes",
        "3000 more bytes of an over-long line, not kept",
    ]
    # everything that came is kept, or counted
    assert [e.raw for e in running.of("line_rejected")] == [
        "\\xff\\xfe\\x80",
        "12\\x000,60",
        "U" * 2000,
        "",
    ]


class Scripted:
    """Gives these (second of the test's clock, bytes), then is unplugged, or sets `stop`."""

    def __init__(self, hand: Any, *steps: tuple[float, bytes], stop: threading.Event | None = None) -> None:
        self.in_waiting = 0
        self.sent: list[bytes] = []
        self._hand, self._steps, self._stop = hand, list(steps), stop

    def read(self, size: int = 1) -> bytes:
        if not self._steps:
            raise SerialException("device disconnected")
        self._hand.s, octets = self._steps.pop(0)
        if not self._steps and self._stop is not None:
            self._stop.set()
        return octets

    def write(self, data: bytes) -> None:
        self.sent.append(data)

    def close(self) -> None:
        assert self._steps == []


def played(hand: Any, fmt: LogFormat, stop: threading.Event, *connections: Any) -> list[Any]:
    """What is put while these are connected one after the other; an error is one that opening gives."""
    coming, events = iter(connections), list[Any]()

    def connect() -> Any:
        connection = next(coming)
        if isinstance(connection, Exception):
            raise connection
        return connection

    source = SerialPort("bike", SerialSource(kind="serial", port="X"), fmt, connect=connect)
    source.run(events.append, stop, hand.clock)
    return events


def test_half_a_line_at_the_end_is_kept(hand: Any) -> None:
    stop = threading.Event()
    events = played(hand, LOAD, stop, Scripted(hand, (0, b"\n120,60\n"), (0.1, b"12"), stop=stop))
    assert [event.kind for event in events] == ["source_opened", "sample", "line_rejected"]
    assert (events[-1].raw, events[-1].reason) == ("12", "cut in mid-line: the recording ended")


@pytest.mark.parametrize(
    ("fmt", "pause_s", "kinds"),
    [
        (LOAD, 0.9, ["sample"]),
        (LOAD, 1.1, ["line_rejected"]),
        # asked once a second: half of that, because then comes the next answer
        (POLLED, 0.4, ["sample"]),
        (POLLED, 0.6, ["line_rejected"]),
    ],
)
def test_a_line_that_pauses_in_its_middle_may_be_two(
    fmt: LogFormat, pause_s: float, kinds: list[str], hand: Any
) -> None:
    begun, ended = (b"\n12", b"0,60\n") if fmt is LOAD else (b"$P,12", b"0,60*65\r\n")
    stop = threading.Event()
    events = played(hand, fmt, stop, Scripted(hand, (0, begun), (pause_s, ended), stop=stop))
    assert [event.kind for event in events[1:]] == kinds


def test_four_devices_at_50_hz_lose_no_line(run: Callable[..., Any], ptys: Any) -> None:
    count, clock = 75, PipelineClock()
    devices = ptys(4)
    runs = [run(source_on(device), clock=clock) for device in devices]
    sent: list[list[datetime]] = [[] for _ in devices]
    pace = threading.Event()

    def send(device: Any, times: list[datetime]) -> None:
        device.say(b"\n")
        for n in range(count):
            pace.wait(0.02)  # the device's own pace, nothing is awaited
            times.append(clock.now())
            device.say(b"%d,60\r\n" % n)

    senders = [threading.Thread(target=send, args=pair) for pair in zip(devices, sent, strict=True)]
    for sender in senders:
        sender.start()
    for running in runs:
        running.until("sample", count)
    for sender in senders:
        sender.join()
    for running, times in zip(runs, sent, strict=True):
        samples = running.of("sample")
        assert [e.watts for e in samples] == list(range(count))
        late_s = [(e.event_time - at).total_seconds() for e, at in zip(samples, times, strict=True)]
        # stamped after it was sent, and when it came, not when a time-out had passed
        assert min(late_s) >= 0
        assert median(late_s) < 0.08
        assert {e.kind for e in running.end()} == {"source_opened", "sample"}


# ---- polled devices ---------------------------------------------------------------------------


def test_a_polled_device_is_asked_and_may_answer_late_wrongly_or_not_at_all(
    pty: Any, hand: Any, run: Callable[..., Any]
) -> None:
    running = run(source_on(pty, POLLED))
    assert pty.asked(3) == b"P?\r"
    # what answers the first question is whole. XOR of "P,120,60" is 0x65
    pty.say(b"$P,120,60*65\r\n")
    assert running.until("sample").event_time == WALL
    hand.s = 1.0
    assert pty.asked(3) == b"P?\r"
    pty.say(b"$P,121,60*65\r\n")
    assert running.until("line_rejected").reason == (
        "the checksum is 65 and should be 64: damaged on the way"
    )
    hand.s = 2.0
    assert pty.asked(3) == b"P?\r"  # no answer
    hand.s = 3.0
    assert pty.asked(3) == b"P?\r"
    hand.s = 3.9
    pty.say(b"$P,120,61*64\r\n")
    late = running.until("sample")
    assert (late.watts, late.cadence_rpm) == (120, 61)
    assert late.event_time == WALL + timedelta(seconds=3.9)
    # the machine was busy for ten seconds: one question, then one a second again
    hand.s = 14.0
    assert pty.asked(3) == b"P?\r"
    pty.say(b"$P,120,60*65\r\n")
    running.until("sample")
    hand.s = 14.5
    pty.say(b"$P,120,60*65\r\n")
    running.until("sample")
    running.end()
    assert not pty.was_asked()


# ---- lost and found ---------------------------------------------------------------------------


def test_an_unplugged_port_is_lost_at_once_and_found_again(
    pty: Any, hand: Any, run: Callable[..., Any]
) -> None:
    running = run(source_on(pty))
    hand.s = 10.0
    pty.say(b"\n120,60\n12")
    running.until("sample")
    pty.unplug()
    lost = running.until("source_lost")
    assert lost.reason.startswith(f"port '{pty.port}' was lost: unplugged or switched off")
    hand.s = 17.5
    pty.plug()
    found = running.saying_until(lambda: pty.say(b"130,60\n"), "source_found")
    assert found.gap_s == 7.5
    assert running.until("sample").watts == 130
    # one loss, however often the port was looked for; what had begun is kept on both sides
    assert len(running.of("source_lost")) == 1
    reasons = [e.reason.partition(":")[0] for e in running.of("line_rejected")]
    assert set(reasons) <= {"cut in mid-line", "first_partial"}
    assert reasons.count("first_partial") == 1


def test_a_port_that_is_missing_at_the_start_is_waited_for(
    pty: Any, hand: Any, run: Callable[..., Any]
) -> None:
    pty.unplug()
    running = run(source_on(pty, opened=False))
    assert running.next().kind == "source_opened"
    assert running.until("source_lost").reason == (
        f"port '{pty.port}' is not there; plug the device in, or correct port"
    )
    hand.s = 30.0
    pty.plug()
    found = running.saying_until(lambda: pty.say(b"130,60\n"), "source_found")
    assert found.gap_s == 30.0


class Unhurried(threading.Event):
    """A stop event that notes how long it was waited for, and does not."""

    def __init__(self, most: int) -> None:
        super().__init__()
        self.waits_s: list[float | None] = []
        self._most = most

    def wait(self, timeout: float | None = None) -> bool:
        self.waits_s.append(timeout)
        if len(self.waits_s) == self._most:
            self.set()
        return self.is_set()


def test_a_missing_port_is_looked_for_less_and_less_often(hand: Any) -> None:
    missing, taken = PortMissing("port 'X' is not there"), InputError("port 'X' is in use")
    stop = Unhurried(most=7)
    events = played(hand, LOAD, stop, *[missing] * 3, taken, *[missing] * 3)
    assert stop.waits_s == [0.5, 1, 2, 4, 5, 5, 5]
    # each thing that a person can act on is said once
    assert [getattr(event, "reason", event.kind) for event in events] == [
        "source_opened",
        "port 'X' is not there",
        "port 'X' is in use",
    ]


def test_a_port_that_is_gone_is_lost_once_and_its_wait_begins_anew_with_a_line(hand: Any) -> None:
    missing = PortMissing("port 'X' is not there")
    stop = Unhurried(most=5)
    first, second = (Scripted(hand, (at_s, b"\n120,60\n")) for at_s in (1, 7))
    events = played(hand, LOAD, stop, first, missing, missing, second, missing)
    assert stop.waits_s == [0.5, 1, 2, 0.5, 1]
    assert [event.kind for event in events] == [
        "source_opened", "sample", "source_lost", "source_found", "sample", "source_lost"
    ]  # fmt: skip
    assert events[3].gap_s == 6


def test_elapsed_times_begin_anew_when_a_port_was_opened_again(hand: Any) -> None:
    fmt = parse_format(
        {"delimiter": ",", "header": False, "time": {"column": 1, "form": "elapsed_s"},
         "watts": {"column": 2}},
        "format",
    )  # fmt: skip
    first = Scripted(hand, (10, b"\n1000,120\n"))
    # another device of the same kind, whose counter stands elsewhere
    second = Scripted(hand, (20, b"\n5000,120\n"))
    events = played(hand, fmt, Unhurried(most=2), first, second)
    samples = [(e.event_time - WALL).total_seconds() for e in events if e.kind == "sample"]
    assert samples == [10, 20]


class Failing:
    """A connection that is lost with the first look, in one of the ways in which ports are."""

    in_waiting = 0

    def __init__(self, error: Exception) -> None:
        self._error = error
        self.closed = 0

    def read(self, size: int = 1) -> bytes:
        raise self._error

    def write(self, data: bytes) -> None:
        raise self._error

    def close(self) -> None:
        self.closed += 1
        raise self._error


ERRORS = [
    SerialException("device reports readiness to read but returned no data"),
    OSError(5, "Input/output error"),
    termios.error(5, "Input/output error"),
]


@pytest.mark.parametrize("error", ERRORS, ids=["serial", "os", "termios"])
@pytest.mark.parametrize("fmt", [LOAD, POLLED], ids=["sends", "polled"])
def test_every_way_of_being_unplugged_is_a_loss_and_a_port_that_flaps_is_not_hurried_after(
    error: Exception, fmt: LogFormat, hand: Any
) -> None:
    stop, events, connection = Unhurried(most=4), list[Event](), Failing(error)
    source = SerialPort("bike", SerialSource(kind="serial", port="X"), fmt, connect=lambda: connection)
    source.run(events.append, stop, hand.clock)
    assert [event.kind for event in events] == ["source_opened", "source_lost"]
    assert stop.waits_s == [0.5, 1, 2, 4]
    assert connection.closed == 4


def test_a_source_that_says_nothing_is_lost_though_its_port_is_open(
    device: Any, hand: Any, run: Callable[..., Any]
) -> None:
    running = run(source_on(device))
    device.say(b"\n120,60\n")
    running.until("sample")
    hand.s = 15.5
    assert running.until("source_lost").reason == "silent: no line for 16 s"
    hand.s = 20.0
    device.say(b"121,60\n")
    assert running.until("source_found").gap_s == 20.0
    assert running.until("sample").watts == 121
    device.say(b"?\n?\n")
    running.until("line_rejected", 2)
    hand.s = 40.0
    # two wrong lines are none
    assert running.until("source_lost").reason == "silent: 2 lines in 20 s, none readable"
    device.say(b"122,60\n")
    running.until("sample")
    hand.s = 60.0
    assert running.until("source_lost").reason == "silent: no line for 20 s"


def test_a_slow_source_is_given_four_of_its_intervals(
    device: Any, hand: Any, run: Callable[..., Any]
) -> None:
    running = run(source_on(device))
    device.say(b"\n")
    for hand.s in (0.0, 10.0, 20.0, 30.0):
        device.say(b"120,60\n")
        running.until("sample")
    hand.s = 69.0  # 39 s after the last, its interval being 10 s
    for _ in range(2):
        device.say(b"?\n")
        running.until("line_rejected")
    assert running.of("source_lost") == []
    hand.s = 71.0
    assert running.until("source_lost").event_time == WALL + timedelta(seconds=71)


def test_a_polled_source_is_given_four_of_its_intervals(hand: Any) -> None:
    fmt = LOAD.model_copy(update={"poll": Poll(command="P", every_s=10.0)})
    stop = threading.Event()
    device = Scripted(hand, (0, b"120,60\n"), (39, b""), (41, b""), stop=stop)
    events = played(hand, fmt, stop, device)
    assert [(e.kind, (e.event_time - WALL).total_seconds()) for e in events[1:]] == [
        ("sample", 0),
        ("source_lost", 41),
    ]
    # at 0 s; at the first look after 10 s, and not again at the second, which is 2 s later
    assert device.sent == [b"P", b"P"]


@pytest.mark.parametrize(("every_s", "wait_s"), [(1.0, 0.1), (0.02, 0.02)])
def test_waiting_for_an_answer_does_not_hold_up_the_next_question(
    monkeypatch: pytest.MonkeyPatch, hand: Any, every_s: float, wait_s: float
) -> None:
    given: list[float] = []

    def remember(settings: SerialSource, *, wait_s: float) -> Scripted:
        given.append(wait_s)
        return Scripted(hand)

    monkeypatch.setattr("adapters.serial_port.open_port", remember)
    fmt = LOAD.model_copy(update={"poll": Poll(command="P", every_s=every_s)})
    source_on(SerialSource(kind="serial", port="X"), fmt).close()
    assert given == [wait_s]


# ---- opening ----------------------------------------------------------------------------------


def test_a_second_reader_is_refused(pty: Any, hand: Any, run: Callable[..., Any]) -> None:
    run(source_on(pty))
    second = SerialPort("strap", SerialSource(kind="serial", port=pty.port), LOAD)
    with pytest.raises(InputError, match=r"source strap: port '.*/device' is in use by another program"):
        second.open()
    # in its thread it waits until the port is free
    running = run(second)
    assert "is in use by another program" in running.until("source_lost").reason


def test_a_missing_port_is_named_with_those_that_are_there(tmp_path: Path) -> None:
    source = SerialPort("bike", SerialSource(kind="serial", port=str(tmp_path / "none")), LOAD)
    with pytest.raises(
        InputError, match=r"source bike: port '.*none' is not there; .*ports of this machine are"
    ):
        source.open()


def test_the_port_is_given_back(pty: Any, run: Callable[..., Any]) -> None:
    running = run(source_on(pty))
    running.next()
    running.end()
    again = source_on(pty)
    again.close()
    source_on(pty).close()
