"""A format proposed for what a device on a port says; it must read the port's lines."""

from __future__ import annotations

from typing import Any

import pytest

from adapters.log_format import parse_format
from adapters.log_proposal import Proposal
from adapters.port_proposal import propose_port
from pipeline.errors import InputError


class Said:
    """A connection that gives a piece at each look, a tenth of a second apart on the test's clock."""

    def __init__(self, hand: Any, pieces: list[bytes]) -> None:
        self.in_waiting = 0
        self._hand, self._pieces = hand, pieces

    def read(self, size: int = 1) -> bytes:
        self._hand.s += 0.1
        return self._pieces.pop(0) if self._pieces else b""

    def write(self, data: bytes) -> None:
        raise AssertionError("a device is only listened to")

    def close(self) -> None:
        """Nothing to give back."""


@pytest.fixture
def proposed(hand: Any) -> Any:
    def listen(*pieces: bytes, seconds: float = 5.0) -> Proposal:
        return propose_port(Said(hand, list(pieces)), seconds, hand.clock, where="/dev/ttyUSB0")  # type: ignore[arg-type]

    return listen


def test_lines_without_a_time_are_timed_when_they_come(proposed: Any) -> None:
    # pieces come 0.1 s apart: the first line is cut, the second ends with the third piece
    proposal = proposed(
        b"0;60,0;98\r\n10", b"0;60,5", b";99\r\n", *[b"125;61,5;%d\r\n" % (100 + n // 2) for n in range(20)]
    )
    assert proposal.fmt == parse_format(
        {"delimiter": ";", "header": False, "columns": 3, "decimal_comma": True, "time": {"form": "none"},
         "watts": {"column": 1, "unit": "W"}, "cadence_rpm": {"column": 2, "unit": "rpm"},
         "heart_rate_bpm": {"column": 3, "unit": "bpm"}},
        "format",
    )  # fmt: skip
    assert proposal.rows[0] == "0.3 s  watts 100, cadence_rpm 60.5, heart_rate_bpm 99"
    assert proposal.found[0] == "times from 0.3 s to 2.3 s, 21 lines"


def test_a_column_that_counts_seconds_is_the_time_without_a_name(proposed: Any) -> None:
    proposal = proposed(b"\n", *[b"%d,%d,60\n" % (200 + n, 100 + n // 2) for n in range(20)])
    assert (proposal.fmt.time.column, proposal.fmt.time.form) == (1, "elapsed_s")


def test_a_header_is_used_where_one_came(proposed: Any) -> None:
    lines = [b"%d,120,%d\n" % (n, 60 + n % 3) for n in range(20)]
    proposal = proposed(b"\nt,power,rpm\n", *lines)
    assert proposal.fmt.has_header
    assert proposal.fmt.wanted == {
        "time.column": "t",
        "watts.column": "power",
        "cadence_rpm.column": "rpm",
    }


def test_lines_that_end_with_a_carriage_return(proposed: Any) -> None:
    proposal = proposed(b"\r", *[b"%d,61,98\r" % (100 + n % 2 * 25) for n in range(20)])
    assert proposal.fmt.line_ending == "\r"
    assert len(proposal.rows) == 5


def test_a_device_that_says_words_in_every_line_has_no_header(proposed: Any) -> None:
    proposal = proposed(
        b"\n", *[b"P %d C %d H %d\n" % (n % 2 * 25 + 100, 60 + n % 3, 90 + n % 5) for n in range(20)]
    )
    assert not proposal.fmt.has_header


@pytest.mark.parametrize(
    ("pieces", "words"),
    [
        ([], r"/dev/ttyUSB0: nothing came in 5 s; check cable and baud\. .* \[poll\]"),
        ([b"120,61,9", b"8\n"], r"/dev/ttyUSB0: 10 bytes came in 5 s and no whole line, .* b'120,61,98"),
        ([b"\n", b"on,off\n", b"on,off\n"], "no column with a load, a cadence or a heart rate can be told"),
        ([b"\n", b"ready\n"], "no delimiter cuts its lines alike"),
    ],
)  # fmt: skip
def test_what_cannot_be_described_says_what_to_do(proposed: Any, pieces: list[bytes], words: str) -> None:
    with pytest.raises(InputError, match=words):
        proposed(*pieces)


def test_a_port_that_is_lost_while_listening(hand: Any) -> None:
    class Lost(Said):
        def read(self, size: int = 1) -> bytes:
            raise OSError(5, "Input/output error")

    with pytest.raises(
        InputError, match=r"/dev/ttyUSB0: the port was lost while listening .* plug the device in"
    ):
        propose_port(Lost(hand, []), 5.0, hand.clock, where="/dev/ttyUSB0")  # type: ignore[arg-type]
