"""Bytes of a device cut into lines: nothing that is no whole line passes for one."""

from __future__ import annotations

import tracemalloc

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.line_cutter import LINE_LIMIT_BYTES, Cut, LineCutter


def cutter(line_ending: str = "\n", *, drop_first: bool = False, stall_s: float = 1.0) -> LineCutter:
    return LineCutter(line_ending, drop_first=drop_first, stall_s=stall_s)


@pytest.mark.parametrize(
    ("line_ending", "octets"),
    [
        ("\n", b"12.5,60\n13,61\n"),
        ("\n", b"12.5,60\r\n13,61\r\n"),
        ("\r\n", b"12.5,60\r\n13,61\r\n"),
        # a "\r" that was lost on the way must not glue two lines
        ("\r\n", b"12.5,60\n13,61\r\n"),
        ("\r", b"12.5,60\r13,61\r"),
        ("\r", b"12.5,60\r\n13,61\r\n"),
    ],
)
def test_every_usual_ending_is_understood(line_ending: str, octets: bytes) -> None:
    assert cutter(line_ending).feed(octets, 0.0) == [Cut(b"12.5,60"), Cut(b"13,61")]


@given(
    st.lists(st.binary(min_size=1, max_size=30).filter(lambda line: line.strip() and b"\n" not in line)),
    st.lists(st.integers(min_value=1, max_value=7)),
)
def test_lines_do_not_depend_on_how_the_bytes_arrive(lines: list[bytes], sizes: list[int]) -> None:
    octets = b"".join(line + b"\n" for line in lines)
    pieces, at = cutter(), 0
    cuts: list[Cut] = []
    for size in [*sizes, len(octets)]:
        cuts += pieces.feed(octets[at : at + size], 0.0)
        at += size
    assert [cut.raw for cut in cuts] == [line.strip(b"\r\n") for line in lines]


def test_what_a_pause_leaves_behind_is_no_line() -> None:
    lines = cutter()
    assert lines.feed(b"12.3", 0.0) == []
    assert lines.feed(b"", 0.5) == []
    assert lines.feed(b"4\n", 0.9) == [Cut(b"12.34")]


def test_a_line_that_paused_too_long_may_be_two() -> None:
    lines = cutter(stall_s=1.0)
    lines.feed(b"12", 0.0)
    [cut] = lines.feed(b"120,60\n", 1.5)
    assert cut.raw == b"12120,60"
    assert cut.problem == "paused for 1.5 s in mid-line: its end may be that of another line"
    # the pause between two whole lines is none
    assert lines.feed(b"120,60\n", 9.0) == [Cut(b"120,60")]


def test_what_comes_before_the_first_ending_is_counted_and_kept() -> None:
    lines = cutter(drop_first=True)
    first, second = lines.feed(b"20,60\n120,60\n", 0.0)
    assert (first.raw, second) == (b"20,60", Cut(b"120,60"))
    # 5 bytes: 2 0 , 6 0
    assert first.problem is not None
    assert first.problem.startswith("first_partial: 5 bytes before the first line end")
    assert cutter(drop_first=True).feed(b"\r\n120,60\n", 0.0) == [Cut(b"120,60")]


def test_an_over_long_line_is_cut_and_memory_stays_bounded() -> None:
    lines = cutter()
    piece = b"x" * 1000
    tracemalloc.start()
    try:
        [cut] = [cut for _ in range(1000) for cut in lines.feed(piece, 0.0)]
        peak_bytes = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert cut.raw == b"x" * LINE_LIMIT_BYTES
    assert cut.problem == "no line end within 2000 bytes: no text, or the wrong baud rate"
    assert peak_bytes < 50_000  # of a million that came
    rest, good = lines.feed(b"\n120,60\n", 0.0)
    # 1000 * 1000 - 2000
    assert rest.problem == "998000 more bytes of an over-long line, not kept"
    assert good == Cut(b"120,60")


def test_a_line_of_just_the_limit_is_one() -> None:
    assert cutter().feed(b"x" * LINE_LIMIT_BYTES + b"\n", 0.0) == [Cut(b"x" * LINE_LIMIT_BYTES)]


def test_half_a_line_at_the_end_is_kept_with_the_reason() -> None:
    lines = cutter()
    lines.feed(b"120,60\n12", 0.0)
    assert lines.end("the port was lost") == [Cut(b"12", "cut in mid-line: the port was lost")]
    assert lines.end("the port was lost") == []
