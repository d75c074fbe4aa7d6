"""The command `preflight`: what is shown, in which form, and how it ends."""

from __future__ import annotations

import csv
import io
import json
import os
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pipeline import cli

SETUP = """\
[test]
study = "demo"
participant = "P-01"
[participant]
age_years = 40
medication = "none"
[protocol]
stage = [
  {{ phase = "rest", minutes = 8 }},
  {{ phase = "exercise", minutes = {minutes}, watts = 50 }},
  {{ phase = "recovery", minutes = 3 }},
]
{more}
"""
PORT = """\
[sources.bike]
kind = "serial"
port = "{port}"
format = "format.toml"
"""
FORMAT = """\
header = false
delimiter = ","
[time]
form = "none"
[watts]
column = 1
unit = "W"
[cadence_rpm]
column = 2
unit = "rpm"
"""


@pytest.fixture
def preflight(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Callable[..., tuple[int, str, str]]:
    """Run it on a setup: exit code, stdout, stderr."""

    def run(*words: Any, more: str = "", minutes: float = 3) -> tuple[int, str, str]:
        setup = tmp_path / "test.toml"
        setup.write_text(SETUP.format(more=more, minutes=minutes))
        (tmp_path / "format.toml").write_text(FORMAT)
        archive = tmp_path / "archive"
        given = ["cuffwatt", "preflight", setup, "--archive", archive, "--seconds", 1, *words]
        monkeypatch.setattr(sys, "argv", [str(word) for word in given])
        capsys.readouterr()
        code: Any = 0
        try:
            cli.main()
        except SystemExit as ended:
            code = ended.code or 0
        assert not archive.exists()
        return (code, *capsys.readouterr())

    return run


def test_the_windows_are_data_and_the_findings_words(preflight: Callable[..., tuple[int, str, str]]) -> None:
    code, out, err = preflight("--format", "csv")
    assert code == 0
    rows = list(csv.DictReader(io.StringIO(out)))
    assert [row["fits"] for row in rows[:3]] == ["whole"] * 3
    # 50 W until 690 s: see the hand calculation in test_preflight.py
    assert (rows[2]["cuff_up_s"], rows[2]["inflate_to_mmhg"]) == ("604.6", "200.0")
    assert "look: not recorded: visit, purpose" in err
    assert "nothing to mend" in err
    assert "it does not diagnose or decide" in err
    code, out, _ = preflight("--format", "json")
    assert [row["stage_label"] for row in json.loads(out)][:3] == ["rest", "rest", "50 W"]


def test_what_is_to_be_mended_is_named_and_ends_with_one(
    preflight: Callable[..., tuple[int, str, str]], tmp_path: Path
) -> None:
    (tmp_path / "rules.toml").write_text("[settings]\nunheard = 1\n")
    more = PORT.format(port="/dev/tty-none") + '[rules]\nfile = "rules.toml"\n'
    code, out, err = preflight("--format", "table", more=more, minutes=1)
    assert code == 1
    shown = " ".join(out.split())
    assert "is not there" in shown
    assert "unheard" in shown
    assert "no room for a reading in stage 2 (50 W)" in shown
    assert "3 things to mend" in err


def test_a_port_is_listened_to(preflight: Callable[..., tuple[int, str, str]]) -> None:
    device, terminal = os.openpty()
    enough = threading.Event()

    def send() -> None:
        while not enough.wait(0.05):
            os.write(device, b"100,61\r\n")

    sender = threading.Thread(target=send)
    sender.start()
    try:
        code, out, err = preflight("--format", "table", more=PORT.format(port=os.ttyname(terminal)))
    finally:
        enough.set()
        sender.join()
        os.close(device)
        os.close(terminal)
    assert code == 0, out
    assert "listening to 1 port for 1 s" in err
    assert "load, cadence" in out
    assert "no source gives heart_rate_bpm" in " ".join(out.split())
