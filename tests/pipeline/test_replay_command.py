"""The command `replay`: what is shown, in which form, what is kept."""

from __future__ import annotations

import csv
import io
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pipeline import cli, cli_join
from pipeline.shipped import shipped

DEMO = "MR-019-20260112-1245"


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo") / "archive"
    cli_join.join_setup(shipped("fixtures") / "demo" / "01-staircase" / "test.toml", folder, None)
    return folder


@pytest.fixture
def replay(
    archive: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Callable[..., tuple[int, str, str]]:
    """Run it on the demo test: exit code, stdout, stderr."""

    def run(*words: Any) -> tuple[int, str, str]:
        given = ["cuffwatt", "replay", DEMO, "--archive", archive, *words]
        monkeypatch.setattr(sys, "argv", [str(word) for word in given])
        capsys.readouterr()
        code: Any = 0
        try:
            cli.main()
        except SystemExit as ended:
            code = ended.code or 0
        return (code, *capsys.readouterr())

    return run


def files(archive: Path) -> dict[str, bytes]:
    return {str(path): path.read_bytes() for path in sorted(archive.rglob("*")) if path.is_file()}


def test_nothing_differs_where_nothing_is_changed(
    replay: Callable[..., tuple[int, str, str]], archive: Path
) -> None:
    before = files(archive)
    code, out, err = replay("--format", "csv")
    assert (code, out) == (0, "what,change,at_s,about,name,before,after,unit\n")
    assert f"millpond-ringers/{DEMO}: nothing differs" in err
    assert "it does not diagnose or decide" in err
    assert files(archive) == before


def test_what_differs_is_shown_and_the_replay_is_kept(
    replay: Callable[..., tuple[int, str, str]], archive: Path, tmp_path: Path
) -> None:
    rules = tmp_path / "rules.toml"
    rules.write_text('[[rule]]\ncode = "systolic_high"\nquantity = "k1"\nthreshold = 180\n')
    before = files(archive)
    code, out, err = replay("--rules", rules, "--keep", tmp_path / "kept", "--format", "csv")
    rows = [row for row in csv.DictReader(io.StringIO(out)) if row["what"] == "flag"]
    # of the readings written down 190 and 198 are above 180
    assert [(row["change"], row["name"], row["about"]) for row in rows] == [
        ("new", "systolic_high", "150 W, 190"),
        ("new", "systolic_high", "180 W, 198"),
    ]
    assert code == 0
    [kept] = (tmp_path / "kept").glob("*/*")
    assert f"kept: {kept}" in err
    assert (kept / "rules.toml").read_text() == rules.read_text()
    assert (kept / "readings.parquet").exists()
    assert files(archive) == before
    code, _, err = replay("--keep", tmp_path / "kept")
    assert code == 1
    assert "is there already" in err
    _, out, _ = replay("--rules", rules, "--format", "table")
    assert "systolic high" in out


def test_files_that_are_old_are_made_beside_the_test_and_not_in_it(
    replay: Callable[..., tuple[int, str, str]], archive: Path
) -> None:
    [sealed] = archive.glob("*/*/flags.parquet")
    data = sealed.read_bytes()
    sealed.unlink()
    try:
        code, _, err = replay("--format", "csv")
        assert (code, sealed.exists()) == (0, False)
        assert "nothing differs" in err
    finally:
        sealed.write_bytes(data)


def test_a_protocol_that_cannot_be_used_is_named(
    replay: Callable[..., tuple[int, str, str]], tmp_path: Path
) -> None:
    code, out, err = replay("--protocol", tmp_path / "none.toml")
    assert (code, out) == (1, "")
    assert "none.toml: no such file, a protocol file is wanted; fixtures/protocols has examples" in err
    code, out, err = replay("--protocol", shipped("fixtures") / "protocols" / "staircase_25w_3min.toml")
    assert (code, out) == (2, "")
    assert "the protocol has 16 stages, the record has 8; a replay changes readings only" in err
