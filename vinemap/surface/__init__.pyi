from .counted import fit_stretches, krige_stretch_grid, krige_stretch_polygons
from .covariance import MODELS, Model, Structure, Variogram
from .drift import krige_with_drift
from .fit import VariogramFit, fit_variogram
from .kriging import LocalBlockKriging
from .nested import fit_nested_variogram
from .pairs import ExperimentalVariogram, experimental_variogram
from .polygons import krige_polygons
from .stretches import MOST_STRETCHES, krige_stretches
from .support import discretise_block, mean_covariance
from .surfaces import Surface, estimate_variogram, krige_grid
from .validate import CrossValidation, cross_validate_rows

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
