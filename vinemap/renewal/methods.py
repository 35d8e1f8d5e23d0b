"""What a renewal method costs and gives, and the money it is judged by: plain values with units.

Every default is an example, never a quotation: an estate replaces them in its settings. Marks of the
sources: [S] seen in a published source, [P] common practice without a source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace

import numpy as np

from vinemap.errors import SettingsError
from vinemap.renewal.finance import Floats
from vinemap.tables import METHODS

PROTECT = "keep_protected"
_SHARES = (
    "take_share",
    "take_drop_symptomatic",
    "least_missing_share",
    "refill_share",
    "efficacy_low",
    "efficacy_mode",
    "efficacy_high",
)


@dataclass(frozen=True, slots=True)
class Method:
    """One renewal method, or `keep_protected`.

    Parameters
    ----------
    name : str
        ``trunk_renewal``, ``graft_over``, ``infill``, ``replant`` or ``keep_protected``.
    cost_per_vine, cost_per_m, cost_per_ha : float
        Cost of the work per vine worked [currency/vine], per metre of row [currency/m] and per hectare
        [currency/ha].
    mobilisation_per_block : float
        Cost of coming to a block at all, shared by its zones done in the same year [currency].
    take_share, take_sd : float
        Share of worked vines that take, and its standard deviation between jobs.
    take_drop_symptomatic : float
        Fall of the take share from no vine to every vine symptomatic: only live trunk can be renewed.
    take_drop_per_year, take_age_from : float
        Fall of the take share per year of vine age past `take_age_from` years.
    crop_share_by_year_after : tuple of float
        Crop of vines that took in the 1st, 2nd, ... vintage after the work, as share of full; full after
        these.
    full_level : float
        Full crop as share of the zone's healthy yield.
    restores_stand : bool
        True if missing vines are replaced too; failed vines are then set again the year after.
    refill_share : float
        Share of the missing vines, and of those that did not take, that are replaced by young vines in the
        winter after the work, so that a failed take costs money and years and not the place for ever.
    refill_cost_per_vine : float
        Young vine with guard and its training, paid in the winter after the work [currency/vine].
    refill_full_level : float
        Full crop of a refilled place as share of a healthy one.
    refill_crop_share_by_year_after : tuple of float
        Crop of refilled places in the 1st, 2nd, ... vintage after they are set, as share of full.
    keeps_standing : bool
        True if standing vines stay as they are and only missing ones are set (infill).
    renews_trellis : bool
        True if the trellis is new too; the life ahead is then `life_years`, credited past the horizon.
    life_years : int
        Life of the renewed stand [years], used with `renews_trellis`.
    held_years, decline_speed : float
        Years of held full crop after the work, and speed of the decline after that (1: as the zone declines
        now).
    aftercare_per_vine_by_year : tuple of float
        Training cost in the 1st, 2nd, ... year after [currency/vine worked].
    crew_days_per_ha : float
        Crew days for the work [days/ha of vines worked].
    orders_per_vine : float
        Vines or buds to order per vine worked.
    wood_kg_per_vine : float
        Wood that comes off a vine worked [kg], an estimate.
    new_variety : str
        Variety afterwards, empty for the same.
    new_price_per_t : float or None
        Price of the new variety [currency/t]; None looks `new_variety` up among the prices.
    least_missing_share : float
        Only for zones with at least this share of vine places missing, as counted.
    yearly_cost_per_ha : float
        Yearly cost of wound protection [currency/ha/year] (`keep_protected`).
    efficacy_low, efficacy_mode, efficacy_high : float
        Share by which protection slows the decline: lowest, most likely, highest (triangular).
    effect_after_years : int
        Years until protection shows in the crop.

    Raises
    ------
    SettingsError
        If a value is out of bounds.

    Examples
    --------
    >>> Method(name="infill", cost_per_vine=22.0, keeps_standing=True, least_missing_share=0.05).cost_per_vine
    22.0
    """

    name: str
    cost_per_vine: float = 0.0
    cost_per_m: float = 0.0
    cost_per_ha: float = 0.0
    mobilisation_per_block: float = 0.0
    take_share: float = 1.0
    take_sd: float = 0.0
    take_drop_symptomatic: float = 0.0
    take_drop_per_year: float = 0.0
    take_age_from: float = 25.0
    crop_share_by_year_after: tuple[float, ...] = ()
    full_level: float = 1.0
    restores_stand: bool = False
    refill_share: float = 0.0
    refill_cost_per_vine: float = 0.0
    refill_full_level: float = 0.8
    refill_crop_share_by_year_after: tuple[float, ...] = ()
    keeps_standing: bool = False
    renews_trellis: bool = False
    life_years: int = 25
    held_years: float = 8.0
    decline_speed: float = 1.0
    aftercare_per_vine_by_year: tuple[float, ...] = ()
    crew_days_per_ha: float = 0.0
    orders_per_vine: float = 0.0
    wood_kg_per_vine: float = 0.0
    new_variety: str = ""
    new_price_per_t: float | None = None
    least_missing_share: float = 0.0
    yearly_cost_per_ha: float = 0.0
    efficacy_low: float = 0.0
    efficacy_mode: float = 0.0
    efficacy_high: float = 0.0
    effect_after_years: int = 0

    def __post_init__(self) -> None:
        if self.name not in (*METHODS, PROTECT):
            raise SettingsError(
                f"Method {self.name!r} is not known.", remedy=f"Use one of {', '.join((*METHODS, PROTECT))}."
            )
        for one in fields(self):
            _check_amount(self.name, one.name, getattr(self, one.name))
        if not self.efficacy_low <= self.efficacy_mode <= self.efficacy_high:
            seen = f"{self.efficacy_low}, {self.efficacy_mode}, {self.efficacy_high}"
            raise SettingsError(
                f"Efficacies {seen} are not in rising order.",
                where=f"method {self.name}",
                remedy="Give lowest, most likely, highest.",
            )
        if self.life_years < 1:
            raise SettingsError(
                f"life_years is {self.life_years}.", where=f"method {self.name}", remedy="Give 1 or more."
            )

    @property
    def protects(self) -> bool:
        """Whether this is the keep-with-protection programme and no renewal."""
        return self.name == PROTECT


def _check_amount(method: str, name: str, value: object) -> None:
    amounts = value if isinstance(value, tuple) else (value,)
    for one in amounts:
        if isinstance(one, bool) or not isinstance(one, int | float):
            continue
        top = 1.0 if name in _SHARES or "crop_share" in name else np.inf
        if not 0.0 <= one <= top:
            rule = "0 to 1" if top == 1.0 else "0 or more"
            raise SettingsError(f"{name} is {one}.", where=f"method {method}", remedy=f"It must be {rule}.")


@dataclass(frozen=True, slots=True)
class Money:
    """Prices, costs and the discount rate, all real (today's money) in one currency.

    Parameters
    ----------
    currency : str
        Name of the currency, printed with every amount.
    price_per_t : float
        Price of grapes [currency/t] where a variety has none of its own.
    price_by_variety : mapping of str to float
        Price by variety [currency/t].
    price_sd_share : float
        Standard deviation of the lasting price level as share of the price (one factor for the whole market).
    discount_rate : float
        Real discount rate [1/year].
    harvest_cost_per_t : float
        Harvest and cartage [currency/t].
    growing_cost_per_ha : float
        Yearly growing cost of vines in crop, harvest not in it [currency/ha].
    growing_cost_out_of_crop_per_ha : float
        The same while vines bear nothing yet after the work [currency/ha]; in between in proportion.
    idle_cost_per_ha : float
        Yearly cost of a zone that is left idle, neither pruned for crop nor harvested [currency/ha]: the
        least that keeping can come to (see `vinemap.renewal.cashflow`).
    mog_share : float
        MOG by weight of a sound zone.
    mog_share_old_wood : float
        Further MOG of kept vines at full loss, in proportion to the loss (dead wood in the box).
    mog_threshold_share, mog_deduction : float
        MOG from which the winery deducts, and the share of the price it deducts per share above that.
    cost_sd_share : float
        Standard deviation of the cost of work as share of it.
    removal_per_ha : float
        Cost of pulling the old planting [currency/ha], at the end of the trellis or when replanting.

    Notes
    -----
    The defaults are examples. Growing cost: 2,500 USD/acre with mechanical pruning (San Joaquin Valley South
    2019 [S]) holds the harvest, 40-50 USD/short ton [S 2012] of 10-12 short tons/acre [P]; about 2,000
    USD/acre without it, 7,400 AUD/ha at 1.5 AUD/USD [P]. Costs out of crop and idle [P].

    Examples
    --------
    >>> Money(currency="AUD", price_by_variety={"Shiraz": 550.0}).price_of("Shiraz")
    550.0
    """

    currency: str = "AUD"
    price_per_t: float = 650.0
    price_by_variety: Mapping[str, float] = field(default_factory=dict)
    price_sd_share: float = 0.15
    discount_rate: float = 0.06
    harvest_cost_per_t: float = 74.0
    growing_cost_per_ha: float = 7400.0
    growing_cost_out_of_crop_per_ha: float = 4500.0
    idle_cost_per_ha: float = 3400.0
    mog_share: float = 0.01
    mog_share_old_wood: float = 0.01
    mog_threshold_share: float = 0.01
    mog_deduction: float = 1.0
    cost_sd_share: float = 0.15
    removal_per_ha: float = 4000.0

    def __post_init__(self) -> None:
        for one in fields(self):
            value = getattr(self, one.name)
            if isinstance(value, int | float) and not 0.0 <= value < np.inf:
                raise SettingsError(f"{one.name} is {value}.", where="money", remedy="It must be 0 or more.")
        for variety, price in self.price_by_variety.items():
            if not 0.0 <= price < np.inf:
                raise SettingsError(
                    f"Price of {variety} is {price}.", where="money", remedy="It must be 0 or more."
                )

    def price_of(self, variety: str) -> float:
        """Price [currency/t] of a variety."""
        return float(self.price_by_variety.get(variety, self.price_per_t))

    def paid_share(self, loss: Floats | float = 0.0) -> Floats:
        """Share of the price paid after the deduction for MOG, at this share of crop lost; shape of `loss`.

        Examples
        --------
        >>> money = Money(mog_share_old_wood=0.02)
        >>> float(money.paid_share(0.0)), float(money.paid_share(0.5))
        (1.0, 0.99)
        """
        mog = self.mog_share + self.mog_share_old_wood * np.asarray(loss, dtype=float)
        over = np.clip(mog - self.mog_threshold_share, 0.0, None)
        return np.asarray(np.clip(1.0 - self.mog_deduction * over, 0.0, 1.0))


def default_methods() -> tuple[Method, ...]:
    """Give the example methods, in AUD; every figure is a setting, with its source beside it.

    Returns
    -------
    tuple of Method

    Notes
    -----
    ``trunk_renewal``: 42-100 % of cut vines sent up watershoots by season and trunk height (Sosnowski, Wicks
    & Scott 2011, Phytopathologia Mediterranea 50:277-284 [S]); those were vines with symptoms (from memory),
    so 71 %, the middle, where every vine has symptoms, and 95 % where none has [P]; one crop missed, full
    crop in 2-3 seasons [S]; 3-6 USD/vine with retraining [P]. ``graft_over``: 2-4 USD/vine, take 90-98 %, in
    crop after 1.5 years (growers' association 2019 [S]); valued only where ``new_variety`` names another
    variety than the zone's own. Both refill missing and failed vines in the winter after, at the cost of
    infill [P].
    ``infill``: setting 2-3 % of vines costs about 1,200 NZD/ha with 2-3 years of training [S 2024], so about
    24 NZD/vine at 2,000 vines/ha.
    ``replant``: 10,000-20,000 USD/acre, for 25-30 years [S 2013], the middle; half a crop in third leaf [S].
    ``keep_protected``: efficacies of 25, 50 and 75 % (Kaplan et al. 2016, Wine Economics and Policy 5:127-141
    [S]); their threshold cost of 100 USD/acre is 370 AUD/ha a year; they are efficacies against new
    infection, so they count for vines without symptoms only, and after a lag [P].
    ``held_years`` 8: first symptoms show between years 6 and 10 [S]. Crew days and wood per vine [P].

    Examples
    --------
    >>> [one.name for one in default_methods()]
    ['trunk_renewal', 'graft_over', 'infill', 'replant', 'keep_protected']
    """
    cut = Method(
        name="trunk_renewal",
        cost_per_vine=6.75,
        cost_per_m=0.5,
        cost_per_ha=400.0,
        mobilisation_per_block=1500.0,
        take_share=0.95,
        take_sd=0.10,
        take_drop_symptomatic=0.24,
        take_drop_per_year=0.005,
        crop_share_by_year_after=(0.0, 0.60, 0.95),
        full_level=0.95,
        refill_share=1.0,
        refill_cost_per_vine=22.0,
        refill_crop_share_by_year_after=(0.0, 0.10, 0.50, 0.85),
        crew_days_per_ha=5.0,
        wood_kg_per_vine=7.0,
    )
    graft = replace(
        cut,
        name="graft_over",
        cost_per_vine=4.5,
        mobilisation_per_block=2500.0,
        take_share=0.94,
        take_sd=0.02,
        aftercare_per_vine_by_year=(1.5,),
        orders_per_vine=2.0,
    )
    return (cut, graft, _default_infill(), _default_replant(), _default_protection())


def _default_infill() -> Method:
    return Method(
        name="infill",
        cost_per_vine=14.0,
        mobilisation_per_block=600.0,
        take_share=0.85,
        take_sd=0.05,
        crop_share_by_year_after=(0.0, 0.10, 0.50, 0.85),
        full_level=0.95,
        keeps_standing=True,
        least_missing_share=0.10,
        aftercare_per_vine_by_year=(4.0, 4.0),
        crew_days_per_ha=8.0,
        orders_per_vine=1.0,
        held_years=12.0,
    )


def _default_replant() -> Method:
    return Method(
        name="replant",
        cost_per_vine=9.0,
        cost_per_ha=41_000.0,
        mobilisation_per_block=4000.0,
        take_share=0.95,
        take_sd=0.02,
        crop_share_by_year_after=(0.0, 0.0, 0.50, 0.85),
        restores_stand=True,
        renews_trellis=True,
        life_years=25,
        aftercare_per_vine_by_year=(1.5, 1.5),
        crew_days_per_ha=12.0,
        orders_per_vine=1.0,
        wood_kg_per_vine=20.0,
        held_years=10.0,
    )


def _default_protection() -> Method:
    return Method(
        name=PROTECT,
        yearly_cost_per_ha=370.0,
        efficacy_low=0.25,
        efficacy_mode=0.50,
        efficacy_high=0.75,
        effect_after_years=3,
    )
