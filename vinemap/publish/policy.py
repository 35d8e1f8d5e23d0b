"""Templates and assets as they go into a page, and the policy that lets exactly these run."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Sequence
from functools import lru_cache
from importlib import resources
from typing import Any

from jinja2 import Environment, FunctionLoader

LEAFLET = "leaflet-1.9.4"


def asset_text(name: str) -> str:
    """Text of a file of the Leaflet package, line ends LF."""
    return _read("assets", LEAFLET, name)


def template_text(name: str) -> str:
    """Text of a template, line ends LF."""
    return _read("templates", name)


def render_template(name: str, **view: Any) -> str:
    """Fill a template; every value is escaped unless the template says that it is safe.

    Parameters
    ----------
    name : str
        File in the folder ``templates``.
    **view
        What the template shows.

    Returns
    -------
    str

    Raises
    ------
    jinja2.TemplateError
        If there is no such template, or it is not well formed.
    """
    return _environment().get_template(name).render(**view)


@lru_cache(maxsize=1)
def _environment() -> Environment:
    return Environment(autoescape=True, loader=FunctionLoader(template_text))


def _read(*parts: str) -> str:
    # A checkout may have turned line ends; a browser turns them back before it takes the hash.
    return resources.files("vinemap.publish").joinpath(*parts).read_text("utf-8").replace("\r\n", "\n")


def content_policy(scripts: Sequence[str], styles: Sequence[str], *, images: str = "") -> str:
    """Content-Security-Policy that lets run exactly these scripts and styles, and nothing be fetched.

    Parameters
    ----------
    scripts, styles : sequence of str
        Text of each inline element, exactly as it stands in the page.
    images : str, optional
        Origin that images may come from besides ``data:`` (the background map, where turned on).

    Returns
    -------
    str

    References
    ----------
    W3C, Content Security Policy Level 3, 2.3.1 (hash sources).

    Examples
    --------
    >>> content_policy(["alert('Hello, world.');"], []).split("; ")[1]
    "script-src 'sha256-qznLcsROx4GACP2dm0UCKCzCG+HiZ1guq6ZZDob/Tng='"
    """
    parts = [
        "default-src 'none'",
        f"script-src {_hashes(scripts)}",
        f"style-src {_hashes(styles)}",
        f"img-src data: {images}".strip(),
        "base-uri 'none'",
        "form-action 'none'",
    ]
    return "; ".join(parts)


def _hashes(texts: Sequence[str]) -> str:
    digests = (base64.b64encode(hashlib.sha256(one.encode()).digest()).decode() for one in texts)
    return " ".join(f"'sha256-{one}'" for one in digests) or "'none'"
