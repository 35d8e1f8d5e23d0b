"""Assess a stored estate with as many processes as it takes: none where nothing is to be measured."""

from __future__ import annotations

from collections.abc import Sequence

from vinemap.estate import EstateStore
from vinemap.pipeline.assessment import Assessment
from vinemap.pipeline.unchanged import find_unchanged, is_measured
from vinemap.progress import Report, report_nothing


def assess_store(
    store: EstateStore,
    *,
    vintage: int | None = None,
    blocks: Sequence[str] | None = None,
    workers: int | None = None,
    scheduler: str | None = None,
    report: Report = report_nothing,
) -> Assessment:
    """Give the assessment that stands, or measure, advise and write anew.

    Parameters
    ----------
    store : EstateStore
    vintage, blocks, report
        As in `vinemap.assess.measure_estate`.
    workers, scheduler
        As in `vinemap.pipeline.parallel.open_workers`.

    Returns
    -------
    Assessment

    Raises
    ------
    DataError
        If there is nothing to assess.
    """
    unchanged = find_unchanged(store, vintage=vintage, blocks=blocks)
    if unchanged is not None:  # seen before anything that works it out is loaded
        report("Nothing has changed", 1, 1)
        return unchanged
    from vinemap.pipeline.parallel import open_workers

    tasks = len(store.blocks() if blocks is None else blocks)
    if is_measured(store, vintage=vintage, blocks=blocks):
        workers, scheduler = 1, None
    with open_workers(workers=workers, tasks=tasks, scheduler=scheduler) as pool:
        from vinemap.pipeline.result import assess_and_publish  # loaded while the workers load as well

        return assess_and_publish(store, vintage=vintage, blocks=blocks, pool=pool, report=report)
