"""A vintage that does not tell its flow delay waits for what other blocks told, and is cleaned once."""

from __future__ import annotations

from dataclasses import replace

import pytest

from vinemap import harvest, land
from vinemap.pipeline import cleaned
from vinemap.pipeline.cache import ResultCache
from vinemap.pipeline.tasks import clean_waiting, list_clean_tasks
from vinemap.progress import report_nothing

VINTAGES = (2025, 2026)


@pytest.fixture(name="tasks")
def tasks_fixture(assessed, tmp_path):
    store = assessed.estate.store
    prepared = land.prepare_blocks(store.blocks(), crs=store.crs())
    return list_clean_tasks(store, prepared.blocks, VINTAGES, ResultCache(tmp_path / "cache"), None)


def hide_delay_of(monkeypatch, block_id, year, rows):
    """Let one block and vintage not tell its delay."""
    time_readings, own = harvest.time_readings, rows["geometry"].iloc[0]

    def forgetful(readings, rows, **settings):
        timed = time_readings(readings, rows, **settings)
        mine = rows["geometry"].iloc[0].equals(own) and int(readings["time"].dt.year.iloc[0]) == year
        if not mine:
            return timed
        known = settings["delay_s"] if isinstance(settings["delay_s"], dict) else {}
        told = [replace(one, se_s=float("nan"), delay_s=known.get(one.machine, 8.0)) for one in timed.delays]
        return replace(timed, delays=told, delay=0 * timed.delay + told[0].delay_s)

    monkeypatch.setattr(harvest, "time_readings", forgetful)


def test_waiting_vintages_take_the_delay_of_other_blocks_and_are_cleaned_once(tasks, monkeypatch):
    first = [cleaned.clean_block(one) for one in tasks]
    assert all(set(one.reports) == set(VINTAGES) for one in first)
    hide_delay_of(monkeypatch, "S1", 2026, first[0].rows)
    fresh = [replace(one, cache=ResultCache(one.cache.folder / "fresh")) for one in tasks]
    made = []
    monkeypatch.setattr(
        harvest, "clean_timed", lambda *a, real=harvest.clean_timed, **k: made.append(1) or real(*a, **k)
    )
    waiting = [cleaned.clean_block(one) for one in fresh]
    (place,) = [n for n, one in enumerate(waiting) if set(one.reports) != set(VINTAGES)]
    assert set(waiting[place].delays) == set(VINTAGES)
    assert 2026 not in waiting[place].readings
    assert waiting[place].counted_vintages == ()
    done = clean_waiting(waiting, fresh, None, report_nothing)
    assert len(made) == len(tasks) * len(VINTAGES)
    assert all(set(one.reports) == set(VINTAGES) and set(one.readings) == set(VINTAGES) for one in done)
    assert set(done[place].row_summary["vintage"]) == set(VINTAGES)
    # No other block was picked by this machine in that vintage: the mean of all others stands in.
    told = (told for one in waiting for own in one.delays.values() for told in own)
    (own,) = done[place].delays[2026]
    assert own.delay_s == pytest.approx(harvest.pool_delays(told)[own.machine])
