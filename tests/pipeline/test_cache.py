"""Kept results: whole or not there, found again by content, and never in the way of the right answer."""

from __future__ import annotations

import ast
import inspect
import os
import shutil
import time

import geopandas as gpd
import numpy as np
import pandas as pd
import pandas.testing as pdt
import pytest
from shapely.geometry import Point

from vinemap import surface
from vinemap.harvest import clean_readings
from vinemap.job import new_estate, open_estate
from vinemap.pipeline import cleaned, cleaning, mapped
from vinemap.pipeline.cache import ResultCache, digest


def write_three(place):
    (place / "sum.txt").write_text("3", encoding="utf-8")


# ------------------------------------------------------------------------------------------------- the cache
def test_result_is_made_once(tmp_path):
    cache, calls = ResultCache(tmp_path), []
    for _ in range(2):
        place = cache.fetch("key", lambda place: calls.append(place) or write_three(place))
    assert len(calls) == 1
    assert (place / "sum.txt").read_text(encoding="utf-8") == "3"


def test_a_maker_that_is_stopped_leaves_nothing(tmp_path):
    def stopped(place):
        write_three(place)
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        ResultCache(tmp_path).fetch("key", stopped)
    assert list(tmp_path.iterdir()) == []


def test_the_quicker_of_two_processes_wins(tmp_path):
    cache = ResultCache(tmp_path)

    def slow(place):
        cache.fetch("key", write_three)  # the other process, meanwhile
        (place / "sum.txt").write_text("late", encoding="utf-8")

    place = cache.fetch("key", slow)
    assert (place / "sum.txt").read_text(encoding="utf-8") == "3"
    assert [one.name for one in tmp_path.iterdir()] == ["key"]


def test_only_what_nobody_used_for_a_day_is_deleted(tmp_path):
    cache = ResultCache(tmp_path)
    for key in ("old", "new"):
        cache.fetch(key, write_three)
    long_ago = time.time() - 3 * 24 * 3600
    os.utime(tmp_path / "old", (long_ago, long_ago))
    assert cache.forget_before(time.time()) == 1
    assert [one.name for one in tmp_path.iterdir()] == ["new"]


# ------------------------------------------------------------------------------------------------- the keys
def frame_of(**columns):
    return pd.DataFrame({"name": ["a", "b"], "value": [1.0, np.nan]} | columns)


@pytest.mark.parametrize(
    "other",
    [
        frame_of(value=[1.0, 2.0]),
        frame_of(name=["a", "c"]),
        frame_of().rename(columns={"value": "amount"}),
        frame_of().iloc[::-1],
    ],
    ids=["value", "text", "column name", "order"],
)
def test_another_table_has_another_key(other):
    assert digest(frame_of()) != digest(other)
    assert digest(frame_of()) == digest(frame_of().copy())


def test_geometry_counts():
    here, there = (gpd.GeoDataFrame({"a": [1]}, geometry=[Point(0, y)], crs=3035) for y in (0.0, 1e-9))
    assert digest(here) == digest(here.copy())
    assert digest(here) != digest(there)


def test_parts_do_not_run_into_one_another():
    keys = [digest("ab", "c"), digest("a", "bc"), digest(["a", "b"], "c"), digest("a", ["b", "c"])]
    assert len(set(keys)) == len(keys)


@pytest.mark.parametrize("module", [cleaned, cleaning])
def test_kept_cleaning_follows_every_stage_that_it_calls(module):
    tree = ast.parse(inspect.getsource(module))
    called = {
        one.name
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom) and node.module == "vinemap"
        for one in node.names
    }
    assert called
    assert called <= set(cleaned.CODE)


# --------------------------------------------------------------------------------------------- whole estates
def calls_of(monkeypatch, module, name, function):
    calls = []
    monkeypatch.setattr(module, name, lambda *given, **named: calls.append(1) or function(*given, **named))
    return calls


@pytest.fixture
def counted_calls(monkeypatch):
    return {
        "clean": calls_of(monkeypatch, cleaned.harvest, "clean_readings", clean_readings),
        "krige": calls_of(monkeypatch, mapped.surface, "krige_grid", surface.krige_grid),
    }


def estate_with(files, folder, vintages):
    estate = new_estate(folder)
    estate.add("blocks", files / "blocks.geojson")
    add_vintages(estate, files, vintages)
    return estate


def add_vintages(estate, files, vintages):
    for year in vintages:
        for file in sorted((files / "harvest").glob(f"{year}*")):
            estate.add("harvest", file, vintage=year)


@pytest.mark.slow
def test_a_new_vintage_redoes_no_other_and_gives_what_a_fresh_run_gives(small_files, tmp_path, counted_calls):
    _, files = small_files
    estate = estate_with(files, tmp_path / "grown", (2023, 2024, 2025))
    estate.assess(workers=1)
    before = {name: len(calls) for name, calls in counted_calls.items()}
    add_vintages(estate, files, (2026,))
    grown = estate.assess(workers=1)
    again, kriged = (len(calls) - before[name] for name, calls in counted_calls.items())
    assert again <= 3 * 2  # three blocks, at most twice where the flow delay was told from elsewhere
    assert kriged == 3
    shutil.rmtree(estate.folder / "cache")
    anew = estate.assess(workers=1)
    for name in ("zone", "zone_vintage", "zone_forecast", "renewal_option"):
        pdt.assert_frame_equal(pd.DataFrame(grown.layers[name]), pd.DataFrame(anew.layers[name]))


@pytest.mark.slow
def test_a_stopped_run_is_taken_up_where_it_stopped(small_files, tmp_path, monkeypatch):
    _, files = small_files
    estate = estate_with(files, tmp_path / "stopped", (2024, 2025, 2026))
    kriged = []

    def stop_after_five(*given, **named):
        if len(kriged) == 5:
            raise KeyboardInterrupt
        kriged.append(1)
        return surface_krige(*given, **named)

    surface_krige = surface.krige_grid
    monkeypatch.setattr(mapped.surface, "krige_grid", stop_after_five)
    with pytest.raises(KeyboardInterrupt):
        estate.assess(workers=1)
    assert not list((estate.folder / "out").glob("[0-9]*"))
    calls = calls_of(monkeypatch, mapped.surface, "krige_grid", surface_krige)
    result = open_estate(estate.folder).assess(workers=1)
    assert len(calls) == 9 - 5
    assert result.map_file.exists()
    assert result.layers["zone_vintage"]["vintage"].nunique() == 3
