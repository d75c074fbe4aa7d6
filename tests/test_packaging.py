"""What a wheel holds: the two packages and their data, nothing else at the top of site-packages."""

from __future__ import annotations

import subprocess
import sys
import tomllib
import zipfile
from email.parser import Parser
from importlib.util import find_spec
from pathlib import Path

import pytest

import pipeline

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    """The wheel of this checkout, built beside it."""
    if find_spec("pip") is None:
        pytest.skip("pip is not installed here, so no wheel can be built")
    isolated = [] if find_spec("hatchling") is None else ["--no-build-isolation"]
    folder = tmp_path_factory.mktemp("wheel")
    command = [sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "--wheel-dir", folder]
    built = subprocess.run([*command, *isolated, ROOT], capture_output=True, text=True, cwd=folder)
    if built.returncode and not isolated:
        pytest.skip(f"no wheel can be built without hatchling and a package index: {built.stderr[-500:]}")
    assert built.returncode == 0, built.stderr
    (path,) = folder.glob("*.whl")
    with zipfile.ZipFile(path) as archive:
        yield archive


def files_of(folder: str) -> set[str]:
    """The files of a folder of the checkout, as paths from the checkout."""
    found = (
        path for path in (ROOT / folder).rglob("*") if path.is_file() and "__pycache__" not in path.parts
    )
    return {path.relative_to(ROOT).as_posix() for path in found}


def test_only_the_two_packages_are_at_the_top(wheel):
    info = f"cuffwatt-{pipeline.__version__}.dist-info"
    assert {name.partition("/")[0] for name in wheel.namelist()} == {"pipeline", "adapters", info}


def test_every_file_is_in_and_no_other(wheel):
    info = f"cuffwatt-{pipeline.__version__}.dist-info/"
    wanted = files_of("pipeline") | files_of("adapters")
    wanted |= {f"pipeline/{name}" for name in files_of("sql") | files_of("fixtures")}
    assert {name for name in wheel.namelist() if not name.startswith(info)} == wanted
    assert {
        "pipeline/rules.toml",
        "pipeline/sql/columns.toml",
        "pipeline/fixtures/demo/01-staircase/test.toml",
    } <= wanted


def test_the_data_are_the_same_bytes(wheel):
    for name in sorted(files_of("sql") | files_of("fixtures")):
        assert wheel.read(f"pipeline/{name}") == (ROOT / name).read_bytes()


def test_version_and_command_are_in(wheel):
    info = f"cuffwatt-{pipeline.__version__}.dist-info"
    about = Parser().parsestr(wheel.read(f"{info}/METADATA").decode())
    assert (about["Name"], about["Version"]) == ("cuffwatt", PROJECT["version"])
    assert about["Requires-Python"] == ">=3.11"
    assert wheel.read(f"{info}/entry_points.txt").decode().split("\n")[:2] == [
        "[console_scripts]",
        "cuffwatt = pipeline.cli:main",
    ]


def test_every_dependency_has_a_lower_bound():
    wanted = PROJECT["dependencies"] + PROJECT["optional-dependencies"]["test"]
    assert [one for one in wanted if ">=" not in one] == []
    assert "duckdb>=2.0.0,<2.1" in wanted
    assert "apscheduler>=3.11.0,<3.12" in wanted
