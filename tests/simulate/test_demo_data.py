"""The files of data/demo as committed: parse, size, checksums, and what they say about the estate."""

import gzip
import hashlib
import json
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

from vinemap.land import prepare_blocks
from vinemap.simulate import DEMO_BLOCKS, DEMO_MACHINES, demo_estate, file_contents, write_estate_files

DEMO = Path(__file__).parents[2] / "data" / "demo"
MANIFEST = json.loads((DEMO / "truth" / "manifest.json").read_text(encoding="utf-8"))["sha256"]


def content(name):
    raw = (DEMO / name).read_bytes()
    return gzip.decompress(raw) if name.endswith(".gz") else raw


def test_every_file_is_the_one_the_manifest_pins():
    for name, expected in MANIFEST.items():
        assert hashlib.sha256(content(name)).hexdigest() == expected, name
    there = {path.relative_to(DEMO).as_posix() for path in DEMO.rglob("*") if path.is_file()}
    documents = {"README.md", "map.png"}  # the picture is of the map made from these files
    assert there == {*MANIFEST, "truth/manifest.json", *documents}


def test_the_folder_is_small_and_says_that_it_is_invented():
    assert sum(path.stat().st_size for path in DEMO.rglob("*") if path.is_file()) < 13e6
    assert "All of this is invented" in (DEMO / "README.md").read_text(encoding="utf-8")


def test_outlines_follow_rfc_7946_and_hold_130_hectares():
    # RFC 7946, sections 3.1.6 and 4: outer rings counter-clockwise, longitude first, no "crs" member
    text = json.loads(content("blocks.geojson"))
    assert "crs" not in text
    blocks = gpd.read_file(DEMO / "blocks.geojson")
    assert all(one.exterior.is_ccw for one in blocks.geometry)
    assert blocks.total_bounds[0] == pytest.approx(143.2, abs=0.02)
    assert blocks.total_bounds[1] == pytest.approx(-34.6, abs=0.02)
    ready = prepare_blocks(blocks)
    assert ready.blocks["area_ha"].sum() == pytest.approx(130.0, abs=1.0)
    assert ready.blocks["area_ha"].between(6.0, 16.5).all()
    assert blocks["block_id"].tolist() == [plan.block_id for plan in DEMO_BLOCKS]


@pytest.mark.parametrize("vintage", [2017, 2026])
def test_the_two_machines_write_different_formats(vintage):
    heron = pd.read_csv(DEMO / f"harvest/{vintage}_heron.csv.gz")
    ibis = pd.read_csv(DEMO / f"harvest/{vintage}_ibis.csv.gz", sep=";")
    assert heron.columns.tolist() == [
        "Time (UTC)", "Harvester", "Block", "Latitude (deg)", "Longitude (deg)", "Speed (km/h)",
        "Mass flow (kg/s)",
    ]  # fmt: skip
    assert ibis.columns.tolist() == [
        "Date (dd/mm/yyyy)", "Local time (UTC+10)", "Machine", "Longitude (deg)", "Latitude (deg)",
        "Ground speed (m/s)", "Working width (m)", "Flow rate (t/h)",
    ]  # fmt: skip
    assert pd.to_datetime(heron["Time (UTC)"], utc=True).is_monotonic_increasing
    assert (heron["Latitude (deg)"] == 0).sum() == 4
    assert (ibis["Flow rate (t/h)"].astype(str) == "---").sum() == 4
    assert min(len(heron), len(ibis)) > 20_000


def test_logs_and_loads_of_the_biased_machine_disagree_as_stated():
    # Red Gum in 2026: weighed loads against what Ibis logged, from the files alone
    ibis = pd.read_csv(DEMO / "harvest/2026_ibis.csv.gz", sep=";")
    flow = pd.to_numeric(ibis["Flow rate (t/h)"], errors="coerce")
    loads = pd.read_csv(DEMO / "loads/2026.csv")
    weighed = loads.loc[loads["Harvester"] == "Ibis", "Net (kg)"].sum() / 1000
    assert flow.sum() * 5 / 3600 / weighed == pytest.approx(1 - 0.18, abs=0.02)
    loads = pd.read_csv(DEMO / "loads/2023.csv")
    weighed = loads.loc[loads["Harvester"] == "Heron", "Net (kg)"].sum() / 1000
    heron = pd.read_csv(DEMO / "harvest/2023_heron.csv.gz")
    assert heron["Mass flow (kg/s)"].sum() * 5 / 1000 / weighed == pytest.approx(1 - 0.08, abs=0.02)


def test_tickets_and_counts_parse():
    for year in range(2017, 2027):
        loads = pd.read_csv(DEMO / f"loads/{year}.csv", parse_dates=["Weighed at"])
        assert (loads["Gross (kg)"] - loads["Tare (kg)"] == loads["Net (kg)"]).all()
        assert loads["MOG (%)"].between(0.1, 5.0).all()
    loads = pd.concat([pd.read_csv(DEMO / f"loads/{year}.csv") for year in range(2017, 2027)])
    assert loads["Block"].str.contains(";").sum() >= 5
    for year in (2020, 2023, 2026):
        counts = pd.read_csv(DEMO / f"counts/{year}.csv")
        assert (counts["To vine"] - counts["From vine"] + 1 == counts["Vines"]).all()
        assert (counts["Missing"] + counts["Symptomatic"] <= counts["Vines"]).all()


def test_the_story_of_each_block_is_in_the_truth():
    truth = pd.read_csv(DEMO / "truth/blocks.csv").set_index("block_id")
    sound = truth.loc[["B04", "B05", "B07", "B10", "B11"]]
    assert (sound["loss_pct"] < 2).all()
    assert sound["onset_vintage"].isna().all()
    assert truth.loc["B02", "loss_pct"] > 35
    assert truth.loc["B09", "loss_pct"] > 35
    assert 5 < truth.loc["B12", "loss_pct"] < 20
    assert truth.loc["B08", "missing_pct"] > 5
    vintages = pd.read_csv(DEMO / "truth/block_vintages.csv")
    yields = vintages.pivot_table(index="block_id", columns="vintage", values="true_t_ha")
    assert (
        yields.loc[["B04", "B05", "B07", "B10"], 2020] < 0.85 * yields.loc[["B04", "B05", "B07", "B10"], 2019]
    ).all()
    assert yields.loc["B06", 2022] < 0.2 * yields.loc["B06", 2021]
    assert yields.loc[["B04", "B07", "B10", "B11"]].drop(columns=[2017, 2020]).to_numpy().min() > 15


def test_foci_and_fronts_cover_the_share_that_the_readme_says():
    cells = pd.read_csv(DEMO / "truth/cells.csv.gz")
    share = cells.assign(sick=cells["trouble"].isin(["focal", "row_wise", "whole_block"]))
    share = share.groupby("block_id")["sick"].mean()
    assert share["B01"] == pytest.approx(1 / 3, abs=0.1)
    assert share["B03"] == pytest.approx(0.4, abs=0.1)
    assert share["B02"] > 0.95
    assert (share[["B04", "B05", "B06", "B07", "B08", "B10", "B11"]] == 0).all()
    weak = cells[(cells["block_id"] == "B05") & cells["weak_soil"]]
    rest = cells[(cells["block_id"] == "B05") & ~cells["weak_soil"]]
    assert weak["healthy_t_ha"].mean() < 0.75 * rest["healthy_t_ha"].mean()
    assert weak["loss_2026"].mean() < 3


def test_machines_in_the_truth_are_those_of_the_plan():
    machines = pd.read_csv(DEMO / "truth/machines.csv").set_index(["machine", "vintage"])
    assert machines.loc[("Ibis", 2026), "bias_start"] == -0.18
    assert machines.loc[("Ibis", 2024), "bias_end"] == 0.04
    assert machines.loc[("Heron", 2021), "bias_end"] - machines.loc[
        ("Heron", 2021), "bias_start"
    ] == pytest.approx(-0.06)
    assert {one.name for one in DEMO_MACHINES} == {"Heron", "Ibis"}


@pytest.mark.slow
def test_the_seed_gives_the_committed_files_again(tmp_path):
    # numpy keeps PCG64 streams stable; another numpy, scipy or PROJ may still flip a last digit, hence the
    # second, looser comparison before the exact one
    estate = demo_estate()
    made = file_contents(estate)
    assert set(made) == set(MANIFEST)
    again = pd.read_csv(DEMO / "harvest/2026_heron.csv.gz")["Mass flow (kg/s)"].to_numpy()
    np.testing.assert_allclose(estate.harvest[2026, "Heron"]["Mass flow (kg/s)"], again, atol=0.11)
    differing = [name for name, data in made.items() if hashlib.sha256(data).hexdigest() != MANIFEST[name]]
    assert differing == []
    written = write_estate_files(estate, tmp_path)
    assert len(written) == len(MANIFEST) + 1
