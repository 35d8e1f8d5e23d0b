"""Readings -> clean yield -> settled yield; counts -> yield points.

A harvester that picks over the row takes one row at a time, so the width picked is the row spacing and
yield [t/ha] is 10 x flow [kg/s] / (speed [m/s] x row spacing [m]). Every reading keeps its flag; nothing is
deleted and nothing of the import is altered.
"""

from vinemap.harvest.capacity import describe_mog, find_mog_drift, find_over_capacity, sum_up_mog
from vinemap.harvest.clean import CleanYield, TimedReadings, clean_readings, clean_timed, time_readings
from vinemap.harvest.counts import ends_of_stretches, stand_from_counts, yield_from_counts
from vinemap.harvest.delay import DelayEstimate, pool_delays
from vinemap.harvest.outliers import LocalMoran, local_moran
from vinemap.harvest.reasons import REASONS
from vinemap.harvest.report import CleaningReport
from vinemap.harvest.rowsummary import summarise_rows
from vinemap.harvest.settle import Settlement, apply_settlement, settle_vintage
from vinemap.harvest.smear import SmearEstimate
from vinemap.harvest.weighed import block_yields_from_loads

__all__ = [
    "REASONS",
    "CleanYield",
    "CleaningReport",
    "DelayEstimate",
    "LocalMoran",
    "Settlement",
    "SmearEstimate",
    "TimedReadings",
    "apply_settlement",
    "block_yields_from_loads",
    "clean_readings",
    "clean_timed",
    "describe_mog",
    "ends_of_stretches",
    "find_mog_drift",
    "find_over_capacity",
    "local_moran",
    "pool_delays",
    "settle_vintage",
    "stand_from_counts",
    "sum_up_mog",
    "summarise_rows",
    "time_readings",
    "yield_from_counts",
]
