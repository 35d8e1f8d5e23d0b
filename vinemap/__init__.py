"""vinemap: from harvest files to a vineyard renewal map.

The whole job on an estate folder: `new_estate`, `open_estate` (then ``.add``, ``.status``, ``.assess``,
``.plan``), `preview_file`, `run_demo`; on many at once: `assess_region`. The stages, each usable on plain
tables by itself: `vinemap.land`, `vinemap.harvest`, `vinemap.surface`, `vinemap.zones`, `vinemap.decline`,
`vinemap.renewal`, `vinemap.publish`, `vinemap.simulate`; reading files: `vinemap.intake`; the folder:
`vinemap.estate`.

Everything is loaded on first use, so that ``import vinemap`` costs nothing.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
