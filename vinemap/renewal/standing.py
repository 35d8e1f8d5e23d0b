"""The zones and their forecast draws as plain arrays: what every valuation works on."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt
import pandas as pd

from vinemap.errors import DataError
from vinemap.renewal.finance import Floats
from vinemap.renewal.methods import Method, Money

Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]
TRELLIS_LIFE_YEARS = 35  # [P] handbook: trellis about 35 years
LEAST_YEARS = 5  # years given to a trellis past its life that still stands; common practice, no source
RECOVERY_YEARS = 5  # years after a renewal in which a zone still comes back; common practice, no source
RATE_YEARS = 10  # forecast years over which a zone's own speed of decline is taken
ZONES_AT_A_TIME = 200  # some 100 MB at 400 draws
_PER_ZONE = (
    "zone_ids", "block_ids", "varieties", "area_ha", "vines_per_ha", "metres_per_ha", "planted", "renewed",
    "horizon", "counted", "gaps_counted",
)  # fmt: skip
_PER_DRAW = ("keep", "healthy", "now", "missing", "symptomatic", "rate")


class ForecastDraws(Protocol):
    """Forecast draws of the decline stage: only these arrays are used."""

    @property
    def zone_ids(self) -> Sequence[str]:
        """Zones, in the order of the arrays."""

    @property
    def years(self) -> npt.NDArray[np.integer]:
        """Vintages forecast, rising by one, shape (year,)."""

    @property
    def keep_t_ha(self) -> npt.NDArray[np.floating]:
        """Yield of an average season if kept [t/ha], shape (draw, zone, year)."""

    @property
    def healthy_t_ha(self) -> npt.NDArray[np.floating]:
        """Yield if healthy and full [t/ha], shape (draw, zone)."""

    @property
    def now_t_ha(self) -> npt.NDArray[np.floating]:
        """Yield to expect now [t/ha], shape (draw, zone)."""

    @property
    def missing_share(self) -> npt.NDArray[np.floating]:
        """Share of vine places without a living vine, NaN if never counted, shape (draw, zone)."""

    @property
    def symptomatic_share(self) -> npt.NDArray[np.floating]:
        """Share of living vines with symptoms, NaN if never counted, shape (draw, zone)."""


@dataclass(frozen=True, slots=True)
class Standing:
    """Zones and draws as arrays; a NaN share is already filled.

    Parameters
    ----------
    zone_ids, block_ids, varieties : tuple of str
        One per zone.
    area_ha, vines_per_ha, metres_per_ha, planted : numpy.ndarray, shape (zone,)
        Area [ha], planting density [vines/ha], row length [m/ha], year of planting (NaN if not known).
    renewed : numpy.ndarray, shape (zone,)
        Year of the last renewal, NaN if there was none.
    horizon : numpy.ndarray of int, shape (zone,)
        Last vintage on the present trellis.
    years : numpy.ndarray of int, shape (year,)
        Vintages forecast.
    keep : numpy.ndarray, shape (draw, zone, year)
        Yield if kept [t/ha].
    healthy, now, missing, symptomatic, rate : numpy.ndarray, shape (draw, zone)
        Healthy yield and yield now [t/ha], shares, and the forecast yearly loss as share of healthy yield.
    counted : numpy.ndarray of bool, shape (zone,)
        Whether missing or symptomatic vines have been counted.
    gaps_counted : numpy.ndarray of bool, shape (zone,)
        Whether missing vines have been counted: without that nothing is infilled.
    """

    zone_ids: tuple[str, ...]
    block_ids: tuple[str, ...]
    varieties: tuple[str, ...]
    area_ha: Floats
    vines_per_ha: Floats
    metres_per_ha: Floats
    planted: Floats
    renewed: Floats
    horizon: Ints
    years: Ints
    keep: Floats
    healthy: Floats
    now: Floats
    missing: Floats
    symptomatic: Floats
    rate: Floats
    counted: Flags
    gaps_counted: Flags

    @property
    def draw_count(self) -> int:
        """Number of draws."""
        return int(self.keep.shape[0])

    def of(self, zones: slice) -> Standing:
        """Take some zones only; arrays are views."""
        cut: dict[str, Any] = {one: getattr(self, one)[zones] for one in _PER_ZONE}
        return replace(self, **cut, **{one: getattr(self, one)[:, zones] for one in _PER_DRAW})


@dataclass(frozen=True, slots=True)
class Samples:
    """Draws of what the forecast does not hold; the same for every option, so that differences are clean.

    Parameters
    ----------
    price : numpy.ndarray, shape (draw,)
        Factor on all prices, mean 1.
    cost : numpy.ndarray, shape (draw, method)
        Factor on the cost of work, mean 1.
    take : numpy.ndarray, shape (draw, method)
        Standard normal deviate of the take share.
    efficacy : numpy.ndarray, shape (draw, method)
        Share by which protection slows the decline.
    look : numpy.ndarray, shape (draw, zone)
        Standard normal deviate of a scouting count.
    """

    price: Floats
    cost: Floats
    take: Floats
    efficacy: Floats
    look: Floats

    def of(self, zones: slice) -> Samples:
        """Take some zones only."""
        return replace(self, look=self.look[:, zones])


def zone_parts(count: int) -> Iterator[slice]:
    """Part zones, so that what is worked out by draw, zone and year is in memory for some of them only.

    Examples
    --------
    >>> [one.stop - one.start for one in zone_parts(2 * ZONES_AT_A_TIME + 1)] == [ZONES_AT_A_TIME] * 2 + [1]
    True
    """
    return (slice(one, min(one + ZONES_AT_A_TIME, count)) for one in range(0, count, ZONES_AT_A_TIME))


def draw_samples(
    draw_count: int, zone_count: int, *, methods: Sequence[Method], money: Money, rng: np.random.Generator
) -> Samples:
    """Draw prices, costs, takes and efficacies.

    Parameters
    ----------
    draw_count, zone_count : int
    methods : sequence of Method
    money : Money
    rng : numpy.random.Generator

    Returns
    -------
    Samples

    Notes
    -----
    Prices and costs are lognormal with mean 1: the standard deviation of the log is ``sqrt(log(1 + sd**2))``.

    Examples
    --------
    >>> out = draw_samples(50, 2, methods=[], money=Money(price_sd_share=0.0), rng=np.random.default_rng(1))
    >>> bool((out.price == 1.0).all()), out.look.shape
    (True, (50, 2))
    """
    shape = (draw_count, len(methods))
    return Samples(
        price=_unit_lognormal(rng, money.price_sd_share, (draw_count,)),
        cost=_unit_lognormal(rng, money.cost_sd_share, shape),
        take=rng.standard_normal(shape),
        efficacy=_draw_efficacy(draw_count, methods, rng),
        look=rng.standard_normal((draw_count, zone_count)),
    )


def _unit_lognormal(rng: np.random.Generator, sd: float, shape: tuple[int, ...]) -> Floats:
    sigma = np.sqrt(np.log1p(sd**2))
    return np.asarray(np.exp(sigma * rng.standard_normal(shape) - 0.5 * sigma**2))


def _draw_efficacy(draw_count: int, methods: Sequence[Method], rng: np.random.Generator) -> Floats:
    out = np.zeros((draw_count, len(methods)))
    for column, method in enumerate(methods):
        if method.efficacy_high > method.efficacy_low:
            low, mode, high = method.efficacy_low, method.efficacy_mode, method.efficacy_high
            out[:, column] = rng.triangular(low, mode, high, draw_count)
        else:
            out[:, column] = method.efficacy_mode
    return out


def prepare_standing(
    draws: ForecastDraws,
    zones: pd.DataFrame,
    *,
    first_year: int,
    horizon_year: int | Mapping[str, int] | None,
    trellis_life_years: int,
    rng: np.random.Generator,
) -> tuple[Standing, list[str]]:
    """Line zones up with their draws, fill unknown shares, and set each zone's horizon.

    Parameters
    ----------
    draws : ForecastDraws
    zones : pandas.DataFrame
        ``zone_id, block_id, area_ha, vines`` and, where known, ``variety, year_planted, trellis_year,
        row_spacing_m, missing_pct`` (empty where missing vines were never counted), ``renewed_year``; more
        zones than the draws hold are left aside.
    first_year : int
        Year of the first winter in which work could be done.
    horizon_year : int, mapping of zone_id to int, or None
        Last vintage on the present trellis; None takes trellis year plus `trellis_life_years`.
    trellis_life_years : int
    rng : numpy.random.Generator
        For symptomatic shares that were never counted.

    Returns
    -------
    Standing
    list of str
        Notes on what was assumed.

    Raises
    ------
    DataError
        If a zone of the draws is not in `zones`, or the draws do not fit the first year.

    Notes
    -----
    Where symptoms were never counted, their share is drawn between nothing and the whole of the loss: yield
    falls about one to one with the share of spurs dead or symptomatic (Munkvold, Duthie & Marois 1994,
    Phytopathology 84:186-192, slopes -0.90 and -0.99 [S]), and how much of a loss is disease is not known
    before anyone has looked.
    """
    _check_draws(draws, first_year)
    table = _line_up(draws, zones)
    notes: list[str] = []
    years = np.asarray(draws.years, dtype=np.int64)
    keep = np.asarray(draws.keep_t_ha, dtype=float)
    healthy = np.maximum(np.asarray(draws.healthy_t_ha, dtype=float), 1e-9)
    now = np.asarray(draws.now_t_ha, dtype=float)
    missing = np.asarray(draws.missing_share, dtype=float)
    symptomatic = np.asarray(draws.symptomatic_share, dtype=float)
    counted = np.isfinite(missing).all(axis=0) | np.isfinite(symptomatic).all(axis=0)
    loss = np.clip(1.0 - now / healthy, 0.0, 1.0)
    share_of_loss = rng.uniform(size=loss.shape)
    symptomatic = np.where(np.isfinite(symptomatic), symptomatic, loss * share_of_loss)
    standing = Standing(
        zone_ids=tuple(draws.zone_ids),
        block_ids=tuple(table["block_id"].astype(str)),
        varieties=tuple(_text_column(table, "variety")),
        area_ha=table["area_ha"].to_numpy(dtype=float),
        vines_per_ha=table["vines"].to_numpy(dtype=float) / table["area_ha"].to_numpy(dtype=float),
        metres_per_ha=10_000.0 / _number_column(table, "row_spacing_m"),
        planted=_number_column(table, "year_planted"),
        renewed=_number_column(table, "renewed_year"),
        horizon=_horizons(table, horizon_year, trellis_life_years, first_year, int(years[-1]), notes),
        years=years,
        keep=keep,
        healthy=healthy,
        now=now,
        missing=np.clip(np.where(np.isfinite(missing), missing, 0.0), 0.0, 1.0),
        symptomatic=np.clip(symptomatic, 0.0, 1.0),
        rate=_yearly_loss(now, keep, healthy),
        counted=counted,
        gaps_counted=_gaps_counted(table, np.isfinite(missing).all(axis=0)),
    )
    return standing, notes


def _check_draws(draws: ForecastDraws, first_year: int) -> None:
    years = np.asarray(draws.years)
    if years.size == 0 or (np.diff(years) != 1).any():
        raise DataError(
            f"Forecast years {years.tolist()} are not consecutive.",
            remedy="Pass draws for every year to the horizon.",
        )
    if not years[0] - 1 <= first_year < years[-1]:
        raise DataError(
            f"First year of work {first_year} does not fit forecast vintages {years[0]} to {years[-1]}.",
            remedy=f"Work can start in {years[0] - 1} at the earliest and {years[-1] - 1} at the latest.",
        )
    keep = np.asarray(draws.keep_t_ha)
    if keep.shape[1:] != (len(draws.zone_ids), years.size) or not np.isfinite(keep).all():
        raise DataError(
            f"Forecast draws have shape {keep.shape} for {len(draws.zone_ids)} zones and {years.size} years, "
            f"{int((~np.isfinite(keep)).sum())} of them not a number.",
            remedy="Give one finite yield per draw, zone and year.",
        )


def _line_up(draws: ForecastDraws, zones: pd.DataFrame) -> pd.DataFrame:
    unknown = sorted(set(draws.zone_ids) - set(zones["zone_id"]))
    if unknown:
        raise DataError(
            f"Zone {', '.join(unknown)} has draws but is not among the zones.", remedy="Pass every zone."
        )
    table = pd.DataFrame(zones).set_index("zone_id").loc[list(draws.zone_ids)]
    bad = table.index[~(table["area_ha"].to_numpy(dtype=float) > 0)]
    if len(bad):
        raise DataError(f"Zone {bad[0]} has area {table.loc[bad[0], 'area_ha']} ha.", remedy="Drop it.")
    empty = table.index[~(_number_column(table, "vines") > 0)]
    if len(empty):
        raise DataError(
            f"Zone {empty[0]} of {table.loc[empty[0], 'area_ha']} ha has {table.loc[empty[0], 'vines']} vine "
            "places, so nothing can be worked there.",
            where="zones",
            remedy="Check that rows cross the zone, join it to a neighbour, or drop it.",
        )
    return table


def _gaps_counted(table: pd.DataFrame, drawn: Flags) -> Flags:
    if "missing_pct" not in table.columns:
        return drawn
    return np.asarray(drawn & np.isfinite(_number_column(table, "missing_pct")))


def _text_column(table: pd.DataFrame, name: str) -> list[str]:
    if name not in table.columns:
        return [""] * len(table)
    return [str(one) if isinstance(one, str) else "" for one in table[name]]


def _number_column(table: pd.DataFrame, name: str) -> Floats:
    if name not in table.columns:
        return np.full(len(table), np.nan)
    values = pd.to_numeric(table[name], errors="coerce")
    return np.asarray([np.nan if pd.isna(one) else float(one) for one in values], dtype=float)


def _horizons(
    table: pd.DataFrame,
    horizon_year: int | Mapping[str, int] | None,
    life: int,
    first_year: int,
    last_year: int,
    notes: list[str],
) -> Ints:
    if isinstance(horizon_year, Mapping):
        asked = np.asarray([horizon_year[zone] for zone in table.index], dtype=float)
    elif horizon_year is not None:
        asked = np.full(len(table), float(horizon_year))
    else:
        built = _number_column(table, "trellis_year")
        built = np.where(np.isfinite(built), built, _number_column(table, "year_planted"))
        asked = np.where(np.isfinite(built), built + life, float(last_year))
        if (~np.isfinite(built)).any():
            count = int((~np.isfinite(built)).sum())
            notes.append(f"{count} zones have no trellis year: they are valued to {last_year}.")
    old, cut = asked < first_year + LEAST_YEARS, asked > last_year
    if old.any():
        notes.append(
            f"{int(old.sum())} zones stand on a trellis past its life or within {LEAST_YEARS} years of it: "
            f"they are valued to vintage {min(first_year + LEAST_YEARS, last_year)}."
        )
    if cut.any():
        notes.append(
            f"{int(cut.sum())} zones are valued to {last_year}, the last forecast vintage, though their "
            "trellis lasts longer."
        )
    least = min(first_year + LEAST_YEARS, last_year)
    return np.asarray(np.clip(asked, least, last_year), dtype=np.int64)


def _yearly_loss(now: Floats, keep: Floats, healthy: Floats) -> Floats:
    """Mean forecast loss a year as share of healthy yield (draw, zone)."""
    span = min(RATE_YEARS, keep.shape[2])
    return np.asarray(np.clip((now - keep[:, :, span - 1]) / (span * healthy), 0.0, 1.0))
