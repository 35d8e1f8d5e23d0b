"""Every method and start year for every zone, on every draw: the valuation that decisions are taken from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from vinemap.errors import DataError, SettingsError
from vinemap.renewal.cashflow import KeepFlows, all_gains, keep_flows, net_price, work_cost
from vinemap.renewal.crops import (
    crop_after,
    first_vintage,
    protected_fall,
    refilled_share,
    slowing,
    take_share,
    worked_share,
    young_ages,
)
from vinemap.renewal.finance import Floats, capital_recovery
from vinemap.renewal.methods import Method, Money
from vinemap.renewal.standing import (
    TRELLIS_LIFE_YEARS,
    Flags,
    ForecastDraws,
    Ints,
    Samples,
    Standing,
    draw_samples,
    prepare_standing,
)
from vinemap.tables import RENEWAL_OPTION, check_table

LOW, HIGH = 0.05, 0.95  # quantiles shown: a 90 % interval
START_YEARS = 15
OPTIONS_AT_A_TIME = 2000  # summed up together: all at once would hold the draws of a large estate twice over


@dataclass(frozen=True, slots=True)
class Valuation:
    """Options with the draws behind them.

    Parameters
    ----------
    options : pandas.DataFrame
        Columns of `tables.RENEWAL_OPTION` and ``annual_per_ha``, the equivalent annual value
        [currency/ha/year] from the first winter to the zone's horizon. A zone's mobilisation is in it as if
        the zone were done alone.
    gain : numpy.ndarray, shape (draw, zone, method, start)
        Net present value over keeping [currency/ha], mobilisation not in it; NaN where not possible.
    visit : numpy.ndarray, shape (draw, method, start)
        Present value of one mobilisation [currency].
    methods : tuple of Method
    start_years : numpy.ndarray of int, shape (start,)
    first_year : int
        Winter of the first possible work; present values are of that winter.
    money : Money
    standing : Standing
    samples : Samples
    notes : tuple of str
    """

    options: pd.DataFrame
    gain: Floats
    visit: Floats
    methods: tuple[Method, ...]
    start_years: Ints
    first_year: int
    money: Money
    standing: Standing
    samples: Samples
    notes: tuple[str, ...]

    def zone_index(self, zone_id: str) -> int:
        """Place of a zone in the arrays; DataError if there is none."""
        if zone_id not in self.standing.zone_ids:
            known = ", ".join(self.standing.zone_ids)
            raise DataError(f"Zone {zone_id!r} was not valued.", remedy=f"Valued are {known}.")
        return self.standing.zone_ids.index(zone_id)

    def method_index(self, name: str) -> int:
        """Place of a method in the arrays; SettingsError if there is none."""
        names = [one.name for one in self.methods]
        if name not in names:
            raise SettingsError(
                f"Method {name!r} was not valued.", remedy=f"Valued are {', '.join(names) or 'none'}."
            )
        return names.index(name)

    @property
    def renewals(self) -> Ints:
        """Places of the methods that renew, wound protection left out, shape (renewal,)."""
        return np.asarray([n for n, one in enumerate(self.methods) if not one.protects], dtype=np.int64)

    def alone_gain(self, place: int) -> Floats:
        """Net present value over keeping with a zone paying its own mobilisation [currency/ha].

        Shape (draw, method, start).
        """
        return np.asarray(self.gain[:, place] - self.visit / self.standing.area_ha[place])

    def shared_gain(self, place: int, share: float) -> Floats:
        """Net present value over keeping with a zone paying this share of a mobilisation [currency/ha].

        Shape (draw, method, start).
        """
        return np.asarray(self.gain[:, place] - share / self.standing.area_ha[place] * self.visit)


def value_options(
    draws: ForecastDraws,
    zones: pd.DataFrame,
    *,
    methods: Sequence[Method],
    money: Money,
    first_year: int | None = None,
    horizon_year: int | Mapping[str, int] | None = None,
    trellis_life_years: int = TRELLIS_LIFE_YEARS,
    start_years: int = START_YEARS,
    rng: np.random.Generator,
) -> Valuation:
    """Value every method and start year against keeping, for every zone on every draw.

    Parameters
    ----------
    draws : ForecastDraws
        Forecast draws of the decline stage.
    zones : pandas.DataFrame
        ``zone_id, block_id, area_ha, vines`` and, where known, ``variety, year_planted, trellis_year,
        row_spacing_m`` [m], ``missing_pct`` (empty where missing vines were never counted: no infill then),
        ``renewed_year`` (nothing is renewed again within 5 years of it).
    methods : sequence of Method
        Renewal methods and, if wanted, ``keep_protected``.
    money : Money
    first_year : int, optional
        First winter in which work could be done; by default the one before the first forecast vintage.
    horizon_year : int or mapping of zone_id to int, optional
        Last vintage on the present trellis; by default trellis year plus `trellis_life_years`.
    trellis_life_years : int
        Life of a trellis [years].
    start_years : int
        Number of start years looked at, from `first_year`.
    rng : numpy.random.Generator

    Returns
    -------
    Valuation

    Raises
    ------
    DataError
        If zones and draws do not fit one another, or row spacing is needed and missing.
    SettingsError
        If a method is given twice.

    References
    ----------
    Replacement rule: Faris 1960, J. Farm Economics 42:755-766; Perrin 1972, AJAE 54:60-67 (from memory).
    See `vinemap.renewal.cashflow` for timing and horizons.

    Examples
    --------
    >>> from vinemap.renewal.example import example_draws, example_zones
    >>> rng = np.random.default_rng(7)
    >>> cut = Method(name="trunk_renewal", cost_per_vine=6.5, crop_share_by_year_after=(0.05, 0.6, 0.95))
    >>> out = value_options(example_draws(rng=rng), example_zones(), methods=[cut], money=Money(), rng=rng)
    >>> best = out.options.sort_values("npv_per_ha").iloc[-1]
    >>> str(best["zone_id"]), bool(best["npv_per_ha"] > 0)
    ('A-Z1', True)
    """
    _check_methods(methods, zones)
    begin = int(np.asarray(draws.years)[0]) - 1 if first_year is None else int(first_year)
    standing, notes = prepare_standing(
        draws,
        zones,
        first_year=begin,
        horizon_year=horizon_year,
        trellis_life_years=trellis_life_years,
        rng=rng,
    )
    samples = draw_samples(standing.draw_count, len(standing.zone_ids), methods=methods, money=money, rng=rng)
    starts = np.arange(begin, min(begin + start_years, int(standing.horizon.max(initial=begin + 1))))
    gain = all_gains(standing, methods, money=money, samples=samples, first_year=begin, start_years=starts)
    visit = _visit_cost(methods, samples, money, starts - begin)
    options = _options_table(standing, methods, starts, begin, money, gain, visit)
    return Valuation(
        options, gain, visit, tuple(methods), starts, begin, money, standing, samples, tuple(notes)
    )


def _check_methods(methods: Sequence[Method], zones: pd.DataFrame) -> None:
    names = [one.name for one in methods]
    twice = {one for one in names if names.count(one) > 1}
    if twice:
        raise SettingsError(f"Method {', '.join(sorted(twice))} is given twice.", remedy="Give each once.")
    by_metre = [one.name for one in methods if one.cost_per_m > 0]
    if not by_metre:
        return
    known = pd.to_numeric(zones["row_spacing_m"]) > 0 if "row_spacing_m" in zones else pd.Series(dtype=bool)
    if not len(known) or not known.all():
        raise DataError(
            f"{by_metre[0]} has a cost per metre, but row_spacing_m is not known for every zone.",
            where="zones",
            remedy="Add row_spacing_m (m) from the blocks, or set cost_per_m to 0.",
        )


def _visit_cost(methods: Sequence[Method], samples: Samples, money: Money, wait: Ints) -> Floats:
    fixed = np.asarray([one.mobilisation_per_block for one in methods])
    later = (1.0 + money.discount_rate) ** -wait.astype(float)
    return np.asarray((samples.cost * fixed)[:, :, None] * later)


def _options_table(
    standing: Standing,
    methods: Sequence[Method],
    starts: Ints,
    first_year: int,
    money: Money,
    gain: Floats,
    visit: Floats,
) -> pd.DataFrame:
    zone, method, start = np.nonzero(every_draw_finite(gain))
    mean, low, high, pays = (np.zeros(zone.size) for _ in range(4))
    for part in np.array_split(np.arange(zone.size), zone.size // OPTIONS_AT_A_TIME + 1):
        mine = zone[part], method[part], start[part]
        values = gain[:, *mine] - visit[:, *mine[1:]] / standing.area_ha[mine[0]]
        mean[part], pays[part] = values.mean(axis=0), (values > 0).mean(axis=0)
        low[part], high[part] = np.quantile(values, [LOW, HIGH], axis=0)
    recovery = [capital_recovery(money.discount_rate, float(one - first_year)) for one in standing.horizon]
    names = np.asarray([one.name for one in methods], dtype=object)
    frame = pd.DataFrame(
        {
            "zone_id": np.asarray(standing.zone_ids, dtype=object)[zone],
            "method": names[method],
            "year": starts[start],
            "npv_per_ha": mean,
            "npv_low": low,
            "npv_high": high,
            "chance_pays": pays,
            "annual_per_ha": mean * np.asarray(recovery)[zone],
        }
    )
    return check_table(frame, RENEWAL_OPTION, where="value_options")


def every_draw_finite(gain: Floats) -> Flags:
    """Whether an option is valued on every draw, shape (zone, method, start): one draw at a time."""
    out = np.isfinite(gain[0]) if len(gain) else np.ones(gain.shape[1:], dtype=bool)
    for one in gain[1:]:
        out &= np.isfinite(one)
    return np.asarray(out)


def mean_crop(valuation: Valuation, column: int, year: int) -> Floats:
    """Mean crop [t/ha] of every forecast vintage if `methods[column]` is done in `year`, shape (zone, year).

    Parameters
    ----------
    valuation : Valuation
    column : int
        Place of the method.
    year : int
        Winter of the work.

    Returns
    -------
    numpy.ndarray, shape (zone, year)

    Examples
    --------
    >>> from vinemap.renewal.example import example_valuation
    >>> value = example_valuation()
    >>> crop = mean_crop(value, value.method_index("trunk_renewal"), value.first_year)
    >>> bool(crop[0, 0] < crop[0, 4])
    True
    """
    return np.asarray(option_crop(valuation, column, year).mean(axis=0))


def option_crop(valuation: Valuation, column: int, year: int) -> Floats:
    """Crop [t/ha] of every vintage if the method is done in `year`, shape (draw, zone, year)."""
    standing, method = valuation.standing, valuation.methods[column]
    crop = standing.keep.copy()
    if method.protects:
        first, fall = protected_fall(standing, method, year)
        crop[:, :, first:] += slowing(standing, valuation.samples, column)[:, :, None] * fall
        return crop
    first = first_vintage(standing, year)
    take = take_share(standing, method, valuation.samples.take[:, column], year)
    new = crop_after(standing, method, take, standing.years.size - first)
    crop[:, :, first:] = crop[:, :, first:] + new if method.keeps_standing else new
    return crop


def picked_crop(
    valuation: Valuation, column: int | None = None, year: int = 0, *, flows: KeepFlows | None = None
) -> Floats:
    """Mean crop [t/ha] that is picked: where leaving the zone idle loses less, none is; shape (zone, year).

    Parameters
    ----------
    valuation : Valuation
    column : int, optional
        Place of a renewal method; keeping if not given.
    year : int
        Winter of the work.
    flows : KeepFlows, optional
        What keeping brings, where it is worked out already.

    Returns
    -------
    numpy.ndarray, shape (zone, year)

    Notes
    -----
    The same rule as in the cash flows: idling is open to kept zones and to renewed ones in full bearing.

    Examples
    --------
    >>> from vinemap.renewal.example import example_valuation
    >>> value = example_valuation()
    >>> bool((picked_crop(value) <= value.standing.keep.mean(axis=0)).all())
    True
    """
    standing, money = valuation.standing, valuation.money
    known = flows or keep_flows(standing, money, valuation.samples, valuation.first_year)
    income = known.income.copy()
    crop = standing.keep if column is None else option_crop(valuation, column, year)
    young = np.zeros(standing.years.size, dtype=bool)
    if column is not None:
        method = valuation.methods[column]
        later = standing.years > year
        tonne = net_price(standing, method, money, valuation.samples)[:, :, None]
        if method.keeps_standing:
            income[:, :, later] += (crop - standing.keep)[:, :, later] * tonne
        else:
            income[:, :, later] = crop[:, :, later] * tonne
            young = later & (standing.years <= year + young_ages(method))
    idle = income - money.growing_cost_per_ha < -money.idle_cost_per_ha
    return np.asarray(np.where(idle & ~young, 0.0, crop).mean(axis=0))


def mean_cost(valuation: Valuation, column: int) -> Floats:
    """Mean cost of the work in its year [currency/ha], mobilisation not in it, shape (zone,)."""
    method, factor = valuation.methods[column], valuation.samples.cost[:, column]
    if method.protects:
        return np.full(len(valuation.standing.zone_ids), method.yearly_cost_per_ha * factor.mean())
    return np.asarray(work_cost(valuation.standing, method, factor).mean(axis=0))


def worked_mean(valuation: Valuation, column: int) -> Floats:
    """Mean share of vine places worked on, shape (zone,)."""
    return np.asarray(worked_share(valuation.standing, valuation.methods[column]).mean(axis=0))


def refilled_mean(valuation: Valuation, column: int) -> Floats:
    """Mean share of vine places that are refilled in the winter after the work, shape (zone,)."""
    method = valuation.methods[column]
    if method.protects or method.restores_stand or not method.refill_share:
        return np.zeros(len(valuation.standing.zone_ids))
    deviate = valuation.samples.take[:, column]
    take = take_share(valuation.standing, method, deviate, valuation.first_year)
    return np.asarray(refilled_share(valuation.standing, method, take).mean(axis=0))


def cut_zones(valuation: Valuation, zones: slice) -> Valuation:
    """Cut a valuation down to some zones, with their draws (views) and samples but without options."""
    return replace(
        valuation,
        options=valuation.options.iloc[:0],
        gain=valuation.gain[:, zones],
        standing=valuation.standing.of(zones),
        samples=valuation.samples.of(zones),
    )


def single_zone(valuation: Valuation, place: int) -> Valuation:
    """Cut a valuation down to one zone, as `cut_zones` does.

    Examples
    --------
    >>> from vinemap.renewal.example import example_valuation
    >>> single_zone(example_valuation(), 2).standing.zone_ids
    ('B-Z3',)
    """
    return cut_zones(valuation, slice(place, place + 1))
