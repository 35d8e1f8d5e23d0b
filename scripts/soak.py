"""Random faults on one estate folder: whatever happens, nothing stored is lost and every run ends plainly.

    python scripts/soak.py --minutes 10 --seed 7

Processes are killed while they add, assess and plan, workers too; files are cut short, the disk is full
(truly, where a small file system of its own can be mounted; else no file may grow beyond a size), the clock
is years off for one run, files come from the past or the future, two sessions work on one folder, and people
press Ctrl-C. After every
fault the store is verified: every import that was acknowledged is there in full, the one that was cut off is
there in full or not at all. A run that is let finish ends in a result (status 0) or a refusal that says what
to do (status 1), never in a defect (status 3). At the end one undisturbed assessment must give, to the last
digit, what a fresh folder with the same imports gives. The seed names the order of faults; when each strikes
depends on the machine. POSIX only (signals, limits of file size).
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import random
import resource
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

DONE, REFUSED, STOPPED = 0, 1, 130
LONGEST_RUN_S = 900.0  # of a command that ends in half a minute alone: what is not over by then hangs
YEAR_S = 365 * 24 * 3600.0
SETTINGS = {"cell_m = 2.0": "cell_m = 4.0", "draws = 400": "draws = 80"}
COMMAND = [sys.executable, "-m", "vinemap"]
DISK_MB = 600
PLAIN = ("Refused.", "Problems:")  # one of these is said by every refusal
PYTHON_NOT_UP = "Fatal Python error: init_"  # Ctrl-C met the interpreter before it ran a line of vinemap
BALLAST = "ballast"  # beside the estate folder: fills the disk
# Python runs a file of this name at every start, in workers too: their clock is off by so many seconds.
WRONG_CLOCK = """
import os, time
real = time.time
time.time = lambda: real() + float(os.environ["SOAK_CLOCK_S"])
"""


class FailedError(Exception):
    """Something that must hold does not."""


@dataclass
class Soak:
    """One estate under faults, and what is known to be stored in it.

    Parameters
    ----------
    folder : pathlib.Path
        Estate folder.
    files : list of pathlib.Path
        Logs to add, in this order.
    rng : random.Random
    """

    folder: Path
    files: list[Path]
    rng: random.Random
    acknowledged: list[str] = field(default_factory=list)
    seen: Counter[str] = field(default_factory=Counter)
    longest_s: float = 3.0

    # ------------------------------------------------------------------------------------------- commands
    def start(self, *words: object, file_limit: int = 0, clock_s: float = 0.0) -> subprocess.Popen[str]:
        """Start a command in a process group of its own, if wanted with small files or a wrong clock."""

        def limit() -> None:
            if file_limit:
                resource.setrlimit(resource.RLIMIT_FSIZE, (file_limit, file_limit))

        return subprocess.Popen(
            [*COMMAND, *map(str, words)],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            encoding="utf-8",
            errors="replace",
            start_new_session=True,
            preexec_fn=limit,
            env=os.environ | (self.wrong_clock(clock_s) if clock_s else {}),
        )

    def end(
        self, process: subprocess.Popen[str], *allowed: int, plain: tuple[str, ...] = PLAIN
    ) -> tuple[int, str]:
        """Wait for a command; fail if it hangs, ends otherwise than allowed or refuses unsaid."""
        try:
            said, _ = process.communicate(timeout=LONGEST_RUN_S)
        except subprocess.TimeoutExpired:
            kill_group(process)
            raise FailedError(f"{process.args} did not end within {LONGEST_RUN_S:.0f} s") from None
        if process.returncode not in allowed:
            raise FailedError(f"{process.args} ended with {process.returncode}:\n{said[-3000:]}")
        if process.returncode == REFUSED and not any(word in said for word in plain):
            raise FailedError(f"{process.args} refused without saying so:\n{said[-3000:]}")
        return process.returncode, said

    def wrong_clock(self, seconds: float) -> dict[str, str]:
        """Environment in which the clock is off."""
        place = self.folder.parent / "clock"
        place.mkdir(exist_ok=True)
        (place / "sitecustomize.py").write_text(WRONG_CLOCK, encoding="utf-8")
        paths = [str(place), *filter(None, [os.environ.get("PYTHONPATH")])]
        return {"PYTHONPATH": os.pathsep.join(paths), "SOAK_CLOCK_S": str(seconds)}

    def run(
        self, *words: object, allowed: tuple[int, ...] = (DONE,), file_limit: int = 0, clock_s: float = 0.0
    ) -> tuple[int, str]:
        """Run a command to its end."""
        began = time.monotonic()
        ended = self.end(self.start(*words, file_limit=file_limit, clock_s=clock_s), *allowed)
        self.longest_s = max(self.longest_s, time.monotonic() - began)
        return ended

    def add_words(self) -> tuple[object, ...]:
        """Give the words that add the next log, or the last one once more."""
        file = self.files[min(len(self.acknowledged), len(self.files) - 1)]
        return ("add", "harvest", file, "--to", self.folder, "--vintage", file.name[:4])

    def note_added(self, words: tuple[object, ...], status: int) -> None:
        """Take a log whose adding ended well as acknowledged: from now on it must be there."""
        if words[0] == "add" and status == DONE and Path(str(words[2])).name not in self.acknowledged:
            self.acknowledged.append(Path(str(words[2])).name)

    def some_words(self) -> tuple[object, ...]:
        """Give a command that writes: add, assess or plan."""
        commands = [
            self.add_words(),
            ("assess", self.folder, "--workers", self.rng.choice((1, 2))),
            ("assess", self.folder, "--workers", self.rng.choice((1, 2))),
            ("plan", self.folder, "--budget", self.rng.randrange(0, 50_000)),
        ]
        return self.rng.choice(commands)

    # --------------------------------------------------------------------------------------------- checks
    def check(self) -> None:
        """Verify the store: sound, every acknowledged import in it, each there in full (by its row count)."""
        from vinemap.job import open_estate

        store = open_estate(self.folder).store
        problems = store.verify()
        if problems:
            raise FailedError(f"the store is not sound: {problems}")
        ledger = store.ledger()
        there = set(ledger.loc[~ledger["undone"], "file"])
        lost = [name for name in self.acknowledged if name not in there]
        if lost:
            raise FailedError(f"acknowledged but lost: {lost}")
        for base in (self.folder / "out").glob("[0-9]*/vinemap.gpkg"):
            check_outputs(base)
        # What was cut off may have been stored in full all the same; then it counts from now on.
        self.acknowledged = [one.name for one in self.files if one.name in there]

    # --------------------------------------------------------------------------------------------- faults
    def kill_any(self) -> str:
        """Kill a command at a random moment, with all its workers or alone."""
        words = self.some_words()
        process = self.start(*words)
        self.wait_a_moment()
        if self.rng.random() < 0.5:
            kill_group(process)
        else:
            process.kill()
        process.communicate()
        kill_group(process)
        self.note_added(words, process.returncode)
        return f"killed {words[0]}"

    def kill_worker(self) -> str:
        """Kill one worker of an assessment; it must end with a result or say that a worker died."""
        import psutil

        process = self.start("assess", self.folder, "--workers", 2)
        self.wait_a_moment()
        with contextlib.suppress(psutil.Error):
            workers = psutil.Process(process.pid).children(recursive=True)
            if workers:
                self.rng.choice(workers).kill()
        self.end(process, DONE, REFUSED)
        return "killed a worker"

    def interrupt(self) -> str:
        """Press Ctrl-C."""
        words = self.some_words()
        process = self.start(*words)
        self.wait_a_moment()
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGINT)
        status, _ = self.end(process, DONE, REFUSED, STOPPED, -signal.SIGINT, plain=(*PLAIN, PYTHON_NOT_UP))
        self.note_added(words, status)
        return f"interrupted {words[0]}"

    def fill_disk(self) -> str:
        """Leave a random room on the disk; where it is not ours to fill, let no file grow beyond that."""
        words = self.some_words()
        room = int(10 ** self.rng.uniform(2.0, 6.5))
        if not os.path.ismount(self.folder.parent):
            status, _ = self.run(*words, allowed=(DONE, REFUSED), file_limit=room)
            self.note_added(words, status)
            return f"small files: {words[0]}"
        ballast = self.folder.parent / BALLAST
        free = shutil.disk_usage(self.folder).free
        try:
            with ballast.open("wb") as handle:
                os.posix_fallocate(handle.fileno(), 0, max(free - room, 1))
            status, _ = self.run(*words, allowed=(DONE, REFUSED))
        finally:
            ballast.unlink()
        self.note_added(words, status)
        return f"full disk: {words[0]}"

    def cut_result(self) -> str:
        """Cut short a file that vinemap made and can make again; the next assessment must give a result.

        Outputs of an earlier vintage are made again by an assessment as after that vintage.
        """
        made = [one for name in ("cache", "out") for one in (self.folder / name).rglob("*") if one.is_file()]
        if not made:
            return "nothing to cut"
        file = self.rng.choice(made)
        os.truncate(file, self.rng.randrange(file.stat().st_size + 1))
        if self.rng.random() < 0.5:
            self.run("plan", self.folder, allowed=(DONE, REFUSED))
        first, second = file.relative_to(self.folder).parts[:2]
        asked = ("--vintage", second) if first == "out" and second.isdigit() else ()
        if self.acknowledged:
            self.run("assess", self.folder, "--workers", 1, *asked)
        return f"cut {first}"

    def cut_stored(self) -> str:
        """Cut short a stored file: told by status, refused by assess, and all well once it is put back."""
        stored = [one for one in self.folder.rglob("*.parquet") if "out" not in one.parts]
        stored = [one for one in stored if "cache" not in one.relative_to(self.folder).parts]
        file = self.rng.choice(stored)
        whole, times = file.read_bytes(), file.stat()
        os.truncate(file, self.rng.randrange(len(whole)))
        try:
            self.run("status", self.folder, allowed=(REFUSED,))
            self.run("assess", self.folder, "--workers", 1, allowed=(DONE, REFUSED))
        finally:
            file.write_bytes(whole)
            os.utime(file, ns=(times.st_atime_ns, times.st_mtime_ns))
        return "cut a stored file"

    def age_files(self) -> str:
        """Give files times of years ago or to come, as a clock that was wrong does."""
        jump = self.rng.choice((-1, 1)) * self.rng.uniform(0.01, 20.0) * YEAR_S
        for one in self.folder.rglob("*"):
            if self.rng.random() < 0.5:
                os.utime(one, (time.time() + jump, time.time() + jump))
        if self.acknowledged:
            self.run("assess", self.folder, "--workers", 1)
        return "files from another time"

    def turn_clock(self) -> str:
        """Do the next thing with a clock that is years off, then go on by the right one."""
        words = self.some_words()
        jump = self.rng.choice((-1, 1)) * self.rng.uniform(0.01, 20.0) * YEAR_S
        status, _ = self.run(*words, allowed=(DONE, REFUSED), clock_s=jump)
        self.note_added(words, status)
        if self.acknowledged:
            self.run("assess", self.folder, "--workers", 1)
        return "clock turned"

    def work_twice(self) -> str:
        """Let two sessions work on the folder at the same time."""
        words = [self.some_words(), self.some_words()]
        both = [self.start(*one) for one in words]
        for one, process in zip(words, both, strict=True):
            status, _ = self.end(process, DONE, REFUSED)
            self.note_added(one, status)
        return " and ".join(sorted(str(one[0]) for one in words)) + " at once"

    def go_on(self) -> str:
        """Do what a person does next: add the next log, and assess."""
        words = self.add_words()
        status, _ = self.run(*words)
        self.note_added(words, status)
        self.run("assess", self.folder, "--workers", 2)
        return "went on"

    def wait_a_moment(self) -> None:
        """Wait up to a little longer than such a command takes."""
        time.sleep(self.rng.uniform(0.0, 1.1) * min(self.longest_s, 20.0))

    def step(self, fault: Callable[[], str]) -> None:
        """Let one fault strike, and check."""
        before = time.monotonic()
        try:
            told = fault()
            self.check()
        except FailedError as error:
            raise FailedError(f"fault {sum(self.seen.values()) + 1}, {fault.__name__}: {error}") from error
        self.seen[told] += 1
        print(f"{told} ({time.monotonic() - before:.0f} s)", flush=True)


def check_outputs(base: Path) -> None:
    """Fail if a GeoPackage that stands, or the map beside it, is not whole."""
    with contextlib.closing(sqlite3.connect(base)) as connection:
        try:
            (sound,) = connection.execute("PRAGMA integrity_check").fetchone()
            (zones,) = connection.execute("SELECT count(*) FROM zone").fetchone()
        except sqlite3.Error as error:
            raise FailedError(f"{base} cannot be read: {error}") from error
    page = (base.parent / "map.html").read_bytes().rstrip()
    if sound != "ok" or not zones or not page.endswith(b"</html>"):
        raise FailedError(f"outputs are not whole: {base.parent}: {sound}, {zones} zones")


@contextlib.contextmanager
def small_disk(place: Path) -> Iterator[Path]:
    """Give a folder on a file system of its own where one may be mounted (as root), else a plain one."""
    place.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", f"size={DISK_MB}m", "tmpfs", str(place)]
    try:
        mounted = subprocess.run(mount, capture_output=True, check=False).returncode == 0
    except FileNotFoundError:
        mounted = False
    print("The disk can be filled." if mounted else "No disk to fill: small files instead.", flush=True)
    try:
        yield place
    finally:
        if mounted:
            subprocess.run(["umount", "--lazy", str(place)], check=False)


def kill_group(process: subprocess.Popen[str]) -> None:
    """Kill a command with all its workers."""
    with contextlib.suppress(ProcessLookupError, PermissionError):
        os.killpg(process.pid, signal.SIGKILL)


def make_files(place: Path, seed: int) -> tuple[Path, list[Path]]:
    """Simulate a very small estate: outlines and the logs of its vintages."""
    import numpy as np

    from vinemap import simulate

    def square(west: float) -> tuple[tuple[float, float], ...]:
        return ((west, 0.0), (west + 60.0, 0.0), (west + 60.0, 100.0), (west, 100.0))

    common = {"variety": "Shiraz", "year_planted": 2006, "trellis_year": 2006, "bearing_deg": 10.0}
    decline = simulate.Trouble("whole_block", start_year=2022.0, rate_per_year=0.8, pace_years=2.0)
    plans = [
        simulate.BlockPlan("S1", "Sound", outline_m=square(0.0), level_t_ha=20.0, machine="Wren", **common),
        simulate.BlockPlan(
            "D1",
            "Falling",
            outline_m=square(90.0),
            level_t_ha=21.0,
            machine="Wren",
            troubles=(decline,),
            **common,
        ),
    ]
    estate = simulate.simulate_estate(
        rng=np.random.default_rng(seed),
        blocks=plans,
        vintages=tuple(range(2019, 2027)),
        machines=[simulate.MachinePlan("Wren", bias=0.0, delay_s=8)],
        count_vintages=(),
        weighed_vintages=(),
        interval_s=4,
        name="Invented, for faults",
    )
    simulate.write_estate_files(estate, place)
    return place / "blocks.geojson", sorted((place / "harvest").iterdir())


def make_estate(folder: Path, outlines: Path) -> None:
    """Make the estate folder with quick settings and its outlines."""
    from vinemap.job import new_estate, open_estate

    toml = new_estate(folder, name="Invented, for faults").folder / "estate.toml"
    text = toml.read_text(encoding="utf-8")
    for before, after in SETTINGS.items():
        if before not in text:
            raise SystemExit(f"estate.toml holds no {before!r}; mend scripts/soak.py.")
        text = text.replace(before, after)
    toml.write_text(text, encoding="utf-8")
    open_estate(folder).add("blocks", outlines)


def compare_with_fresh(soak: Soak, outlines: Path, place: Path) -> None:
    """Assess undisturbed, and compare with a fresh folder that got the same logs."""
    import pandas as pd

    from vinemap.job import open_estate

    fresh = place / "fresh"
    make_estate(fresh, outlines)
    for file in soak.files:
        if file.name in soak.acknowledged:
            open_estate(fresh).add("harvest", file, vintage=int(file.name[:4]))
    shutil.rmtree(soak.folder / "out", ignore_errors=True)  # zones keep their names from run to run otherwise
    seen, wanted = (open_estate(one).assess(workers=1).layers for one in (soak.folder, fresh))
    for name in ("zone", "zone_vintage", "renewal_option", "programme"):
        pd.testing.assert_frame_equal(pd.DataFrame(seen[name]), pd.DataFrame(wanted[name]), check_exact=True)


def soak_for(minutes: float, seed: int) -> Counter[str]:
    """Let faults strike for so long; FailedError or AssertionError if something does not hold."""
    until = time.monotonic() + 60 * minutes
    with tempfile.TemporaryDirectory() as name, small_disk(Path(name) / "disk") as disk:
        place = Path(name)
        outlines, logs = make_files(place / "files", seed)
        soak = Soak(disk / "estate", logs, random.Random(seed))
        make_estate(soak.folder, outlines)
        faults = (
            *(soak.kill_any, soak.kill_worker, soak.interrupt, soak.fill_disk),
            *(soak.cut_result, soak.cut_stored, soak.age_files, soak.turn_clock, soak.work_twice),
        )
        soak.step(soak.go_on)
        deck: list[Callable[[], str]] = []
        while time.monotonic() < until:
            if not deck:  # every fault comes up once before any comes again
                deck = [*faults, soak.kill_any, soak.fill_disk, soak.go_on]
                soak.rng.shuffle(deck)
            try:
                soak.step(deck.pop())
            except FailedError:
                keep = Path(tempfile.mkdtemp(prefix="soak-"))
                shutil.copytree(soak.folder, keep / "estate")
                print(f"The folder as it was is kept in {keep}.", file=sys.stderr)
                raise
        soak.step(soak.go_on)
        compare_with_fresh(soak, outlines, place)
        return soak.seen


def main() -> int:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=float, default=10.0, help="how long faults strike")
    parser.add_argument("--seed", type=int, default=1, help="names the order of faults")
    chosen = parser.parse_args()
    try:
        seen = soak_for(chosen.minutes, chosen.seed)
    except (FailedError, AssertionError) as error:
        print(f"FAILED with seed {chosen.seed}: {error}", file=sys.stderr)
        return 1
    print(
        json.dumps({"seed": chosen.seed, "faults": sum(seen.values()), "by_kind": dict(sorted(seen.items()))})
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
