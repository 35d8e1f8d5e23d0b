from .capacity import describe_mog, find_mog_drift, find_over_capacity, sum_up_mog
from .clean import CleanYield, TimedReadings, clean_readings, clean_timed, time_readings
from .counts import ends_of_stretches, stand_from_counts, yield_from_counts
from .delay import DelayEstimate, pool_delays
from .outliers import LocalMoran, local_moran
from .reasons import REASONS
from .report import CleaningReport
from .rowsummary import summarise_rows
from .settle import Settlement, apply_settlement, settle_vintage
from .smear import SmearEstimate
from .weighed import block_yields_from_loads

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
