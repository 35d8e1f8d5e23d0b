"""Styles as the XML that the most common open desktop GIS keeps in ``styleQML``, so that it opens styled.

That program takes the default style of a layer from this column only; the text of the open standard beside it
is for every other one. Only what differs from the program's own defaults is written.
"""

from __future__ import annotations

from xml.etree import ElementTree
from xml.etree.ElementTree import Element, SubElement

from vinemap.publish.styles import HALO, WHITE, Hatch, Label, Match, Rule, Style

PIXEL_MM = 0.28  # OGC 05-077r4, 10.2: standardised rendering pixel
_TYPES = {"Polygon": "fill", "Line": "line", "Point": "marker"}


def write_qml(style: Style) -> str:
    """Write a style as desktop XML.

    Parameters
    ----------
    style : Style

    Returns
    -------
    str
        XML.

    Examples
    --------
    >>> from vinemap.publish.styles import Rule
    >>> "RuleRenderer" in write_qml(Style("block", "Polygon", "outline", "", (Rule("Block"),)))
    True
    """
    labelled = "1" if style.label is not None else "0"
    root = Element("qgis", {"styleCategories": "Symbology|Labeling", "labelsEnabled": labelled})
    renderer = SubElement(root, "renderer-v2", {"type": "RuleRenderer", "symbollevels": "0"})
    rules = SubElement(renderer, "rules", {"key": "root"})
    symbols = SubElement(renderer, "symbols")
    for number, rule in enumerate(style.rules):
        SubElement(rules, "rule", _rule(rule, number))
        kind = {"type": _TYPES[style.geometry], "name": str(number), "alpha": "1"}
        symbol = SubElement(symbols, "symbol", kind | {"clip_to_extent": "1", "force_rhr": "0"})
        _put_symbol(symbol, rule, style.geometry)
    if style.label is not None:
        _put_label(root, style.label, style.geometry)
    ElementTree.indent(root)
    return ElementTree.tostring(root, encoding="unicode") + "\n"


def _rule(rule: Rule, number: int) -> dict[str, str]:
    made = {"key": f"rule-{number}", "symbol": str(number), "label": rule.title}
    if rule.match is not None:
        made["filter"] = _expression(rule.match)
    if rule.largest_denominator is not None:
        least = rule.smallest_denominator or 0.0
        made |= {"scalemindenom": f"{least:g}", "scalemaxdenom": f"{rule.largest_denominator:g}"}
    return made


def _expression(match: Match) -> str:
    column = f'"{match.column}"'
    if match.equals is not None:
        return f"{column} = '{match.equals}'"
    limits = [f"{column} >= {match.low:g}"] if match.low is not None else []
    limits += [f"{column} < {match.high:g}"] if match.high is not None else []
    return " AND ".join(limits) or f"{column} IS NULL"


def _put_symbol(symbol: Element, rule: Rule, geometry: str) -> None:
    if geometry == "Polygon":
        if rule.fill:
            _put_part(symbol, "SimpleFill", color=_rgba(rule.fill), outline_style="no")
        if rule.hatch is not None:
            _put_hatch(symbol, rule.hatch)
        outline = {"line_color": _rgba(rule.stroke), "line_width": _mm(rule.width), "joinstyle": "round"}
        _put_part(symbol, "SimpleLine", **outline)
    elif geometry == "Line":
        line = {"line_color": _rgba(rule.stroke), "line_width": _mm(rule.width)}
        _put_part(symbol, "SimpleLine", capstyle="flat", **line)
    else:
        mark = {"name": "circle", "size": _mm(rule.mark), "color": _rgba(rule.fill)}
        _put_part(
            symbol, "SimpleMarker", outline_color=_rgba(rule.stroke), outline_width=_mm(rule.width), **mark
        )


def _put_part(symbol: Element, kind: str, **values: str) -> Element:
    part = SubElement(symbol, "layer", {"class": kind, "enabled": "1", "locked": "0", "pass": "0"})
    for name, value in values.items():
        SubElement(part, "prop", {"k": name, "v": value})
    return part


def _put_hatch(symbol: Element, hatch: Hatch) -> None:
    inner = f"@{symbol.get('name')}@{len(symbol)}"
    ink = _rgba(hatch.ink, hatch.opacity)
    if hatch.kind == "dots":
        gap = _mm(hatch.spacing)
        part = _put_part(symbol, "PointPatternFill", distance_x=gap, distance_y=gap, displacement_x="0")
        dot = SubElement(part, "symbol", {"type": "marker", "name": inner, "alpha": "1"})
        _put_part(dot, "SimpleMarker", name="square", color=ink, size=_mm(hatch.width), outline_style="no")
        return
    part = _put_part(symbol, "LinePatternFill", angle=f"{hatch.angle:g}", distance=_mm(hatch.spacing))
    line = SubElement(part, "symbol", {"type": "line", "name": inner, "alpha": "1"})
    _put_part(line, "SimpleLine", line_color=ink, line_width=_mm(hatch.width))


def _put_label(root: Element, label: Label, geometry: str) -> None:
    settings = SubElement(
        SubElement(root, "labeling", {"type": "simple"}), "settings", {"calloutType": "simple"}
    )
    text = {
        "fieldName": label.column,
        "isExpression": "0",
        "fontFamily": "Sans Serif",
        "fontWeight": "75" if label.bold else "50",
        "fontSize": _mm(label.size),
        "fontSizeUnit": "MM",
        "textColor": _rgba(label.colour),
        "textOpacity": "1",
    }
    style = SubElement(settings, "text-style", text)
    halo = {
        "bufferDraw": "1" if label.halo else "0",
        "bufferSize": _mm(HALO),
        "bufferSizeUnits": "MM",
        "bufferColor": _rgba(WHITE),
    }
    SubElement(style, "text-buffer", halo | {"bufferOpacity": "1"})
    # Within the polygon wherever there is room; along the line; in the middle of the mark.
    place = {"Polygon": "4", "Line": "2", "Point": "1"}[geometry]
    SubElement(settings, "placement", {"placement": place, "quadOffset": "4", "placementFlags": "1"})
    # "scaleMax" is the largest denominator at which the text is drawn.
    # Texts may stand on rows and marks: these are so many that no text would find room beside them.
    scale = {
        "obstacle": "0",
        "scaleVisibility": "1",
        "scaleMin": "0",
        "scaleMax": f"{label.largest_denominator:g}",
    }
    SubElement(settings, "rendering", scale)


def _rgba(colour: str, opacity: float = 1.0) -> str:
    channels = [int(colour[place : place + 2], 16) for place in (1, 3, 5)]
    return ",".join(str(one) for one in [*channels, round(255 * opacity)])


def _mm(pixels: float) -> str:
    return f"{pixels * PIXEL_MM:.3f}"
