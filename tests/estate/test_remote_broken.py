"""Storage that breaks off, refuses, or that others work on meanwhile: nothing is lost, and it is told."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest

from vinemap.errors import StoreError
from vinemap.estate import atomic, open_store
from vinemap.estate.remote import fetch_estate, send_outputs
from vinemap.estate.remote_files import shown

pytest.importorskip("fsspec", reason="the extra vinemap[cluster] is not installed")


def load_beside(name: str):
    """Import a file of this folder, which is no package."""
    spec = importlib.util.spec_from_file_location(f"remote_{name}", Path(__file__).parent / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


crash, shelves = load_beside("test_crash"), load_beside("shelf")


@pytest.fixture
def shelf():
    with shelves.open_shelf() as made:
        yield made


@pytest.fixture
def url(shelf):
    return f"shelf://{shelf.host}/growers/estate"


@pytest.fixture
def store(shelf, tmp_path):
    store = crash.create_estate(tmp_path / "home")
    store.add(crash.blocks())
    store.add(crash.log("01"))
    upload(store.folder, shelf)
    return store


@pytest.fixture
def outputs(store):
    made = store.output_folder(2024)
    for name in ("map.html", "run.json", "vinemap.gpkg", "lists/rows_2027.csv"):
        (made / name).parent.mkdir(exist_ok=True)
        (made / name).write_text(name, encoding="utf-8")
    return made


def upload(folder, shelf):
    there = {f"growers/estate/{name}": content for name, content in read_all(folder).items()}
    for name in [one for one in shelf.objects if "/out/" not in one]:
        del shelf.objects[name]
    shelf.objects |= there


def read_all(folder) -> dict[str, bytes]:
    """Every file of an estate; not what a fetch notes down, nor locks and outputs."""
    files = (one for one in sorted(folder.rglob("*")) if one.is_file())
    names = {one.relative_to(folder).as_posix(): one for one in files}
    return {name: one.read_bytes() for name, one in names.items() if name[0] != "." and name[:4] != "out/"}


def test_a_fetch_that_breaks_off_leaves_the_copy_and_goes_on(store, shelf, url, tmp_path):
    here = tmp_path / "here"
    fetch_estate(url, here)
    before = read_all(here)
    store.add(crash.log("02"))
    upload(store.folder, shelf)
    shelf.break_at = 4  # two lists, then whole files
    with pytest.raises(StoreError, match=r"broke off.*run the same command again; nothing is lost"):
        fetch_estate(url, here)
    assert read_all(here) == before
    assert open_store(here).verify() == []
    shelf.break_at, shelf.asked = None, []
    copied = fetch_estate(url, here)
    assert read_all(here) == read_all(store.folder)
    brought = [key for method, key in shelf.asked if method == "GET" and not key.startswith("?")]
    assert len(brought) == len(copied) - 2  # two had come before
    assert [one.name for one in (here / ".fetching").iterdir() if one.name != ".lock"] == []


def test_a_first_fetch_that_breaks_off_goes_on(store, shelf, url, tmp_path):
    shelf.break_at = 5
    with pytest.raises(StoreError, match="broke off"):
        fetch_estate(url, tmp_path / "here")
    shelf.break_at = None
    fetch_estate(url, tmp_path / "here")
    assert read_all(tmp_path / "here") == read_all(store.folder)


def test_a_fetch_cut_off_as_it_puts_files_in_place_is_finished(store, shelf, url, tmp_path, monkeypatch):
    here = tmp_path / "here"
    fetch_estate(url, here)
    store.add(crash.log("02"))
    upload(store.folder, shelf)

    def cut(step):
        if step.startswith("moved harvest"):
            raise crash.PowerCut

    with monkeypatch.context() as patched:
        patched.setattr(atomic, "reached", cut)
        with pytest.raises(crash.PowerCut):
            fetch_estate(url, here)
    assert fetch_estate(url, here) == []
    assert read_all(here) == read_all(store.folder)


def test_a_truncated_object_is_refused_and_the_copy_stays(store, shelf, url, tmp_path):
    here = tmp_path / "here"
    fetch_estate(url, here)
    before = read_all(here)
    name = next(one for one in shelf.objects if "/harvest/" in one)
    whole = shelf.objects[name]
    shelf.objects[name] = whole[: len(whole) // 2]
    with pytest.raises(StoreError, match=r"not whole: harvest/\S+ cannot be read.*Fetch again"):
        fetch_estate(url, here)
    assert read_all(here) == before
    shelf.objects[name] = whole
    assert fetch_estate(url, here) == []


def test_one_who_writes_there_meanwhile_is_noticed(store, shelf, url, tmp_path):
    def write(method, key):
        if key.endswith("ledger.parquet"):
            shelf.objects["growers/estate/estate.toml"] += b"\n# new\n"

    shelf.before = write
    with pytest.raises(StoreError, match=r"Somebody is writing.*Nothing was changed here"):
        fetch_estate(url, tmp_path / "here")
    assert read_all(tmp_path / "here") == {}


def test_what_was_changed_here_and_there_is_not_written_over(store, shelf, url, tmp_path):
    here = tmp_path / "here"
    fetch_estate(url, here)
    mine = (here / "estate.toml").read_bytes() + b"\n# mine\n"
    (here / "estate.toml").write_bytes(mine)
    assert fetch_estate(url, here) == []  # as long as nothing else comes from there
    theirs = shelf.objects["growers/estate/estate.toml"] + b"\n# theirs\n"
    shelf.objects["growers/estate/estate.toml"] = theirs
    with pytest.raises(StoreError, match=r"Changed here .* too: estate\.toml\..*new folder"):
        fetch_estate(url, here)
    assert (here / "estate.toml").read_bytes() == mine
    (here / "estate.toml").unlink()
    assert fetch_estate(url, here) == ["estate.toml"]
    assert (here / "estate.toml").read_bytes() == theirs
    shelf.objects["growers/estate/estate.toml"] = mine
    (here / "estate.toml").write_bytes(mine)  # the same on both sides is no quarrel
    assert fetch_estate(url, here) == ["estate.toml"]


def test_what_was_changed_here_is_not_removed_since_it_is_gone_there(store, shelf, url, tmp_path):
    here = tmp_path / "here"
    shelf.objects["growers/estate/reference.csv"] = b"vintage,yield_t_ha\n2024,12\n"
    fetch_estate(url, here)
    del shelf.objects["growers/estate/reference.csv"]
    (here / "reference.csv").write_bytes(b"vintage,yield_t_ha\n2024,13\n")
    with pytest.raises(StoreError, match=r"reference\.csv"):
        fetch_estate(url, here)
    assert (here / "reference.csv").exists()


def test_the_folder_of_one_copy_takes_no_other(store, shelf, url, tmp_path):
    here = tmp_path / "here"
    fetch_estate(url, here)
    other = {name.replace("growers", "others"): body for name, body in shelf.objects.items()}
    shelf.objects |= other
    with pytest.raises(StoreError, match=r"a copy of shelf://\S+/growers/estate, not of \S+/others/estate"):
        fetch_estate(url.replace("growers", "others"), here)
    (here / ".fetched.json").write_text("{", encoding="utf-8")
    with pytest.raises(StoreError, match=r"does not say what was fetched.*new folder"):
        fetch_estate(url, here)


@pytest.mark.parametrize("name", ["../outside.txt", "harvest/../../outside.txt", "C:/outside.txt"])
def test_a_name_that_leads_out_of_the_folder_is_refused(store, shelf, url, tmp_path, name):
    shelf.objects[f"growers/estate/{name}"] = b"x"
    with pytest.raises(StoreError, match="leads out of the estate"):
        fetch_estate(url, tmp_path / "here")
    assert list(tmp_path.rglob("outside.txt")) == []


def test_an_empty_object_that_marks_a_folder_is_passed_over(store, shelf, url, tmp_path):
    shelf.objects |= {"growers/estate/": b"", "growers/estate/harvest/": b""}
    fetch_estate(url, tmp_path / "here")
    assert read_all(tmp_path / "here") == read_all(store.folder)


def test_a_storage_that_does_not_know_you_says_so(store, outputs, shelf, url, tmp_path):
    shelf.refuse = 403
    with pytest.raises(StoreError, match=r"does not let you do this.*Check the user, key or password"):
        fetch_estate(url, tmp_path / "here")
    with pytest.raises(StoreError, match=r"does not let you do this"):
        send_outputs(store.folder, url, vintage=2024)


def test_a_server_that_is_gone_is_told_apart_from_an_estate_that_is_not_there(
    shelf, store, outputs, tmp_path
):
    with pytest.raises(StoreError, match=r"no estate there"):
        fetch_estate(f"shelf://{shelf.host}/nowhere", tmp_path / "here")
    with pytest.raises(StoreError, match=r"does not answer.*Check the address and the network"):
        fetch_estate("shelf://127.0.0.1:9/growers/estate", tmp_path / "here")
    with pytest.raises(StoreError, match=r"does not answer"):
        send_outputs(store.folder, "shelf://127.0.0.1:9/growers/estate", vintage=2024)
    assert not (tmp_path / "here").exists()


@pytest.mark.parametrize("after", range(2, 12))
def test_outputs_under_way_have_no_run_there_until_they_are_sent_whole(store, outputs, shelf, url, after):
    send_outputs(store.folder, url, vintage=2024)
    place = "growers/estate/out/2024/"
    shelf.objects[place + "lists/own_notes.txt"] = b"not of vinemap"
    (outputs / "lists/rows_2027.csv").unlink()
    (outputs / "map.html").write_text("new map", encoding="utf-8")
    (outputs / "run.json").write_text("new run", encoding="utf-8")
    shelf.break_at = after
    with pytest.raises(StoreError, match="broke off"):
        send_outputs(store.folder, url, vintage=2024)
    if place + "run.json" in shelf.objects:  # then all is still as it was sent the first time
        assert shelf.objects[place + "run.json"] == b"run.json"
        assert shelf.objects[place + "map.html"] == b"map.html"
    shelf.break_at = None
    sent = send_outputs(store.folder, url, vintage=2024)
    there = {name.removeprefix(place): body for name, body in shelf.objects.items() if place in name}
    del there[".sent.json"]
    assert there.pop("lists/own_notes.txt") == b"not of vinemap"
    assert there == {"map.html": b"new map", "run.json": b"new run", "vinemap.gpkg": b"vinemap.gpkg"}
    assert sent == ["out/2024/map.html", "out/2024/vinemap.gpkg", "out/2024/run.json"]


def test_an_output_that_somebody_changed_there_is_not_written_over(store, outputs, shelf, url):
    send_outputs(store.folder, url, vintage=2024)
    name = "growers/estate/out/2024/vinemap.gpkg"
    shelf.objects[name] = b"zones drawn by hand"
    with pytest.raises(StoreError, match=r"vinemap\.gpkg\..*Nothing was sent.*send again"):
        send_outputs(store.folder, url, vintage=2024)
    assert shelf.objects[name] == b"zones drawn by hand"
    assert shelf.objects["growers/estate/out/2024/run.json"] == b"run.json"
    del shelf.objects[name]
    send_outputs(store.folder, url, vintage=2024)
    assert shelf.objects[name] == b"vinemap.gpkg"


def test_outputs_of_other_imports_are_not_sent(store, outputs, shelf, url):
    store.add(crash.log("02"))
    with pytest.raises(StoreError, match=r"other imports than the one here.*fetch, assess and send again"):
        send_outputs(store.folder, url, vintage=2024)
    assert not any("/out/" in name for name in shelf.objects)


def test_an_object_that_arrives_cut_is_noticed(store, outputs, shelf, url):
    def cut(method, key):
        if method == "HEAD" or not key.startswith("?"):
            return
        for name in [one for one in shelf.objects if one.endswith("map.html")]:
            shelf.objects[name] = b"m"

    shelf.before = cut
    with pytest.raises(StoreError, match=r"map\.html has 8 bytes here but has 1 bytes there.*Send again"):
        send_outputs(store.folder, url, vintage=2024)
    assert "growers/estate/out/2024/run.json" not in shelf.objects


def test_outputs_made_anew_meanwhile_are_not_called_whole(store, outputs, shelf, url):
    def assess(method, key):
        if method == "PUT" and key.endswith("map.html"):
            (outputs / "run.json").write_text("of another run", encoding="utf-8")

    shelf.before = assess
    with pytest.raises(StoreError, match=r"made anew while they were sent.*Send them again"):
        send_outputs(store.folder, url, vintage=2024)
    assert "growers/estate/out/2024/run.json" not in shelf.objects


def test_a_password_in_an_address_is_neither_shown_nor_kept(store, outputs, tmp_path):
    secret = "sftp://anna:se/cr@et@127.0.0.1/estate"
    with pytest.raises(StoreError) as caught:
        fetch_estate(secret.replace("sftp", "unheard-of"), tmp_path / "here")
    assert "cr@et" not in str(caught.value)
    assert shown(secret) == "sftp://anna@127.0.0.1/estate"


def test_a_send_before_any_assessment_says_so(store, shelf, url, run):
    status, _, err = run("send", store.folder, url)
    assert status == 1
    assert "Nothing was assessed yet. Run vinemap assess first." in err
