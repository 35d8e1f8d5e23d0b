"""Settings of the renewal methods: what each costs, how many vines take, and how the crop comes back.

Every number is an example to be replaced by quotes of the estate's own contractors. Marks: [S] seen in a
published source, [P] common practice, no source. Amounts in US dollars in the sources are carried over at
the round example rate of 1.5 AUD per USD [P]; 1 acre = 0.40468564224 ha.

References
----------
Munkvold, Duthie & Marois 1994, Phytopathology 84:186-192. Kaplan et al. 2016, Wine Economics and Policy
5(2):127-141. Sosnowski, Wicks & Scott 2011, Phytopathologia Mediterranea 50(4):277-284.
"""

from __future__ import annotations

from pydantic import model_validator

from vinemap.estate.fields import Section, section, setting

_RAMP = (
    "Crop in the 1st, 2nd, ... vintage after the work as a share of the full level; the last one holds on."
)


class Method(Section):
    """What all renewal methods have in common."""

    enabled: bool = setting(True, "", "Whether this method is weighed at all.")
    cost_per_vine: float = setting(0.0, "currency/vine", "Cost per vine worked on.", ge=0, le=1000)
    cost_per_m: float = setting(0.0, "currency/m of row", "Cost per metre of row (wire, ...).", ge=0, le=1000)
    cost_per_ha: float = setting(0.0, "currency/ha", "Cost per hectare.", ge=0, le=1_000_000)
    mobilisation_per_block: float = setting(
        0.0,
        "currency/block",
        "Cost of coming to a block, once per block and year of work.",
        ge=0,
        le=1_000_000,
    )
    take_share: float = setting(1.0, "share", "Share of vines that take, most likely.", gt=0, le=1)
    take_share_low: float = setting(1.0, "share", "Share of vines that take, low end.", ge=0, le=1)
    take_share_high: float = setting(1.0, "share", "Share of vines that take, high end.", gt=0, le=1)
    crop_share_by_year: list[float] = setting([1.0], "share", _RAMP, min_length=1, max_length=15)
    full_level_share: float = setting(
        1.0, "share", "Full crop afterwards, of the zone's healthy level.", gt=0, le=1.5
    )
    life_years: float = setting(25, "years", "Years of crop before the vines go again.", gt=0, le=100)
    crew_days_per_ha: float = setting(1.0, "crew-days/ha", "Days of one crew per hectare.", ge=0, le=500)

    @model_validator(mode="after")
    def _in_order(self) -> Method:
        if not self.take_share_low <= self.take_share <= self.take_share_high:
            raise ValueError("take_share must lie between take_share_low and take_share_high")
        if any(not 0 <= one <= 2 for one in self.crop_share_by_year):
            raise ValueError(
                f"crop_share_by_year must hold shares from 0 to 2, not {self.crop_share_by_year}"
            )
        return self


class TrunkRenewal(Method):
    """Trunk renewal: cut to the trunk below all stain, lay a new cordon from a watershoot.

    Saws, dust and metal in the wood are dangerous, and wounds must be protected: follow the product label,
    local codes and licensed practice.
    """

    cost_per_vine: float = setting(
        7.0,
        "currency/vine",
        "Cutting, pulling out the old cordon, retraining. No published figure found; 3-6 USD [P], about "
        "4.5 USD at 1.5 AUD/USD.",
        ge=0,
        le=1000,
    )
    cost_per_m: float = setting(0.4, "currency/m of row", "New cordon wire and ties [P].", ge=0, le=1000)
    mobilisation_per_block: float = setting(800.0, "currency/block", "Crew, chipper, carting [P].", ge=0)
    take_share: float = setting(
        0.8,
        "share",
        "Vines that send up a usable watershoot, most likely [P within the range of Sosnowski et al. 2011].",
        gt=0,
        le=1,
    )
    take_share_low: float = setting(0.42, "share", "Low end: 42 %, Sosnowski et al. 2011 [S].", ge=0, le=1)
    take_share_high: float = setting(1.0, "share", "High end: 100 %, Sosnowski et al. 2011 [S].", gt=0, le=1)
    crop_share_by_year: list[float] = setting(
        [0.0, 0.6, 1.0],
        "share",
        f"{_RAMP} One crop missed, full crop in 2-3 seasons [S].",
        min_length=1,
        max_length=15,
    )
    full_level_share: float = setting(
        0.95, "share", "Full crop afterwards, of the healthy level [P].", gt=0, le=1.5
    )
    life_years: float = setting(
        15,
        "years",
        "Years until the same trunks need the work again; a mid-life redo near year 15 [P].",
        gt=0,
        le=100,
    )
    crew_days_per_ha: float = setting(3.0, "crew-days/ha", "Days of a crew of four [P].", ge=0, le=500)
    max_symptomatic_share: float = setting(
        0.8, "share", "Above this share of symptomatic vines too little sound trunk is left [P].", gt=0, le=1
    )


class GraftOver(Method):
    """Graft over: cut and graft to another variety on the standing trunk.

    Cutting tools and grafting sealants can hurt: follow the product label, local codes and licensed practice.
    """

    cost_per_vine: float = setting(
        6.0,
        "currency/vine",
        "Top-working 2-4 USD per vine (growers' association 2019) [S], 3 USD at 1.5 AUD/USD, and 1.50 for "
        "tying and wire [P].",
        ge=0,
        le=1000,
    )
    mobilisation_per_block: float = setting(800.0, "currency/block", "Grafting team, budwood [P].", ge=0)
    take_share: float = setting(0.94, "share", "Grafts that take: middle of 90-98 % [S].", gt=0, le=1)
    take_share_low: float = setting(0.90, "share", "Low end: 90 % [S].", ge=0, le=1)
    take_share_high: float = setting(0.98, "share", "High end: 98 % [S].", gt=0, le=1)
    crop_share_by_year: list[float] = setting(
        [0.0, 0.7, 1.0],
        "share",
        f"{_RAMP} Crop after 1.5 years [S]; its size [P].",
        min_length=1,
        max_length=15,
    )
    full_level_share: float = setting(
        0.95, "share", "Full crop afterwards, of the healthy level [P].", gt=0, le=1.5
    )
    life_years: float = setting(15, "years", "Years of crop on the old trunk [P].", gt=0, le=100)
    crew_days_per_ha: float = setting(4.0, "crew-days/ha", "Days of a crew of four [P].", ge=0, le=500)
    max_symptomatic_share: float = setting(
        0.5, "share", "Above this share of symptomatic vines too little sound trunk is left [P].", gt=0, le=1
    )
    new_variety: str = setting(
        "", "", "Variety grafted on; empty: the same variety and price.", max_length=80
    )
    new_price_per_tonne: float | None = setting(
        None,
        "currency/t",
        "Price of the new variety; empty: from [prices] or the old price.",
        gt=0,
        le=1_000_000,
    )


class Infill(Method):
    """Infill: replace missing vines only."""

    cost_per_vine: float = setting(
        13.0,
        "currency/vine",
        "Vine, hole, guard, water and two years of training per missing vine. Infilling 2-3 % of vines a "
        "year "
        "costs about 1,200 NZD/ha [S 2024]; per vine depends on density, 13 [P].",
        ge=0,
        le=1000,
    )
    mobilisation_per_block: float = setting(400.0, "currency/block", "Carting vines and tools [P].", ge=0)
    take_share: float = setting(0.85, "share", "Young vines that live among old ones [P].", gt=0, le=1)
    take_share_low: float = setting(0.6, "share", "Low end [P].", ge=0, le=1)
    take_share_high: float = setting(0.97, "share", "High end [P].", gt=0, le=1)
    crop_share_by_year: list[float] = setting(
        [0.0, 0.0, 0.4, 0.7, 1.0],
        "share",
        f"{_RAMP} 2-3 years of training [S 2024].",
        min_length=1,
        max_length=15,
    )
    full_level_share: float = setting(
        0.85, "share", "Crop of an infilled vine among old ones, of a healthy vine [P].", gt=0, le=1.5
    )
    crew_days_per_ha: float = setting(
        1.5, "crew-days/ha", "Days of a crew of four per hectare worked through [P].", ge=0, le=500
    )
    min_missing_share: float = setting(
        0.02, "share", "Weighed only above this share of missing vines [P].", ge=0, le=1
    )


class Replant(Method):
    """Replant: pull out the vines, plant new ones.

    Pulling, chipping (metal in the wood) and burning are dangerous and burning may be barred: follow local
    codes and licensed practice.
    """

    cost_per_ha: float = setting(
        37_000.0,
        "currency/ha",
        "Low end of 10,000-20,000 USD/acre [S 2013] (24,711 USD/ha at 1.5 AUD/USD), trellis kept in part "
        "[P]. "
        "San Joaquin Valley about 15,600 USD/acre with trellis [S].",
        ge=0,
        le=1_000_000,
    )
    mobilisation_per_block: float = setting(2500.0, "currency/block", "Heavy machines brought in [P].", ge=0)
    take_share: float = setting(0.96, "share", "Young vines that live [P].", gt=0, le=1)
    take_share_low: float = setting(0.9, "share", "Low end [P].", ge=0, le=1)
    take_share_high: float = setting(0.99, "share", "High end [P].", gt=0, le=1)
    crop_share_by_year: list[float] = setting(
        [0.0, 0.0, 0.5, 0.85, 1.0],
        "share",
        f"{_RAMP} Half a crop in third leaf [S].",
        min_length=1,
        max_length=15,
    )
    life_years: float = setting(25, "years", "25 years, Kaplan et al. 2016 [S].", gt=0, le=100)
    crew_days_per_ha: float = setting(10.0, "crew-days/ha", "Days of a crew of four [P].", ge=0, le=500)


class KeepProtected(Section):
    """Keep with wound protection: a yearly programme after pruning that slows the spread of trunk disease.

    Wound sprays can hurt: follow the product label, local codes and a licensed adviser.
    """

    enabled: bool = setting(True, "", "Whether this choice is weighed at all.")
    cost_per_ha_year: float = setting(
        370.0,
        "currency/ha/year",
        "Yearly cost. Kaplan et al. 2016 [S]: below 100 USD/acre early adoption is preferred (247 USD/ha at "
        "1.5 AUD/USD).",
        ge=0,
        le=100_000,
    )
    efficacy_low: float = setting(
        0.25, "share", "Share of new infections stopped, low [S, Kaplan].", ge=0, le=1
    )
    efficacy: float = setting(
        0.50, "share", "Share of new infections stopped, most likely [S, Kaplan].", ge=0, le=1
    )
    efficacy_high: float = setting(
        0.75, "share", "Share of new infections stopped, high [S, Kaplan].", ge=0, le=1
    )
    crew_days_per_ha_year: float = setting(0.15, "crew-days/ha", "Days of one crew a year [P].", ge=0, le=100)

    @model_validator(mode="after")
    def _in_order(self) -> KeepProtected:
        if not self.efficacy_low <= self.efficacy <= self.efficacy_high:
            raise ValueError("efficacy must lie between efficacy_low and efficacy_high")
        return self


class Methods(Section):
    """Renewal methods: examples only. Replace them by your own contractors' quotes."""

    trunk_renewal: TrunkRenewal = section(TrunkRenewal)
    graft_over: GraftOver = section(GraftOver)
    infill: Infill = section(Infill)
    replant: Replant = section(Replant)
    keep_protected: KeepProtected = section(KeepProtected)
