"""A serial port that cannot be opened, in words for who has to act."""

from __future__ import annotations

import errno
from pathlib import Path
from typing import Any

import pytest
import serial

from adapters.port import PortMissing, open_port, ports_there, receive
from adapters.setup_sections import SerialSource
from pipeline.errors import InputError


def settings(port: str, **others: Any) -> SerialSource:
    return SerialSource(kind="serial", port=port, **others)


def test_an_open_port_gives_what_came_and_does_not_wait_for_more(pty: Any) -> None:
    port = open_port(settings(pty.port, baud=115200, parity="even", data_bits=7, stop_bits=2))
    try:
        assert receive(port) == b""
        pty.say(b"120")
        got = receive(port)
        while len(got) < 3:
            got += receive(port)
        assert got == b"120"
        port.write(b"P\r")
        assert pty.asked(2) == b"P\r"
    finally:
        port.close()


def test_the_settings_are_those_that_were_written(monkeypatch: pytest.MonkeyPatch) -> None:
    given: dict[str, Any] = {}

    class Port:
        def open(self) -> None:
            given["opened"] = True

    def remember(address: str, **others: Any) -> Port:
        given.update(others, address=address)
        return Port()

    monkeypatch.setattr(serial, "serial_for_url", remember)
    open_port(settings("/dev/ttyUSB0", baud=4800, data_bits=7, parity="odd", stop_bits=2), wait_s=0.05)
    assert given == {
        "address": "/dev/ttyUSB0",
        "do_not_open": True,  # all of it is set before the port is opened
        "baudrate": 4800,
        "bytesize": 7,
        "parity": serial.PARITY_ODD,
        "stopbits": 2,
        "timeout": 0.05,
        "write_timeout": 0.2,
        "exclusive": True,
        "opened": True,
    }


def test_what_is_not_there_is_missing(tmp_path: Path) -> None:
    with pytest.raises(PortMissing, match="is not there; plug the device in, or correct port"):
        open_port(settings(str(tmp_path / "none")))


def test_what_is_open_elsewhere_is_in_use(pty: Any) -> None:
    first = open_port(settings(pty.port))
    try:
        with pytest.raises(InputError, match=r"is in use by another program .* end that one"):
            open_port(settings(pty.port))
    finally:
        first.close()


def test_who_may_not_open_it_is_told_the_group(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(*_: Any, **__: Any) -> None:
        raise serial.SerialException(errno.EACCES, "could not open port")

    monkeypatch.setattr(serial, "serial_for_url", refused)
    port = tmp_path / "port"
    port.touch()
    with pytest.raises(
        InputError, match=f"belongs to the group {port.group()}: sudo usermod -a -G {port.group()} "
    ):
        open_port(settings(str(port)))
    # the usual group where it cannot be told
    with pytest.raises(InputError, match="sudo usermod -a -G dialout"):
        open_port(settings(str(tmp_path / "none")))


def test_what_is_no_serial_port_is_said_so(tmp_path: Path) -> None:
    (tmp_path / "bike.csv").touch()
    with pytest.raises(
        InputError, match=r"bike.csv' cannot be opened .*; a serial port is wanted, like /dev/tty"
    ):
        open_port(settings(str(tmp_path / "bike.csv")))


def test_an_address_of_an_unknown_kind_is_refused() -> None:
    with pytest.raises(InputError, match=r"cannot be used as written .* correct port, baud"):
        open_port(settings("nothing://here"))


def test_the_ports_of_the_machine_are_named(monkeypatch: pytest.MonkeyPatch) -> None:
    from serial.tools import list_ports
    from serial.tools.list_ports_common import ListPortInfo

    found = [ListPortInfo("/dev/ttyUSB1"), ListPortInfo("/dev/ttyUSB0")]
    monkeypatch.setattr(list_ports, "comports", lambda: found)
    assert ports_there() == "/dev/ttyUSB0, /dev/ttyUSB1"
    monkeypatch.setattr(list_ports, "comports", list)
    assert ports_there() == "none"
