"""Make .venv beside pyproject.toml and install vinemap into it. Standard library only.

Written so that an old Python can still read the file and be told, in one sentence, what it lacks.
"""

import hashlib
import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
LOWEST = (3, 11)
NO_NETWORK_WORDS = (
    "No matching distribution found",
    "Could not find a version",
    "ConnectionError",
    "NewConnectionError",
    "Temporary failure in name resolution",
    "Max retries exceeded",
    "Network is unreachable",
)


def venv_python(folder):
    """Path of the interpreter inside a virtual environment."""
    return folder / ("Scripts/python.exe" if os.name == "nt" else "bin/python")


def give_up(sentence):
    """Print one sentence and end with status 1."""
    print("vinemap: " + sentence, file=sys.stderr)
    raise SystemExit(1)


def check_python():
    """Refuse a Python that is too old."""
    if sys.version_info < LOWEST:
        seen = ".".join(str(part) for part in sys.version_info[:2])
        give_up(
            "this is Python " + seen + ", but vinemap needs 3.11 or newer; install one and run the same "
            "command with it, e.g. python3.12 scripts/demo.py."
        )


def make_venv(folder):
    """Make the virtual environment if it is not there or does not start."""
    python = venv_python(folder)
    probe = [str(python), "-c", "import pip"]
    if python.exists() and subprocess.run(probe, capture_output=True).returncode == 0:
        return
    print("Making " + folder.name + " ...", flush=True)
    done = subprocess.run(
        [sys.executable, "-m", "venv", "--clear", str(folder)], capture_output=True, text=True
    )
    if done.returncode != 0:
        give_up(
            "this Python cannot make a virtual environment (module venv or ensurepip is missing); "
            "on Debian and Ubuntu: apt install python3-venv, then run the same command again."
        )


def fingerprint(extras):
    """Hash of all that decides what must be installed."""
    digest = hashlib.sha256((sys.version + extras + str(ROOT)).encode("utf-8"))
    for name in ("pyproject.toml", "scripts/constraints.txt"):
        digest.update((ROOT / name).read_bytes())
    return digest.hexdigest()


def install(python, extras):
    """Install vinemap in place with pinned versions of everything it needs."""
    print("Installing vinemap and what it needs (once; a minute or two) ...", flush=True)
    command = [
        str(python), "-m", "pip", "install", "--quiet", "--disable-pip-version-check",
        "--constraint", str(ROOT / "scripts" / "constraints.txt"), "--editable", str(ROOT) + extras,
    ]  # fmt: skip
    done = subprocess.run(command, capture_output=True, text=True)
    if done.returncode == 0:
        return
    said = done.stdout + done.stderr
    if any(word in said for word in NO_NETWORK_WORDS):
        give_up(
            "packages could not be fetched (no network, or a proxy in between); connect and run the same "
            "command again. The installer's last words: " + said.strip().splitlines()[-1]
        )
    give_up("the installation failed; the installer said:\n" + said.strip())


def ready_python(extras=""):
    """Give the path of an interpreter that has vinemap with these extras, e.g. "[test]"."""
    check_python()
    folder = ROOT / ".venv"
    make_venv(folder)
    python = venv_python(folder)
    stamp = folder / ("installed" + extras.replace("[", "-").replace("]", "") + ".txt")
    wanted = fingerprint(extras)
    if not (stamp.exists() and stamp.read_text(encoding="utf-8") == wanted):
        install(python, extras)
        stamp.write_text(wanted, encoding="utf-8")
    return python
