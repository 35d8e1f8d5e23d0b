"""What leaves the tool: GeoPackage, HTML map, GeoTIFF surfaces, lists, printable block sheets, dictionary."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
