from __future__ import annotations

import sqlite3
import subprocess
from contextlib import closing
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pyogrio
import pytest

from vinemap import tables
from vinemap.publish import write_geopackage
from vinemap.publish.qml import write_qml
from vinemap.publish.ramps import ADVICE_MARKS, BUPU, CIVIDIS, YLGNBU
from vinemap.publish.sld import OGC, SE, SLD, write_sld
from vinemap.publish.styles import BLOCK_LABELS_FROM, ROWS_FROM, Match, list_styles

# Children in the order in which the schemas have them: OGC 05-077r4, clauses 9-11 (se:), OGC 05-078r4,
# clause 11 (sld:), OGC 04-095, clause 9 (ogc:). Transcribed by hand from the clauses' figures. [M+]
ORDER = {
    f"{{{SLD}}}StyledLayerDescriptor": ["sld:NamedLayer"],
    f"{{{SLD}}}NamedLayer": ["se:Name", "se:Description", "sld:UserStyle"],
    f"{{{SLD}}}UserStyle": ["se:Name", "se:Description", "sld:IsDefault", "se:FeatureTypeStyle"],
    f"{{{SE}}}Description": ["se:Title", "se:Abstract"],
    f"{{{SE}}}FeatureTypeStyle": ["se:Name", "se:Description", "se:FeatureTypeName", "se:Rule"],
    f"{{{SE}}}Rule": [
        "se:Name", "se:Description", "ogc:Filter", "se:MinScaleDenominator", "se:MaxScaleDenominator",
        "se:PolygonSymbolizer", "se:LineSymbolizer", "se:PointSymbolizer", "se:TextSymbolizer",
    ],
    f"{{{SE}}}PolygonSymbolizer": ["se:Fill", "se:Stroke"],
    f"{{{SE}}}LineSymbolizer": ["se:Stroke"],
    f"{{{SE}}}PointSymbolizer": ["se:Graphic"],
    f"{{{SE}}}TextSymbolizer": ["se:Label", "se:Font", "se:LabelPlacement", "se:Halo", "se:Fill"],
    f"{{{SE}}}Fill": ["se:GraphicFill", "se:SvgParameter"],
    f"{{{SE}}}GraphicFill": ["se:Graphic"],
    f"{{{SE}}}Graphic": ["se:Mark", "se:Opacity", "se:Size", "se:Rotation"],
    f"{{{SE}}}Mark": ["se:WellKnownName", "se:Fill", "se:Stroke"],
    f"{{{SE}}}Stroke": ["se:SvgParameter"],
    f"{{{SE}}}Font": ["se:SvgParameter"],
    f"{{{SE}}}Halo": ["se:Radius", "se:Fill"],
    f"{{{SE}}}Label": ["ogc:PropertyName"],
    f"{{{SE}}}LabelPlacement": ["se:PointPlacement", "se:LinePlacement"],
    f"{{{SE}}}PointPlacement": ["se:AnchorPoint", "se:Displacement", "se:Rotation"],
    f"{{{SE}}}AnchorPoint": ["se:AnchorPointX", "se:AnchorPointY"],
    f"{{{OGC}}}Filter": ["ogc:And", "ogc:PropertyIsEqualTo", "ogc:PropertyIsNull",
                         "ogc:PropertyIsGreaterThanOrEqualTo", "ogc:PropertyIsLessThan"],
    f"{{{OGC}}}And": ["ogc:PropertyIsGreaterThanOrEqualTo", "ogc:PropertyIsLessThan"],
    f"{{{OGC}}}PropertyIsEqualTo": ["ogc:PropertyName", "ogc:Literal"],
    f"{{{OGC}}}PropertyIsGreaterThanOrEqualTo": ["ogc:PropertyName", "ogc:Literal"],
    f"{{{OGC}}}PropertyIsLessThan": ["ogc:PropertyName", "ogc:Literal"],
    f"{{{OGC}}}PropertyIsNull": ["ogc:PropertyName"],
}  # fmt: skip
SHORT = {f"{{{SLD}}}": "sld:", f"{{{SE}}}": "se:", f"{{{OGC}}}": "ogc:"}


def short(tag: str) -> str:
    return next(tag.replace(long, brief) for long, brief in SHORT.items() if tag.startswith(long))


@pytest.fixture(scope="module")
def styles(layers):
    return list_styles(layers)


@pytest.fixture(scope="module")
def package(layers, tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("styles") / "vinemap.gpkg"
    return write_geopackage(path, layers, crs="EPSG:9473", description="Invented estate")


def holds(match: Match, frame: pd.DataFrame) -> np.ndarray:
    column = frame[match.column]
    if match.equals is not None:
        return (column == match.equals).to_numpy()
    if match.low is None and match.high is None:
        return column.isna().to_numpy()
    values = column.to_numpy(dtype=float)
    low = -np.inf if match.low is None else match.low
    high = np.inf if match.high is None else match.high
    return (values >= low) & (values < high)


def test_each_layer_with_geometry_has_one_default_style(package):
    rows = pyogrio.read_dataframe(package, layer="layer_styles")
    default = rows[rows["useAsDefault"].astype(bool)]
    assert sorted(default["f_table_name"]) == sorted(one.name for one in tables.OUTPUTS if one.geometry)
    assert set(rows["f_geometry_column"]) == {"geom"}
    assert rows.groupby("f_table_name")["styleName"].agg(list)["zone"] == [
        "advice",
        "yield",
        "loss",
        "chance",
    ]
    assert rows["styleName"].str.len().max() <= 30  # the column is TEXT(30)


def test_the_table_of_styles_is_registered_and_does_not_hide_the_layers(package):
    with closing(sqlite3.connect(package)) as connection:
        kinds = dict(connection.execute("SELECT table_name, data_type FROM gpkg_contents"))
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
    assert kinds["layer_styles"] == "attributes"
    assert set(kinds) == {one.name for one in tables.OUTPUTS} | {"layer_styles"}


def test_text_of_the_standard_has_its_elements_in_order(styles):
    for style in styles:
        root = ElementTree.fromstring(write_sld(style))
        assert (root.tag, root.get("version")) == (f"{{{SLD}}}StyledLayerDescriptor", "1.1.0")
        for element in root.iter():
            order = ORDER.get(element.tag)
            names = [short(one.tag) for one in element]
            if order is None:
                assert not names, f"{short(element.tag)} has children"
                continue
            assert set(names) <= set(order), short(element.tag)
            assert [order.index(one) for one in names] == sorted(order.index(one) for one in names)


def test_marks_of_the_standard_are_named_as_it_names_them(styles):
    # OGC 05-077r4, 11.3.2: square, circle, triangle, star, cross, x are known to all; more names are allowed.
    names = {
        element.text
        for style in styles
        for element in ElementTree.fromstring(write_sld(style)).iter(f"{{{SE}}}WellKnownName")
    }
    assert names == {"circle", "horline"}


def test_parameters_are_those_of_the_standard(styles):
    # OGC 05-077r4, 11.1.3, 11.2.2, 11.4.4: fill, stroke..., font-...
    allowed = {"fill", "stroke", "stroke-width", "stroke-opacity", "stroke-dasharray"}
    allowed |= {"font-family", "font-weight", "font-size"}
    for style in styles:
        root = ElementTree.fromstring(write_sld(style))
        assert {one.get("name") for one in root.iter(f"{{{SE}}}SvgParameter")} <= allowed


def test_every_zone_falls_under_exactly_one_rule_of_each_style(styles, layers):
    zone = layers["zone"].copy()
    zone.loc[0, ["yield_now_t_ha", "loss_pct", "chance_pays"]] = np.nan
    zone.loc[1, ["yield_now_t_ha", "loss_pct", "chance_pays"]] = [60.0, 100.0, 1.0]
    zone.loc[2, ["yield_now_t_ha", "loss_pct", "chance_pays"]] = [0.0, -3.0, 0.0]
    for style in styles:
        if style.layer == "zone":
            hits = np.sum([holds(rule.match, zone) for rule in style.rules], axis=0)
            assert hits.tolist() == [1] * len(zone), style.name


def test_colours_and_hatches_are_those_of_the_map(styles):
    advice = next(one for one in styles if one.name == "advice")
    assert [one.fill for one in advice.rules] == [one.fill for one in ADVICE_MARKS.values()]
    assert [bool(one.hatch) for one in advice.rules] == [bool(one.hatch) for one in ADVICE_MARKS.values()]
    for name, ramp in (("yield", CIVIDIS), ("loss", BUPU), ("chance", YLGNBU)):
        fills = [one.fill for one in next(one for one in styles if one.name == name).rules[:-1]]
        places = [ramp.index(one) for one in fills]
        assert (places[0], places[-1]) == (0, len(ramp) - 1)
        assert places == sorted(set(places))


@pytest.mark.parametrize("write", [write_sld, write_qml])
def test_rows_are_drawn_near_and_labels_of_blocks_far(styles, write):
    text = {one.layer: write(one) for one in styles if one.default}
    assert f"{ROWS_FROM}" in text["vine_row"]
    assert f"{BLOCK_LABELS_FROM}" in text["block"]
    assert f"{ROWS_FROM}" not in text["block"]


def test_legend_is_in_the_language_asked_for(layers):
    titles = [one.title for one in list_styles(layers, language="es")[1].rules]
    assert titles == ["M mantener", "V vigilar", "I inspeccionar", "R renovar"]


def test_no_zones_still_give_styles(layers):
    empty = {**layers, "zone": layers["zone"].iloc[:0]}
    assert [one.name for one in list_styles(empty)] == [one.name for one in list_styles(layers)]


RENDER = """
import os, sys
from qgis.core import QgsApplication, QgsMapRendererParallelJob, QgsMapSettings, QgsVectorLayer
from qgis.PyQt.QtCore import QSize
app = QgsApplication([], False)
app.initQgis()
names = ("block", "vine_row", "zone")
layers = [QgsVectorLayer(f"{sys.argv[1]}|layername={one}", one, "ogr") for one in names]
settings = QgsMapSettings()
settings.setLayers(layers)
settings.setDestinationCrs(layers[2].crs())
settings.setOutputSize(QSize(900, 600))
extent = layers[2].extent()
extent.scale(float(sys.argv[3]))
settings.setExtent(extent)
job = QgsMapRendererParallelJob(settings)
job.start()
job.waitForFinished()
job.renderedImage().save(sys.argv[2])
print([one.renderer().type() for one in layers], round(settings.scale()), flush=True)
os._exit(0)  # its own tidying up is known to crash without a window
"""


@pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")
def test_a_desktop_gis_draws_the_file_with_its_own_styles(package, layers, tmp_path):
    """Rendered by Debian's qgis from nothing but the file: each advice shows its own fill, and its hatch."""
    python = Path("/usr/bin/python3")
    if (
        not python.exists()
        or subprocess.run([python, "-c", "import qgis.core"], capture_output=True).returncode
    ):
        pytest.skip("No headless desktop GIS is installed (Debian: qgis python3-qgis)")
    import rasterio

    def shares(zoom: float) -> dict[str, float]:
        picture = tmp_path / f"{zoom}.png"
        done = subprocess.run(
            [python, "-c", RENDER, package, picture, str(zoom)],
            capture_output=True, text=True, timeout=120, check=True,
            env={"QT_QPA_PLATFORM": "offscreen", "PATH": "/usr/bin:/bin", "HOME": str(tmp_path)},
        )  # fmt: skip
        assert done.stdout.startswith("['RuleRenderer', 'RuleRenderer', 'RuleRenderer']")
        with rasterio.open(picture) as image:
            pixels = image.read([1, 2, 3]).reshape(3, -1).T.astype(int)
        fills = {
            name: [int(one.fill[at : at + 2], 16) for at in (1, 3, 5)] for name, one in ADVICE_MARKS.items()
        }
        plum = np.array(fills["renew"])
        wanted = fills | {
            "dots": [0x3D, 0x2A, 0x00],
            "lines": 0.45 * plum + 0.55 * 255,
        }  # over plum, 55 % white
        return {name: float((np.abs(pixels - one) <= 24).all(axis=1).mean()) for name, one in wanted.items()}

    far = shares(1.1)
    assert all(far[advice] > 0.005 for advice in set(layers["zone"]["advice"])), far
    assert far["dots"] > 0.01 * far["scout"], far
    assert far["lines"] > 0.02 * far["renew"], far
