"""How each layer is drawn, said once: the same colours, hatches and letters as the map, for any GIS.

A style is a list of rules (what to draw, for which values, between which scales) and at most one label. From
it `vinemap.publish.sld` makes the text of the open standard and `vinemap.publish.qml` the XML that the most
common open desktop GIS keeps beside it. Lengths are pixels of 0.28 mm, as in the standard.

References
----------
OGC 05-077r4, Symbology Encoding 1.1.0, 10.2 (scale denominators, standardised pixel of 0.28 mm).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import numpy as np
import pandas as pd

from vinemap.publish.figures import INK, PLUM, nice_step
from vinemap.publish.ramps import ADVICE_MARKS, NO_VALUE, RAMPS
from vinemap.publish.texts import texts_in

# Scale denominators. Rows 3 m apart stand 1.2 mm apart at the first, their numbers 3 mm at the second.
ROWS_FROM = 2_500
ROW_NUMBERS_FROM = 1_000
ZONE_LABELS_FROM = 10_000
BLOCK_LABELS_FROM = 60_000
POINTS_FROM = 25_000
POINT_NUMBERS_FROM = 4_000  # a mark with its number is 18 m across there; walks of small zones are as close
CLASSES = 9  # no more shades than the nine of a ColorBrewer scheme
WHITE = "#ffffff"
HALO = 3.0


@dataclass(frozen=True, slots=True)
class Hatch:
    """Lines at an angle [deg, anticlockwise from horizontal] or dots, over a fill."""

    kind: Literal["lines", "dots"]
    ink: str
    spacing: float
    width: float
    angle: float = 0.0
    opacity: float = 1.0


@dataclass(frozen=True, slots=True)
class Match:
    """For which features a rule holds: one value of a column, or low <= value < high, or no value."""

    column: str
    equals: str | None = None
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, slots=True)
class Rule:
    """What is drawn for the features that match, between two scale denominators."""

    title: str
    match: Match | None = None
    fill: str = ""
    hatch: Hatch | None = None
    stroke: str = INK
    width: float = 1.0
    mark: float = 0.0
    largest_denominator: float | None = None
    smallest_denominator: float | None = None


@dataclass(frozen=True, slots=True)
class Label:
    """Text on a feature: along a line, else in its middle."""

    column: str
    size: float
    largest_denominator: float
    colour: str = INK
    bold: bool = False
    halo: bool = True


@dataclass(frozen=True, slots=True)
class Style:
    """One way to draw one layer; `default` is the one that a GIS opens with."""

    layer: str
    geometry: Literal["Polygon", "Line", "Point"]
    name: str
    description: str
    rules: tuple[Rule, ...]
    label: Label | None = None
    default: bool = True


def list_styles(layers: Mapping[str, pd.DataFrame], *, language: str = "en") -> list[Style]:
    """List the styles of all layers with geometry.

    Parameters
    ----------
    layers : mapping of str to DataFrame
        Tables of `tables.OUTPUTS`; their values set the range of the ramps.
    language : str
        Language of the legend.

    Returns
    -------
    list of Style
        One default a layer, and for zones one more by yield, by loss and by chance.

    Examples
    --------
    >>> zones = pd.DataFrame({"yield_now_t_ha": [8.0, 21.0], "loss_pct": [4.0, 38.0]})
    >>> [(one.layer, one.name, one.default) for one in list_styles({"zone": zones})][:3]
    [('block', 'outline', True), ('zone', 'advice', True), ('zone', 'yield', False)]
    """
    words = texts_in(language)
    return [_block_style(words), *_zone_styles(layers["zone"], words), _row_style(words), _point_style(words)]


def _block_style(words: Mapping[str, str]) -> Style:
    outline = Rule(title=words["block"], width=2.4)
    return Style(
        layer="block",
        geometry="Polygon",
        name="outline",
        description="Outline and name of the block; draw it over the zones.",
        rules=(outline,),
        label=Label("name", 14.0, BLOCK_LABELS_FROM, bold=True),
    )


def _zone_styles(zones: pd.DataFrame, words: Mapping[str, str]) -> list[Style]:
    label = Label("zone_id", 12.0, ZONE_LABELS_FROM)
    advice = Style(
        layer="zone",
        geometry="Polygon",
        name="advice",
        description="Advice for each zone: colour and hatch as on the map.",
        rules=tuple(_advice_rule(one, words) for one in ADVICE_MARKS),
        label=label,
    )
    top = _nice_top(zones["yield_now_t_ha"], 5.0, 5.0)
    most = _nice_top(zones["loss_pct"], 10.0, 50.0)
    graded = (
        ("yield", "yield_now_t_ha", "t/ha", _edges(0.0, top)),
        ("loss", "loss_pct", "%", _edges(0.0, most)),
        ("chance", "chance_pays", "", [0.0, 0.1, 0.25, 0.5, 0.75, 0.9, 1.0]),
    )
    return [advice, *(_graded_style(*one, label) for one in graded)]


def _advice_rule(advice: str, words: Mapping[str, str]) -> Rule:
    mark = ADVICE_MARKS[advice]
    title = f"{words[f'letter_{advice}']} {words[f'advice_{advice}']}"
    return Rule(title=title, match=Match("advice", equals=advice), fill=mark.fill, hatch=_hatch(advice))


def _hatch(advice: str) -> Hatch | None:
    """Hatches of `ADVICE_MARKS`: upright lines, dots, lines leaning right; 8 pixels to a tile."""
    ink = ADVICE_MARKS[advice].ink
    if advice == "watch":
        return Hatch("lines", ink, spacing=8.0, width=1.0, angle=90.0, opacity=0.55)
    if advice == "scout":
        return Hatch("dots", ink, spacing=8.0, width=1.8)
    if advice == "renew":
        return Hatch("lines", ink, spacing=8.0 / math.sqrt(2), width=1.0, angle=45.0, opacity=0.55)
    return None


def _nice_top(values: pd.Series, step: float, least: float) -> float:
    highest = pd.to_numeric(values, errors="coerce").max()
    return max(least, math.ceil(highest / step) * step) if pd.notna(highest) else least


def _edges(low: float, high: float) -> list[float]:
    step = nice_step(high - low, CLASSES)
    return [low + step * number for number in range(math.ceil((high - low) / step - 1e-9) + 1)]


def _graded_style(name: str, column: str, unit: str, edges: Sequence[float], label: Label) -> Style:
    ramp = RAMPS[name]
    places = np.linspace(0, len(ramp) - 1, len(edges) - 1).round().astype(int)
    tail = f" {unit}" if unit else ""
    rules = []
    for place, (low, high) in zip(places, pairwise(edges), strict=True):
        first, last = low == edges[0], high == edges[-1]
        match = Match(column, low=None if first else low, high=None if last else high)
        title = f"< {high:g}{tail}" if first else f"{low:g} – {high:g}{tail}"
        rules.append(Rule(title=title, match=match, fill=ramp[place]))
    rules.append(Rule(title="–", match=Match(column), fill=NO_VALUE))
    return Style(
        layer="zone",
        geometry="Polygon",
        name=name,
        description=f"Zones by {column}{f' [{unit}]' if unit else ''}; ramp as on the map.",
        rules=tuple(rules),
        label=label,
        default=False,
    )


def _row_style(words: Mapping[str, str]) -> Style:
    rules = tuple(
        Rule(
            title=words[f"advice_{one}"],
            match=Match("advice", equals=one),
            stroke=WHITE if one == "renew" else INK,  # on plum a row must be light to be seen
            width=1.0 if one == "renew" else 0.6,
            largest_denominator=ROWS_FROM,
        )
        for one in ADVICE_MARKS
    )
    return Style(
        layer="vine_row",
        geometry="Line",
        name="rows",
        description=f"Vine rows, drawn from 1:{ROWS_FROM} on; their numbers from 1:{ROW_NUMBERS_FROM} on.",
        rules=rules,
        label=Label("row_id", 9.0, ROW_NUMBERS_FROM),
    )


def _point_style(words: Mapping[str, str]) -> Style:
    plain = Rule(words["advice_scout"], fill=WHITE, stroke=PLUM, width=1.6)
    dots = replace(plain, mark=6.0, largest_denominator=POINTS_FROM, smallest_denominator=POINT_NUMBERS_FROM)
    numbered = replace(plain, mark=16.0, largest_denominator=POINT_NUMBERS_FROM)
    return Style(
        layer="scouting_point",
        geometry="Point",
        name="walk",
        description=f"Scouting points, numbered in the order of the walk from 1:{POINT_NUMBERS_FROM} on.",
        rules=(dots, numbered),
        label=Label("order", 10.0, POINT_NUMBERS_FROM, colour=PLUM, bold=True, halo=False),
    )
