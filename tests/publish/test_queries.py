from __future__ import annotations

import csv
import io
import re
import shutil
import sqlite3
import subprocess
from contextlib import closing
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyogrio
import pytest

from vinemap import tables
from vinemap.publish import write_dictionary, write_geopackage
from vinemap.publish.dictionary import EXTRA, known_columns
from vinemap.publish.queries import QUERIES, describe_queries

README = Path(__file__).parents[2] / "README.md"


@pytest.fixture(scope="module")
def package(layers, tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("queries") / "vinemap.gpkg"
    return write_geopackage(path, layers, crs="EPSG:9473", description="Invented estate", currency="AUD")


@pytest.mark.parametrize("query", QUERIES, ids=lambda one: one.question)
def test_each_question_is_answered_through_gdal(package, query):
    got = pyogrio.read_dataframe(package, sql=query.sql)
    assert len(got) > 0
    assert got.notna().all().all()


def test_hectares_to_renew_by_variety_and_year(package, layers):
    got = pyogrio.read_dataframe(package, sql=QUERIES[0].sql)
    zone = pd.DataFrame(layers["zone"]).merge(layers["block"][["block_id", "variety"]], on="block_id")
    want = zone[zone["advice"] == "renew"].groupby(["best_year", "variety"])["area_ha"].sum().round(2)
    assert got["renew_ha"].tolist() == want.tolist()
    assert got["variety"].tolist() == want.index.get_level_values("variety").tolist()
    assert got["zones"].sum() == (zone["advice"] == "renew").sum()


def test_delay_costs_are_those_of_the_zones(package, layers):
    got = pyogrio.read_dataframe(package, sql=QUERIES[1].sql)
    renew = layers["zone"][layers["zone"]["advice"] == "renew"]
    assert got["wait_cost"].sum() == pytest.approx(
        (renew["wait_cost_per_ha"] * renew["area_ha"]).sum(), abs=2
    )


def test_points_of_the_last_question_come_with_their_geometry(package, layers):
    got = pyogrio.read_dataframe(package, sql=QUERIES[-1].sql)
    assert isinstance(got, gpd.GeoDataFrame)
    assert got.crs.to_epsg() == 9473
    assert len(got) == len(layers["scouting_point"])


def test_the_command_as_printed_answers(package, layers, tmp_path):
    """The ogr2ogr line is run as a person would paste it."""
    shell = shutil.which("sh")
    if shutil.which("ogr2ogr") is None or shell is None:
        pytest.skip("ogr2ogr is not installed (Debian: gdal-bin)")
    command = re.search(r"```sh\n(.*)\n```", describe_queries(file=package.name))
    assert command
    done = subprocess.run(
        [shell, "-c", command[1]], cwd=package.parent, capture_output=True, text=True, check=True, timeout=60
    )
    rows = list(csv.DictReader(io.StringIO(done.stdout)))
    assert {row["variety"] for row in rows} == {"Shiraz", "Cabernet Sauvignon"}
    assert sum(int(row["zones"]) for row in rows) == (layers["zone"]["advice"] == "renew").sum()


def test_questions_printed_in_the_readme_and_dictionary_are_those_tested(tmp_path):
    """Any SQL that a reader could paste is one of those run above."""
    tested = {one.sql for one in QUERIES}
    dictionary = write_dictionary(tmp_path / "dictionary.md").read_text(encoding="utf-8")
    printed = re.findall(r"```sql\n(.*?)\n```", dictionary + README.read_text(encoding="utf-8"), re.DOTALL)
    assert len(printed) >= len(QUERIES)
    assert set(printed) == tested


def test_no_column_beyond_the_documented_ones_is_named_twice():
    known = {one.name: one for one in tables.OUTPUTS}
    for name, columns in EXTRA.items():
        assert not {one.name for one in columns} & set(known[name].names)
        assert all(one.meaning for one in columns)


def test_columns_beyond_the_documented_ones_carry_their_meaning_too(layers, tmp_path):
    more = layers["zone"].assign(scouting_value=12.5, whim="x")
    path = write_geopackage(
        tmp_path / "a.gpkg", {**layers, "zone": more}, crs="EPSG:9473", description="x", currency="AUD"
    )
    with closing(sqlite3.connect(path)) as connection:
        told = dict(connection.execute(
            "SELECT column_name, description FROM gpkg_data_columns WHERE table_name = 'zone'"))  # fmt: skip
    assert told["scouting_value"].endswith("[AUD]")
    assert "whim" not in told
    assert [one.name for one in known_columns(tables.ZONE, more.columns)][-1] == "scouting_value"


def test_every_amount_of_money_names_the_currency_in_the_file(package):
    with closing(sqlite3.connect(package)) as connection:
        texts = [one for (one,) in connection.execute("SELECT description FROM gpkg_data_columns")]
    money = [
        column for table in tables.OUTPUTS for column in table.columns if column.unit.startswith("currency")
    ]
    assert sum("[AUD" in one for one in texts) == len(money) > 5
    assert not any("[currency" in one for one in texts)
