"""An estate on an S3 server (moto, on loopback) reached by s3fs; skipped where they are not installed."""

from __future__ import annotations

import pytest

from vinemap.errors import StoreError
from vinemap.estate import create_estate
from vinemap.estate.remote import fetch_estate, send_outputs

moto = pytest.importorskip("moto.server", reason="moto[server] is not installed: no S3 server to try")
s3fs = pytest.importorskip("s3fs", reason="s3fs is not installed")
pytestmark = pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::ResourceWarning")
URL = "s3://growers/estate"


@pytest.fixture(scope="module")
def server():
    started = moto.ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    started.start()
    yield "http://{}:{}".format(*started.get_host_and_port())
    started.stop()


@pytest.fixture(autouse=True)
def keys(server, monkeypatch):
    told = {"AWS_ENDPOINT_URL": server, "AWS_ACCESS_KEY_ID": "invented", "AWS_SECRET_ACCESS_KEY": "invented"}
    for name, value in told.items():
        monkeypatch.setenv(name, value)
    monkeypatch.setenv("AWS_DEFAULT_REGION", "us-east-1")
    monkeypatch.setenv("AWS_EC2_METADATA_DISABLED", "true")
    s3fs.S3FileSystem.clear_instance_cache()


@pytest.fixture
def bucket(keys, tmp_path):
    home = tmp_path / "home"
    create_estate(home, name="Invented, on object storage")
    storage = s3fs.S3FileSystem()
    storage.makedirs("growers", exist_ok=True)
    for file in (one for one in home.rglob("*") if one.is_file()):
        storage.put_file(str(file), f"growers/estate/{file.relative_to(home).as_posix()}")
    yield storage
    storage.rm("growers", recursive=True)


def test_an_estate_goes_to_and_fro(bucket, tmp_path):
    here = tmp_path / "here"
    assert "estate.toml" in fetch_estate(URL, here)
    assert fetch_estate(URL, here) == []
    made = here / "out" / "2026" / "lists"
    made.mkdir(parents=True)
    for name in ("run.json", "lists/rows.csv"):
        (here / "out" / "2026" / name).write_text(name, encoding="utf-8")
    assert send_outputs(here, URL, vintage=2026) == ["out/2026/lists/rows.csv", "out/2026/run.json"]
    assert bucket.cat_file("growers/estate/out/2026/run.json") == b"run.json"
    bucket.pipe_file("growers/estate/out/2026/lists/rows.csv", b"by hand")
    with pytest.raises(StoreError, match=r"lists/rows\.csv\. Nothing was sent"):
        send_outputs(here, URL, vintage=2026)


def test_what_the_storage_refuses_is_told(bucket, tmp_path, monkeypatch):
    with pytest.raises(
        StoreError, match=r"not there: The specified bucket does not exist.*Check the address"
    ):
        fetch_estate("s3://nowhere/estate", tmp_path / "here")
    with pytest.raises(StoreError, match="no estate there"):
        fetch_estate("s3://growers/other", tmp_path / "here")
    for name in ("AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY"):
        monkeypatch.delenv(name)
    s3fs.S3FileSystem.clear_instance_cache()
    with pytest.raises(StoreError, match=r"Unable to locate credentials.*Check the user, key or password"):
        fetch_estate(URL, tmp_path / "here")
