"""The version of vinemap, in one place."""

__version__ = "0.1.0"
