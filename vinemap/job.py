"""The public face of an estate: open it, add files, assess, plan. The command line and notebooks use this."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from vinemap import estate as storage
from vinemap.errors import IntakeError
from vinemap.estate import EstateStore, ImportReport
from vinemap.progress import Report, report_nothing

if TYPE_CHECKING:
    from vinemap import intake
    from vinemap.pipeline.assessment import Assessment
    from vinemap.pipeline.region import Region
    from vinemap.pipeline.status import EstateStatus

DEMO_NAME = "Brolga Reach (invented)"


class Estate:
    """One estate folder and all that can be done with it.

    Parameters
    ----------
    store : EstateStore

    Examples
    --------
    >>> import tempfile
    >>> place = tempfile.mkdtemp()
    >>> estate = new_estate(place, name="Example")
    >>> estate.settings.estate.name
    'Example'
    """

    def __init__(self, store: EstateStore) -> None:
        self.store = store

    @property
    def folder(self) -> Path:
        """The estate folder."""
        return self.store.folder

    @property
    def settings(self) -> storage.Settings:
        """Settings as estate.toml holds them."""
        return self.store.settings

    def add(
        self,
        kind: str,
        source: Path | str | Any,
        *,
        vintage: int | None = None,
        crs: str | None = None,
        columns: Mapping[str, str] | None = None,
        units: Mapping[str, str] | None = None,
    ) -> ImportReport:
        """Add one file (or a frame of the documented columns); whole or not at all.

        Parameters
        ----------
        kind : str
            blocks, rows, harvest, loads, counts, imagery or renewals; zones for what was drawn and noted in a
            vinemap.gpkg.
        source : path or frame
            File, or a DataFrame / GeoDataFrame with the columns of `vinemap.tables`.
        vintage : int, optional
            Where the file does not say.
        crs : str, optional
            Where the file names none, e.g. "EPSG:4326".
        columns, units : mapping, optional
            Field -> header, field -> unit, over what is recognised.

        Returns
        -------
        ImportReport

        Raises
        ------
        IntakeError
            If the file cannot be read as asked.
        StoreError
            If the folder is locked or damaged.
        """
        from vinemap import intake, land
        from vinemap.taken import Intake

        if kind == "zones":
            return self._add_edits(source)
        options: dict[str, Any] = {"vintage": vintage, "crs": crs, "columns": columns, "units": units}
        options["timezone"] = self.settings.estate.timezone
        options["remembered"] = self.store.remembered()
        if isinstance(source, str | Path):
            read = intake.open_source(source, kind, **options)
        else:
            read = intake.read_frame(source, kind, **options)
        if kind == "blocks" and isinstance(read, Intake):
            land.prepare_blocks(read.table)  # refuses what could not be used, before anything is stored
        return self.store.add(read)

    def _add_edits(self, source: Path | str | Any) -> ImportReport:
        """Take drawn zones and notes out of an edited vinemap.gpkg."""
        from vinemap import publish
        from vinemap.intake.archive import hash_file
        from vinemap.intake.readers import find_source
        from vinemap.taken import Intake, refused_table

        if not isinstance(source, str | Path):
            raise IntakeError(
                "Zones come as a file, not as a table.", where="zones", remedy="Give an edited vinemap.gpkg."
            )
        file = find_source(source)
        edits = publish.read_edits(file)
        if not len(edits.zones) and not len(edits.remarks):
            raise IntakeError(
                "Nothing was drawn or noted in it since it was written.",
                where=file.name,
                remedy="For outlines and facts of blocks use vinemap add blocks.",
            )
        notes = list(edits.changes)
        if len(edits.blocks):
            notes.append("Outlines or facts of blocks changed too; take them with vinemap add blocks.")
        table = edits.zones[["zone_id", "block_id", "geometry"]].to_crs("EPSG:4326")
        return self.store.add(
            Intake(
                tidy=table,
                refused=refused_table(),
                guesses=[],
                notes=notes,
                rows_read=len(table),
                format="GeoPackage",
                kind="zones",
                file=file.name,
                sha256=hash_file(file),
                details={"remarks": edits.remarks.to_dict("records")},
            )
        )

    def undo(self, import_id: int) -> ImportReport:
        """Take one import back by its ledger number; StoreError if there is none."""
        return self.store.undo(import_id)

    def status(self) -> EstateStatus:
        """Say what is stored, missing or doubtful, and verify the store."""
        from vinemap.pipeline.status import describe_status

        return describe_status(self.store)

    def assess(
        self,
        *,
        vintage: int | None = None,
        blocks: Sequence[str] | None = None,
        workers: int | None = None,
        scheduler: str | None = None,
        report: Report = report_nothing,
    ) -> Assessment:
        """Do the main job and write out/<vintage>/; see `vinemap.assess`.

        Parameters
        ----------
        vintage : int, optional
            As after this vintage; the last stored if None.
        blocks : sequence of str, optional
        workers : int, optional
            Processes; all cores if None.
        scheduler : str, optional
            Address of a Dask scheduler.
        report : callable

        Returns
        -------
        Assessment

        Raises
        ------
        DataError
            If there is nothing to assess.
        """
        from vinemap.pipeline.assess_store import assess_store

        return assess_store(
            self.store, vintage=vintage, blocks=blocks, workers=workers, scheduler=scheduler, report=report
        )

    def send(self, url: str, *, vintage: int | None = None) -> list[str]:
        """Copy the outputs of a vintage to the same estate on storage; see `vinemap.estate.remote`.

        Parameters
        ----------
        url : str
            As fsspec takes it, e.g. ``s3://bucket/estate``.
        vintage : int, optional
            The last one assessed if None.

        Returns
        -------
        list of str
            Files copied, relative to the estate.

        Raises
        ------
        StoreError
            If there is no estate there, or nothing was assessed here.
        """
        from vinemap.estate.remote import send_outputs
        from vinemap.pipeline.out_folder import list_assessed

        chosen = vintage or max(list_assessed(self.folder / "out"), default=0)
        return send_outputs(self.folder, url, vintage=chosen)

    def plan(
        self,
        *,
        vintage: int | None = None,
        years: int | None = None,
        budget: float | None = None,
        crew_days: float | None = None,
        min_tonnes: Mapping[str, float] | None = None,
        most_orders: float | None = None,
        most_ha_out: float | None = None,
        not_before: Mapping[str, int] | None = None,
        not_after: Mapping[str, int] | None = None,
        together: Sequence[Sequence[str]] = (),
        exclude: Sequence[str] = (),
        risk_quantile: float | None = None,
        report: Report = report_nothing,
    ) -> Assessment:
        """Work out the programme under limits from the last assessment; the maps are not redone.

        Parameters
        ----------
        vintage : int, optional
            Plan from the assessment of this vintage; the last one if None.
        years : int, optional
            Years ahead.
        budget : float, optional
            Most to spend a year [currency].
        crew_days : float, optional
            Most crew days a year.
        min_tonnes : mapping of str to float, optional
            Least tonnes a year by variety [t].
        most_orders : float, optional
            Most vines and buds to order a year.
        most_ha_out : float, optional
            Most hectares out of crop at once [ha].
        not_before, not_after : mapping of str to int, optional
            Earliest and latest winter of work by block or zone.
        together : sequence of sequences of str
            Blocks or zones to be done in the same winter or not at all.
        exclude : sequence of str
            Zones left out.
        risk_quantile : float, optional
            Plan by this quantile of every gain and not by the mean.
        report : callable

        Returns
        -------
        Assessment

        Raises
        ------
        StoreError
            If there is no assessment yet.
        SettingsError
            If a limit names an unknown block, zone or variety.

        Notes
        -----
        What is given goes over ``[programme]`` of estate.toml, for this plan only.
        """
        from vinemap.pipeline.result import plan_and_publish

        limits = {
            "years": years,
            "budget": budget,
            "crew_days": crew_days,
            "min_tonnes": dict(min_tonnes or {}),
            "most_orders": most_orders,
            "most_ha_out": most_ha_out,
            "not_before": dict(not_before or {}),
            "not_after": dict(not_after or {}),
            "together": [list(group) for group in together],
            "exclude": list(exclude),
            "risk_quantile": risk_quantile,
        }
        return plan_and_publish(self.store, vintage=vintage, limits=limits, report=report)


def new_estate(folder: Path | str, *, name: str | None = None) -> Estate:
    """Make an estate folder with a commented estate.toml.

    Raises
    ------
    StoreError
        If the folder already holds an estate or something else.
    """
    place = Path(folder)
    return Estate(storage.create_estate(place, name=name or place.resolve().name))


def open_estate(folder: Path | str) -> Estate:
    """Open an estate folder; StoreError if it is none, of another format version, or locked."""
    return Estate(storage.open_store(Path(folder)))


def fetch_estate(url: str, folder: Path | str) -> Estate:
    """Copy an estate from storage, as `vinemap.estate.remote.fetch_estate` does, and open the copy.

    Parameters
    ----------
    url : str
        As fsspec takes it, e.g. ``s3://bucket/estate``.
    folder : path-like

    Returns
    -------
    Estate

    Raises
    ------
    StoreError
        If there is no estate there, or the folder holds something else.
    """
    from vinemap.estate import remote

    remote.fetch_estate(url, Path(folder))
    return open_estate(folder)


def preview_file(
    file: Path | str,
    *,
    kind: str | None = None,
    crs: str | None = None,
    columns: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
) -> intake.Preview:
    """Show how a file would be read, without storing anything; IntakeError if it cannot be."""
    from vinemap import intake

    return intake.preview_source(Path(file), kind=kind, crs=crs, columns=columns, units=units)


def assess_region(
    folders: Sequence[Path | str],
    out: Path | str,
    *,
    workers: int | None = None,
    scheduler: str | None = None,
    report: Report = report_nothing,
) -> Region:
    """Assess many estates with their seasons shared; write region.html, region.gpkg and region.csv.

    Parameters
    ----------
    folders : sequence of path-like
        Estate folders, two or more.
    out : path-like
        Made if it is not there.
    workers : int, optional
    scheduler : str, optional
        Address of a Dask scheduler.
    report : callable

    Returns
    -------
    Region

    Raises
    ------
    SettingsError
        If two folders have the same name, or the estates count in different currencies.
    DataError
        If there is nothing to assess in one of them.
    """
    from vinemap.pipeline import region

    stores = [storage.open_store(Path(one)) for one in folders]
    return region.assess_region(stores, Path(out), workers=workers, scheduler=scheduler, report=report)


def run_demo(
    folder: Path | str, *, workers: int | None = None, report: Report = report_nothing
) -> Assessment:
    """Build the invented demo estate in `folder` and run everything on it.

    Parameters
    ----------
    folder : path-like
        Made if it is not there; an estate made by an earlier run is used again.
    workers : int, optional
    report : callable

    Returns
    -------
    Assessment

    Raises
    ------
    StoreError
        If the folder holds something else.
    """
    place = Path(folder)
    estate = open_estate(place) if (place / "estate.toml").exists() else new_estate(place, name=DEMO_NAME)
    files = list_demo_files(_demo_source(place))
    for number, (kind, file, vintage) in enumerate(files):
        report("Loading files", number, len(files))
        estate.add(kind, file, vintage=vintage)
    report("Loading files", len(files), len(files))
    return estate.assess(workers=workers, report=report)


def list_demo_files(source: Path) -> list[tuple[str, Path, int | None]]:
    """List the demo files with their kind and vintage, in the order to add them.

    Parameters
    ----------
    source : pathlib.Path
        Folder of the demo, as `vinemap.simulate.write_estate_files` lays it out.

    Returns
    -------
    list of tuple
        Kind, file, and vintage where the name of the file gives it.

    Raises
    ------
    IntakeError
        If one is missing.
    """
    found: list[tuple[str, Path, int | None]] = [("blocks", source / "blocks.geojson", None)]
    for file in sorted((source / "harvest").iterdir()):
        found.append(("harvest", file, int(file.name[:4])))
    for kind in ("loads", "counts"):
        found += [(kind, file, _leading_year(file)) for file in sorted((source / kind).iterdir())]
    found += [("renewals", file, None) for file in sorted(source.glob("renewals*.csv"))]
    missing = [str(file) for _, file, _ in found if not file.exists()]
    if missing:
        raise IntakeError(
            "A demo file is missing.", where=missing[0], remedy="Get a fresh copy of the repository."
        )
    return found


def _leading_year(file: Path) -> int | None:
    head = file.name[:4]
    return int(head) if head.isdecimal() else None


def _demo_source(place: Path) -> Path:
    beside = Path(__file__).resolve().parent.parent / "data" / "demo"
    if (beside / "blocks.geojson").exists():
        return beside
    # Installed without the repository: make the same estate from its seed.
    from vinemap import simulate

    made = place / "demo-files"
    if not made.exists():
        simulate.write_estate_files(simulate.demo_estate(), made)
    return made


__all__ = [
    "Estate",
    "assess_region",
    "fetch_estate",
    "list_demo_files",
    "new_estate",
    "open_estate",
    "preview_file",
    "run_demo",
]
