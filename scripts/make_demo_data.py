"""Make the demo data (data/demo) again from their seed. Run in the project's own Python environment.

Usage: python scripts/make_demo_data.py [FOLDER]     (default: data/demo)

Same seed, same content, file for file: what each holds is pinned in data/demo/truth/manifest.json. Another
version of numpy, scipy, pyproj or PROJ may flip a last digit here and there; another zlib packs the same
content into other bytes.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

HERE = Path(__file__).resolve().parent.parent


def main() -> int:
    sys.path.insert(0, str(HERE))
    from vinemap.simulate import demo_estate, write_estate_files

    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else HERE / "data" / "demo"
    start = time.perf_counter()
    written = write_estate_files(demo_estate(), folder)
    size = sum(path.stat().st_size for path in written) / 1e6
    print(f"{len(written)} files, {size:.1f} MB, in {time.perf_counter() - start:.0f} s: {folder}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
