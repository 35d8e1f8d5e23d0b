"""The estate folder: what goes in comes out, twice is seen, everything can be taken back."""

from __future__ import annotations

import json
import subprocess
import sys
import threading

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from vinemap.errors import DataError, IntakeError, SettingsError, StoreError
from vinemap.estate import create_estate, open_store
from vinemap.estate.layout import block_of, file_stem, harvest_file
from vinemap.intake import read_frame, read_source
from vinemap.pipeline.status import describe_status
from vinemap.show import show_import

WEST, SOUTH = 140.5, -34.2
BOX = {
    "A1": shapely.box(WEST, SOUTH, WEST + 0.002, SOUTH + 0.002),
    "A2": shapely.box(WEST + 0.004, SOUTH, WEST + 0.006, SOUTH + 0.002),
}


def blocks_frame(names=("A1", "A2"), **columns) -> gpd.GeoDataFrame:
    frame = {
        "block_id": list(names),
        "variety": "Shiraz",
        "row_spacing_m": 3.0,
        "vine_spacing_m": 2.0,
    } | columns
    return gpd.GeoDataFrame(frame, geometry=[BOX[one] for one in names], crs=4326)


def log_frame(
    start: str = "2024-03-01T08:00:00Z", machine: str = "H1", block: str = "A1", count: int = 20
) -> pd.DataFrame:
    west, south, east, north = BOX[block].bounds
    return pd.DataFrame(
        {
            "time": (pd.Timestamp(start) + pd.to_timedelta(np.arange(count), unit="s")).strftime(
                "%Y-%m-%dT%H:%M:%SZ"
            ),
            "latitude": np.linspace(south + 2e-4, north - 2e-4, count).round(7),
            "longitude": (west + east) / 2,
            "mass_flow_kg_s": np.linspace(2, 5, count).round(3),
            "machine": machine,
        }
    )


@pytest.fixture
def estate(tmp_path):
    store = create_estate(tmp_path / "estate", name="Test")
    store.add(read_frame(blocks_frame(), "blocks", name="blocks"))
    return store


def harvest(frame: pd.DataFrame, name: str = "log", **arguments):
    return read_frame(frame, "harvest", name=name, **arguments)


def test_new_estate_opens_and_holds_nothing(tmp_path):
    store = create_estate(tmp_path / "estate", name='Hill "side"')
    again = open_store(tmp_path / "estate")
    assert again.settings.estate.name == 'Hill "side"'
    for table in (
        again.blocks(),
        again.rows(),
        again.loads(),
        again.counts(),
        again.renewals(),
        again.ledger(),
    ):
        assert len(table) == 0
    assert len(again.harvest_index()) == 0
    assert again.imagery().empty
    assert again.verify() == []
    assert store.blocks().crs.to_epsg() == 4326


def test_new_estate_never_covers_what_is_there(tmp_path):
    (tmp_path / "x.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(StoreError, match=r"There is something here already"):
        create_estate(tmp_path)
    with pytest.raises(StoreError, match=r"This is not an estate folder"):
        open_store(tmp_path)


def test_format_of_another_version_is_refused(estate):
    (estate.folder / "format.json").write_text('{"format": 99}', encoding="utf-8")
    with pytest.raises(
        StoreError, match=r"format 99; this version of vinemap reads format 1. Install a newer"
    ):
        open_store(estate.folder)
    (estate.folder / "format.json").write_text("{", encoding="utf-8")
    with pytest.raises(StoreError, match=r"does not say the format of the folder\. Write"):
        open_store(estate.folder)


def test_readings_come_back_as_imported_and_in_plain_geopandas(estate):
    report = estate.add(harvest(log_frame()))
    assert (report.import_id, report.rows_read, report.rows_stored, report.rows_refused) == (2, 20, 20, 0)
    stored = estate.readings(2024, "A1")
    np.testing.assert_allclose(stored["mass_flow_kg_s"], log_frame()["mass_flow_kg_s"])
    assert stored["import_id"].unique().tolist() == [2]
    assert stored["reading_id"].tolist() == list(range(1, 21))
    plain = gpd.read_parquet(estate.folder / "harvest" / "2024" / "A1.parquet")
    assert plain.crs.to_epsg() == 4326
    assert len(plain) == 20
    index = estate.harvest_index()
    assert index[["vintage", "block_id", "readings", "machines"]].to_numpy().tolist() == [
        [2024, "A1", 20, "H1"]
    ]
    assert estate.readings(2023, "A1").empty
    assert estate.verify() == []


def test_same_file_twice_is_recognised_until_undone(estate):
    first = estate.add(harvest(log_frame()))
    again = estate.add(harvest(log_frame(), name="copy"))
    assert again.duplicate
    assert again.import_id == first.import_id
    assert "stored already as import 2" in again.notes[0]
    assert len(estate.ledger()) == 2
    undone = estate.undo(first.import_id)
    assert undone.rows_stored == -20
    assert estate.harvest_index().empty
    assert not (estate.folder / harvest_file(2024, "A1")).exists()
    third = estate.add(harvest(log_frame()))
    assert not third.duplicate
    assert third.import_id == 3
    assert estate.verify() == []


def test_other_file_with_the_same_readings_adds_only_the_new_ones(estate):
    """A vintage given twice: identical readings (machine, time, position) are refused with their count."""
    estate.add(harvest(log_frame()))
    longer = log_frame(count=20)
    more = log_frame(start="2024-03-01T09:00:00Z", count=5)
    report = estate.add(harvest(pd.concat([longer, more]), name="longer"))
    assert (report.rows_stored, report.rows_refused) == (5, 20)
    assert report.reasons == {"the same reading is stored already": 20}
    stored = estate.readings(2024, "A1")
    assert len(stored) == 25
    assert stored["reading_id"].is_unique
    with pytest.raises(DataError, match=r"stored already or lie outside"):
        estate.add(harvest(pd.concat([more, longer]), name="shuffled"))
    assert estate.verify() == []


def test_ground_driven_again_later_is_kept_from_both_files(estate):
    """The same places at another time are other readings: which of them counts is for cleaning to say."""
    first, again = log_frame(), log_frame(start="2024-03-01T11:30:00Z")
    assert first["latitude"].equals(again["latitude"])
    assert first["longitude"].equals(again["longitude"])
    estate.add(harvest(first))
    report = estate.add(harvest(again, name="driven again"))
    assert (report.rows_stored, report.rows_refused) == (20, 0)
    stored = estate.readings(2024, "A1")
    assert stored["import_id"].tolist() == [2] * 20 + [3] * 20
    assert stored["reading_id"].tolist() == list(range(1, 41))
    places = stored.geometry.get_coordinates().round(7)
    assert places.groupby(["x", "y"]).size().tolist() == [2] * 20
    assert estate.verify() == []
    estate.undo(report.import_id)
    assert estate.readings(2024, "A1")["import_id"].tolist() == [2] * 20


def test_two_machines_and_two_vintages_in_one_file(estate):
    frame = pd.concat(
        [log_frame(), log_frame(machine="H2"), log_frame(start="2023-03-01T08:00:00Z", block="A2")]
    )
    report = estate.add(harvest(frame))
    assert report.rows_stored == 60
    index = estate.harvest_index()
    assert index[["vintage", "block_id", "readings", "machines"]].to_numpy().tolist() == [
        [2023, "A2", 20, "H1"],
        [2024, "A1", 40, "H1;H2"],
    ]
    assert estate.undo(report.import_id).rows_stored == -60
    assert estate.verify() == []


def test_undo_takes_one_import_and_leaves_the_other(estate):
    estate.add(harvest(log_frame()))
    second = estate.add(harvest(log_frame(start="2024-03-02T08:00:00Z"), name="b"))
    estate.undo(2)
    left = estate.readings(2024, "A1")
    assert left["import_id"].unique().tolist() == [second.import_id]
    with pytest.raises(StoreError, match=r"Import 2 was taken back before"):
        estate.undo(2)
    with pytest.raises(StoreError, match=r"There is no import 77. The last ones are: 1, 2, 3"):
        estate.undo(77)


def test_readings_outside_every_block_are_left_out_and_told(estate):
    inside, outside = log_frame(), log_frame(start="2024-03-01T09:00:00Z", count=5)
    outside["latitude"] += 0.05
    report = estate.add(harvest(pd.concat([inside, outside])))
    assert report.rows_stored == 20
    assert report.reasons == {"position lies outside every block": 5}
    assert any("5 of 25 readings lie outside every block" in note for note in report.notes)


@pytest.mark.parametrize(
    ("turn", "sentence"),
    [
        (lambda frame: frame.rename(columns={"latitude": "longitude", "longitude": "latitude"}), "swapped"),
        (lambda frame: frame.assign(latitude=-frame["latitude"]), "Latitudes have lost their minus sign"),
        (lambda frame: frame.assign(longitude=-frame["longitude"]), "Longitudes have lost their minus sign"),
        (
            lambda frame: frame.assign(latitude=frame["latitude"] + 1),
            "outside every block .*km from the middle",
        ),
    ],
    ids=["swapped", "north", "west", "elsewhere"],
)
def test_readings_elsewhere_are_explained(tmp_path, turn, sentence):
    """Near 0-90 degrees east swapped axes pass every range check; only the outlines tell."""
    store = create_estate(tmp_path / "estate")
    west, south = 20.5, -33.5
    box = shapely.box(west, south, west + 0.002, south + 0.002)
    frame = gpd.GeoDataFrame({"block_id": ["A1"]}, geometry=[box], crs=4326)
    store.add(read_frame(frame, "blocks", name="b"))
    log = log_frame().assign(longitude=west + 0.001)
    log["latitude"] = south + np.linspace(2e-4, 18e-4, len(log)).round(7)
    with pytest.raises(DataError, match=sentence):
        store.add(harvest(turn(log)))
    assert store.verify() == []
    assert len(store.ledger()) == 1


def test_name_typed_in_the_cab_that_disagrees_is_told(estate):
    frame = log_frame().assign(block="A2")
    report = estate.add(harvest(frame))
    assert "20 readings say block 'A2' but lie in 'A1'; the position was taken." in report.notes
    assert estate.harvest_index()["block_id"].tolist() == ["A1"]


def test_harvest_and_rows_need_blocks_first(tmp_path):
    store = create_estate(tmp_path / "estate")
    with pytest.raises(DataError, match=r"There are no blocks yet.*Add outlines first"):
        store.add(harvest(log_frame()))
    with pytest.raises(DataError, match=r"There are no blocks yet"):
        store.crs()


def test_blocks_update_and_are_never_silently_deleted(estate):
    other = blocks_frame(("A2",), variety="Merlot").drop(columns="vine_spacing_m")
    report = estate.add(read_frame(other, "blocks", name="second"))
    blocks = estate.blocks().set_index("block_id")
    assert blocks.index.tolist() == ["A1", "A2"]
    assert blocks.loc["A2", "variety"] == "Merlot"
    assert blocks.loc["A2", "vine_spacing_m"] == 2.0  # the file was silent on it
    assert any("Block A2 was updated: variety Shiraz -> Merlot" in note for note in report.notes)
    assert any("1 blocks that the file does not hold were kept" in note for note in report.notes)
    estate.undo(report.import_id)
    assert estate.blocks().set_index("block_id").loc["A2", "variety"] == "Shiraz"
    assert estate.verify() == []


def test_blocks_that_hold_readings_cannot_be_undone(estate):
    estate.add(harvest(log_frame()))
    with pytest.raises(StoreError, match=r"Block A1 holds readings.*Undo the harvest imports"):
        estate.undo(1)
    estate.undo(2)
    estate.undo(1)
    assert estate.blocks().empty
    assert estate.verify() == []


def test_block_that_differs_only_in_case_is_refused(estate):
    with pytest.raises(DataError, match=r"Block 'a1' differs from 'A1' only in letter case. Name it 'A1'"):
        estate.add(read_frame(blocks_frame(("A1",)).assign(block_id="a1"), "blocks", name="c"))


def test_estate_crs_stays_when_blocks_come(estate):
    """Australian Albers on GDA2020 is EPSG:9473 in the EPSG registry."""
    assert estate.crs().to_epsg() == 9473
    file = json.loads((estate.folder / "crs.json").read_text(encoding="utf-8"))
    assert file["type"] == "ProjectedCRS"


@pytest.mark.parametrize(
    ("name", "sentence"),
    [
        (
            "EPSG:abc",
            r"estate\.toml, estate\.crs: There is no coordinate system 'EPSG:abc'\. Name one in metres",
        ),
        (
            "EPSG:4326",
            r"estate\.toml, estate\.crs: WGS 84 is in degree; metres are needed\. Name one in metres",
        ),
    ],
)
def test_crs_of_the_settings_that_cannot_be_is_refused(estate, name, sentence):
    """Degrees would make every reading within reach of some block: the tolerance is in metres."""
    file = estate.folder / "estate.toml"
    file.write_text(file.read_text(encoding="utf-8").replace('crs = ""', f'crs = "{name}"'), encoding="utf-8")
    again = open_store(estate.folder)
    with pytest.raises(SettingsError, match=sentence):
        again.add(harvest(log_frame()))
    assert len(again.ledger()) == 1
    assert any(name in one or "metres are needed" in one for one in describe_status(again).problems)


def test_rows_are_replaced_by_block_and_vines_counted(estate):
    line = shapely.LineString([(WEST + 0.001, SOUTH + 1e-4), (WEST + 0.001, SOUTH + 19e-4)])
    frame = gpd.GeoDataFrame({"block_id": ["A1"], "row_no": [1]}, geometry=[line], crs=4326)
    estate.add(read_frame(frame, "rows", name="r"))
    rows = estate.rows()
    assert rows["vines"].tolist() == [round(rows["length_m"].iloc[0] / 2.0)]
    again = estate.add(read_frame(frame.assign(row_no=7), "rows", name="r2"))
    assert estate.rows()["row_no"].tolist() == [7]
    assert "Rows of block A1 were replaced." in again.notes
    estate.undo(again.import_id)
    assert estate.rows()["row_no"].tolist() == [1]
    assert estate.verify() == []


def test_loads_counts_and_renewals_go_in_and_out(estate):
    loads = pd.DataFrame(
        {"ticket": ["1", "2"], "vintage": 2024, "block": ["A1", "A9"], "net (kg)": [9000, 8000]}
    )
    counts = pd.DataFrame({"vintage": [2024], "block": ["A1"], "row": [1], "vines": [50], "missing": [3]})
    renewals = pd.DataFrame({"block": ["A1"], "method": ["graft over"], "year": [2020]})
    report = estate.add(read_frame(loads, "loads", name="l"))
    assert any("Block 'A9' is not among the blocks" in note for note in report.notes)
    estate.add(read_frame(counts, "counts", name="c"))
    estate.add(read_frame(renewals, "renewals", name="r"))
    assert estate.loads()["import_id"].tolist() == [2, 2]
    assert estate.counts()["missing"].tolist() == [3]
    assert estate.renewals()["method"].tolist() == ["graft_over"]
    assert estate.verify() == []
    for number in (2, 3, 4):
        estate.undo(number)
    assert len(estate.loads()) + len(estate.counts()) + len(estate.renewals()) == 0
    assert estate.verify() == []


def test_counts_of_an_older_version_read_with_no_width(estate):
    """A store from before prunings and widths had columns of their own opens as it is; they are empty."""
    counts = pd.DataFrame({"vintage": [2024], "block": ["A1"], "row": [1], "vines": [50], "missing": [3]})
    estate.add(read_frame(counts, "counts", name="c"))
    file = next((estate.folder / "counts").glob("*.parquet"))
    pd.read_parquet(file).drop(columns=["box_width_m", "pruning_kg"]).to_parquet(file)
    held = open_store(estate.folder).counts()
    assert held["box_width_m"].isna().all()
    assert held["box_width_m"].dtype == "float64"
    width = counts.assign(row=2, **{"cordon width (cm)": 45.0})
    estate.add(read_frame(width, "counts", name="w"))
    assert open_store(estate.folder).counts()["box_width_m"].tolist() == pytest.approx(
        [np.nan, 0.45], nan_ok=True
    )
    with pytest.raises(DataError, match=r"All 1 lines are stored already"):
        estate.add(read_frame(counts.assign(x=1), "counts", name="again"))
    assert estate.verify() == []


def test_widths_go_in_beside_the_vines_counted_in_the_same_rows(estate):
    """A file of its own for what was measured in winter; the same thing told otherwise is refused."""
    rows = pd.DataFrame({"vintage": 2024, "block": "A1", "row": [1, 2], "vines": 50})
    estate.add(read_frame(rows.assign(missing=[3, 0]), "counts", name="summer"))
    widths = rows.assign(**{"cordon width (cm)": [45.0, 50.0]})
    report = estate.add(read_frame(widths, "counts", name="winter"))
    assert (report.rows_stored, report.rows_refused) == (2, 0)
    held = estate.counts()
    assert held["missing"].tolist() == [3, 0, pd.NA, pd.NA]
    assert held["box_width_m"].tolist() == pytest.approx([np.nan, np.nan, 0.45, 0.5], nan_ok=True)
    with pytest.raises(DataError, match=r"All 2 lines are stored already"):
        estate.add(read_frame(widths.assign(x=1), "counts", name="winter again"))
    other = pd.concat([rows.assign(missing=[4, 0]), rows.assign(row=[3, 4], missing=0)])
    report = estate.add(read_frame(other, "counts", name="other"))
    changed = "is stored already with other values; undo that import first"
    assert report.reasons == {"is stored already": 1, changed: 1}
    assert report.first[changed] == "'vintage 2024, block_id A1, row_no 1'"


def assessed(store, shares: dict[str, dict[int, float]]) -> None:
    """Write the rows of zones as an assessment leaves them: length of each row of 100 m in each zone."""
    parts = [
        {"row_id": f"A1-{row}", "block_id": "A1", "zone_id": zone, "length_m": length}
        for zone, rows in shares.items()
        for row, length in rows.items()
    ]
    line = shapely.LineString([(0, 0), (1, 1)])
    frame = gpd.GeoDataFrame(parts, geometry=[line] * len(parts), crs=3577)
    frame.to_file(store.output_folder(2024) / "vinemap.gpkg", layer="vine_row")


def test_renewals_by_zone_are_put_down_to_its_rows(estate):
    """Zone Z1 has rows 1, 2 and 4 for the greater part, Z3 a strip across all: its rows must be named."""
    assessed(
        estate,
        {
            "A1-Z1": {1: 100, 2: 60, 3: 30, 4: 70},
            "A1-Z2": {2: 20, 3: 60, 4: 10},
            "A1-Z3": {2: 20, 3: 10, 4: 20},
        },
    )
    frame = pd.DataFrame(
        {"Zone": ["A1-Z1", "A1-Z3", "A1-Z9", ""], "Method": "replant", "Year": 2021, "Cost": 300.0,
         "Block": ["", "", "", "A2"]}
    )  # fmt: skip
    report = estate.add(read_frame(frame, "renewals", name="r"))
    held = estate.renewals().sort_values(["block_id", "from_row"])
    assert held["block_id"].tolist() == ["A1", "A1", "A2"]
    assert held["from_row"].tolist() == [1, 4, pd.NA]
    assert held["to_row"].tolist() == [2, 4, pd.NA]
    assert held["cost"].tolist() == [200.0, 100.0, 300.0]
    assert "Zone A1-Z1 of the assessment of 2024 was taken as rows 1-2, 4." in report.notes
    assert report.first == {
        "zone holds less than half of each of its rows; name the rows": "'A1-Z3'",
        "zone is not one of the last assessment; name its rows": "'A1-Z9'",
    }
    assert estate.verify() == []
    with pytest.raises(DataError, match=r"All 2 lines are stored already"):
        estate.add(read_frame(frame.iloc[[0]], "renewals", name="again"))


def test_zone_without_an_assessment_is_refused_with_what_to_do(estate):
    frame = pd.DataFrame({"Zone": ["A1-Z1"], "Method": "replant", "Year": 2021})
    with pytest.raises(DataError, match=r"'A1-Z1': zone is not one of.*or run vinemap assess first"):
        estate.add(read_frame(frame, "renewals", name="r"))
    with pytest.raises(IntakeError, match=r"recognised as block \(block_id\) or zone_id"):
        read_frame(frame.drop(columns="Zone"), "renewals")


def test_loads_find_their_blocks_by_name(tmp_path):
    """Weighbridges write names; a name that two blocks bear tells nothing."""
    store = create_estate(tmp_path / "estate")
    store.add(read_frame(blocks_frame(name=["Hill", "River"]), "blocks"))
    frame = pd.DataFrame(
        {"Ticket": [1, 2, 3], "Vintage": 2024, "Block": ["HILL", "a2; Hill", "Else"], "Net (kg)": 9000}
    )
    report = store.add(read_frame(frame, "loads"))
    assert store.loads()["block_id"].tolist() == ["A1", "A2;A1", "Else"]
    assert "Blocks were told by their names: 'HILL' is 'A1', 'Hill' is 'A1', 'a2' is 'A2'." in report.notes
    assert any("'Else' is not among the blocks" in one for one in report.notes)
    same = create_estate(tmp_path / "same")
    same.add(read_frame(blocks_frame(name=["Hill", "Hill"]), "blocks"))
    same.add(read_frame(frame.iloc[:1], "loads"))
    assert same.loads()["block_id"].tolist() == ["HILL"]


def test_spreadsheet_exported_again_with_more_lines_adds_only_the_new_ones(estate):
    loads = pd.DataFrame(
        {"ticket": ["1", "2"], "vintage": 2024, "block": ["A1", "A2"], "net (kg)": [9000, 8000]}
    )
    more = pd.DataFrame({"ticket": ["3"], "vintage": 2024, "block": ["A1"], "net (kg)": [7000]})
    estate.add(read_frame(loads, "loads", name="may"))
    changed = pd.concat([loads.assign(**{"net (kg)": [9000, 8500]}), more])
    report = estate.add(read_frame(changed, "loads", name="june"))
    assert (report.rows_read, report.rows_stored, report.rows_refused) == (3, 1, 2)
    assert report.reasons == {
        "is stored already": 1,
        "is stored already with other values; undo that import first": 1,
    }
    assert estate.loads()["net_kg"].tolist() == [9000.0, 8000.0, 7000.0]
    with pytest.raises(DataError, match=r"All 2 lines are stored already"):
        estate.add(read_frame(loads.iloc[::-1], "loads", name="again"))
    counts = pd.DataFrame({"vintage": [2024], "block": ["A1"], "row": [1], "vines": [50], "missing": [3]})
    estate.add(read_frame(counts, "counts", name="c"))
    both = pd.concat([counts, counts.assign(row=2)])
    assert estate.add(read_frame(both, "counts", name="d")).reasons == {"is stored already": 1}
    assert estate.verify() == []


def test_imagery_is_kept_as_it_is(estate, tmp_path):
    import rasterio

    file = tmp_path / "canopy_2024-01-15.tif"
    transform = rasterio.Affine(0.0001, 0.0, 140.5, 0.0, -0.0001, -34.198)
    with rasterio.open(
        file,
        "w",
        driver="GTiff",
        width=20,
        height=20,
        count=2,
        dtype="float32",
        crs="EPSG:4326",
        transform=transform,
    ) as sink:
        sink.write(np.ones((2, 20, 20), dtype="float32"))
    report = estate.add(read_source(file, "imagery"))
    row = estate.imagery().iloc[0]
    assert (row["date"], row["vintage"], row["bands"]) == ("2024-01-15", 2024, 2)
    assert (estate.folder / row["path"]).read_bytes() == file.read_bytes()
    assert estate.verify() == []
    estate.undo(report.import_id)
    assert not (estate.folder / row["path"]).exists()


def test_verify_names_what_is_wrong(estate):
    estate.add(harvest(log_frame()))
    file = estate.folder / harvest_file(2024, "A1")
    good = file.read_bytes()
    file.write_bytes(good[:-30])
    assert any("harvest/2024/A1.parquet cannot be read" in one for one in estate.verify())
    gpd.read_parquet(_put(file, good)).iloc[:-3].to_parquet(file)
    assert any("Import 2 (log) should have 20 rows but 17 are stored" in one for one in estate.verify())
    _put(file, good)
    _put(file.with_name("Z9.parquet"), good)
    problems = estate.verify()
    assert any("Readings of block 'Z9' are stored but there is no such block" in one for one in problems)
    assert any("should have 20 rows but 40" in one for one in problems)


@pytest.mark.parametrize("kind", ["counts", "loads"])
@pytest.mark.parametrize("name", ["mine.parquet", "000002 - copy.parquet", "rows.csv"])
def test_file_that_someone_dropped_among_the_imports_is_told_and_not_used(estate, kind, name):
    """Neither does it stop a look at the estate, nor count twice, nor pass for data that are in."""
    frames = {
        "counts": pd.DataFrame({"vintage": [2024], "block": ["A1"], "row": [1], "vines": [50]}),
        "loads": pd.DataFrame({"ticket": ["1"], "vintage": 2024, "block": ["A1"], "net (kg)": [9000]}),
    }
    estate.add(read_frame(frames[kind], kind, name="own"))
    own, file = estate.folder / kind / "000002.parquet", estate.folder / kind / name
    if "copy" in name:
        file.write_bytes(own.read_bytes())
    elif name.endswith(".csv"):
        frames[kind].to_csv(file)
    else:
        frames[kind].to_parquet(file)
    held = getattr(open_store(estate.folder), kind)()
    assert held["import_id"].tolist() == [2]
    told = f"{kind}/{name} was not put there by vinemap and is not used: take it out of the folder; "
    assert estate.verify() == [told + "what it holds goes in with vinemap add."]
    assert describe_status(estate).problems == estate.verify()
    file.unlink()
    assert estate.verify() == []


def test_file_of_the_estate_written_over_is_refused_by_name(estate):
    """A count file of other columns under the estate's own name: its data are gone, so nothing goes on."""
    counts = pd.DataFrame({"vintage": [2024], "block": ["A1"], "row": [1], "vines": [50]})
    estate.add(read_frame(counts, "counts", name="c"))
    file = estate.folder / "counts" / "000002.parquet"
    counts.to_parquet(file)
    with pytest.raises(
        StoreError, match=r"000002\.parquet: It is not as vinemap wrote it: Column .*take the file back from"
    ):
        estate.counts()
    assert any("counts/000002.parquet has no column import_id" in one for one in estate.verify())


def test_file_dropped_among_the_readings_is_told_with_what_to_do(estate):
    estate.add(harvest(log_frame()))
    log_frame().to_csv(estate.folder / "harvest" / "2024" / "log.csv")
    log_frame().drop(columns="machine").to_parquet(estate.folder / "harvest" / "2024" / "log.parquet")
    told = estate.verify()
    assert any("harvest/2024/log.csv was not put there by vinemap and is not used" in one for one in told)
    assert any("harvest/2024/log.parquet has no column import_id" in one for one in told)
    assert any("Readings of block 'log' are stored but there is no such block" in one for one in told)
    with pytest.raises(StoreError, match=r"log\.parquet: It is not as vinemap wrote it: it names no machine"):
        estate.harvest_index()


def _put(file, content):
    file.write_bytes(content)
    return file


def test_damaged_table_is_told_with_its_file(estate):
    (estate.folder / "blocks.parquet").write_bytes(b"PAR1 not really PAR1")
    with pytest.raises(
        StoreError, match=r"blocks.parquet: It cannot be read: it is damaged or cut off\. Take it back"
    ):
        estate.blocks()


@pytest.mark.parametrize(
    "name", ["A 1", "A/1", "../x", "con", "NUL", "Ünter.Berg", "x~y", " a ", "%41", "a.b", "A\\B:C*?"]
)
def test_block_names_become_safe_file_names_and_come_back(name):
    stem = file_stem(name)
    assert block_of(stem) == name
    assert not set(stem) & set('/\\:*?"<>|.~')
    assert stem.lower() not in ("con", "nul")
    assert stem == stem.strip()


def test_output_folder_is_made(estate):
    assert estate.output_folder(2024) == estate.folder / "out" / "2024"
    assert estate.output_folder(2024).is_dir()


HOLDER = """
import sys
from pathlib import Path
from vinemap.estate import atomic
with atomic.locked(Path(sys.argv[1])):
    print("held", flush=True)
    sys.stdin.read()
"""


def test_second_writer_waits_then_is_refused_by_name_of_the_lock(estate):
    """Another process holds the lock until its input is closed."""
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(estate.folder)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert holder.stdout.readline().strip() == "held"
        second = open_store(estate.folder, wait_s=0.3)
        with pytest.raises(StoreError, match=r"\.lock: Another program is writing here.*within 0.3 s"):
            second.add(harvest(log_frame()))
        assert second.verify() == []
        threading.Timer(0.3, holder.stdin.close).start()
        patient = open_store(estate.folder, wait_s=20)
        assert patient.add(harvest(log_frame())).rows_stored == 20
    finally:
        holder.kill()
        holder.wait(20)
        holder.stdout.close()


def test_report_says_where_each_reason_was_met_first_and_undo_what_it_took(estate, tmp_path):
    frame = log_frame().astype({"mass_flow_kg_s": object})
    frame.loc[[3, 7], "mass_flow_kg_s"] = -5.0
    frame.loc[4, "mass_flow_kg_s"] = "wet"
    frame.to_csv(tmp_path / "log.csv", index=False)
    report = estate.add(read_source(tmp_path / "log.csv", "harvest"))
    assert report.first == {
        "mass flow is negative": "row 5, '-5.0'",
        "mass flow is not a number": "row 6, 'wet'",
    }
    assert "2 x mass flow is negative (first: row 5, '-5.0')" in show_import(report)
    assert "17 rows taken back." in show_import(estate.undo(report.import_id))
