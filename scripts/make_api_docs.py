"""Build the API reference from the docstrings into docs-api/, which git ignores.

Run ``python scripts/make_api_docs.py``. Needs pdoc (pip install pdoc), which is no dependency of vinemap. The
examples in the docstrings are run by the tests, so what the reference shows works.
"""

from __future__ import annotations

import argparse
import importlib
import inspect
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
PACKAGES = (
    "decline", "estate", "harvest", "intake", "land", "publish", "renewal", "simulate", "surface", "zones",
)  # fmt: skip
MODULES = ("vinemap.job", "vinemap.assess", "vinemap.tables", "vinemap.units", "vinemap.errors")


def list_modules() -> list[str]:
    """Name what is public: the job, its tables, units and errors, and each stage by its face."""
    return [*MODULES, *(f"vinemap.{one}" for one in PACKAGES)]


def find_undocumented() -> list[str]:
    """Name every public object without a docstring."""
    missing = []
    for name in list_modules():
        module = importlib.import_module(name)
        missing += [
            f"{name}.{one}"
            for one in getattr(module, "__all__", ())
            if inspect.isroutine(getattr(module, one)) or inspect.isclass(getattr(module, one))
            if not getattr(module, one).__doc__
        ]
    return missing


def build_docs(folder: Path) -> list[Path]:
    """Write the reference as HTML pages; RuntimeError if pdoc is not installed."""
    try:
        import pdoc
        import pdoc.render
    except ImportError as error:
        raise RuntimeError("pdoc is not installed; pip install pdoc, then run this again.") from error
    pdoc.render.configure(docformat="numpy", show_source=False, search=True)
    pdoc.pdoc(*list_modules(), output_directory=folder)
    return sorted(folder.rglob("*.html"))


def main() -> int:
    """Build, and say how many pages there are and what lacks a docstring."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", nargs="?", type=Path, default=ROOT / "docs-api")
    folder = parser.parse_args().folder
    missing = find_undocumented()
    try:
        pages = build_docs(folder)
    except RuntimeError as error:
        print(error, file=sys.stderr)
        return 1
    print(f"{len(pages)} pages in {folder.name}/; open index.html.")
    if missing:
        print(f"Without a docstring: {', '.join(missing)}")
    return 0


if __name__ == "__main__":
    sys.path.insert(0, str(ROOT))
    sys.exit(main())
