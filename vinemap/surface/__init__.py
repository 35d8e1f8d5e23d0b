"""Readings to surface: variogram, local block kriging, whole zones, cross-validation by rows."""

from vinemap.surface.counted import fit_stretches, krige_stretch_grid, krige_stretch_polygons
from vinemap.surface.covariance import MODELS, Model, Structure, Variogram
from vinemap.surface.drift import krige_with_drift
from vinemap.surface.fit import VariogramFit, fit_variogram
from vinemap.surface.kriging import LocalBlockKriging
from vinemap.surface.nested import fit_nested_variogram
from vinemap.surface.pairs import ExperimentalVariogram, experimental_variogram
from vinemap.surface.polygons import krige_polygons
from vinemap.surface.stretches import MOST_STRETCHES, krige_stretches
from vinemap.surface.support import discretise_block, mean_covariance
from vinemap.surface.surfaces import Surface, estimate_variogram, krige_grid
from vinemap.surface.validate import CrossValidation, cross_validate_rows

__all__ = [
    "MODELS",
    "MOST_STRETCHES",
    "CrossValidation",
    "ExperimentalVariogram",
    "LocalBlockKriging",
    "Model",
    "Structure",
    "Surface",
    "Variogram",
    "VariogramFit",
    "cross_validate_rows",
    "discretise_block",
    "estimate_variogram",
    "experimental_variogram",
    "fit_nested_variogram",
    "fit_stretches",
    "fit_variogram",
    "krige_grid",
    "krige_polygons",
    "krige_stretch_grid",
    "krige_stretch_polygons",
    "krige_stretches",
    "krige_with_drift",
    "mean_covariance",
]
