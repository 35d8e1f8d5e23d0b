from .along import points_along
from .blocks import PreparedBlocks, compare_areas, prepare_blocks
from .crs import (
    WGS84,
    check_coordinates,
    check_metre_crs,
    choose_crs,
    is_equal_area,
    local_equal_area,
)
from .directions import estimate_bearing, mean_direction
from .grids import Grid, GridSpec, average_in, grid_over, mask_inside
from .ground import grid_bearing, ground_matrix, ground_scale, planar_spacing, true_bearing
from .locate import find_outlines, locate_in_rows
from .phase import RowFit, RowPhase, fit_rows, snap_rows
from .rows import RowFrame, find_gaps, lay_rows, number_vines, place_vines
from .segments import segment_rows

__all__ = [
    "WGS84",
    "Grid",
    "GridSpec",
    "PreparedBlocks",
    "RowFit",
    "RowFrame",
    "RowPhase",
    "average_in",
    "check_coordinates",
    "check_metre_crs",
    "choose_crs",
    "compare_areas",
    "estimate_bearing",
    "find_gaps",
    "find_outlines",
    "fit_rows",
    "grid_bearing",
    "grid_over",
    "ground_matrix",
    "ground_scale",
    "is_equal_area",
    "lay_rows",
    "local_equal_area",
    "locate_in_rows",
    "mask_inside",
    "mean_direction",
    "number_vines",
    "place_vines",
    "planar_spacing",
    "points_along",
    "prepare_blocks",
    "segment_rows",
    "snap_rows",
    "true_bearing",
]
