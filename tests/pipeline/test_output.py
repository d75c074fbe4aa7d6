"""What leaves a command: the same values as CSV and JSON, and tables that can be read at 80 columns."""

from __future__ import annotations

import csv
import io
import json
import sys
from datetime import UTC, date, datetime
from typing import Any

import pytest

from pipeline.output import Column, chosen, counted, emit, minutes, number, say, show_table, tracked

ROWS: list[dict[str, Any]] = [
    {"at": datetime(2026, 3, 14, 9, 30, 0, 250000, tzinfo=UTC), "on": date(2026, 3, 14), "mmhg": 120.5,
     "words": 'a "b", c', "there": True, "extra": 1},
    {"at": None, "mmhg": None, "words": "µ\nnext"},
]  # fmt: skip
COLUMNS = ["at", "on", "mmhg", "words", "there"]


def test_csv_and_json_hold_the_same_values(capsys: pytest.CaptureFixture[str]) -> None:
    emit(ROWS, COLUMNS, "csv")
    read = list(csv.reader(io.StringIO(capsys.readouterr().out)))
    assert read == [
        COLUMNS,
        ["2026-03-14T09:30:00.250000Z", "2026-03-14", "120.5", 'a "b", c', "True"],
        ["", "", "", "µ\nnext", ""],
    ]
    emit(ROWS, COLUMNS, "json")
    assert json.loads(capsys.readouterr().out) == [
        {"at": "2026-03-14T09:30:00.250000Z", "on": "2026-03-14", "mmhg": 120.5, "words": 'a "b", c',
         "there": True},
        {"at": None, "on": None, "mmhg": None, "words": "µ\nnext", "there": None},
    ]  # fmt: skip


def test_no_rows_still_have_their_heading(capsys: pytest.CaptureFixture[str]) -> None:
    emit([], COLUMNS, "csv")
    assert capsys.readouterr().out == "at,on,mmhg,words,there\n"
    emit([], COLUMNS, "json")
    assert capsys.readouterr().out == "[]\n"


def test_a_pipe_gets_csv_and_a_terminal_a_table(monkeypatch: pytest.MonkeyPatch) -> None:
    assert chosen(None) == "csv"
    assert chosen("json") == "json"
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True)
    assert chosen(None) == "table"
    assert chosen("csv") == "csv"


@pytest.mark.parametrize(
    ("seconds", "shown"),
    [(0, "0:00"), (59.4, "0:59"), (59.6, "1:00"), (670, "11:10"), (4325, "72:05"), (-100, "-1:40"),
     (-0.2, "0:00"), (None, "-")],
)  # fmt: skip
def test_seconds_are_shown_as_minutes(seconds: float | None, shown: str) -> None:
    assert minutes(seconds) == shown


def test_numbers_are_whole_and_changes_have_a_sign() -> None:
    assert [number(value) for value in (120.4, 119.6, 0.0, None)] == ["120", "120", "0", "-"]
    assert [number(value, sign=True) for value in (13.2, -7.6, 0.0, None)] == ["+13", "-8", "+0", "-"]
    assert [counted(n, "line") for n in (0, 1, 2)] == ["0 lines", "1 line", "2 lines"]


TABLE = (
    Column("n", "time\nmin:s", right=True),
    Column("label", "stage", wraps=True),
    Column("w", "words", wraps=True),
)
WORDS = "systolic pressure below an earlier one at a lower load: repeat at once and look at the participant"


@pytest.mark.parametrize("width", [60, 80, 100, 200])
def test_a_table_fits_and_no_word_is_cut(
    width: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", str(width))
    rows: list[dict[str, Any]] = [
        {"n": "11:10", "label": "recovery unloaded", "w": WORDS},
        {"n": "0:00", "label": "rest"},
    ]
    show_table(rows, TABLE, "A table")
    out = capsys.readouterr().out
    lines = out.splitlines()
    assert max(map(len, lines)) <= width
    assert lines[0].startswith("A table")
    assert "\x1b" not in out  # no colours in a pipe
    for word in (*WORDS.split(), "recovery", "unloaded", "11:10", "min:s"):
        assert word in out.split()


def test_a_very_long_word_is_broken_rather_than_lost(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", "60")
    show_table([{"n": "1", "label": "x" * 40, "w": "/a/path/" + "y" * 60}], TABLE, "")
    out = capsys.readouterr().out
    assert (out.count("x"), out.count("y")) == (40, 60)


def test_words_are_kept_whole_on_a_terminal(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    say("one two three four\n  five")
    assert capsys.readouterr().err == "one two three four\n  five\n"
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    monkeypatch.setenv("COLUMNS", "11")
    say("one two three four\n  five")
    assert capsys.readouterr().err == "one two\nthree four\n  five\n"


def test_progress_is_shown_on_a_terminal_only(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    items = list(range(100))
    assert list(tracked(items, "counting")) == items
    assert capsys.readouterr() == ("", "")
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    assert list(tracked(items, "counting")) == items
    out, err = capsys.readouterr()
    assert out == ""
    assert "counting" in err
    # one item is there before a bar could be read
    assert list(tracked([1], "counting")) == [1]
    assert capsys.readouterr() == ("", "")
