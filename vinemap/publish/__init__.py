"""What leaves the tool: GeoPackage, HTML map, GeoTIFF surfaces, lists, printable block sheets, dictionary."""

from vinemap.publish.dictionary import write_dictionary
from vinemap.publish.display import EstateLabel, Interval
from vinemap.publish.edits import Edits, attach_remarks, read_edits
from vinemap.publish.files import write_text
from vinemap.publish.geopackage import write_geopackage
from vinemap.publish.gridded import Coverage, name_coverages
from vinemap.publish.hand_drawn import fit_drawn_zones, tell_refitting
from vinemap.publish.lists import write_csv, write_lists
from vinemap.publish.notebook import attach_units, draw_estate, open_surface, show_result
from vinemap.publish.overlays import MapSurface, Warped, cells_each, warp_surface
from vinemap.publish.page import write_map
from vinemap.publish.run import make_run_info
from vinemap.publish.sheets import write_sheets
from vinemap.publish.surfaces import GridLike, read_cells, read_surface, write_surface
from vinemap.publish.texts import standing_cautions
from vinemap.publish.what_if import WhatIf, build_what_if

__all__ = [
    "Coverage",
    "Edits",
    "EstateLabel",
    "GridLike",
    "Interval",
    "MapSurface",
    "Warped",
    "WhatIf",
    "attach_remarks",
    "attach_units",
    "build_what_if",
    "cells_each",
    "draw_estate",
    "fit_drawn_zones",
    "make_run_info",
    "name_coverages",
    "open_surface",
    "read_cells",
    "read_edits",
    "read_surface",
    "show_result",
    "standing_cautions",
    "tell_refitting",
    "warp_surface",
    "write_csv",
    "write_dictionary",
    "write_geopackage",
    "write_lists",
    "write_map",
    "write_sheets",
    "write_surface",
    "write_text",
]
