"""The whole job works with the network off, and nothing of it tries to reach one, in any of its processes."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import sys

import pytest

# Python runs a file of this name at every start, so workers are watched as well.
WATCH = """
import socket

def refuse(*given, **named):
    raise OSError("network use: " + repr(given))

def watch(family):
    def check(self, address, *rest):
        if self.family in (socket.AF_INET, socket.AF_INET6):
            refuse(address)
        return family(self, address, *rest)
    return check

class Watched(socket.socket):
    connect = watch(socket.socket.connect)
    connect_ex = watch(socket.socket.connect_ex)
    bind = watch(socket.socket.bind)

socket.socket = Watched
socket.getaddrinfo = socket.gethostbyname = socket.create_connection = refuse
"""


def run_watched(tmp_path, *words):
    (tmp_path / "watch").mkdir(exist_ok=True)
    (tmp_path / "watch" / "sitecustomize.py").write_text(WATCH, encoding="utf-8")
    paths = [str(tmp_path / "watch"), *filter(None, [os.environ.get("PYTHONPATH")])]
    # GDAL and PROJ open connections of their own, past Python: a proxy that is not there stops those.
    off = dict.fromkeys(("http_proxy", "https_proxy", "HTTP_PROXY", "HTTPS_PROXY"), "http://127.0.0.1:9")
    return subprocess.run(
        [sys.executable, *map(str, words)],
        env=os.environ | off | {"PYTHONPATH": os.pathsep.join(paths)},
        capture_output=True,
        text=True,
        encoding="utf-8",
    )


def test_the_watch_bites(tmp_path):
    words = "import socket; socket.create_connection(('127.0.0.1', 9))"
    done = run_watched(tmp_path, "-c", words)
    assert "network use" in done.stderr
    done = run_watched(tmp_path, "-c", "import socket; socket.socket().connect(('127.0.0.1', 9))")
    assert "network use" in done.stderr


def test_proj_is_not_told_to_fetch_grids():
    import pyproj.network

    assert not pyproj.network.is_network_enabled()


@pytest.mark.slow
def test_the_whole_job_by_command_line_and_workers_without_network(assessed, small_files, tmp_path):
    _, files = small_files
    folder = tmp_path / "estate"
    shutil.copytree(assessed.estate.folder, folder, ignore=shutil.ignore_patterns("cache", "out"))
    new = sorted((files / "harvest").glob("2026*"))[0]
    for words in (
        ("preview", new),
        ("add", "harvest", new, "--to", folder, "--vintage", "2026"),
        ("status", folder),
        ("assess", folder, "--vintage", "2021", "--workers", "2"),
        ("plan", folder, "--budget", "50000"),
    ):
        done = run_watched(tmp_path, "-m", "vinemap", *words)
        assert done.returncode == 0, (words, done.stdout[-500:], done.stderr[-2000:])
        assert "network use" not in done.stdout + done.stderr


@pytest.mark.slow
def test_the_whole_job_from_python_without_network(small_files, tmp_path, monkeypatch):
    from vinemap.job import new_estate

    def refuse(self, address, *_rest):
        raise AssertionError(f"network use: {address}")

    monkeypatch.setattr(socket.socket, "connect", refuse)
    monkeypatch.setattr(socket, "getaddrinfo", lambda *given, **_named: refuse(None, given))
    _, files = small_files
    estate = new_estate(tmp_path / "estate")
    estate.add("blocks", files / "blocks.geojson")
    estate.add("harvest", sorted((files / "harvest").glob("2026*"))[0], vintage=2026)
    assert estate.assess(workers=1).map_file.exists()
