"""Readings to surface: variogram, local block kriging, whole zones, cross-validation by rows."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
