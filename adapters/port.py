"""Opening a serial port for one reader alone, with words for what stands in the way."""

from __future__ import annotations

import errno
import termios
from pathlib import Path
from typing import Protocol

from adapters.setup_sections import SerialSource
from pipeline.errors import InputError

READ_WAIT_S = 0.1
_WRITE_WAIT_S = 0.2
_PARITY = {"none": "N", "even": "E", "odd": "O"}
_BUSY = {errno.EAGAIN, errno.EWOULDBLOCK, errno.EBUSY}
_MISSING = {errno.ENOENT, errno.ENXIO, errno.ENODEV, errno.EIO}

Disconnected: tuple[type[Exception], ...] = (OSError, termios.error)
"""All that an unplugged port raises: pyserial's own error is an OSError, termios' is none."""


class PortMissing(InputError):
    """The port is not there (now)."""


class Connection(Protocol):
    """An open port: `read` waits READ_WAIT_S at most and gives what came."""

    @property
    def in_waiting(self) -> int:
        """How many bytes have come and were not read."""

    def read(self, size: int = 1, /) -> bytes:
        """Up to `size` bytes."""

    def write(self, data: bytes, /) -> object:
        """Send bytes."""

    def close(self) -> None:
        """Give the port back."""


def open_port(source: SerialSource, *, wait_s: float = READ_WAIT_S) -> Connection:
    """The open port, locked against a second reader.

    Raises PortMissing, or InputError where it is in use, may not be opened, is no serial port or
    does not take its settings.
    """
    from serial import serial_for_url

    address = source.address
    try:
        # everything is set before it is opened: a change afterwards may reset the device
        port = serial_for_url(
            address,
            do_not_open=True,
            baudrate=source.baud,
            bytesize=source.data_bits,
            parity=_PARITY[source.parity],
            stopbits=source.stop_bits,
            timeout=wait_s,
            write_timeout=_WRITE_WAIT_S,
            exclusive=True,
        )
        port.open()
    except ValueError as error:
        raise InputError(
            f"port {address!r} cannot be used as written ({error}); correct port, baud, data_bits, parity "
            "or stop_bits"
        ) from None
    except Disconnected as error:
        raise _words(address, error) from None
    connection: Connection = port
    return connection


def receive(connection: Connection) -> bytes:
    """What has come, waiting for one byte at most as long as the port waits; raises Disconnected."""
    return connection.read(min(connection.in_waiting or 1, 4096))


def ports_there() -> str:
    """The serial ports of this machine, to be shown."""
    from serial.tools.list_ports import comports

    return ", ".join(sorted(port.device for port in comports())) or "none"


def _words(address: str, error: Exception) -> InputError:
    code = getattr(error, "errno", None)
    if code in _MISSING:
        return PortMissing(f"port {address!r} is not there; plug the device in, or correct port")
    if code in _BUSY:
        return InputError(
            f"port {address!r} is in use by another program (a terminal, a modem service, a second "
            "cuffwatt); end that one"
        )
    if code in (errno.EACCES, errno.EPERM):
        group = _group(address)
        return InputError(
            f"port {address!r} may not be opened by you; it belongs to the group {group}: "
            f"sudo usermod -a -G {group} $USER, then log in again"
        )
    return InputError(
        f"port {address!r} cannot be opened ({error}); a serial port is wanted, like /dev/ttyUSB0"
    )


def _group(address: str) -> str:
    """The group that may open it; dialout is the usual one on Linux."""
    try:
        return Path(address).group()
    except (OSError, KeyError, NotImplementedError):
        return "dialout"
