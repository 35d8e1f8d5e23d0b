"""One printable page a block: map, yield, zones, advice, cautions, and what it was made from."""

from __future__ import annotations

import datetime
import re
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from vinemap import tables
from vinemap._version import __version__
from vinemap.publish.changes import write_change
from vinemap.publish.display import DASH, Display, EstateLabel, format_number
from vinemap.publish.figures import draw_block_map, draw_yield_chart
from vinemap.publish.files import safe_names, write_text
from vinemap.publish.headline import write_imprint
from vinemap.publish.note_texts import translate_notes
from vinemap.publish.policy import content_policy, render_template, template_text
from vinemap.publish.sentences import write_cause, write_reason
from vinemap.publish.texts import keep_together, standing_cautions, texts_in

# Of run_info only what a reader of the paper needs to trace it; the whole is in the GeoPackage.
TRACED = ("settings_hash", "crs")
HASH_DIGITS = 12  # enough to tell two settings apart; run.json has them all
MOST_NOTES = 3  # on a sheet; the map holds them all
_MARK = '<meta name="generator" content="vinemap'


def write_sheets(
    folder: Path | str,
    layers: Mapping[str, pd.DataFrame],
    *,
    estate: EstateLabel,
    cautions: Sequence[str] = (),
    language: str = "en",
    made: datetime.date | None = None,
) -> list[Path]:
    """Write ``<block_id>.html`` for each block; sheets of blocks that are no more are removed.

    Parameters
    ----------
    folder : path-like
    layers : mapping of str to DataFrame or GeoDataFrame
        Tables of `tables.OUTPUTS`.
    estate : EstateLabel
        Name, currency and display units.
    cautions : sequence of str
        What weakens this run; a sheet shows those that concern its block, three at most.
    language : str
        ``"en"`` or ``"es"``.
    made : datetime.date, optional
        Date to print; today if not given.

    Returns
    -------
    list of pathlib.Path
        Files written, in the order of the blocks. Names are made safe for every file system.
    """
    place, names = Path(folder), safe_names(layers["block"]["block_id"])
    display = Display(language, estate.units, estate.currency)
    date = made or datetime.date.today()
    written = []
    by_block = {name: dict(list(layers[name].groupby("block_id"))) for name in ("block", "zone", "vine_row")}
    blocks, zones = _records_by_block(layers["block"]), _records_by_block(layers["zone"])
    for block_id, stem in names.items():
        mine = {name: of.get(block_id, layers[name].iloc[:0]) for name, of in by_block.items()}
        told = blocks[block_id][0], zones.get(block_id, [])
        view = _view(block_id, {**layers, **mine}, *told, estate, display, date)
        own = pick_notes(cautions, block_id, layers["block"]["block_id"])
        notes = translate_notes(own[:MOST_NOTES], view["lang"])
        view["notes"] = [(keep_together(one), spoken) for one, spoken in notes]
        left = len(own) - MOST_NOTES
        more = [texts_in(language)["more_notes"].format(n=left)] if left > 0 else []
        view["cautions"] = [*more, *(keep_together(one) for one in standing_cautions(language))]
        written.append(write_text(place / f"{stem}.html", _render(view)))
    _clear(place, written)
    return written


def pick_notes(notes: Sequence[str], block_id: str, block_ids: Iterable[str]) -> list[str]:
    """Pick the notes of a run that concern a block: those that name it, then those that name no block.

    Examples
    --------
    >>> pick_notes(["B2 has no loads.", "One vintage only.", "B1: two rows unpicked."], "B1", ["B1", "B2"])
    ['B1: two rows unpicked.', 'One vintage only.']
    """
    words = [(one, set(re.findall(r"[\w-]+", one))) for one in notes]
    every = {str(one) for one in block_ids}
    naming = [one for one, named in words if block_id in named]
    return [*naming, *(one for one, named in words if not named & every)]


def _records_by_block(layer: pd.DataFrame) -> dict[str, list[dict[str, Any]]]:
    """Rows as mappings, of each block: of the whole layer at once, as wide tables are slow to take apart."""
    out: dict[str, list[dict[str, Any]]] = {}
    for record in pd.DataFrame(layer).to_dict("records"):
        out.setdefault(record["block_id"], []).append({str(name): one for name, one in record.items()})
    return out


def _render(view: Mapping[str, Any]) -> str:
    style = template_text("sheet.css")
    return render_template("sheet.html", **view, style=style, policy=content_policy([], [style]))


def _clear(folder: Path, written: Sequence[Path]) -> None:
    for old in folder.glob("*.html"):
        if old not in written and _MARK in old.read_text("utf-8", errors="replace")[:1000]:
            old.unlink()


def _view(
    block_id: str,
    layers: Mapping[str, pd.DataFrame],
    record: Mapping[str, Any],
    zone_records: Sequence[Mapping[str, Any]],
    estate: EstateLabel,
    display: Display,
    date: datetime.date,
) -> dict[str, Any]:
    """Give what the page of a block shows; `layers` hold its own block, zones and rows."""
    words = texts_in(display.language)
    block, zones, rows = (gpd.GeoDataFrame(layers[name]) for name in ("block", "zone", "vine_row"))
    points = gpd.GeoDataFrame(layers["scouting_point"])
    points = points[points["zone_id"].isin(zones["zone_id"])]
    series = weigh_series(layers["zone_vintage"], zones)
    vintage = int(layers["zone_vintage"]["vintage"].max()) if len(layers["zone_vintage"]) else None
    label = record["name"] or block_id
    return {
        "lang": words["language_code"],
        "t": words,
        "version": __version__,
        "estate": estate.name,
        "title": words["sheet_title" if vintage else "sheet_title_no_vintage"].format(
            block=label, vintage=vintage
        ),
        "imprint": write_imprint(vintage, date, display.language),
        "block": record,
        "facts": _facts(record, display),
        "verdict": _verdict(record, display),
        "map": draw_block_map(block, zones, rows, points, width=390, height=330, display=display),
        "map_caption": _map_caption(words, len(points)),
        "chart": draw_yield_chart(series, width=390, height=250, display=display) if len(series) else "",
        "heads": _heads(words, display),
        "rows": [_zone_row(zone, words, display) for zone in zone_records],
        "data_used": _data_used(layers["zone_vintage"], zones, words, display),
        "run": _traced(layers.get("run_info"), words),
    }


def weigh_series(zone_vintage: pd.DataFrame, zones: pd.DataFrame) -> pd.DataFrame:
    """Yield of a block by vintage, weighted by the area of its zones.

    Only vintages in which every zone was measured are given: a zone left out would shift the mean. Standard
    errors are added as if the zones erred together, the cautious end, since they share machine and loads.

    Parameters
    ----------
    zone_vintage : pandas.DataFrame
        Table ``zone_vintage``.
    zones : pandas.DataFrame
        Rows of table ``zone`` of the block.

    Returns
    -------
    pandas.DataFrame
        Columns vintage, yield_t_ha, yield_se_t_ha, expected_t_ha.
    """
    area = pd.Series(zones["area_ha"].to_numpy(dtype=float), index=zones["zone_id"].to_numpy())
    mine = zone_vintage[zone_vintage["zone_id"].isin(area.index) & zone_vintage["yield_t_ha"].notna()]
    names = ["yield_t_ha", "yield_se_t_ha", "expected_t_ha"]
    weight = area.reindex(mine["zone_id"]).to_numpy()
    amounts = {name: mine[name].to_numpy(dtype=float, na_value=np.nan) * weight for name in names}
    weighted = pd.DataFrame({**amounts, "vintage": mine["vintage"].to_numpy(), "zones": 1})
    total = weighted.groupby("vintage").sum(min_count=1)
    whole = total[total["zones"] == len(area)]
    return (whole[names] / float(area.sum())).reset_index()


def _facts(block: Mapping[str, Any], display: Display) -> str:
    words = texts_in(display.language)
    planted = DASH if pd.isna(block["year_planted"]) else int(block["year_planted"])
    parts = [
        words["zone_of"].format(variety=block["variety"] or DASH, year=planted),
        display.area(block["area_ha"]),
        f"{words['fact_vines']}: {_count(block['vines'], display)}",
        f"{words['fact_yield_now']}: {display.crop(block['yield_now_t_ha'])}",
    ]
    return "; ".join(parts)


def _count(value: Any, display: Display) -> str:
    return format_number(None if pd.isna(value) else float(value), 0, display.language)


def _verdict(block: Mapping[str, Any], display: Display) -> str:
    words = texts_in(display.language)
    if not block["renew_area_ha"] > 0:
        return words["sheet_nothing"]
    return words["sheet_renew"].format(
        area=display.area(block["renew_area_ha"]), all=display.area(block["area_ha"])
    )


def _map_caption(words: Mapping[str, str], points: int) -> str:
    letters = ", ".join(
        f"{words['letter_' + one]} {words['advice_' + one]}" for one in reversed(tables.ADVICE)
    )
    return f"{words['sheet_map_note']} {letters}." + (f" + {words['legend_point']}." if points else "")


def _heads(words: Mapping[str, str], display: Display) -> list[str]:
    first = ("col_zone", "col_advice", "col_work", "col_area", "col_loss")
    second = ("fact_yield_now", "fact_missing", "fact_symptomatic")
    money = [f"{words[key]}, {display.per_area_unit()}" for key in ("fact_gain", "fact_wait")]
    return [*(words[key] for key in first + second), *money, words["col_chance"]]


def _zone_row(zone: Mapping[str, Any], words: Mapping[str, str], display: Display) -> dict[str, Any]:
    """Cells as pairs of what is said and its 90 % interval ("" for none), in the order of `_heads`."""

    def bounds(name: str, write: Any) -> str:
        if pd.isna(zone.get(f"{name}_low")):
            return ""
        return words["between"].format(low=write(zone[f"{name}_low"]), high=write(zone[f"{name}_high"]))

    counted = [
        words["not_counted"] if pd.isna(zone[name]) else display.percent(zone[name])
        for name in ("missing_pct", "symptomatic_pct")
    ]
    chance = None if pd.isna(zone["chance_pays"]) else 100 * zone["chance_pays"]
    year = DASH if pd.isna(zone["best_year"]) else int(zone["best_year"])
    method, advice = zone["best_method"], zone["advice"]
    works = bool(method) and advice in ("renew", "scout")  # elsewhere the best does not pay, or not yet
    cells = [
        (zone["zone_id"].removeprefix(f"{zone['block_id']}-"), ""),
        (f"{words.get('letter_' + advice, '')} {words.get('advice_' + advice, advice)}", ""),
        (f"{words.get('method_' + method, method)}, {year}" if works else DASH, ""),
        (display.area(zone["area_ha"]), ""),
        (display.percent(zone["loss_pct"]), bounds("loss_pct", display.percent)),
        (display.crop(zone["yield_now_t_ha"]), ""),
        *((one, "") for one in counted),
        (display.per_area_number(zone["gain_per_ha"]), bounds("gain_per_ha", display.per_area_number)),
        (display.per_area_number(zone["wait_cost_per_ha"]), _wait_bounds(zone, bounds, display)),
        (display.percent(chance), ""),
    ]
    before, _, after = words["cause"].partition("{cause}")
    cause, spoken = write_cause(zone, display.language)
    return {
        "cells": cells,
        "reason": keep_together(write_reason(zone, display)),
        "cause": keep_together(cause),
        "cause_language": spoken,
        "change": keep_together(write_change(zone, display)),
        "before": before,
        "after": after,
    }


def _wait_bounds(zone: Mapping[str, Any], bounds: Any, display: Display) -> str:
    """Give the interval of the cost of waiting, none where waiting costs nothing."""
    return bounds("wait_cost_per_ha", display.per_area_number) if zone["wait_cost_per_ha"] >= 1 else ""


def _data_used(
    zone_vintage: pd.DataFrame, zones: pd.DataFrame, words: Mapping[str, str], display: Display
) -> str:
    mine = zone_vintage[zone_vintage["zone_id"].isin(zones["zone_id"])]
    years = sorted({int(one) for one in mine["vintage"]})
    span = DASH if not years else (f"{years[0]}-{years[-1]}" if len(years) > 1 else str(years[0]))
    readings = format_number(float(np.nansum(mine["readings"].astype("float64"))), 0, display.language)
    line = words["sheet_data_line"]
    return line.format(vintages=len(years), years=span, readings=readings, zones=len(zones))


def _traced(run_info: pd.DataFrame | None, words: Mapping[str, str]) -> list[tuple[str, str]]:
    if run_info is None:
        return []
    known = dict(zip(run_info["key"], run_info["value"], strict=True))
    return [
        (words[f"traced_{key}"], known[key][:HASH_DIGITS] if key.endswith("hash") else known[key])
        for key in TRACED
        if key in known
    ]
