"""Change the code in small ways and see whether the tests notice.

Run: python scripts/mutate.py harvest surface [--mutants 80] [--seed 1] [--folder FOLDER] [--json FILE]

A copy of the repository is changed, one place at a time: comparisons and their bounds, arithmetic, logic,
numbers, truth values and what is returned, at random over the package. Of the package's own tests (its folder
under tests, and its doctests; not those marked slow, nor tests of other packages) those that pass through the
changed line, themselves or by what they share (or through its module, if it runs at import only), run on each
copy, quickest first. A change that makes none fail has survived: a gap in the tests, or a change that means
nothing. Messages, annotations and docstrings are left alone. A copy that needs far more processor time than
usual counts as noticed (an endless loop); one that never got its processor time, the machine being busy or
held, is not judged and stands in no figure. The file is written after each change: a run that is cut short
leaves what was judged, in drawn order, which is as random a sample as the whole.
"""

from __future__ import annotations

import argparse
import ast
import importlib.util
import json
import multiprocessing
import os
import random
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, ClassVar

ROOT = Path(__file__).resolve().parent.parent
RECORD, LIMIT = "MUTATE_RECORD", "MUTATE_CPU_S"  # told to the tests' process by its environment
LONGEST_TEST_S = 10.0  # of processor time; a longer one is left out
SPARE_S = 10.0  # processor time a changed copy may take beyond three times the usual
COMPILE_S = 25.0  # more where functions must be compiled anew
FORKS = hasattr(os, "fork")
LIMITED = importlib.util.find_spec("resource") is not None  # elsewhere the clock alone ends an endless copy
SHARED = ("numpy", "pandas", "scipy.stats", "shapely", "geopandas", "sklearn.base", "numba", "pytest")
WALL = 20  # times the processor time, for a machine that is busy
COMPARED: dict[type, tuple[type, ...]] = {
    ast.Lt: (ast.LtE, ast.Gt), ast.LtE: (ast.Lt, ast.Gt), ast.Gt: (ast.GtE, ast.Lt),
    ast.GtE: (ast.Gt, ast.Lt), ast.Eq: (ast.NotEq,), ast.NotEq: (ast.Eq,), ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,), ast.In: (ast.NotIn,), ast.NotIn: (ast.In,),
}  # fmt: skip
WORKED: dict[type, type] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.Pow: ast.Mult,
    ast.FloorDiv: ast.Div, ast.Mod: ast.Mult, ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd,
    ast.MatMult: ast.Mult,
}  # fmt: skip


@dataclass(frozen=True)
class Mutant:
    """One change: file, line, what stood there and what stands there now, and how it went."""

    file: str
    line: int
    was: str
    now: str
    start: int
    end: int
    outcome: str = ""


def changes_of(node: ast.AST) -> Iterator[ast.AST]:
    """Give what may stand in the place of a node."""
    if isinstance(node, ast.Compare) and len(node.ops) == 1:
        for other in COMPARED[type(node.ops[0])]:
            yield ast.Compare(node.left, [other()], node.comparators)
    elif isinstance(node, ast.BinOp) and type(node.op) in WORKED:
        yield ast.BinOp(node.left, WORKED[type(node.op)](), node.right)
    elif isinstance(node, ast.BoolOp):
        yield ast.BoolOp(ast.Or() if isinstance(node.op, ast.And) else ast.And(), node.values)
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, (ast.Not, ast.USub, ast.Invert)):
        yield node.operand
    elif isinstance(node, ast.IfExp):
        yield ast.IfExp(node.test, node.orelse, node.body)
    elif isinstance(node, ast.Constant) and isinstance(node.value, bool):
        yield ast.Constant(not node.value)
    elif isinstance(node, ast.Constant) and isinstance(node.value, (int, float)):
        yield ast.Constant(node.value + 1 if isinstance(node.value, int) else 2 * node.value + 0.1)
    elif isinstance(node, ast.Return) and ast.unparse(node) not in ("return", "return None"):
        yield ast.Return(ast.Constant(None))


def places_in(node: ast.AST) -> Iterator[ast.AST]:
    """Walk over the code that does something: no annotation, message, docstring or decorator."""
    for name, value in ast.iter_fields(node):
        if name in ("annotation", "returns", "decorator_list", "format_spec"):
            continue
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.AST) and not isinstance(child, (ast.Raise, ast.JoinedStr)):
                yield child
                yield from places_in(child)


def list_mutants(path: Path, root: Path) -> list[Mutant]:
    """List every change of a file, with its place in bytes."""
    text = path.read_bytes()
    starts = [0]
    for line in text.splitlines(keepends=True):
        starts.append(starts[-1] + len(line))
    found = []
    for node in places_in(ast.parse(text)):
        for other in changes_of(node):
            start = starts[node.lineno - 1] + node.col_offset
            end = starts[node.end_lineno - 1] + node.end_col_offset
            now = ast.unparse(ast.fix_missing_locations(other))
            now = now if isinstance(node, ast.stmt) else f"({now})"
            was = " ".join(text[start:end].decode().split())
            name = path.relative_to(root).as_posix()
            found.append(Mutant(name, node.lineno, was, now, start, end))
    return found


@dataclass(frozen=True)
class Known:
    """What the tests of the unchanged copy take, and which lines each passes through."""

    seconds: dict[str, float]
    lines: dict[str, dict[int, set[str]]]

    def near(self, mutant: Mutant, users: set[str]) -> list[str]:
        """Give the tests that pass through a line (or else the modules that use it), quickest first."""
        through = self.lines.get(mutant.file, {}).get(mutant.line, set()) & self.seconds.keys()
        for file in () if through else users:
            through = through.union(*self.lines.get(file, {}).values())
        return sorted(through & self.seconds.keys(), key=self.seconds.__getitem__)


def run_pytest(folder: Path, told: dict[str, str], arguments: list[str], output: int | None) -> None:
    """Run tests in a process of its own; where it is forked the libraries are there already."""
    import pytest

    os.chdir(folder)
    os.environ.update(told)
    sys.path[:0] = [str(folder), str(folder / "scripts")]
    sys.dont_write_bytecode = True
    if output is not None:
        os.dup2(output, 1)
        os.dup2(output, 2)
        import numba

        numba.core.config.reload_config()  # reads where compiled code is kept
    os._exit(int(pytest.main(arguments)))


class Bench:
    """A copy of the repository in which one package is changed and tested."""

    def __init__(self, package: str, folder: Path) -> None:
        self.package, self.folder, self.told, self.held = package, folder, "", False
        for name in ("vinemap", "tests", "data", "scripts"):
            shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
        for path in ROOT.glob("*.[tm][od]*"):
            shutil.copy(path, folder)
        self.tests = [f"tests/{package}", f"vinemap/{package}"]
        self.sources = sorted((folder / "vinemap" / package).glob("*.py"))
        self.compiled = {
            path.relative_to(folder).as_posix()
            for path in self.sources
            if any(mark in path.read_text(encoding="utf-8") for mark in ("numba", "@compiled"))
        }
        if self.compiled:
            self.run(self.tests, 3000)  # compiles, so that no test is charged for it
        self.known = self.learn()
        if self.run(list(self.known.seconds), 600, "--collect-only") != 0:  # else all would seem noticed
            raise SystemExit(f"Not every test of {package} is found by its name:\n{self.told[-2000:]}")
        self.users = {path.stem: self.users_of(path.stem) for path in self.sources}

    def users_of(self, module: str) -> set[str]:
        """Files of the package that import a module, itself included, straight or by others."""
        found: set[str] = set()
        fresh = {module}
        while fresh:
            found |= fresh
            wanted = [f"from vinemap.{self.package}.{one} import" for one in fresh]
            texts = ((path.stem, path.read_text(encoding="utf-8")) for path in self.sources)
            fresh = {stem for stem, text in texts if any(one in text for one in wanted)} - found
        return {f"vinemap/{self.package}/{one}.py" for one in found - {"__init__"}}

    def run(
        self, tests: list[str], seconds: float, *options: str, cache: str = "numba", **told: str
    ) -> int | None:
        """Run tests; exit status, None when out of time (`held`: of the clock, not of the processor)."""
        told = {LIMIT: str(int(seconds)), "NUMBA_CACHE_DIR": str(self.folder / cache)} | told
        arguments = ["-q", "--no-header", "--tb=line", "--hypothesis-seed=0", "-p", "mutate"]
        arguments += ["-p", "no:cacheprovider", "-p", "no:xdist", "-m", "not slow", *options, *tests]
        with tempfile.TemporaryFile() as output:
            process = multiprocessing.get_context("fork" if FORKS else "spawn").Process(
                target=run_pytest, args=(self.folder, told, arguments, output.fileno() if FORKS else None)
            )
            process.start()
            process.join(WALL * seconds)
            self.held = process.is_alive()
            if self.held:
                process.kill()
                process.join()
                return None
            output.seek(0)
            self.told = output.read().decode(errors="replace")
        return None if process.exitcode is None or process.exitcode < 0 else process.exitcode

    def learn(self) -> Known:
        """Run all tests on the unchanged copy; those that fail or take long there are left out."""
        record = self.folder / "record.json"
        self.run(self.tests, 3000, **{RECORD: str(record)})
        if not record.exists():
            raise SystemExit(f"The tests of {self.package} do not run:\n{self.told[-2000:]}")
        noted = json.loads(record.read_text(encoding="utf-8"))
        record.unlink()
        seconds = {
            name: spent
            for name, spent in noted["seconds"].items()
            if spent <= LONGEST_TEST_S and name not in noted["failed"]
        }
        left = len(noted["seconds"]) - len(seconds)
        print(f"{self.package}: {len(seconds)} tests, {left} left out", flush=True)
        users = {name: set(used) for name, used in noted["uses"].items()}
        lines = {
            file: {
                int(line): {name for name in users if users[name].intersection(seen)}
                for line, seen in found.items()
            }
            for file, found in noted["lines"].items()
        }
        return Known(seconds, lines)

    def cache_without(self, module: str) -> str:
        """Copy what is compiled, but for a module and those that call it: they have it built in."""
        stems = {Path(one).stem for one in self.users[module]}
        unfit = shutil.ignore_patterns("test_*", *(f"{one}.*" for one in stems))
        shutil.copytree(self.folder / "numba", self.folder / "fresh", ignore=unfit)
        return "fresh"

    def judge(self, mutant: Mutant) -> str:
        """Change the copy, test it and put it right again."""
        path = self.folder / mutant.file
        before, times = path.read_bytes(), path.stat()
        compiled = mutant.file in self.compiled
        tests = self.known.near(mutant, self.users[path.stem])
        if not tests:
            return "not reached"
        path.write_bytes(before[: mutant.start] + mutant.now.encode() + before[mutant.end :])
        try:
            seconds = SPARE_S + COMPILE_S * compiled + 3 * sum(self.known.seconds[one] for one in tests)
            cache = self.cache_without(path.stem) if compiled else "numba"
            status = self.run(tests, seconds, "-x", cache=cache)
        finally:
            path.write_bytes(before)
            os.utime(path, ns=(times.st_atime_ns, times.st_mtime_ns))  # what is compiled stays good
            shutil.rmtree(self.folder / "fresh", ignore_errors=True)
        if status is None:
            return "not judged" if self.held and LIMITED else "out of time"
        return "killed" if status else "survived"


# -- inside the tests' process, as a plugin of pytest --------------------------------------------------------


class Recorder:
    """Notes the lines each test and each shared fixture passes through, and the processor time of a test."""

    running: ClassVar[Recorder | None] = None

    def __init__(self, target: str) -> None:
        import coverage

        Recorder.running, self.target = self, Path(target)
        self.seconds: dict[str, float] = {}
        self.uses: dict[str, list[str]] = {}
        self.failed: list[str] = []
        self.within: list[str] = [""]
        self.coverage = coverage.Coverage(data_file=None, source=["vinemap"], config_file=False)
        self.coverage.start()

    def measure(self, item: Any) -> Iterator[None]:
        """Run a test."""
        self.uses[item.nodeid] = [item.nodeid, *getattr(item, "fixturenames", [])]
        self.within = [item.nodeid]
        self.coverage.switch_context(item.nodeid)
        start = time.process_time()
        if hasattr(signal, "setitimer"):
            signal.signal(signal.SIGVTALRM, _skip)
            signal.setitimer(signal.ITIMER_VIRTUAL, LONGEST_TEST_S + 1)
        outcome = yield
        if hasattr(signal, "setitimer"):
            signal.setitimer(signal.ITIMER_VIRTUAL, 0)
        self.seconds[item.nodeid] = time.process_time() - start
        return outcome

    def share(self, fixture: Any) -> Iterator[None]:
        """Make a fixture; one that several tests share is noted by its own name."""
        self.within.append(self.within[-1] if fixture.scope == "function" else fixture.argname)
        self.coverage.switch_context(self.within[-1])
        outcome = yield
        self.within.pop()
        self.coverage.switch_context(self.within[-1])
        return outcome

    def write(self) -> None:
        """Leave what was noted for the process that asked."""
        self.coverage.stop()
        data = self.coverage.get_data()
        lines = {
            Path(file).relative_to(Path.cwd()).as_posix(): data.contexts_by_lineno(file)
            for file in data.measured_files()
        }
        noted = {"seconds": self.seconds, "uses": self.uses, "lines": lines, "failed": self.failed}
        self.target.write_text(json.dumps(noted), encoding="utf-8")


def _skip(*_: Any) -> None:
    import pytest

    pytest.skip("takes long")


def pytest_configure(config: Any) -> None:
    try:
        import resource
    except ImportError:  # Windows: the wall clock alone stops a copy that never ends
        resource = None  # type: ignore[assignment]
    if resource and LIMIT in os.environ:
        most = int(os.environ[LIMIT])
        resource.setrlimit(resource.RLIMIT_CPU, (most, most + 5))
    config.recorder = Recorder(os.environ[RECORD]) if RECORD in os.environ else None


def pytest_unconfigure(config: Any) -> None:
    if config.recorder:
        config.recorder.write()


def pytest_runtest_logreport(report: Any) -> None:
    if report.failed and Recorder.running:
        Recorder.running.failed.append(report.nodeid)


def _hooks() -> tuple[Any, Any]:
    import pytest

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(item: Any) -> Iterator[None]:
        recorder = item.config.recorder
        return (yield from recorder.measure(item)) if recorder else (yield)

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(fixturedef: Any, request: Any) -> Iterator[None]:
        recorder = request.config.recorder
        return (yield from recorder.share(fixturedef)) if recorder else (yield)

    return pytest_runtest_protocol, pytest_fixture_setup


if __name__ == "mutate":
    pytest_runtest_protocol, pytest_fixture_setup = _hooks()


# ------------------------------------------------------------------------------------------------------------


def check_package(
    package: str, *, mutants: int, seed: int, folder: Path, keep: Callable[[list[Mutant]], None]
) -> list[Mutant]:
    """Judge some mutants of a package, drawn at random; all so far are given to `keep` after each."""
    bench = Bench(package, folder)
    every = [one for path in bench.sources for one in list_mutants(path, folder)]
    chosen = random.Random(seed).sample(every, min(mutants, len(every)))  # in this order: a part is as random
    print(f"{package}: {len(chosen)} of {len(every)} changes", flush=True)
    done = []
    for one in chosen:
        judged = Mutant(**asdict(one) | {"outcome": bench.judge(one)})
        done.append(judged)
        keep(done)
        told = f"  {one.file}:{one.line}: {one.was}  ->  {one.now}"
        print(judged.outcome + told * (judged.outcome in ("survived", "not reached")), flush=True)
    return done


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("packages", nargs="+")
    parser.add_argument("--mutants", type=int, default=80, help="changes tried in each package")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--folder", type=Path, help="where the copies are put (default: a temporary folder)")
    parser.add_argument("--json", type=Path, help="also write every change and its outcome to this file")
    given = parser.parse_args()
    for name in SHARED if FORKS else ():  # once for all copies, rather than in each
        importlib.import_module(name)
    lines = ["| package | changes | judged | noticed % | survived |", "| --- | ---: | ---: | ---: | ---: |"]
    told: list[Mutant] = []

    def keep(done: list[Mutant]) -> None:
        if given.json:
            given.json.write_text(
                json.dumps([asdict(one) for one in told + done], indent=1), encoding="utf-8"
            )

    with tempfile.TemporaryDirectory(dir=given.folder) as name:
        for package in given.packages:
            done = check_package(
                package, mutants=given.mutants, seed=given.seed, folder=Path(name) / package, keep=keep
            )
            told += done
            judged = sum(one.outcome != "not judged" for one in done)
            alive = sum(one.outcome in ("survived", "not reached") for one in done)
            share = 100 * (1 - alive / max(judged, 1))
            lines.append(f"| {package} | {len(done)} | {judged} | {share:.0f} | {alive} |")
    print("\n".join(lines))


if __name__ == "__main__":
    main()
