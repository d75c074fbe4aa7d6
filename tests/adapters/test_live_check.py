"""Sources before a test: each tried by itself."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from adapters.live_check import check_sources
from adapters.setup_file import load_setup

FORMAT = 'header = false\ndelimiter = ","\n[time]\nform = "none"\n[watts]\ncolumn = 1\nunit = "W"\n'
SETUP = """\
[test]
study = "demo"
participant = "P-01"
[sources.bike]
kind = "serial"
port = "{port}"
format = "format.toml"
[sources.twice]
kind = "serial"
port = "{port}"
format = "format.toml"
[sources.belt]
kind = "serial"
port = "/dev/tty-none"
format = "format.toml"
[sources.log]
kind = "csv"
path = "log.csv"
[sources.gone]
kind = "csv"
path = "gone.csv"
[sources.readings]
kind = "sheet"
path = "readings.csv"
"""


def test_one_that_fails_hides_no_other(pty: Any, tmp_path: Path) -> None:
    (tmp_path / "format.toml").write_text(FORMAT)
    (tmp_path / "log.csv").write_text("time,watts\n2026-03-14T09:00:00Z,100\n2026-03-14T09:00:01Z,101\n")
    (tmp_path / "test.toml").write_text(SETUP.format(port=pty.port))
    checked = check_sources(load_setup(tmp_path / "test.toml"))
    try:
        assert [port.name for port in checked.ports] == ["bike"]
        assert [len(log.events) for log in checked.logs.values()] == [2]
        assert set(checked.problems) == {"twice", "belt", "gone"}
        assert "is that of bike as well; correct one" in checked.problems["twice"]
        assert "port '/dev/tty-none' is not there" in checked.problems["belt"]
        assert "gone.csv" in checked.problems["gone"]
        assert checked.where["log"] == "log.csv"
        assert "readings" not in checked.where
    finally:
        for port in checked.ports:
            port.close()
