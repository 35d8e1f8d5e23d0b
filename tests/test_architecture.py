"""Imports run one way: cli -> job -> assess -> pipeline -> stages -> (tables, units, errors)."""

from __future__ import annotations

import ast
import importlib
import subprocess
import sys
from pathlib import Path

import pytest

import vinemap

ROOT = Path(vinemap.__file__).parent
STAGES = (
    "estate",
    "intake",
    "land",
    "harvest",
    "surface",
    "zones",
    "decline",
    "renewal",
    "publish",
    "simulate",
)
BASE = {"tables", "taken", "units", "errors", "_version"}
# What may be imported besides oneself and the base.
ALLOWED = {stage: {"land"} for stage in STAGES} | {"land": set()}


def imported_parts(file: Path) -> set[str]:
    """First part below vinemap of every import in a file."""
    found = set()
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.split(".")[0] == "vinemap":
            parts = node.module.split(".")
            found |= {parts[1]} if len(parts) > 1 else {one.name for one in node.names}
        elif isinstance(node, ast.Import):
            found |= {one.name.split(".")[1] for one in node.names if one.name.startswith("vinemap.")}
    return found


@pytest.mark.parametrize("stage", STAGES)
def test_stage_imports_only_what_lies_below(stage):
    for file in (ROOT / stage).rglob("*.py"):
        beyond = imported_parts(file) - BASE - ALLOWED[stage] - {stage}
        assert not beyond, f"{file.name} imports {sorted(beyond)}"


@pytest.mark.parametrize("name", sorted(BASE))
def test_base_imports_nothing_above(name):
    assert imported_parts(ROOT / f"{name}.py") <= BASE


@pytest.mark.parametrize("face", sorted(ROOT.rglob("__init__.pyi")), ids=lambda face: face.parent.name)
def test_face_hands_out_what_it_says(face):
    lines = ast.parse(face.read_text(encoding="utf-8")).body
    said = next(ast.literal_eval(line.value) for line in lines if isinstance(line, ast.Assign))
    package = importlib.import_module(".".join(("vinemap", *face.parent.relative_to(ROOT).parts)))
    assert sorted(said) == sorted(package.__all__)
    assert all(getattr(package, name) is not None for name in said)


@pytest.mark.parametrize(
    ("module", "unused"),
    [
        ("vinemap.cli", {"numpy", "pandas"}),
        ("vinemap.estate", {"rasterio", "scipy"}),
        ("vinemap.intake", {"rasterio", "openpyxl"}),
        ("vinemap.pipeline.mapped", {"folium", "jinja2", "vinemap.publish.page", "vinemap.decline.fit"}),
        ("vinemap.pipeline.result", {"folium", "sklearn", "scipy.stats", "vinemap.publish.page"}),
    ],
)
def test_loads_nothing_heavy_before_it_is_used(module, unused):
    words = f"import sys, {module}; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", words], capture_output=True, text=True, check=True)
    assert not unused & set(done.stdout.split())


def test_modules_stay_readable():
    long = {
        file.name: count
        for file in ROOT.rglob("*.py")
        if (count := len(file.read_text(encoding="utf-8").splitlines())) > 500
    }
    assert not long


def test_the_check_itself_sees_an_import(tmp_path):
    wrong = tmp_path / "wrong.py"
    wrong.write_text("from vinemap.renewal import Method\nfrom vinemap import decline\n", encoding="utf-8")
    assert imported_parts(wrong) == {"renewal", "decline"}
