"""Figures for paper, drawn as SVG text in Python: the map of a block and its yield by vintage."""

from __future__ import annotations

import math
from dataclasses import dataclass
from html import escape
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from vinemap.publish.display import FACTORS, Display, format_number, unit_labels
from vinemap.publish.ramps import ADVICE_MARKS
from vinemap.publish.texts import texts_in

INK, RULE, PLUM, STEEL = "#25211c", "#cfc8b8", "#74224f", "#3f6175"
Z90 = 1.6449  # 90 % of a normal lies within this many standard errors
WEB_MERCATOR = "EPSG:3857"
MARGIN = 18.0  # room around a block for the numbers of its rows [px]
SCALE_ROOM = 26.0  # room below it for the scale bar [px]
CROSS = 6.0  # half a scouting cross with a little air [px]
_Box = tuple[float, float, float, float]  # left, top, right, bottom [px]


def nice_step(span: float, count: int) -> float:
    """Step of 1, 2, 2.5 or 5 times a power of ten that cuts a span into at most `count` parts.

    Examples
    --------
    >>> nice_step(27.0, 5), nice_step(230.0, 3)
    (10.0, 100.0)
    """
    raw = span / count
    size = 10.0 ** math.floor(math.log10(raw))
    return next(size * one for one in (1.0, 2.0, 2.5, 5.0, 10.0) if size * one >= raw * (1 - 1e-9))


def hatch_definitions() -> str:
    """SVG patterns of the advice marks, ids ``hatch-<advice>``."""
    return "".join(_hatch(name) for name in ADVICE_MARKS)


def _hatch(name: str) -> str:
    mark = ADVICE_MARKS[name]
    how = f'fill="{mark.ink}"' if name == "scout" else f'stroke="{mark.ink}" stroke-opacity=".55" fill="none"'
    line = f'<path d="{mark.hatch}" {how}/>' if mark.hatch else ""
    return (
        f'<pattern id="hatch-{name}" width="8" height="8" patternUnits="userSpaceOnUse">'
        f'<rect width="8" height="8" fill="{mark.fill}"/>{line}</pattern>'
    )


@dataclass(frozen=True, slots=True)
class _Frame:
    """From web Mercator to the paper: north up, ground metres to the unit of the drawing."""

    west: float
    north: float
    scale: float

    def path(self, shape: Any) -> str:
        rings = shapely.get_rings(shapely.get_parts(shape))
        return "".join(f"M{self._points(ring)}Z" for ring in rings)

    def _points(self, line: Any) -> str:
        return "L".join(f"{x:.1f} {y:.1f}" for x, y in self.place(shapely.get_coordinates(line)))

    def line(self, line: Any) -> str:
        return f"M{self._points(line)}"

    def place(self, coordinates: Any) -> Any:
        out = np.asarray(coordinates, dtype=float)
        return np.column_stack([(out[:, 0] - self.west) * self.scale, (self.north - out[:, 1]) * self.scale])


def draw_block_map(
    block: gpd.GeoDataFrame,
    zones: gpd.GeoDataFrame,
    rows: gpd.GeoDataFrame,
    points: gpd.GeoDataFrame,
    *,
    width: float,
    height: float,
    display: Display,
) -> str:
    """Draw one block north up: zones with hatch and letter, every tenth row, scouting points, a scale bar.

    Parameters
    ----------
    block, zones, rows, points : GeoDataFrame
        Rows of the tables ``block`` (one row), ``zone``, ``vine_row`` and ``scouting_point`` for this block.
    width, height : float
        Room for the drawing [px].
    display : Display

    Returns
    -------
    str
        An svg element.
    """
    outline = block.geometry.to_crs(WEB_MERCATOR)
    west, south, east, north = outline.total_bounds
    scale = min((width - 2 * MARGIN) / (east - west), (height - 2 * MARGIN - SCALE_ROOM) / (north - south))
    frame = _Frame(west - MARGIN / scale, north + MARGIN / scale, scale)
    latitude = math.radians(block.geometry.to_crs("EPSG:4326").total_bounds[[1, 3]].mean())
    tall = (north - south) * scale + 2 * MARGIN + SCALE_ROOM
    parts = [
        f"<defs>{hatch_definitions()}</defs>",
        *_zone_parts(zones, frame),
        *_row_parts(rows, frame),
    ]
    parts.append(f'<path d="{frame.path(outline.iloc[0])}" fill="none" stroke="{INK}" stroke-width="2"/>')
    parts += _tag_parts(zones, points, frame, display)
    parts.append(_scale_bar(scale / math.cos(latitude), tall - 8, display))
    label = escape(str(block["name"].iloc[0] or block["block_id"].iloc[0]), quote=True)
    return f'<svg viewBox="0 0 {width:.0f} {tall:.0f}" role="img" aria-label="{label}">{"".join(parts)}</svg>'


def _zone_parts(zones: gpd.GeoDataFrame, frame: _Frame) -> list[str]:
    shapes = zones.geometry.to_crs(WEB_MERCATOR)
    fills = [
        f'<path d="{frame.path(shape)}" fill="url(#hatch-{escape(advice, quote=True)})"/>'
        for shape, advice in zip(shapes, zones["advice"], strict=True)
    ]
    borders = [f'<path d="{frame.path(shape)}" fill="none" stroke' for shape in shapes]
    # A light line under the dark one: a border shows between two dark zones too.
    return [*fills, *(f'{one}="#fff" stroke-width="2.6"/>{one}="{INK}"/>' for one in borders)]


def _row_parts(rows: gpd.GeoDataFrame, frame: _Frame) -> list[str]:
    """Every tenth row with its number before its start, so that one finds one's place on paper."""
    numbers = [row_id.rpartition("-")[2] for row_id in rows["row_id"]]
    tenth = rows[[one.isdecimal() and one.endswith("0") for one in numbers]] if len(rows) else rows
    out, labels = [], []
    for row_id, start, line in zip(
        tenth["row_id"], tenth["from_vine"], tenth.geometry.to_crs(WEB_MERCATOR), strict=True
    ):
        path = f'<path d="{frame.line(line)}" fill="none" stroke'
        out += [f'{path}="#fff" stroke-width="1.6"/>', f'{path}="{INK}" stroke-width=".5"/>']
        if start == 1:
            x, y = _before_start(frame.place(shapely.get_coordinates(line)))
            number = escape(row_id.rpartition("-")[2])
            labels.append(f'<text x="{x:.1f}" y="{y + 3:.1f}" class="row">{number}</text>')
    return out + labels


def _before_start(line: npt.NDArray[np.float64]) -> tuple[float, float]:
    """Place of a number [px] in the line of its row, half a margin before it, clear of the outline."""
    away = line[0] - line[-1]
    x, y = line[0] + 0.6 * MARGIN * away / max(float(np.hypot(*away)), 1e-9)
    return float(x), float(y)


def _tag_parts(
    zones: gpd.GeoDataFrame, points: gpd.GeoDataFrame, frame: _Frame, display: Display
) -> list[str]:
    """Crosses where to scout, then the name and letter of each zone, clear of them and of one another."""
    crosses = points.geometry.to_crs(WEB_MERCATOR).array if len(points) else []
    places = frame.place(shapely.get_coordinates(crosses))
    out: list[str] = []
    for x, y in places:
        cross = f'<path d="M{x - 4:.1f} {y:.1f}h8M{x:.1f} {y - 4:.1f}v8" stroke'
        out.append(f'{cross}="#fff" stroke-width="4"/>{cross}="{INK}" stroke-width="2"/>')
    words = texts_in(display.language)
    taken: list[_Box] = [(x - CROSS, y - CROSS, x + CROSS, y + CROSS) for x, y in places.tolist()]
    for shape, zone_id, block_id, advice in zip(
        zones.geometry.to_crs(WEB_MERCATOR), zones["zone_id"], zones["block_id"], zones["advice"], strict=True
    ):
        text = f"{zone_id.removeprefix(block_id + '-')} {words.get('letter_' + advice, '?')}"
        half = 5 + 3.6 * len(text)
        x, y = _free_spot(shape, frame, half, taken)
        taken.append((x - half, y - 9, x + half, y + 9))
        out.append(
            f'<rect x="{x - half:.1f}" y="{y - 9:.1f}" width="{2 * half:.1f}" height="18" rx="9" fill="#fff" '
            f'stroke="{INK}"/><text x="{x:.1f}" y="{y + 4:.1f}" class="tag">{escape(text)}</text>'
        )
    return out


def _free_spot(shape: Any, frame: _Frame, half: float, taken: list[_Box]) -> tuple[float, float]:
    """Place for a tag inside a zone, clear of what stands there already; the zone's middle if none is."""
    west, south, east, north = shape.bounds
    middle = shapely.get_coordinates(shape.representative_point())
    steps = np.linspace(0.08, 0.92, 11)
    grid = np.array([(west + (east - west) * a, south + (north - south) * b) for a in steps for b in steps])
    inside = grid[shapely.contains_xy(shape, grid)]
    order = np.hypot(*(inside - middle).T).argsort()
    for x, y in frame.place(np.vstack([middle, inside[order]])):
        box = (x - half, y - 9, x + half, y + 9)
        if not any(
            box[0] < one[2] and box[2] > one[0] and box[1] < one[3] and box[3] > one[1] for one in taken
        ):
            return float(x), float(y)
    ((x, y),) = frame.place(middle)
    return float(x), float(y)


def _scale_bar(pixels_per_metre: float, y: float, display: Display) -> str:
    factor, unit = FACTORS[display.system]["length"], unit_labels(display.language, display.system)["length"]
    length = nice_step(160 / pixels_per_metre * factor, 2)
    wide = length / factor * pixels_per_metre
    text = f"{format_number(length, 0, display.language)} {unit}"
    return (
        f'<path d="M4 {y - 6:.1f}v6H{4 + wide:.1f}v-6" fill="none" stroke="{INK}"/>'
        f'<text x="{10 + wide:.1f}" y="{y:.1f}">{text}</text>'
    )


def draw_yield_chart(series: pd.DataFrame, *, width: float, height: float, display: Display) -> str:
    """Draw yield by vintage with 90 % intervals and what a healthy stand would have borne.

    Parameters
    ----------
    series : pandas.DataFrame
        Columns vintage, yield_t_ha, yield_se_t_ha, expected_t_ha.
    width, height : float
        Room [px].
    display : Display

    Returns
    -------
    str
        An svg element.
    """
    factor, words = FACTORS[display.system]["yield"], texts_in(display.language)
    years = series["vintage"].astype(int).to_numpy()
    value, error, expected = (
        series[name].to_numpy(dtype=float) * factor
        for name in ("yield_t_ha", "yield_se_t_ha", "expected_t_ha")
    )
    top_value = np.nanmax(np.concatenate([value + Z90 * np.nan_to_num(error), expected, [1e-3]]))
    step = nice_step(float(top_value), 5)
    top = step * math.ceil(top_value / step)
    left, right, bottom = 34.0, width - 6, height - 20
    x = np.interp(years, [years.min(), max(years.max(), years.min() + 1)], [left + 14, right - 10])

    def y(amount: Any) -> Any:
        return bottom - (bottom - 18) * np.asarray(amount) / top

    parts = [f'<text x="0" y="10">{unit_labels(display.language, display.system)["yield"]}</text>']
    parts += _levels(np.arange(0, top + step / 2, step), y, left, right, display)
    for at, year, one, se, healthy in zip(x, years, value, error, expected, strict=True):
        parts += _vintage_parts(float(at), int(year), bottom, y, (float(one), float(se), float(healthy)))
    title = escape(words["sheet_chart"], quote=True)
    return (
        f'<svg viewBox="0 0 {width:.0f} {height:.0f}" role="img" aria-label="{title}">{"".join(parts)}</svg>'
    )


def _levels(
    levels: npt.NDArray[np.float64], y: Any, left: float, right: float, display: Display
) -> list[str]:
    digits = 0 if np.allclose(levels, np.rint(levels)) else 1
    return [
        f'<path d="M{left} {y(one):.1f}H{right:.1f}" stroke="{RULE}"/>'
        f'<text x="{left - 5}" y="{y(one) + 3:.1f}" class="end">'
        f"{format_number(float(one), digits, display.language)}</text>"
        for one in levels
    ]


def _vintage_parts(
    at: float, year: int, bottom: float, y: Any, amounts: tuple[float, float, float]
) -> list[str]:
    value, error, healthy = amounts
    parts = [f'<text x="{at:.1f}" y="{bottom + 15:.1f}" class="tag">{year}</text>']
    if math.isfinite(healthy):
        parts.append(f'<path d="M{at - 9:.1f} {y(healthy):.1f}h18" stroke="{STEEL}" stroke-width="3"/>')
    if math.isfinite(value) and math.isfinite(error):
        low, high = y(max(value - Z90 * error, 0.0)), y(value + Z90 * error)
        parts.append(f'<path d="M{at:.1f} {low:.1f}V{high:.1f}" stroke="{INK}" stroke-width="1.6"/>')
    if math.isfinite(value):
        parts.append(f'<circle cx="{at:.1f}" cy="{y(value):.1f}" r="3.6" fill="{INK}"/>')
    return parts
