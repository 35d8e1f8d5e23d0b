"""Writes an invented estate as the files a person would have, with the truth in a folder beside them."""

from __future__ import annotations

import gzip
import hashlib
import io
import json
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd

from vinemap.simulate.estate import SimulatedEstate
from vinemap.simulate.formats import SEPARATOR
from vinemap.simulate.truth import Truth

LOAD_HEADERS = {
    "load_id": "Ticket", "vintage": "Vintage", "block_id": "Block", "machine": "Harvester",
    "time": "Weighed at", "gross_kg": "Gross (kg)", "tare_kg": "Tare (kg)", "net_kg": "Net (kg)",
    "mog_pct": "MOG (%)", "sugar_brix": "Sugar (Brix)",
}  # fmt: skip
COUNT_HEADERS = {
    "vintage": "Vintage", "block_id": "Block", "row_no": "Row", "from_vine": "From vine",
    "to_vine": "To vine", "vines": "Vines", "missing": "Missing",
    "symptomatic": "Symptomatic", "dead_arm": "Dead arm",
}  # fmt: skip
MANIFEST = "truth/manifest.json"


def write_estate_files(estate: SimulatedEstate, folder: Path) -> list[Path]:
    """Write blocks.geojson, harvest/, loads/, counts/, renewals.csv and truth/ under a folder.

    Same estate, same bytes: fixed rounding, line ends and gzip header. `truth/manifest.json` holds the
    SHA-256 of each file's content (of gzipped files, unpacked), so that another gzip does not matter.

    Parameters
    ----------
    estate : SimulatedEstate
    folder : pathlib.Path
        Made if need be; files of the same names are overwritten.

    Returns
    -------
    list of pathlib.Path
        Files written, the manifest last.
    """
    contents = file_contents(estate)
    written = []
    for name, content in contents.items():
        path = Path(folder) / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(pack(content) if name.endswith(".gz") else content)
        written.append(path)
    sums = {name: hashlib.sha256(content).hexdigest() for name, content in contents.items()}
    manifest = Path(folder) / MANIFEST
    manifest.write_bytes((json.dumps({"sha256": sums}, indent=1) + "\n").encode())
    return [*written, manifest]


def file_contents(estate: SimulatedEstate) -> dict[str, bytes]:
    """Give the content of every file by its name, gzipped ones unpacked, without the manifest.

    Parameters
    ----------
    estate : SimulatedEstate

    Returns
    -------
    dict of str to bytes
    """
    style = {one.name: one.style for one in estate.machines}
    out = {"blocks.geojson": _geojson(estate.blocks, estate.name)}
    for (year, machine), frame in sorted(estate.harvest.items()):
        text = _csv(frame, separator=SEPARATOR[style[machine]])
        out[f"harvest/{year}_{machine.lower()}.csv.gz"] = text
    tickets, counts = _tickets(estate.loads), estate.counts.rename(columns=COUNT_HEADERS)
    out |= {f"loads/{one}.csv": _csv(part) for one, part in tickets.groupby("Vintage")}
    out |= {f"counts/{one}.csv": _csv(part) for one, part in counts.groupby("Vintage")}
    if len(estate.renewals):
        out["renewals.csv"] = _csv(estate.renewals[["block_id", "from_row", "to_row", "method", "year"]])
    return out | _truth_contents(estate.truth)


def _csv(frame: pd.DataFrame, *, separator: str = ",") -> bytes:
    return frame.to_csv(index=False, sep=separator, lineterminator="\n").encode()


def pack(content: bytes) -> bytes:
    """Gzip without file name and time, so that the same content gives the same bytes.

    Parameters
    ----------
    content : bytes

    Returns
    -------
    bytes

    Examples
    --------
    >>> pack(b"a") == pack(b"a"), gzip.decompress(pack(b"a"))
    (True, b'a')
    """
    raw = io.BytesIO()
    with gzip.GzipFile(filename="", mode="wb", compresslevel=9, fileobj=raw, mtime=0) as file:
        file.write(content)
    return raw.getvalue()


def _geojson(blocks: gpd.GeoDataFrame, name: str) -> bytes:
    # RFC 7946: WGS84, longitude first, outer rings counter-clockwise, no "crs"
    features = []
    for at, one in enumerate(blocks.drop(columns="geometry").to_dict("records")):
        ring = np.round(np.asarray(blocks.geometry.iloc[at].exterior.coords), 7).tolist()
        one["row_bearing_deg"] = round(float(one["row_bearing_deg"]), 1)
        geometry = {"type": "Polygon", "coordinates": [ring]}
        features.append({"type": "Feature", "id": one["block_id"], "properties": one, "geometry": geometry})
    lines = ",\n".join(json.dumps(one) for one in features)
    head = json.dumps({"type": "FeatureCollection", "name": f"{name} (invented)"})[:-1]
    return f'{head}, "features": [\n{lines}\n]}}\n'.encode()


def _tickets(loads: pd.DataFrame) -> pd.DataFrame:
    local = loads["time"].dt.tz_convert("Etc/GMT-10").dt.strftime("%Y-%m-%d %H:%M:%S+10:00")
    whole = {name: loads[name].astype(int) for name in ("gross_kg", "tare_kg", "net_kg")}
    return loads.assign(time=local, **whole).rename(columns=LOAD_HEADERS)


def _plain(frame: pd.DataFrame) -> pd.DataFrame:
    number = frame.select_dtypes("float").columns
    return frame.assign(**{name: frame[name].round(2) + 0.0 for name in number})  # no minus zero


def _truth_contents(truth: Truth) -> dict[str, bytes]:
    cells = truth.cells.copy()
    years = [name for name in cells.columns if name.startswith(("yield_", "loss_"))]
    losses = [name for name in years if name.startswith("loss_")]
    cells[[*years, "healthy_t_ha"]] = cells[[*years, "healthy_t_ha"]].round(1)
    cells[losses] = cells[losses].round(0).astype(int)
    place = ["easting", "northing"]
    cells[place] = cells[place].astype(int)
    return {
        "truth/blocks.csv": _csv(_plain(truth.blocks)),
        "truth/block_vintages.csv": _csv(_plain(truth.block_vintages)),
        "truth/machines.csv": _csv(truth.machines.round(4)),
        "truth/load_parts.csv": _csv(truth.load_parts.round(0)),
        "truth/seasons.csv": _csv(truth.seasons.round(4)),
        "truth/cells.csv.gz": _csv(cells),
    }
