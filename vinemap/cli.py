"""The command line: one short function per command that parses, calls the API and prints.

Exit status: 0 done; 1 refused for a reason the user can mend; 2 wrong usage; 3 internal fault; 120 the
result could not be printed to its end; 130 stopped by the user.
"""

from __future__ import annotations

import atexit
import gc
import json
import os
import sys
import traceback
from pathlib import Path
from typing import Any

import click

from vinemap._version import __version__
from vinemap.errors import DISK_FULL, VinemapError, is_full

KINDS = ("blocks", "rows", "harvest", "loads", "counts", "imagery", "renewals")
STATUS_REFUSED, STATUS_FAULT = 1, 3
STATUS_UNSAID = 120  # as Python's own: what was still to be printed could not be

HELP = """From harvest files to a vineyard renewal map.

After a vintage: load block outlines, harvester logs, weighed loads and row counts into an estate folder;
see which zones really decline, which repay renewal, how, in which year, and what a year's delay costs.

\b
A first run with your own files:
  vinemap new MyEstate                                   make the folder; edit MyEstate/estate.toml
  vinemap preview blocks.gpkg                            see how a file would be read, before it is
  vinemap add blocks blocks.gpkg --to MyEstate
  vinemap add harvest 2026/*.csv --to MyEstate --vintage 2026
  vinemap add loads tickets.csv --to MyEstate --vintage 2026
  vinemap add counts rows.csv --to MyEstate --vintage 2026
  vinemap status MyEstate                                what is there, what is missing or doubtful
  vinemap assess MyEstate                                the map, the GeoPackage and the lists
  vinemap plan MyEstate --budget 200000 --years 5        the programme under limits

See it work first: vinemap demo. Any command explains itself with --help.
"""


class _Commands(click.Group):
    """Commands in the order of the work rather than of the alphabet."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Give the names in the order in which they were added."""
        del ctx
        return list(self.commands)


@click.group(
    cls=_Commands,
    help=HELP,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(__version__, prog_name="vinemap")
def vinemap() -> None:
    """Root of the commands."""


_json_option = click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
_workers = click.option(
    "--workers", type=click.IntRange(1), default=None, help="Processes to use (all cores if not given)."
)
_scheduler = click.option(
    "--scheduler", default=None, metavar="ADDRESS", help="Dask scheduler to map blocks over."
)
_READING = (
    click.option(
        "--crs", default=None, help="Coordinate reference system, e.g. EPSG:4326, where the file names none."
    ),
    click.option(
        "--column", "columns", multiple=True, metavar="FIELD=HEADER", help="Say which column a field is in."
    ),
    click.option(
        "--unit",
        "units",
        multiple=True,
        metavar="FIELD=UNIT",
        help="Say the unit of a field; for dates time=day_first or time=month_first.",
    ),
)


def _reading_options(command: Any) -> Any:
    """Give a command the options that say how a file is to be read."""
    for option in reversed(_READING):
        command = option(command)
    return command


_folder = click.argument("folder", type=click.Path(path_type=Path, file_okay=False))


@vinemap.command()
@_folder
@click.option("--name", default=None, help="Name of the estate (the folder's name if not given).")
@_json_option
def new(folder: Path, name: str | None, as_json: bool) -> None:
    """Make an estate folder with a commented estate.toml."""
    from vinemap.job import new_estate

    estate = new_estate(folder, name=name)
    settings = estate.folder / "estate.toml"
    _show(
        {"folder": str(estate.folder), "settings": str(settings)},
        as_json,
        f"Made {estate.folder}. Edit {settings}.",
    )


@vinemap.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--kind", type=click.Choice(KINDS), default=None, help="What the file holds; guessed if not given."
)
@_reading_options
@_json_option
def preview(
    file: Path,
    kind: str | None,
    crs: str | None,
    columns: tuple[str, ...],
    units: tuple[str, ...],
    as_json: bool,
) -> None:
    """Show how FILE would be read: format, columns and units, first rows, what would be refused."""
    from vinemap.job import preview_file
    from vinemap.show import show_preview

    seen = preview_file(file, kind=kind, crs=crs, columns=_pairs(columns), units=_pairs(units))
    _show(seen.to_dict(), as_json, show_preview(seen))
    if seen.problem:
        raise SystemExit(STATUS_REFUSED)


@vinemap.command()
@click.argument("kind", type=click.Choice((*KINDS, "zones")))
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--to", "folder", required=True, type=click.Path(path_type=Path, file_okay=False), help="Estate folder."
)
@click.option("--vintage", type=int, default=None, help="Year of harvest, where the file does not say.")
@_reading_options
@_json_option
def add(
    kind: str,
    files: tuple[Path, ...],
    folder: Path,
    vintage: int | None,
    crs: str | None,
    columns: tuple[str, ...],
    units: tuple[str, ...],
    as_json: bool,
) -> None:
    """Add FILES of one KIND to an estate folder; whole or not at all, file by file."""
    from vinemap.job import open_estate
    from vinemap.show import show_import

    options: dict[str, Any] = {
        "vintage": vintage,
        "crs": crs,
        "columns": _pairs(columns),
        "units": _pairs(units),
    }
    estate = open_estate(folder)
    reports = []
    for file in files:
        report = estate.add(kind, file, **options)
        reports.append(report.to_dict())
        if not as_json:
            click.echo(show_import(report))
    if as_json:
        _show({"imports": reports}, as_json, "")


@vinemap.command()
@_folder
@click.argument("import_number", metavar="IMPORT", type=int)
@_json_option
def undo(folder: Path, import_number: int, as_json: bool) -> None:
    """Take one import back, by the number that add and status show."""
    from vinemap.job import open_estate
    from vinemap.show import show_import

    report = open_estate(folder).undo(import_number)
    _show(report.to_dict(), as_json, show_import(report))


@vinemap.command()
@_folder
@_json_option
def status(folder: Path, as_json: bool) -> None:
    """Show what is stored per block and vintage, what is missing or doubtful; verify the store."""
    from vinemap.job import open_estate
    from vinemap.show import show_status

    seen = open_estate(folder).status()
    _show(seen.to_dict(), as_json, show_status(seen))
    if seen.problems:
        raise SystemExit(STATUS_REFUSED)


@vinemap.command()
@_folder
@click.option(
    "--vintage", type=int, default=None, help="Assess as after this vintage (the last one if not given)."
)
@click.option("--block", "blocks", multiple=True, help="Only this block; may be repeated.")
@_workers
@_scheduler
@_json_option
def assess(
    folder: Path,
    vintage: int | None,
    blocks: tuple[str, ...],
    workers: int | None,
    scheduler: str | None,
    as_json: bool,
) -> None:
    """Do the main job: clean, map, zone, decline, advice; write FOLDER/out/VINTAGE/."""
    from vinemap.job import open_estate

    with _progress(as_json) as report:
        result = open_estate(folder).assess(
            vintage=vintage, blocks=list(blocks) or None, workers=workers, scheduler=scheduler, report=report
        )
    _show_assessment(result, as_json)


@vinemap.command()
@_folder
@click.option("--vintage", type=int, default=None, help="Plan from the assessment of this vintage.")
@click.option("--years", type=click.IntRange(1), default=None, help="Years to plan ahead.")
@click.option(
    "--budget", type=click.FloatRange(0), default=None, help="Most to spend a year, in estate currency."
)
@click.option("--crew-days", type=click.FloatRange(0), default=None, help="Crew days a year.")
@click.option("--vines", type=click.FloatRange(0), default=None, help="Most vines and buds a year.")
@click.option(
    "--max-ha-out", type=click.FloatRange(0), default=None, help="Most hectares out of crop at once."
)
@click.option("--min-tonnes", multiple=True, metavar="VARIETY=T", help="Least tonnes a year of a variety.")
@click.option(
    "--not-before", multiple=True, metavar="NAME=YEAR", help="Earliest winter of a block or zone; repeatable."
)
@click.option(
    "--not-after", multiple=True, metavar="NAME=YEAR", help="Latest winter of a block or zone; repeatable."
)
@click.option(
    "--together",
    multiple=True,
    metavar="NAME,NAME...",
    help="Blocks or zones to do in the same winter or not at all; repeatable.",
)
@click.option("--exclude", multiple=True, metavar="ZONE", help="Leave this zone out; repeatable.")
@click.option(
    "--risk-quantile",
    type=click.FloatRange(0, 1, min_open=True, max_open=True),
    default=None,
    help="Plan by this quantile of every gain, e.g. 0.2 to be cautious, and not by the mean.",
)
@_json_option
def plan(
    folder: Path,
    vintage: int | None,
    vines: float | None,
    max_ha_out: float | None,
    min_tonnes: tuple[str, ...],
    not_before: tuple[str, ...],
    not_after: tuple[str, ...],
    together: tuple[str, ...],
    exclude: tuple[str, ...],
    as_json: bool,
    **limits: Any,
) -> None:
    """Work out the programme over years under limits; adds it to the same outputs.

    Prices and costs are read from estate.toml anew; the maps are not redone. What is given here goes over
    [programme] of estate.toml, for this run only.
    """
    from vinemap.job import open_estate

    limits |= {
        "most_orders": vines,
        "most_ha_out": max_ha_out,
        "min_tonnes": _numbers(min_tonnes, "--min-tonnes"),
        "not_before": _years(not_before, "--not-before"),
        "not_after": _years(not_after, "--not-after"),
        "together": [[one.strip() for one in group.split(",")] for group in together],
        "exclude": list(exclude),
    }
    with _progress(as_json) as report:
        result = open_estate(folder).plan(vintage=vintage, report=report, **limits)
    _show_assessment(result, as_json)


@vinemap.command()
@click.argument("url")
@_folder
@_json_option
def fetch(url: str, folder: Path, as_json: bool) -> None:
    """Copy an estate from storage (s3://..., sftp://...) to FOLDER; only what changed since."""
    from vinemap.estate.remote import fetch_estate

    copied = fetch_estate(url, folder)
    _show({"folder": str(folder), "copied": copied}, as_json, f"{len(copied)} files copied to {folder}.")


@vinemap.command()
@_folder
@click.argument("url")
@click.option("--vintage", type=int, default=None, help="Of this vintage (the last assessed if not given).")
@_json_option
def send(folder: Path, url: str, vintage: int | None, as_json: bool) -> None:
    """Copy the outputs of FOLDER to the same estate on storage."""
    from vinemap.job import open_estate

    copied = open_estate(folder).send(url, vintage=vintage)
    _show({"url": url, "copied": copied}, as_json, f"{len(copied)} files copied to {url}.")


@vinemap.command()
@click.argument("folders", nargs=-1, required=True, type=click.Path(path_type=Path, file_okay=False))
@click.option(
    "--out", required=True, type=click.Path(path_type=Path, file_okay=False), help="Folder for the summary."
)
@_workers
@_scheduler
@_json_option
def region(
    folders: tuple[Path, ...], out: Path, workers: int | None, scheduler: str | None, as_json: bool
) -> None:
    """Assess many estate FOLDERS with their seasons shared; one table and one map of all."""
    from vinemap.job import assess_region
    from vinemap.show import show_region

    with _progress(as_json) as report:
        result = assess_region(folders, out, workers=workers, scheduler=scheduler, report=report)
    told = result.to_dict()
    _show(told, as_json, show_region(told))


@vinemap.command()
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False), default="demo-estate")
@_workers
@_json_option
def demo(folder: Path, workers: int | None, as_json: bool) -> None:
    """Build the invented demo estate in FOLDER and run everything on it."""
    from vinemap.job import run_demo

    with _progress(as_json) as report:
        result = run_demo(folder, workers=workers, report=report)
    _show_assessment(result, as_json)


def _pairs(given: tuple[str, ...]) -> dict[str, str]:
    found = {}
    for one in given:
        name, sign, value = one.partition("=")
        if not sign:
            raise click.UsageError(f"{one!r} lacks the equals sign; write it as field=value.")
        found[name.strip()] = value.strip()
    return found


def _numbers(given: tuple[str, ...], option: str) -> dict[str, float]:
    try:
        return {name: float(value) for name, value in _pairs(given).items()}
    except ValueError as error:
        raise click.UsageError(f"{option} needs a number after the equals sign: {error}.") from error


def _years(given: tuple[str, ...], option: str) -> dict[str, int]:
    found = _numbers(given, option)
    for name, year in found.items():
        if not (year.is_integer() and 1900 <= year <= 2200):
            raise click.UsageError(f"{option} {name}={year:g}: give a year, e.g. {name}=2028.")
    return {name: int(year) for name, year in found.items()}


def _show(data: dict[str, Any], as_json: bool, text: str) -> None:
    click.echo(json.dumps(data, indent=2, ensure_ascii=False, default=str) if as_json else text)


def _show_assessment(result: Any, as_json: bool) -> None:
    from vinemap.show import show_assessment

    told = result.to_dict()
    _show(told, as_json, show_assessment(told))


def _progress(as_json: bool) -> Any:
    from vinemap.progress import show_progress

    return show_progress(quiet=as_json)


def run_program() -> None:
    """Run the command line as a program, and end the process before Python takes itself apart.

    While it does, it ends threads of libraries by force where they wait to let go of a Python object; in
    native code this aborts the process although all was done (apache/arrow, issues 34314 and 45017). Nothing
    is left out: threads and exit handlers come before the last step of the handlers, which is this one's.
    """
    ended: list[int] = []
    atexit.register(_leave, ended)  # before all others are, so it runs after them
    try:
        main()
        ended.append(0)
    except SystemExit as stop:
        if stop.code is None or isinstance(stop.code, int):
            ended.append(stop.code or 0)
        raise


def _leave(ended: list[int]) -> None:
    """End the process with the status that the commands ended in, if they did."""
    if not ended:
        return
    status = ended[0]
    for stream in (sys.stdout, sys.stderr):
        try:
            if stream is not None:
                stream.flush()
        except (OSError, ValueError):
            status = STATUS_UNSAID
    os._exit(status)


def main(args: list[str] | None = None) -> None:
    """Run the command line and leave with the documented exit status."""
    words = sys.argv[1:] if args is None else args
    gc.set_threshold(50_000)  # as `pipeline.parallel.COLLECT_AFTER`
    try:
        vinemap.main(args=words, prog_name="vinemap", standalone_mode=False)
    except click.exceptions.Abort:
        click.echo("Stopped; nothing stored was lost.", err=True)
        sys.exit(130)
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except VinemapError as error:
        _refuse(error, "--json" in words)
        sys.exit(STATUS_REFUSED)
    except Exception as error:
        if is_full(error):
            _refuse(DISK_FULL, "--json" in words)
            sys.exit(STATUS_REFUSED)
        traceback.print_exc()
        click.echo("vinemap: internal fault (a defect in vinemap, not in your files); see above.", err=True)
        sys.exit(STATUS_FAULT)


def _refuse(error: VinemapError, as_json: bool) -> None:
    if as_json:
        parts = {"what": error.what, "where": error.where, "remedy": error.remedy}
        click.echo(json.dumps({"error": parts}, ensure_ascii=False))
    else:
        click.echo(f"Refused. {error}", err=True)
