"""vinemap: from harvest files to a vineyard renewal map.

The whole job on an estate folder: `new_estate`, `open_estate` (then ``.add``, ``.status``, ``.assess``,
``.plan``), `preview_file`, `run_demo`; on many at once: `assess_region`. The stages, each usable on plain
tables by itself: `vinemap.land`, `vinemap.harvest`, `vinemap.surface`, `vinemap.zones`, `vinemap.decline`,
`vinemap.renewal`, `vinemap.publish`, `vinemap.simulate`; reading files: `vinemap.intake`; the folder:
`vinemap.estate`.

Everything is loaded on first use, so that ``import vinemap`` costs nothing.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

from vinemap._version import __version__

if TYPE_CHECKING:
    from vinemap import decline, estate, harvest, intake, land, publish, renewal, simulate, surface, zones
    from vinemap.job import Estate, assess_region, new_estate, open_estate, preview_file, run_demo

_FUNCTIONS = ("Estate", "assess_region", "new_estate", "open_estate", "preview_file", "run_demo")
_STAGES = (
    "decline", "estate", "harvest", "intake", "land", "publish", "renewal", "simulate", "surface", "zones",
)  # fmt: skip

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


def __getattr__(name: str) -> Any:
    if name in _FUNCTIONS:
        return getattr(importlib.import_module("vinemap.job"), name)
    if name in _STAGES:
        return importlib.import_module(f"vinemap.{name}")
    raise AttributeError(f"module 'vinemap' has no attribute {name!r}")
