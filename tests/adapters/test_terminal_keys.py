"""Keys as terminals send them (ECMA-48 sequences as xterm, tmux, VT220 and the Linux console use them)."""

from __future__ import annotations

from typing import get_args

import pytest

from adapters.terminal_keys import SAID_BY_KEY, STOP_REASONS, Keyboard
from adapters.typed_entry import SIGNS, SYMPTOMS
from pipeline.events import EndReason


@pytest.mark.parametrize(
    ("data", "keys"),
    [
        (b"148/82\r", [*"148/82", "enter"]),
        (b"\x1bOP", ["f1"]),
        (b"\x1b[11~", ["f1"]),
        (b"\x1b[[A", ["f1"]),
        (b"\x1b[15~\x1b[24~", ["f5", "f12"]),
        (b"\x7f\x08\x03\x15\x0c", ["back", "back", "ctrl-c", "ctrl-u", "ctrl-l"]),
        ("µ".encode(), ["µ"]),
        (b"\x1b[A\x1b[1;5C\x1b[3~x", ["x"]),  # arrows and Delete mean nothing here
        (b"\x00\x01a", ["a"]),
        (b"\x1bx", ["esc", "x"]),
    ],
)
def test_bytes_are_cut_into_keys(data: bytes, keys: list[str]) -> None:
    assert Keyboard().feed(data) == keys
    bytewise = Keyboard()
    assert [key for one in data for key in bytewise.feed(bytes([one]))] == keys


def test_esc_alone_is_known_by_the_pause_after_it() -> None:
    keyboard = Keyboard()
    assert keyboard.feed(b"\x1b") == []
    assert keyboard.begun
    assert keyboard.pause() == ["esc"]
    assert not keyboard.begun
    assert keyboard.pause() == []


def test_each_key_notes_something_that_can_be_noted() -> None:
    assert list(SAID_BY_KEY) == [f"f{number}" for number in range(1, 12)]
    for said in SAID_BY_KEY.values():
        kind, code = said.split()
        assert code in (SYMPTOMS if kind == "symptom" else SIGNS)
    assert sorted(STOP_REASONS.values()) == sorted(get_args(EndReason))
