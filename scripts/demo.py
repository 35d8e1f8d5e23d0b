"""Run the whole job on the invented demo estate: python3 scripts/demo.py [FOLDER].

Makes .venv, installs vinemap, loads data/demo into a new estate folder (demo-estate by default), assesses
it, and prints where the map and the GeoPackage are. The second run skips what is already installed.
"""

import subprocess
import sys

from setup_venv import ROOT, ready_python


def main():
    python = ready_python()
    folder = sys.argv[1] if len(sys.argv) > 1 else str(ROOT / "demo-estate")
    return subprocess.run([str(python), "-m", "vinemap", "demo", folder]).returncode


if __name__ == "__main__":
    sys.exit(main())
