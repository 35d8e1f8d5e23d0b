"""The command line as a newcomer meets it: help, statuses, and what bad input gets."""

from __future__ import annotations

import json
import subprocess
import sys

import geopandas as gpd
import pandas as pd
import pytest
from shapely.geometry import Polygon

from vinemap import cli
from vinemap.errors import StoreError

WEST, SOUTH = 143.20, -34.60


def outline(
    west: float = WEST, south: float = SOUTH, *, name: str = "A", **extra: object
) -> gpd.GeoDataFrame:
    """One block of about 90 x 110 m in degrees."""
    ring = [(west, south), (west + 0.001, south), (west + 0.001, south + 0.001), (west, south + 0.001)]
    columns = {"block_id": [name], "variety": ["Shiraz"], "year_planted": [2005], "row_spacing_m": [3.0]}
    columns |= {"vine_spacing_m": [2.0]} | {key: [value] for key, value in extra.items()}
    return gpd.GeoDataFrame(columns, geometry=[Polygon(ring)], crs="EPSG:4326")


@pytest.fixture
def estate(tmp_path, run):
    folder = tmp_path / "estate"
    assert run("new", folder)[0] == 0
    return folder


def readings(count: int = 40, **changes: object) -> pd.DataFrame:
    """A few plausible readings along one row."""
    step = pd.Series(range(count), dtype=float)
    frame = pd.DataFrame(
        {
            "Time (UTC)": pd.Timestamp("2026-03-01T08:00:00Z") + pd.to_timedelta(step * 2, unit="s"),
            "Latitude": SOUTH + 0.0001 + step * 0.00002,
            "Longitude": WEST + 0.0005,
            "Speed (km/h)": 4.6,
            "Mass flow (kg/s)": 7.9,
            "Machine": "Wren",
        }
    )
    return frame.assign(**changes)


def test_help_lists_every_command_in_the_order_of_the_work(run):
    status, out, _ = run("--help")
    assert status == 0
    places = [
        out.index(f"\n  {name} ") for name in ("new", "preview", "add", "undo", "status", "assess", "plan")
    ]
    assert places == sorted(places)


@pytest.mark.parametrize("name", list(cli.vinemap.commands))
def test_every_command_explains_itself(run, name):
    status, out, _ = run(name, "--help")
    assert status == 0
    assert "Usage: vinemap" in out


def test_wrong_usage_is_status_2(run):
    assert run("add", "grapes", "x.csv", "--to", "y")[0] == 2
    assert run("add", "harvest", "x.csv", "--to", "y", "--column", "no-equals")[0] == 2


def test_internal_fault_is_status_3(run, monkeypatch, estate):
    monkeypatch.setattr("vinemap.job.Estate.status", lambda _: 1 / 0)
    status, _, err = run("status", estate)
    assert status == 3
    assert "defect in vinemap" in err


def test_refusal_as_json_has_its_three_parts(run, tmp_path):
    status, out, _ = run("status", tmp_path / "nothing", "--json")
    assert status == 1
    assert set(json.loads(out)["error"]) == {"what", "where", "remedy"}


def test_new_refuses_a_folder_in_use(run, estate):
    status, _, err = run("new", estate)
    assert status == 1
    assert "Refused" in err


def test_python_dash_m_works_and_starts_quickly_enough_to_import_nothing_heavy():
    heavy = "('pandas', 'geopandas', 'numba', 'scipy')"
    code = f"import sys, vinemap.cli; print([one for one in {heavy} if one in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


# What a program does that ends as `run_program` lets it: handlers run, but nothing is taken apart by Python.
PROGRAM = """
import atexit, os, sys
from vinemap import cli

class TakenApart:
    def __del__(self, write=os.write):
        write(1, b"taken apart")

kept = TakenApart()
sys.argv = ["vinemap", *sys.argv[1:]]
if "--plainly" in sys.argv:
    sys.argv.remove("--plainly")
    cli._leave = lambda ended: None
main = cli.main

def handled_main():
    atexit.register(print, "handled")
    main()

cli.main = handled_main
cli.run_program()
"""


def _run_program(*words: str) -> tuple[int, str, str]:
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, *words], capture_output=True, text=True, timeout=120, check=False
    )
    return done.returncode, done.stdout, done.stderr


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (["--version"], 0, "version"),
        (["status", "no-such-folder"], 1, "Refused."),
        (["nonsense"], 2, "Usage"),
    ],
)
def test_program_ends_with_its_status_before_python_takes_itself_apart(words, status, said):
    ended, out, err = _run_program(*words)
    assert ended == status
    assert said in out + err
    assert out.endswith("handled\n")
    assert "taken apart" in _run_program("--plainly", *words)[1]  # or the check above would prove nothing


def test_program_ends_with_120_if_what_it_printed_did_not_arrive(monkeypatch):
    class Gone:
        def flush(self) -> None:
            raise BrokenPipeError

    ends: list[int] = []
    monkeypatch.setattr(cli.os, "_exit", ends.append)
    cli._leave([])
    assert not ends  # ended by other means: Python ends as it does
    cli._leave([2])
    monkeypatch.setattr(cli.sys, "stdout", Gone())
    cli._leave([0])
    assert ends == [2, 120]


def add_blocks(run, estate, frame, name="blocks.geojson", *words):
    path = estate.parent / name
    frame.to_file(path, driver="GeoJSON") if name.endswith("json") else frame.to_file(path)
    return run("add", "blocks", path, "--to", estate, *words)


# ----------------------------------------------------------------------------------------------- bad input
@pytest.mark.filterwarnings("ignore:Column names longer than 10 characters")
@pytest.mark.filterwarnings("ignore:.*:RuntimeWarning")
@pytest.mark.filterwarnings("ignore:'crs' was not provided")
def test_outline_without_crs_is_refused_and_mended_by_the_option(run, estate):
    frame = outline().set_crs(None, allow_override=True)
    status, _, err = add_blocks(run, estate, frame, "blocks.shp")
    assert status == 1
    assert "--crs" in err
    assert add_blocks(run, estate, frame, "blocks.shp", "--crs", "EPSG:4326")[0] == 0


def test_swapped_outline_is_refused(run, estate):
    frame = outline()
    swapped = frame.set_geometry(
        gpd.GeoSeries([Polygon([(y, x) for x, y in frame.geometry[0].exterior.coords])])
    )
    status, _, err = add_blocks(run, estate, swapped.set_crs("EPSG:4326", allow_override=True))
    assert status == 1
    assert "swapped" in err.lower() or "latitude" in err.lower()


def test_overlapping_blocks_are_refused_by_name(run, estate):
    both = pd.concat([outline(name="A"), outline(WEST + 0.0005, name="B")], ignore_index=True)
    status, _, err = add_blocks(run, estate, both)
    assert status == 1
    assert "A" in err
    assert "B" in err
    assert "overlap" in err.lower()


def test_self_crossing_outline_is_refused_by_name(run, estate):
    frame = outline(name="Bow")
    bow = Polygon(
        [(WEST, SOUTH), (WEST + 0.001, SOUTH + 0.001), (WEST + 0.001, SOUTH), (WEST, SOUTH + 0.001)]
    )
    status, _, err = add_blocks(run, estate, frame.set_geometry([bow]).set_crs("EPSG:4326"))
    assert status == 1
    assert "Bow" in err


def test_block_without_spacing_is_refused(run, estate):
    status, _, err = add_blocks(run, estate, outline().drop(columns="row_spacing_m"))
    assert status == 1
    assert "row" in err.lower()
    assert "spacing" in err.lower()


def test_empty_file_is_refused(run, estate):
    path = estate.parent / "empty.csv"
    path.write_bytes(b"")
    status, _, err = run("add", "harvest", path, "--to", estate, "--vintage", 2026)
    assert status == 1
    assert "empty" in err.lower()


@pytest.fixture
def with_block(run, estate):
    assert add_blocks(run, estate, outline())[0] == 0
    return estate


def add_harvest(run, estate, frame, name="log.csv"):
    path = estate.parent / name
    frame.to_csv(path, index=False)
    return run("add", "harvest", path, "--to", estate, "--vintage", 2026)


def test_points_outside_every_block_are_refused_and_nothing_changes(run, with_block):
    status, _, err = add_harvest(run, with_block, readings(Latitude=-30.0))
    assert status == 1
    assert "outside" in err.lower() or "block" in err.lower()
    assert run("status", with_block, "--json")[0] == 0


def test_swapped_columns_are_refused(run, with_block):
    frame = readings()
    swapped = frame.assign(Latitude=frame["Longitude"], Longitude=frame["Latitude"])
    status, _, err = add_harvest(run, with_block, swapped)
    assert status == 1
    assert "latitude" in err.lower()


def test_same_file_twice_is_stored_once(run, with_block):
    assert add_harvest(run, with_block, readings())[0] == 0
    status, out, _ = add_harvest(run, with_block, readings())
    assert status == 0
    assert "stored already" in out


def test_text_and_absurd_values_are_refused_row_by_row(run, run_json, with_block):
    frame = readings().astype({"Mass flow (kg/s)": object})
    frame.loc[3, "Mass flow (kg/s)"] = "wet"
    frame.loc[4, "Mass flow (kg/s)"] = -5.0
    path = with_block.parent / "log.csv"
    frame.to_csv(path, index=False)
    status, seen = run_json("add", "harvest", path, "--to", with_block, "--vintage", 2026)
    assert status == 0
    report = seen["imports"][0]
    assert report["rows_refused"] == 2
    assert report["rows_stored"] == 38


def test_undo_takes_an_import_back(run, run_json, with_block):
    add_harvest(run, with_block, readings())
    _, before = run_json("status", with_block)
    assert run("undo", with_block, 2)[0] == 0
    _, after = run_json("status", with_block)
    assert "2026" in before["blocks"][0]
    assert "2026" not in after["blocks"][0]


def test_assess_without_anything_says_what_to_add(run, estate, with_block):
    status, _, err = run("assess", with_block)
    assert status == 1
    assert "vinemap add harvest" in err


def test_plan_before_assess_is_refused(run, estate):
    status, _, err = run("plan", estate)
    assert status == 1
    assert "assess first" in err


def test_plan_hands_every_limit_on(run, estate, monkeypatch):
    seen = {}

    def remember(self, **limits):
        seen.update(limits)
        raise StoreError("Seen.", remedy="None.")

    monkeypatch.setattr("vinemap.job.Estate.plan", remember)
    limits = ["--years", 4, "--budget", 90_000, "--crew-days", 30, "--vines", 5000, "--max-ha-out", 8]
    limits += ["--min-tonnes", "Shiraz=900", "--not-before", "B01=2028", "--not-before", "B02-Z1=2027"]
    limits += ["--not-after", "B03=2029", "--together", "B01, B02", "--exclude", "B04-Z2"]
    assert run("plan", estate, *limits, "--risk-quantile", 0.2)[0] == 1
    del seen["report"]
    assert seen == {
        "vintage": None,
        "years": 4,
        "budget": 90_000.0,
        "crew_days": 30.0,
        "most_orders": 5000.0,
        "most_ha_out": 8.0,
        "min_tonnes": {"Shiraz": 900.0},
        "not_before": {"B01": 2028, "B02-Z1": 2027},
        "not_after": {"B03": 2029},
        "together": [["B01", "B02"]],
        "exclude": ["B04-Z2"],
        "risk_quantile": 0.2,
    }


@pytest.mark.parametrize(
    ("option", "value", "said"),
    [
        ("--not-before", "B01", "lacks the equals sign"),
        ("--not-before", "B01=soon", "--not-before needs a number"),
        ("--not-after", "B01=28", "give a year"),
        ("--risk-quantile", "1.5", "0<x<1"),
    ],
)
def test_plan_limits_that_make_no_sense_are_usage_errors(run, estate, option, value, said):
    status, _, err = run("plan", estate, option, value)
    assert status == 2
    assert said in err


def test_unknown_block_and_vintage_are_refused(run, with_block):
    add_harvest(run, with_block, readings())
    assert "'Z9'" in run("assess", with_block, "--block", "Z9")[2]
    assert "1999" in run("assess", with_block, "--vintage", 1999)[2]


def test_misspelt_setting_is_named_with_its_neighbour(run, with_block):
    path = with_block / "estate.toml"
    path.write_text(path.read_text(encoding="utf-8").replace("cell_m =", "cell_n ="), encoding="utf-8")
    add_harvest(run, with_block, readings())
    status, _, err = run("assess", with_block)
    assert status == 1
    assert "cell_n" in err
    assert "cell_m" in err


def test_preview_shows_units_and_confidence(run, tmp_path):
    path = tmp_path / "log.csv"
    readings().to_csv(path, index=False)
    status, out, _ = run("preview", path)
    assert status == 0
    assert "km/h" in out
    assert "%" in out
