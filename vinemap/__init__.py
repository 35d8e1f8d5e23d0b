"""vinemap: from harvest files to a vineyard renewal map."""

from vinemap._version import __version__

__all__ = ["__version__"]
