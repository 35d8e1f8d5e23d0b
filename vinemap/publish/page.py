"""map.html: folium's map in a report page of its own, everything inlined, under a strict content policy."""

from __future__ import annotations

import datetime
import html
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlsplit

import folium
import numpy as np
import pandas as pd
from branca.element import Figure
from jinja2 import Template

from vinemap import tables
from vinemap._version import __version__
from vinemap.errors import DataError, SettingsError
from vinemap.publish.changes import list_changes
from vinemap.publish.display import (
    FACTORS,
    Display,
    EstateLabel,
    Interval,
    UnitSystem,
    unit_labels,
)
from vinemap.publish.files import safe_names, write_text
from vinemap.publish.headline import write_headline, write_imprint
from vinemap.publish.map_data import collect_layers, safe_json
from vinemap.publish.note_texts import translate_notes
from vinemap.publish.overlays import MapSurface, Warp, pack_surfaces
from vinemap.publish.policy import LEAFLET, asset_text, content_policy, render_template, template_text
from vinemap.publish.ramps import ADVICE_MARKS, NO_VALUE, RAMPS
from vinemap.publish.sentences import write_cause
from vinemap.publish.texts import keep_together, standing_cautions, texts_in
from vinemap.publish.what_if import WhatIf, pack_what_if

SCRIPTS = ("core.js", "cash.js", "visits.js", "value.js", "charts.js", "map.js", "page.js", "whatif.js")
MAP_NAME = "vinemap_map"
SYSTEMS: tuple[UnitSystem, ...] = ("metric", "us")


class OfflineMap(folium.Map):
    """folium's map without its links to scripts and styles elsewhere, and without tiles."""

    default_js: list[tuple[str, str]] = []  # noqa: RUF012  (folium reads it off the class)
    default_css: list[tuple[str, str]] = []  # noqa: RUF012
    _template = Template(
        """
        {% macro html(this, kwargs) %}
        <div class="ground" id="{{ this.get_name() }}" role="region"
             aria-label="{{ this.label }}"></div>
        {% endmacro %}
        {% macro script(this, kwargs) %}
        const {{ this.get_name() }} = L.map("{{ this.get_name() }}", {
            center: {{ this.location|tojson }}, zoom: 15, zoomSnap: 0.25, maxZoom: 20, zoomControl: false,
            attributionControl: false, scrollWheelZoom: false, fadeAnimation: false,
            dragging: !matchMedia("(pointer: coarse)").matches, renderer: L.svg({padding: 0.5})
        });
        {% endmacro %}
        """,
        autoescape=True,
    )

    def __init__(self, location: Sequence[float], label: str) -> None:
        super().__init__(location=list(location), tiles=None)
        self.label = label

    def get_name(self) -> str:
        """Give the same name each time, so that the same run writes the same file."""
        return MAP_NAME


class ReportPage(Figure):
    """The page around the map: one file, hashed scripts and styles, nothing from elsewhere."""

    def __init__(self, view: Mapping[str, Any], background_origin: str = "") -> None:
        super().__init__()
        self._view = view
        self._background_origin = background_origin

    def render(self, **kwargs: Any) -> str:
        """Render the children, then the page with the hashes of its scripts and styles in the policy."""
        for child in list(self._children.values()):
            child.render(**kwargs)
        leaflet = asset_text("leaflet.js").replace("//# sourceMappingURL=leaflet.js.map", "")
        own = [template_text(name) for name in SCRIPTS]
        scripts = [leaflet, self.script.render(**kwargs), *own]
        styles = [
            re.sub(r"url\(images/[^)]*\)", "none", asset_text("leaflet.css")),
            template_text("page.css"),
        ]
        return render_template(
            "page.html",
            **self._view,
            map_html=self.html.render(**kwargs),
            scripts=scripts,
            styles=styles,
            policy=content_policy(scripts, styles, images=self._background_origin),
            leaflet_version=LEAFLET.partition("-")[2],
            leaflet_licence=asset_text("LICENSE").replace("--", "- -"),
        )


def write_map(
    path: Path | str,
    layers: Mapping[str, pd.DataFrame],
    *,
    estate: EstateLabel,
    surfaces: Sequence[MapSurface] | None = None,
    cautions: Sequence[str] = (),
    waiting: Interval | None = None,
    language: str = "en",
    background_url: str | None = None,
    background_credit: str = "",
    sheet_folder: str | None = "sheets",
    made: datetime.date | None = None,
    what_if: WhatIf | None = None,
    warp: Warp | None = None,
) -> Path:
    """Write the map page: one HTML file that works with the network off.

    Parameters
    ----------
    path : path-like
    layers : mapping of str to DataFrame or GeoDataFrame
        Tables of `tables.OUTPUTS`. ``zone`` may carry ``wait_cost_per_ha_low``, ``wait_cost_per_ha_high``,
        ``horizon_year`` (last vintage on the trellis: the forecast ends there), and ``cause_code`` and
        ``change_code`` with what their texts speak of, for other languages and units.
    estate : EstateLabel
        Name, currency and display units.
    surfaces : sequence of MapSurface, optional
        Fine surfaces: yield [t/ha] of blocks and vintages, loss [%].
    cautions : sequence of str
        What weakens this run; folded away below the standing cautions if more than five.
    waiting : Interval, optional
        Cost of a year's delay over all zones advised to renew, with its 90 % interval.
    language : str
        ``"en"`` or ``"es"``.
    background_url : str, optional
        Address of map tiles with {z}, {x}, {y}; fetched only when the reader turns the background on.
    background_credit : str
        Credit the owner of the tiles asks for.
    sheet_folder : str or None
        Folder beside the map with the sheets of `write_sheets`, for a link to each; None for no links.
    made : datetime.date, optional
        Date to print; today if not given.
    what_if : WhatIf, optional
        Draws, methods and money for controls that value everything anew in the page; none without it.
    warp : callable, optional
        As `pack_surfaces` takes it.

    Returns
    -------
    pathlib.Path
        The file written.

    Raises
    ------
    DataError
        If there is no zone to show.
    SettingsError
        If the language or the background address cannot be used.
    """
    checked = _checked(layers)
    words, origin = texts_in(language), _origin(background_url)
    if what_if is not None:
        checked["zone"] = _with_draws(checked["zone"], what_if)
    checked["zone"] = _with_sentences(
        checked["zone"], words["language_code"], currency=estate.currency, valued=what_if is not None
    )
    vintages = sorted({int(one) for one in checked["zone_vintage"]["vintage"]})
    last = max(vintages, default=None)
    headlines = {
        system: write_headline(
            checked["zone"], display=Display(language, system, estate.currency), waiting=waiting
        )
        for system in SYSTEMS
    }
    data = collect_layers(checked) | _tell_display(estate, words, language)
    data |= {
        "vintages": vintages or [0],
        "headlines": headlines,
        "surfaces": pack_surfaces(surfaces or (), warp=warp),
        "sheets": _sheet_links(checked["block"]["block_id"], sheet_folder),
        "what_if": None if what_if is None else pack_what_if(what_if),
        "background": {"url": background_url, "credit": html.escape(background_credit)},
    }
    view = _view(words, estate, last, made or datetime.date.today(), cautions, language) | {
        "headline": headlines[estate.units],
        "note": words["headline_wait_note"] if waiting is None and _any_renewal(checked) else "",
        "footer": words["footer_background" if origin else "footer_offline"],
        "background_host": urlsplit(origin).netloc,
        "what_if": what_if is not None,
        "data": safe_json(data),
    }
    page = ReportPage(view, origin)
    (south, west), (north, east) = data["bounds"]
    page.add_child(OfflineMap(((south + north) / 2, (west + east) / 2), words["map_label"]), name=MAP_NAME)
    return write_text(Path(path), page.render())


def _tell_display(estate: EstateLabel, words: Mapping[str, str], language: str) -> dict[str, Any]:
    """Give words, units and colours, as the scripts of the page take them."""
    return {
        "texts": dict(words),
        "currency": estate.currency,
        "units": estate.units,
        "factors": FACTORS,
        "unit_labels": {system: unit_labels(language, system) for system in FACTORS},
        "ramps": RAMPS,
        "no_value": NO_VALUE,
    }


def _view(
    words: Mapping[str, str],
    estate: EstateLabel,
    vintage: int | None,
    made: datetime.date,
    cautions: Sequence[str],
    language: str,
) -> dict[str, Any]:
    letters = ", ".join(
        f"{words['letter_' + one]} {words['advice_' + one]}" for one in reversed(tables.ADVICE)
    )
    return {
        "lang": words["language_code"],
        "t": words,
        "version": __version__,
        "estate": estate.name,
        "title": words["title" if vintage else "title_no_vintage"].format(
            estate=estate.name, vintage=vintage
        ),
        "imprint": write_imprint(vintage, made, language),
        "caption": words["plate_caption"].format(letters=letters),
        "cautions": [keep_together(one) for one in standing_cautions(language)],
        "notes": [
            (keep_together(one), spoken) for one, spoken in translate_notes(cautions, words["language_code"])
        ],
        "marks": ADVICE_MARKS,
    }


def _checked(layers: Mapping[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    out = {
        table.name: tables.check_table(layers[table.name], table, where=f"layer {table.name}")
        if table.name in layers
        else tables.empty_table(table, crs="EPSG:4326")
        for table in tables.OUTPUTS
    }
    if not len(out["zone"]) or not len(out["block"]):
        raise DataError(
            f"There are {len(out['block'])} blocks and {len(out['zone'])} zones to show.",
            where="map",
            remedy="Add block outlines and at least one vintage, then assess again.",
        )
    return out


def _with_draws(zone: pd.DataFrame, what_if: WhatIf) -> pd.DataFrame:
    """Add what the draws tell: 90 % intervals of the yields, and the last vintage on the present trellis."""
    found: dict[str, Any] = {"horizon_year": what_if.zone["horizon"].astype(int)}
    for name in ("now", "healthy"):
        low, high = np.quantile(what_if.by_draw[name], [0.05, 0.95], axis=0)
        found |= {f"yield_{name}_low_t_ha": low, f"yield_{name}_high_t_ha": high}
    by_zone = pd.DataFrame(found, index=pd.Index(what_if.zone_ids))
    return zone.assign(**{name: zone["zone_id"].map(by_zone[name]) for name in found})


# Said in the page itself, where it values anew: at which price the advice turns.
_TURNED_IN_PAGE = ("price_below", "price_above", "nothing")


def _with_sentences(zone: pd.DataFrame, language: str, *, currency: str, valued: bool) -> pd.DataFrame:
    """Put hints of cause, and what would change an advice, into the language and units of the page."""
    rows = zone.drop(columns="geometry").to_dict("records")
    causes = [write_cause(one, language) for one in rows]
    leave_out = _TURNED_IN_PAGE if valued else ()
    changes = {
        f"changes_{system}": [
            "\n".join(list_changes(one, Display(language, system, currency), leave_out=leave_out))
            for one in rows
        ]
        for system in SYSTEMS
    }
    return zone.assign(
        reason=[keep_together(str(one["reason"] or "")) for one in rows],
        cause_hint=[keep_together(hint) for hint, _ in causes],
        cause_language=[spoken for _, spoken in causes],
        **changes,
    )


def _sheet_links(block_ids: pd.Series, folder: str | None) -> dict[str, str]:
    if folder is None:
        return {}
    return {one: quote(f"{folder}/{stem}.html") for one, stem in safe_names(block_ids).items()}


def _any_renewal(layers: Mapping[str, pd.DataFrame]) -> bool:
    return bool((layers["zone"]["advice"] == "renew").any())


def _origin(url: str | None) -> str:
    """Origin of the background map for the policy, "" for none."""
    if not url:
        return ""
    parts = urlsplit(url)
    good = parts.scheme in ("https", "http") and re.fullmatch(r"[A-Za-z0-9.-]+(:\d+)?", parts.netloc)
    if not good or not all(mark in url for mark in ("{z}", "{x}", "{y}")):
        raise SettingsError(
            f"The background map address {url!r} cannot be used.",
            remedy="Give one such as https://tiles.example.org/{z}/{x}/{y}.png, with a plain host name.",
        )
    return f"{parts.scheme}://{parts.netloc}"
