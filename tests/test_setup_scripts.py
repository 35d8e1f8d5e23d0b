"""The two README commands on a machine that lacks something: one clear sentence, status 1."""

from __future__ import annotations

import importlib.util
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

SCRIPTS = Path(__file__).parent.parent / "scripts"


@pytest.fixture
def setup_venv():
    spec = importlib.util.spec_from_file_location("setup_venv", SCRIPTS / "setup_venv.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def refused(call, capsys) -> str:
    with pytest.raises(SystemExit) as stop:
        call()
    assert stop.value.code == 1
    said = capsys.readouterr().err.strip()
    assert said.count("\n") == 0
    return said


def test_old_python_is_told_which_is_needed(setup_venv, monkeypatch, capsys):
    monkeypatch.setattr(setup_venv.sys, "version_info", (3, 9, 2))
    said = refused(setup_venv.check_python, capsys)
    assert "Python 3.9" in said
    assert "3.11 or newer" in said


def test_missing_venv_module_is_named_with_its_package(setup_venv, monkeypatch, capsys, tmp_path):
    answer = SimpleNamespace(returncode=1, stdout="", stderr="ensurepip is not available")
    monkeypatch.setattr(setup_venv.subprocess, "run", lambda *_, **__: answer)
    said = refused(lambda: setup_venv.make_venv(tmp_path / "none"), capsys)
    assert "python3-venv" in said


def test_no_network_is_told_in_one_sentence(setup_venv, monkeypatch, capsys):
    words = "ERROR: Could not find a version of click\nERROR: No matching distribution found for click>=8.1"
    monkeypatch.setattr(
        setup_venv.subprocess, "run", lambda *_, **__: SimpleNamespace(returncode=1, stdout="", stderr=words)
    )
    said = refused(lambda: setup_venv.install(Path("python"), ""), capsys)
    assert "no network" in said


def test_second_run_installs_nothing(setup_venv, monkeypatch, tmp_path):
    monkeypatch.setattr(setup_venv, "make_venv", lambda folder: folder.mkdir(exist_ok=True))
    calls = []
    monkeypatch.setattr(setup_venv, "install", lambda _, extras: calls.append(extras))
    root = tmp_path
    (root / "scripts").mkdir()
    for name in ("pyproject.toml", "scripts/constraints.txt"):
        (root / name).write_text("x", encoding="utf-8")
    monkeypatch.setattr(setup_venv, "ROOT", root)
    for _ in range(2):
        setup_venv.ready_python("[test]")
    (root / "pyproject.toml").write_text("y", encoding="utf-8")
    setup_venv.ready_python("[test]")
    assert calls == ["[test]", "[test]"]


@pytest.mark.parametrize("name", ["setup_venv.py", "demo.py", "test.py"])
def test_scripts_need_the_standard_library_only(name):
    code = (
        "import ast, sys; tree = ast.parse(open(sys.argv[1], encoding='utf-8').read());"
        "plain = [n for n in ast.walk(tree) if isinstance(n, ast.Import)];"
        "names = {a.name.split('.')[0] for n in plain for a in n.names};"
        "names |= {n.module.split('.')[0] for n in ast.walk(tree) if isinstance(n, ast.ImportFrom)};"
        "print(sorted(names - set(sys.stdlib_module_names) - {'setup_venv'}))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(SCRIPTS / name)], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"
