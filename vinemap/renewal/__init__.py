"""Renewal: options, best year, cost of waiting, chance that it pays, programme, checks, work lists."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
