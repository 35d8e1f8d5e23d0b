"""An estate on a web server that only gives: fetched, changes seen, sending refused in words."""

from __future__ import annotations

import functools
import os
import threading
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer

import pytest

from vinemap.errors import StoreError
from vinemap.estate import create_estate
from vinemap.estate.remote import fetch_estate, send_outputs

pytest.importorskip("aiohttp", reason="fsspec reads http:// with aiohttp, which is not installed")
pytest.importorskip("requests")


class Quiet(SimpleHTTPRequestHandler):
    def log_message(self, *given):
        pass


@pytest.fixture
def served(tmp_path):
    home = tmp_path / "home"
    create_estate(home, name="Invented, on a web server")
    (home / "harvest" / "2026").mkdir(parents=True)
    (home / "notes" / "A 1%2F2").mkdir(parents=True)
    (home / "notes" / "A 1%2F2" / "é & ?.txt").write_text("odd name", encoding="utf-8")
    server = ThreadingHTTPServer(("127.0.0.1", 0), functools.partial(Quiet, directory=str(home)))
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True)
    thread.start()
    yield home, f"http://127.0.0.1:{server.server_port}/"
    server.shutdown()
    server.server_close()


def test_a_change_on_a_web_server_is_seen(served, tmp_path):
    home, url = served
    here = tmp_path / "here"
    assert "notes/A 1%2F2/é & ?.txt" in fetch_estate(url, here)
    assert (here / "notes" / "A 1%2F2" / "é & ?.txt").read_text("utf-8") == "odd name"
    assert fetch_estate(url, here) == []
    text = (home / "estate.toml").read_text("utf-8").replace("on a web", "on the web")
    (home / "estate.toml").write_text(text, encoding="utf-8")
    os.utime(home / "estate.toml", (1.9e9, 1.9e9))  # a web server tells time by the second
    assert fetch_estate(url, here) == ["estate.toml"]


def test_what_a_web_server_cannot_do_is_told(served, tmp_path):
    home, url = served
    made = home / "out" / "2026"
    made.mkdir(parents=True)
    (made / "run.json").write_text("{}", encoding="utf-8")
    with pytest.raises(StoreError, match=r"Nothing can be written at this address.*s3://"):
        send_outputs(home, url, vintage=2026)
    with pytest.raises(StoreError, match="no estate there"):
        fetch_estate(url + "nowhere", tmp_path / "here")
    with pytest.raises(StoreError, match="does not answer"):
        fetch_estate("http://127.0.0.1:9/estate", tmp_path / "here")
