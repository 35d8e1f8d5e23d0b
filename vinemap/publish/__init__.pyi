from .dictionary import write_dictionary
from .display import EstateLabel, Interval
from .edits import Edits, attach_remarks, read_edits
from .files import write_text
from .geopackage import write_geopackage
from .gridded import Coverage, name_coverages
from .hand_drawn import fit_drawn_zones, tell_refitting
from .lists import write_csv, write_lists
from .notebook import attach_units, draw_estate, open_surface, show_result
from .overlays import MapSurface, Warped, cells_each, warp_surface
from .page import write_map
from .run import make_run_info
from .sheets import write_sheets
from .surfaces import GridLike, read_cells, read_surface, write_surface
from .texts import standing_cautions
from .what_if import WhatIf, build_what_if

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
