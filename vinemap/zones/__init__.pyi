from .build import ZoneMap, ZoneReport, find_zones
from .cells import RowCells, lay_cells, moran_i
from .maps import loss_surface, relative_surface

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
