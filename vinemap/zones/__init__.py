"""Zones: the stack of vintages to contiguous, workable zones; relative yield and loss as grids."""

from vinemap.zones.build import ZoneMap, ZoneReport, find_zones
from vinemap.zones.cells import RowCells, lay_cells, moran_i
from vinemap.zones.maps import loss_surface, relative_surface

__all__ = [
    "RowCells",
    "ZoneMap",
    "ZoneReport",
    "find_zones",
    "lay_cells",
    "loss_surface",
    "moran_i",
    "relative_surface",
]
