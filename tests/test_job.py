"""The public face of an estate, where no other test takes it."""

from __future__ import annotations

from vinemap import job, simulate


def test_demo_without_the_repository_is_the_estate_of_the_repository(tmp_path, monkeypatch):
    """`scripts/make_demo_data.py` makes data/demo with the own seed of `demo_estate`: so must this."""
    asked = []
    monkeypatch.setattr(job, "__file__", str(tmp_path / "site-packages" / "vinemap" / "job.py"))
    monkeypatch.setattr(simulate, "demo_estate", lambda **given: asked.append(given))
    monkeypatch.setattr(simulate, "write_estate_files", lambda _, folder: folder.mkdir(parents=True))
    assert job._demo_source(tmp_path / "estate") == tmp_path / "estate" / "demo-files"
    assert asked == [{}]
    job._demo_source(tmp_path / "estate")
    assert asked == [{}], "made once"
