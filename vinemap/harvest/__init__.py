"""Readings -> clean yield -> settled yield; counts -> yield points.

A harvester that picks over the row takes one row at a time, so the width picked is the row spacing and
yield [t/ha] is 10 x flow [kg/s] / (speed [m/s] x row spacing [m]). Every reading keeps its flag; nothing is
deleted and nothing of the import is altered.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
