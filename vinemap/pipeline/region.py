"""Many estates in one: each measured by itself, seasons told from decline over all of them together.

A season is shared by a district, so estates with few blocks learn from their neighbours which of their bad
years everybody had. Every estate keeps its own prices and settings of the decision.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from vinemap import land, publish
from vinemap.assess import Advised, advise_estate
from vinemap.decline import Decline, DeclineDraws, fit_decline
from vinemap.errors import SettingsError
from vinemap.estate import EstateStore, Settings
from vinemap.pipeline.assess_store import assess_store
from vinemap.pipeline.measured import Measured, load_measured
from vinemap.pipeline.out_folder import KEPT
from vinemap.pipeline.outputs import tell_waiting
from vinemap.progress import Report, report_nothing

MARK = "/"  # between the name of an estate and that of its block, zone, row or point
NAMED = ("block_id", "zone_id", "row_id", "point_id")
OF_ITS_OWN = ("cause_hint",)  # rests on neighbours and machines of the estate: taken from its own assessment


@dataclass(frozen=True, slots=True)
class Region:
    """What an assessment of a region gives.

    Parameters
    ----------
    table : pandas.DataFrame
        One line an estate: estate, vintage, blocks, area_ha, zones, loss_pct (by area), renew, renew_ha,
        scout, gain, wait_cost with wait_cost_low and wait_cost_high (90 % interval) [currency], currency.
    vintage_effects : pandas.DataFrame
        Seasons as all estates show them.
    map_file, geopackage_file, table_file : pathlib.Path
    notes : list of str
    """

    table: pd.DataFrame
    vintage_effects: pd.DataFrame
    map_file: Path
    geopackage_file: Path
    table_file: Path
    notes: list[str]

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        files = {"map": self.map_file, "geopackage": self.geopackage_file, "table": self.table_file}
        return {
            "estates": self.table.to_dict(orient="records"),
            "notes": self.notes,
            **{name: str(path) for name, path in files.items()},
        }


def assess_region(
    stores: Sequence[EstateStore],
    out: Path,
    *,
    workers: int | None = None,
    scheduler: str | None = None,
    report: Report = report_nothing,
) -> Region:
    """Assess every estate, then tell decline from seasons over all of them, and sum the region up.

    Parameters
    ----------
    stores : sequence of EstateStore
        Two or more; their folders have different names.
    out : pathlib.Path
        Folder for region.html, region.gpkg and region.csv; made if need be.
    workers, scheduler
        As in `vinemap.pipeline.parallel.open_workers`.
    report : callable

    Returns
    -------
    Region

    Raises
    ------
    SettingsError
        If two folders have the same name, or the estates count in different currencies.
    DataError
        If an estate has nothing to assess.
    """
    named = _name_estates(stores)
    measured = {}
    for name, store in named.items():
        done = assess_store(store, workers=workers, scheduler=scheduler, report=report)
        measured[name] = load_measured(done.folder / KEPT)
    report("Telling decline from seasons, all estates", 0, 1)
    first = next(iter(named.values())).settings
    joint = _fit_together(measured, first)
    report("Telling decline from seasons, all estates", 1, 1)
    shared = {name: replace(one, decline=_share(joint, name, one)) for name, one in measured.items()}
    advised = {name: _advise(one, named[name].settings) for name, one in shared.items()}
    lines = [_sum_up(name, shared[name], one, named[name].settings) for name, one in advised.items()]
    return _write(out, pd.DataFrame(lines), advised, joint, first)


def _name_estates(stores: Sequence[EstateStore]) -> dict[str, EstateStore]:
    named = {store.folder.absolute().name: store for store in stores}
    if len(named) < max(len(stores), 2):
        raise SettingsError(
            f"{len(stores)} folders with {len(named)} different names.",
            where="region",
            remedy="Give two or more estate folders, each with a name of its own.",
        )
    money = {store.settings.estate.currency for store in stores}
    if len(money) > 1:
        raise SettingsError(
            f"The estates count in {', '.join(sorted(money))}.",
            where="estate.currency",
            remedy="Set one currency in every estate.toml, with prices and costs in it.",
        )
    return named


# ------------------------------------------------------------------------------------------------- decline
def _fit_together(measured: dict[str, Measured], settings: Settings) -> Decline:
    def all_of(pick: Any) -> pd.DataFrame:
        tables = [_prefixed(pick(one), name) for name, one in measured.items()]
        return pd.concat([one for one in tables if len(one)] or tables[:1], ignore_index=True)

    yields = ["zone_id", "vintage", "yield_t_ha", "yield_se_t_ha", "readings"]
    facts = ["block_id", "variety", "year_planted", "trellis_year"]
    stand, renewed = all_of(lambda one: one.stand), all_of(lambda one: one.renewed)
    return fit_decline(
        all_of(lambda one: one.decline.zone_vintage[yields]),
        all_of(lambda one: pd.DataFrame(one.zones.drop(columns="geometry")).merge(one.blocks[facts])),
        settlement=all_of(lambda one: one.settlement),
        stand=stand if len(stand) else None,
        renewals=renewed if len(renewed) else None,
        horizon_year=max(int(one.decline.draws.years[-1]) for one in measured.values()),
        draws=settings.decline.draws,
        rng=np.random.default_rng(settings.decline.seed),
    )


def _prefixed(table: pd.DataFrame, estate: str) -> pd.DataFrame:
    """Put the estate's name before every name, so that those of two estates do not run together."""
    new = {
        name: [one if pd.isna(one) else f"{estate}{MARK}{one}" for one in table[name]]
        for name in NAMED
        if name in table
    }
    return table.assign(**new)


def _share(joint: Decline, estate: str, own: Measured) -> Decline:
    """Take the zones of one estate out of what was told of all, under their own names."""
    head = f"{estate}{MARK}"

    def mine(table: pd.DataFrame) -> pd.DataFrame:
        kept = table[table["zone_id"].str.startswith(head)].reset_index(drop=True)
        new = {name: kept[name].str.removeprefix(head) for name in NAMED if name in kept}
        return kept.assign(**new)

    draws = joint.draws
    place = [number for number, zone in enumerate(draws.zone_ids) if zone.startswith(head)]
    arrays = {
        one.name: np.asarray(getattr(draws, one.name))[:, place]
        for one in fields(draws)
        if one.name not in ("zone_ids", "years")
    }
    zones = mine(joint.zones)
    for name in OF_ITS_OWN:
        if name in own.decline.zones:
            zones[name] = zones["zone_id"].map(own.decline.zones.set_index("zone_id")[name])
    return replace(
        joint,
        zones=zones,
        zone_vintage=mine(joint.zone_vintage),
        forecast=mine(joint.forecast),
        draws=DeclineDraws(
            zone_ids=[draws.zone_ids[one].removeprefix(head) for one in place], years=draws.years, **arrays
        ),
    )


# ------------------------------------------------------------------------------------- advice and summary
def _advise(measured: Measured, settings: Settings) -> Advised:
    info = publish.make_run_info(
        settings_hash="", crs=measured.blocks.crs, vintages=[], extra={"estate": settings.estate.name}
    )
    return advise_estate(measured, settings, run_info=info)


def _sum_up(name: str, measured: Measured, advised: Advised, settings: Settings) -> dict[str, Any]:
    zone = pd.DataFrame(advised.layers["zone"])
    renew = zone[zone["advice"] == "renew"]
    waiting = tell_waiting(advised) or publish.Interval(0.0, 0.0, 0.0)
    area = float(zone["area_ha"].sum())
    return {
        "estate": name,
        "vintage": measured.vintage,
        "blocks": len(measured.blocks),
        "area_ha": round(area, 2),
        "zones": len(zone),
        "loss_pct": round(float((zone["loss_pct"] * zone["area_ha"]).sum() / area), 1),
        "renew": len(renew),
        "renew_ha": round(float(renew["area_ha"].sum()), 2),
        "scout": int((zone["advice"] == "scout").sum()),
        "gain": round(float((renew["gain_per_ha"] * renew["area_ha"]).sum())),
        "wait_cost": round(waiting.mean),
        "wait_cost_low": round(waiting.low),
        "wait_cost_high": round(waiting.high),
        "currency": settings.estate.currency,
    }


def _write(
    out: Path, table: pd.DataFrame, advised: dict[str, Advised], joint: Decline, settings: Settings
) -> Region:
    out.mkdir(parents=True, exist_ok=True)
    layers, crs = _join_layers(advised)
    currency, language = settings.estate.currency, settings.estate.language
    notes = [
        *joint.notes,
        "The interval of the cost of waiting is that of all estates erring together, the widest it can be.",
    ]
    label = publish.EstateLabel(
        name=f"Region of {len(table)} estates", currency=currency, units=settings.estate.display_units
    )
    together = [float(table[name].sum()) for name in ("wait_cost", "wait_cost_low", "wait_cost_high")]
    publish.write_map(
        out / "region.html",
        layers,
        estate=label,
        cautions=notes,
        waiting=publish.Interval(*together) if table["renew"].any() else None,
        language=language,
        sheet_folder=None,
    )
    publish.write_geopackage(
        out / "region.gpkg",
        layers,
        crs=crs,
        description=f"Renewal assessment of {len(table)} estates: {', '.join(table['estate'])}",
        currency=currency,
        language=language,
    )
    publish.write_csv(out / "region.csv", table)
    return Region(
        table=table,
        vintage_effects=joint.vintage_effects,
        map_file=out / "region.html",
        geopackage_file=out / "region.gpkg",
        table_file=out / "region.csv",
        notes=notes,
    )


def _join_layers(advised: dict[str, Advised]) -> tuple[dict[str, pd.DataFrame], Any]:
    """Put the layers of all estates one below the other, in one CRS, names led by that of the estate."""
    blocks = [gpd.GeoDataFrame(one.layers["block"]) for one in advised.values()]
    outlines = [one.to_crs("EPSG:4326").geometry for one in blocks]
    crs = land.choose_crs(gpd.GeoSeries(pd.concat(outlines, ignore_index=True)))
    joined: dict[str, pd.DataFrame] = {}
    names = next(iter(advised.values())).layers
    for layer in names:
        parts = [_prefixed(one.layers[layer], name) for name, one in advised.items()]
        parts = [one.to_crs(crs) if isinstance(one, gpd.GeoDataFrame) else one for one in parts]
        filled = [one for one in parts if len(one)] or parts[:1]
        joined[layer] = pd.concat(filled, ignore_index=True)
    joined["run_info"] = joined["run_info"].drop_duplicates("key", ignore_index=True)
    return joined, crs
