"""Zones: the stack of vintages to contiguous, workable zones; relative yield and loss as grids."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
