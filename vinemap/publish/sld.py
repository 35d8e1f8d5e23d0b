"""Styles as text of the open standard: one Styled Layer Descriptor with Symbology Encoding a style.

Hatch lines use the mark name ``horline`` with a rotation: the standard lets programs know more names than its
six, and this is the one that desktop GIS write and read for lines; who does not know it draws the plain fill.

References
----------
OGC 05-078r4, Styled Layer Descriptor profile of the Web Map Service 1.1.0.
OGC 05-077r4, Symbology Encoding 1.1.0: clauses 10 (rules), 11 (symbolizers). OGC 04-095, Filter Encoding 1.1.
"""

from __future__ import annotations

from xml.etree import ElementTree
from xml.etree.ElementTree import Element

from vinemap.publish.styles import HALO, WHITE, Hatch, Label, Match, Rule, Style

SLD = "http://www.opengis.net/sld"
SE = "http://www.opengis.net/se"
OGC = "http://www.opengis.net/ogc"
_SPACES = {"": SLD, "se": SE, "ogc": OGC}


def write_sld(style: Style) -> str:
    """Write a style as a Styled Layer Descriptor.

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
    >>> print(write_sld(Style("block", "Polygon", "outline", "", (Rule("Block"),)))[:68])
    <?xml version="1.0" encoding="UTF-8"?>
    <StyledLayerDescriptor xmlns=
    """
    for prefix, space in _SPACES.items():
        ElementTree.register_namespace(prefix, space)
    root = Element(f"{{{SLD}}}StyledLayerDescriptor", {"version": "1.1.0"})
    layer = _sub(root, SLD, "NamedLayer")
    _sub(layer, SE, "Name", style.layer)
    chosen = _sub(layer, SLD, "UserStyle")
    _sub(chosen, SE, "Name", style.name)
    about = _sub(chosen, SE, "Description")
    _sub(about, SE, "Title", style.name)
    _sub(about, SE, "Abstract", style.description)
    if style.default:
        _sub(chosen, SLD, "IsDefault", "1")
    kind = _sub(chosen, SE, "FeatureTypeStyle")
    for rule in style.rules:
        _put_rule(kind, rule, style.geometry)
    if style.label is not None:
        _put_label(kind, style.label, style.geometry)
    ElementTree.indent(root)
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{ElementTree.tostring(root, encoding="unicode")}\n'


def _sub(parent: Element, space: str, tag: str, text: str = "", **attributes: str) -> Element:
    made = ElementTree.SubElement(parent, f"{{{space}}}{tag}", attributes)
    made.text = text or None
    return made


def _put_rule(parent: Element, rule: Rule, geometry: str) -> None:
    made = _sub(parent, SE, "Rule")
    _sub(made, SE, "Name", rule.title)
    _sub(_sub(made, SE, "Description"), SE, "Title", rule.title)
    if rule.match is not None:
        _put_filter(_sub(made, OGC, "Filter"), rule.match)
    if rule.smallest_denominator is not None:
        _sub(made, SE, "MinScaleDenominator", f"{rule.smallest_denominator:g}")
    if rule.largest_denominator is not None:
        _sub(made, SE, "MaxScaleDenominator", f"{rule.largest_denominator:g}")
    if geometry == "Polygon":
        _put_area(made, rule)
    elif geometry == "Line":
        _put_stroke(_sub(made, SE, "LineSymbolizer"), rule.stroke, rule.width)
    else:
        graphic = _sub(_sub(made, SE, "PointSymbolizer"), SE, "Graphic")
        _put_mark(graphic, "circle", rule.fill, rule.stroke, rule.width)
        _sub(graphic, SE, "Size", f"{rule.mark:g}")


def _put_filter(parent: Element, match: Match) -> None:
    if match.equals is not None:
        _compare(parent, "PropertyIsEqualTo", match.column, match.equals)
    elif match.low is None and match.high is None:
        _sub(_sub(parent, OGC, "PropertyIsNull"), OGC, "PropertyName", match.column)
    else:
        place = _sub(parent, OGC, "And") if None not in (match.low, match.high) else parent
        if match.low is not None:
            _compare(place, "PropertyIsGreaterThanOrEqualTo", match.column, f"{match.low:g}")
        if match.high is not None:
            _compare(place, "PropertyIsLessThan", match.column, f"{match.high:g}")


def _compare(parent: Element, how: str, column: str, value: str) -> None:
    made = _sub(parent, OGC, how)
    _sub(made, OGC, "PropertyName", column)
    _sub(made, OGC, "Literal", value)


def _put_area(parent: Element, rule: Rule) -> None:
    """Fill first, hatch over it, outline last."""
    if rule.fill:
        _put_fill(_sub(parent, SE, "PolygonSymbolizer"), rule.fill)
    if rule.hatch is not None:
        over = _sub(_sub(parent, SE, "PolygonSymbolizer"), SE, "Fill")
        _put_hatch(_sub(_sub(over, SE, "GraphicFill"), SE, "Graphic"), rule.hatch)
    _put_stroke(_sub(parent, SE, "PolygonSymbolizer"), rule.stroke, rule.width)


def _put_hatch(graphic: Element, hatch: Hatch) -> None:
    mark = _sub(graphic, SE, "Mark")
    _sub(mark, SE, "WellKnownName", "horline")
    stroke = _put_stroke(mark, hatch.ink, hatch.width, opacity=hatch.opacity)
    if hatch.kind == "dots":  # a graphic repeats without a gap, so dots are lines of dashes as long as wide
        gap = hatch.spacing - hatch.width
        _sub(stroke, SE, "SvgParameter", f"{hatch.width:g} {gap:g}", name="stroke-dasharray")
    _sub(graphic, SE, "Size", f"{hatch.spacing:.4g}")
    # The standard turns clockwise; the style says how lines lean as one draws angles.
    _sub(graphic, SE, "Rotation", f"{-hatch.angle:g}")


def _put_mark(graphic: Element, name: str, fill: str, stroke: str, width: float) -> None:
    mark = _sub(graphic, SE, "Mark")
    _sub(mark, SE, "WellKnownName", name)
    _put_fill(mark, fill)
    if stroke:
        _put_stroke(mark, stroke, width)


def _put_fill(parent: Element, colour: str) -> None:
    _sub(_sub(parent, SE, "Fill"), SE, "SvgParameter", colour, name="fill")


def _put_stroke(parent: Element, colour: str, width: float, *, opacity: float = 1.0) -> Element:
    stroke = _sub(parent, SE, "Stroke")
    _sub(stroke, SE, "SvgParameter", colour, name="stroke")
    if opacity < 1:
        _sub(stroke, SE, "SvgParameter", f"{opacity:g}", name="stroke-opacity")
    _sub(stroke, SE, "SvgParameter", f"{width:g}", name="stroke-width")
    return stroke


def _put_label(parent: Element, label: Label, geometry: str) -> None:
    rule = _sub(parent, SE, "Rule")
    _sub(rule, SE, "Name", label.column)
    _sub(rule, SE, "MaxScaleDenominator", f"{label.largest_denominator:g}")
    text = _sub(rule, SE, "TextSymbolizer")
    _sub(_sub(text, SE, "Label"), OGC, "PropertyName", label.column)
    font = _sub(text, SE, "Font")
    _sub(font, SE, "SvgParameter", "sans-serif", name="font-family")
    if label.bold:
        _sub(font, SE, "SvgParameter", "bold", name="font-weight")
    _sub(font, SE, "SvgParameter", f"{label.size:g}", name="font-size")
    _put_placement(_sub(text, SE, "LabelPlacement"), geometry)
    if label.halo:
        halo = _sub(text, SE, "Halo")
        _sub(halo, SE, "Radius", f"{HALO:g}")
        _put_fill(halo, WHITE)
    _put_fill(text, label.colour)


def _put_placement(parent: Element, geometry: str) -> None:
    if geometry == "Line":
        _sub(parent, SE, "LinePlacement")
        return
    anchor = _sub(_sub(parent, SE, "PointPlacement"), SE, "AnchorPoint")
    _sub(anchor, SE, "AnchorPointX", "0.5")
    _sub(anchor, SE, "AnchorPointY", "0.5")
