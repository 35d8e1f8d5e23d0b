from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vinemap.errors import StoreError
from vinemap.publish.files import safe_names, write_text, written_aside


def test_failed_write_leaves_the_old_file_and_nothing_beside_it(tmp_path):
    target = write_text(tmp_path / "a.txt", "old")
    with pytest.raises(ZeroDivisionError), written_aside(target) as aside:  # noqa: PT012
        aside.write_text("half", encoding="utf-8")
        raise ZeroDivisionError
    assert target.read_text(encoding="utf-8") == "old"
    assert [one.name for one in tmp_path.iterdir()] == ["a.txt"]


def test_file_held_by_another_program_is_said_plainly(tmp_path, monkeypatch):
    target = write_text(tmp_path / "a.txt", "old")

    def refuse(self: Path, other: Path) -> None:
        raise PermissionError(13, "in use", str(other))

    monkeypatch.setattr(Path, "replace", refuse)
    with pytest.raises(StoreError, match=r"a\.txt cannot be replaced.*Close it"):
        write_text(target, "new")
    assert target.read_text(encoding="utf-8") == "old"


def test_line_ends_are_not_turned(tmp_path):
    assert write_text(tmp_path / "a.txt", "a\nb\r\n").read_bytes() == b"a\nb\r\n"


# Names Windows refuses: Microsoft, "Naming Files, Paths, and Namespaces".
@pytest.mark.parametrize(
    "name", ["CON", "nul.txt", "COM1", "a/b", "a:b", "a?", "x.", "x ", "..", "", "a\x00b"]
)
def test_names_windows_refuses_are_changed(name):
    stem = safe_names([name])[name]
    assert stem != name
    assert not set(stem) & set('<>:"/\\|?*\x00')
    assert stem.split(".")[0].lower() not in {"con", "nul", "com1"}
    assert stem == stem.rstrip(" .") != ""


@given(st.lists(st.text(max_size=20), max_size=12))
def test_no_two_names_share_a_file_on_a_case_blind_system(names):
    stems = safe_names(names)
    assert set(stems) == set(names)
    assert len({one.casefold() for one in stems.values()}) == len(stems)
