"""The API reference is built from docstrings: every public object has one, and the script builds."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest

SCRIPT = Path(__file__).resolve().parent.parent / "scripts" / "make_api_docs.py"


@pytest.fixture(scope="module")
def script():
    spec = importlib.util.spec_from_file_location("make_api_docs", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_every_public_object_has_a_docstring(script):
    assert script.find_undocumented() == []


def test_every_stage_is_in_the_reference(script):
    stages = {one.parent.name for one in (SCRIPT.parent.parent / "vinemap").glob("*/__init__.py")}
    assert {f"vinemap.{one}" for one in stages - {"pipeline"}} <= set(script.list_modules())


@pytest.mark.filterwarnings("ignore")  # pdoc speaks of annotations that it cannot resolve
def test_reference_is_built(script, tmp_path):
    pytest.importorskip("pdoc", reason="pdoc builds the API reference")
    pages = script.build_docs(tmp_path)
    names = {one.relative_to(tmp_path).as_posix() for one in pages}
    assert {"index.html", "vinemap/surface.html", "vinemap/publish.html"} <= names
    assert "LocalBlockKriging" in (tmp_path / "vinemap" / "surface.html").read_text(encoding="utf-8")
