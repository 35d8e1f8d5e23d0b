from . import decline, estate, harvest, intake, land, publish, renewal, simulate, surface, zones
from ._version import __version__
from .job import Estate, assess_region, new_estate, open_estate, preview_file, run_demo

__all__ = [
    "Estate",
    "__version__",
    "assess_region",
    "decline",
    "estate",
    "harvest",
    "intake",
    "land",
    "new_estate",
    "open_estate",
    "preview_file",
    "publish",
    "renewal",
    "run_demo",
    "simulate",
    "surface",
    "zones",
]
