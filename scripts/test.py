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


def main():
    python = ready_python("[test]")
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
