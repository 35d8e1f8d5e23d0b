"""What an assessment or plan gives, told at once and worked out in full only when it is looked at."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

if TYPE_CHECKING:
    from vinemap import renewal

TOLD = "told.json"  # beside what was measured: what the last run told, to be told again if nothing changes
URGENT = ("zone_id", "area_ha", "advice", "reason", "wait_cost_per_ha")


@dataclass(frozen=True, slots=True)
class Parts:
    """The tables of an assessment, in full."""

    layers: dict[str, pd.DataFrame]
    settlement: pd.DataFrame
    after_check: pd.DataFrame
    programme: renewal.Programme


class Assessment:
    """Everything an assessment or plan gives.

    Parameters
    ----------
    folder : pathlib.Path
        Where the files are.
    told : dict
        As `tell` gives it.
    work_out : callable
        Gives the `Parts`; called when a table is first asked for.

    Attributes
    ----------
    vintage : int
    layers : dict of str to frame
        `tables.OUTPUTS` by name; frames with geometry are GeoDataFrames in the estate CRS.
    settlement, after_check : pandas.DataFrame
        Audit against weighed loads; renewed zones before and after, against controls.
    programme : renewal.Programme
    notes : list of str
        What weakens the result, in words.
    headline : dict
        Counts and sums for the first line.
    """

    def __init__(self, folder: Path, told: dict[str, Any], work_out: Callable[[], Parts]) -> None:
        self.folder = folder
        self._told = told
        self._work_out = work_out

    @cached_property
    def _parts(self) -> Parts:
        return self._work_out()

    @property
    def vintage(self) -> int:
        """The vintage after which the estate was assessed."""
        return int(self._told["vintage"])

    @property
    def headline(self) -> dict[str, Any]:
        """Counts and sums for the first line."""
        return dict(self._told["headline"])

    @property
    def notes(self) -> list[str]:
        """What weakens the result, in words."""
        return list(self._told["notes"])

    @property
    def layers(self) -> dict[str, pd.DataFrame]:
        """Layers of the GeoPackage by name."""
        return self._parts.layers

    @property
    def settlement(self) -> pd.DataFrame:
        """Readings against weighed loads, by block and vintage."""
        return self._parts.settlement

    @property
    def after_check(self) -> pd.DataFrame:
        """Renewed zones before and after, against controls."""
        return self._parts.after_check

    @property
    def programme(self) -> renewal.Programme:
        """The programme of work with its costs, gap and clashes."""
        return self._parts.programme

    @property
    def map_file(self) -> Path:
        """The HTML map."""
        return self.folder / "map.html"

    @property
    def geopackage_file(self) -> Path:
        """The GeoPackage."""
        return self.folder / "vinemap.gpkg"

    def moved_to(self, folder: Path) -> Assessment:
        """Give the same with its files in another folder."""
        return Assessment(folder, self._told, self._work_out)

    def _repr_html_(self) -> str:
        """Hectares by advice and a small map, for a notebook cell."""
        from vinemap import publish

        info = self.layers["run_info"]
        run = dict(zip(info["key"], info["value"], strict=True))
        label = publish.EstateLabel(name=run.get("estate", ""), currency=run.get("currency", ""))
        return publish.show_result(self.layers, estate=label, vintage=self.vintage, folder=self.folder)

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON: what was told, and where the files are."""
        places = {
            "folder": str(self.folder),
            "map": str(self.map_file),
            "geopackage": str(self.geopackage_file),
        }
        return {"vintage": self.vintage, **places, **self._told}


def tell(vintage: int, parts: Parts, *, headline: dict[str, Any], notes: list[str]) -> dict[str, Any]:
    """Sum an assessment up in plain values: headline, zones to act on, programme, clashes and notes.

    Parameters
    ----------
    vintage : int
    parts : Parts
    headline : dict
    notes : list of str

    Returns
    -------
    dict
        As JSON holds it; ``zones`` are those to renew or scout, the costliest to wait with first.
    """
    zone = pd.DataFrame(parts.layers["zone"])
    urgent = zone[zone["advice"].isin(["renew", "scout"])].sort_values("wait_cost_per_ha", ascending=False)
    return {
        "vintage": vintage,
        "headline": headline,
        "zones": _records(urgent[list(URGENT)]),
        "programme": _records(parts.programme.table),
        "clashes": list(parts.programme.clashes),
        "notes": notes,
    }


def _records(table: pd.DataFrame) -> list[dict[str, Any]]:
    return list(json.loads(pd.DataFrame(table).to_json(orient="records")))
