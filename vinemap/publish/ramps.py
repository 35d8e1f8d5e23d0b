"""Colours: ramps that are even to the eye and safe for colour-vision deficiency, and the marks of the advice.

No colour stands alone: advice carries a letter and a hatch, ramps a printed value.

References
----------
cividis: Nuñez, Anderton & Renslow 2018, PLOS ONE 13(7):e0199239 (18 stops of matplotlib's table).
BuPu, YlGnBu: Brewer, Harrower et al., ColorBrewer 2.0, nine classes, listed there as colour-blind safe.
"""

from __future__ import annotations

from dataclasses import dataclass

CIVIDIS = (
    "#00224e", "#002d68", "#163770", "#2e416d", "#3f4c6c", "#4e566c", "#5c616e", "#696b71", "#767676",
    "#838179", "#928c78", "#a09875", "#afa471", "#bfb06b", "#cfbd62", "#dfca57", "#f0d846", "#fee838",
)  # fmt: skip
BUPU = ("#f7fcfd", "#e0ecf4", "#bfd3e6", "#9ebcda", "#8c96c6", "#8c6bb1", "#88419d", "#810f7c", "#4d004b")
YLGNBU = ("#ffffd9", "#edf8b1", "#c7e9b4", "#7fcdbb", "#41b6c4", "#1d91c0", "#225ea8", "#253494", "#081d58")
RAMPS = {"yield": CIVIDIS, "loss": BUPU, "chance": YLGNBU}
NO_VALUE = "#ddd8cb"


@dataclass(frozen=True, slots=True)
class Mark:
    """How an advice is drawn: fill, ink of its hatch, and the hatch as an SVG path in an 8 x 8 tile."""

    fill: str
    ink: str
    hatch: str


# Blue-grey against ochre against mulberry, and light against dark: told apart in any kind of vision.
ADVICE_MARKS = {
    "keep": Mark("#dfe4e3", "#3d484c", ""),
    "watch": Mark("#a9bcc8", "#24333c", "M2 0V8"),
    "scout": Mark("#e8b957", "#3d2a00", "M2 2h1.6v1.6h-1.6zM6 6h1.6v1.6h-1.6z"),
    "renew": Mark("#74224f", "#ffffff", "M-2 2L2 -2M0 8L8 0M6 10L10 6"),
}


def _channels(colour: str) -> tuple[int, int, int]:
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def contrast(first: str, second: str) -> float:
    """Contrast ratio of two colours.

    References
    ----------
    WCAG 2.2, definition of contrast ratio and relative luminance.

    Examples
    --------
    >>> round(contrast("#767676", "#ffffff"), 2)
    4.54
    """
    high, low = sorted((_luminance(first), _luminance(second)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def _luminance(colour: str) -> float:
    linear = [
        c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4
        for c in (one / 255 for one in _channels(colour))
    ]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
