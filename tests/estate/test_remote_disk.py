"""An estate on a disk that is reached through its address, as a share or a mounted bucket is."""

from __future__ import annotations

import pytest

from vinemap.errors import StoreError
from vinemap.estate import create_estate, open_store
from vinemap.estate.remote import fetch_estate, send_outputs

pytest.importorskip("fsspec", reason="the extra vinemap[cluster] is not installed")


@pytest.fixture(name="share")
def share_fixture(tmp_path):
    folder = tmp_path / "share" / "estate"
    create_estate(folder, name="Invented, on a share")
    return folder


def test_an_estate_is_fetched_and_only_what_changed_again(share, tmp_path):
    here = tmp_path / "here"
    first = fetch_estate(share.as_uri(), here)
    assert "estate.toml" in first
    assert open_store(here).settings.estate.name == "Invented, on a share"
    assert fetch_estate(share.as_uri(), here) == []
    toml = share / "estate.toml"
    toml.write_text(toml.read_text("utf-8").replace("on a share", "on the share"), encoding="utf-8")
    assert fetch_estate(share.as_uri(), here) == ["estate.toml"]
    assert open_store(here).settings.estate.name == "Invented, on the share"


def test_outputs_made_elsewhere_are_sent_to_the_share(share, tmp_path):
    here = tmp_path / "here"
    fetch_estate(share.as_uri(), here)
    made = here / "out" / "2026"
    (made / "lists").mkdir(parents=True)
    for name in ("map.html", "run.json", "lists/programme.csv"):
        (made / name).write_text(name, encoding="utf-8")
    assert send_outputs(here, share.as_uri(), vintage=2026)[-1] == "out/2026/run.json"
    assert (share / "out" / "2026" / "lists" / "programme.csv").read_text("utf-8") == "lists/programme.csv"
    assert fetch_estate(share.as_uri(), here) == []  # outputs are sent, not fetched
    with pytest.raises(StoreError, match="no estate there"):
        send_outputs(here, (tmp_path / "nowhere").as_uri(), vintage=2026)
