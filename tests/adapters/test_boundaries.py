"""Who may import whom: the architecture in ten lines."""

from __future__ import annotations

import ast
from pathlib import Path

import pipeline

ROOT = Path(pipeline.__file__).parents[1]
DATA_MODELS = {"pipeline.events", "pipeline.clock", "pipeline.protocol", "pipeline.errors"}
DATA_MODELS |= {f"pipeline.{name}" for name in ("cuff", "plan", "prompt", "prompts", "snapshot")}
DATA_MODELS |= {f"pipeline.{name}" for name in ("control", "derived", "issued", "live_view")}
CLOCKS = {("datetime", "now"), ("datetime", "utcnow"), ("datetime", "today"), ("date", "today")}


def _trees(package: str) -> dict[str, ast.Module]:
    return {
        str(path.relative_to(ROOT)): ast.parse(path.read_text()) for path in (ROOT / package).rglob("*.py")
    }


def _imported(tree: ast.Module) -> set[str]:
    named = {node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom) and node.module}
    imports = [node for node in ast.walk(tree) if isinstance(node, ast.Import)]
    return named | {alias.name for node in imports for alias in node.names}


def test_adapters_import_only_data_models_from_the_pipeline() -> None:
    for path, tree in _trees("adapters").items():
        beyond = {name for name in _imported(tree) if name.split(".")[0] == "pipeline"} - DATA_MODELS
        assert not beyond, path


def test_the_pipeline_names_no_adapter_outside_the_command() -> None:
    named = {p for p, tree in _trees("pipeline").items() if any("adapters" in n for n in _imported(tree))}
    assert {path for path in named if not path.startswith("pipeline/cli")} == set()
    assert named


def test_only_the_clock_reads_a_clock() -> None:
    for package in ("pipeline", "adapters"):
        for path, tree in _trees(package).items():
            used = [node for node in ast.walk(tree) if isinstance(node, ast.Attribute)]
            read = {(node.value.id, node.attr) for node in used if isinstance(node.value, ast.Name)} & CLOCKS
            assert path == "pipeline/clock.py" or not (read or "time" in _imported(tree)), path


def test_neither_numpy_nor_pandas_is_on_the_path() -> None:
    for package in ("pipeline", "adapters"):
        for path, tree in _trees(package).items():
            assert not {name.split(".")[0] for name in _imported(tree)} & {"numpy", "pandas"}, path
