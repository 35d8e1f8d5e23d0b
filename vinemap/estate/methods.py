"""Settings of the renewal methods: what each costs, how many vines take, and how the crop comes back.

Every field has the name and unit of the same field of `renewal.Method`, so that the settings map onto it one
to one; a test holds that the defaults agree. Every number is an example to be replaced by quotes of the
estate's own contractors. Marks: [S] seen in a published source, [P] common practice, no source. Amounts in US
dollars in the sources are carried over at the round example rate of 1.5 AUD per USD [P]; 1 acre =
0.40468564224 ha.

References
----------
Munkvold, Duthie & Marois 1994, Phytopathology 84:186-192. Kaplan et al. 2016, Wine Economics and Policy
5(2):127-141. Sosnowski, Wicks & Scott 2011, Phytopathologia Mediterranea 50(4):277-284.
"""

from __future__ import annotations

from typing import Any

from pydantic import field_validator, model_validator

from vinemap.estate.sections import Section, section, setting

_SOUND_TRUNK = (
    "Fall of that share from no vine to every vine showing symptoms, since only live trunk can be used: to "
    "71 % for trunk renewal, the middle of 42-100 % of vines with symptoms (Sosnowski et al. 2011 [S])."
)
_FULL_AFTER = "in the 1st, 2nd, ... vintage after the work as a share of full; full after these."


def _amount(default: float, unit: str, text: str, most: float = 1_000_000) -> Any:
    return setting(default, unit, text, ge=0, le=most)


def _share(default: float, text: str) -> Any:
    return setting(default, "share", text, ge=0, le=1)


def _ramp(default: list[float], text: str) -> Any:
    return setting(default, "share", text, max_length=15)


def _enabled() -> Any:
    return setting(True, "", "Whether this is weighed at all.")


def _by_year(default: list[float]) -> Any:
    text = "Training in the 1st, 2nd, ... winter after the work, per vine worked [P]."
    return setting(default, "currency/vine", text, max_length=15)


class Method(Section):
    """What all renewal methods have in common: the fields of the vines that were worked on."""

    @field_validator("*")
    @classmethod
    def _shares(cls, value: object, info: Any) -> object:
        items = value if isinstance(value, list) else []
        top = 1.0 if "share" in str(info.field_name) else 1000.0
        if any(not 0 <= one <= top for one in items):
            raise ValueError(f"{info.field_name} must hold values from 0 to {top:g}, not {items}")
        return value


class Cut(Method):
    """What trunk renewal and grafting over have in common: the standing trunk is used, gaps are refilled.

    Each gives its own defaults; the order here is that of the settings file.
    """

    enabled: bool = _enabled()
    cost_per_vine: float = _amount(0.0, "currency/vine", "Work per vine.", 1000)
    cost_per_m: float = _amount(0.5, "currency/m", "New cordon wire and ties per metre of row [P].", 1000)
    cost_per_ha: float = _amount(400.0, "currency/ha", "Chipping and carting of old wood [P].")
    mobilisation_per_block: float = _amount(0.0, "currency/block", "Coming to a block.")
    take_share: float = _share(1.0, "Share of vines that take.")
    take_sd: float = _share(0.0, "Its standard deviation between jobs.")
    take_drop_symptomatic: float = _share(0.24, _SOUND_TRUNK)
    take_drop_per_year: float = setting(
        0.005, "share/year", "Further fall per year of vine age past take_age_from [P].", ge=0, le=1
    )
    take_age_from: float = _amount(25.0, "years", "Vine age from which takes fall [P].", 200)
    crop_share_by_year_after: list[float] = _ramp([], f"Crop of vines that took, {_FULL_AFTER}")
    full_level: float = setting(
        0.95, "share", "Full crop of vines that took, of the zone's healthy level [P].", ge=0, le=1.5
    )
    held_years: float = _amount(
        8.0, "years", "Years at full crop before it falls again: first symptoms in years 6-10 [S].", 100
    )
    decline_speed: float = setting(
        1.0, "times", "Speed of the fall after that, 1: as the zone falls now [P].", ge=0, le=10
    )
    refill_share: float = _share(
        1.0,
        "Share of failed and missing vines that are replaced in the winter after: the whole stretch is "
        "redone on the same posts [P].",
    )
    refill_cost_per_vine: float = _amount(
        22.0,
        "currency/vine",
        "New vine with guard and its training, as infill [S 2024 for the whole, 1,200 NZD/ha for 2-3 % of "
        "vines, about 24 NZD/vine].",
        1000,
    )
    refill_full_level: float = setting(
        0.80,
        "share",
        "Crop of a refilled place in the end, of a healthy one: some young vines die or stay behind [P].",
        ge=0,
        le=1.5,
    )
    refill_crop_share_by_year_after: list[float] = _ramp(
        [0.0, 0.1, 0.5, 0.85],
        "Crop of the refilled in the 1st, 2nd, ... vintage after they are set (a winter after the work) as a "
        "share of full: 2-3 years of training [S 2024].",
    )
    crew_days_per_ha: float = _amount(5.0, "crew-days/ha", "Days of a crew of four [P].", 500)
    wood_kg_per_vine: float = _amount(7.0, "kg/vine", "Old wood that comes off, an estimate [P].", 500)


class TrunkRenewal(Cut):
    """Trunk renewal: cut to the trunk below all stain, lay a new cordon from a watershoot.

    Saws, dust and metal in the wood are dangerous, and wounds must be protected: follow the product label,
    local codes and licensed practice.
    """

    cost_per_vine: float = _amount(
        6.75,
        "currency/vine",
        "Cutting, pulling out the old cordon, retraining. No published figure found; middle of 3-6 USD [P].",
        1000,
    )
    mobilisation_per_block: float = _amount(
        1500.0, "currency/block", "Crew and chipper brought in, once per block and winter of work [P]."
    )
    take_share: float = _share(
        0.95, "Share of cut vines that send up a usable watershoot where none has symptoms [P]."
    )
    take_sd: float = _share(
        0.10, "Its standard deviation between jobs, by season and height of trunk left [P]."
    )
    crop_share_by_year_after: list[float] = _ramp(
        [0.0, 0.6, 0.95],
        f"Crop of vines that took, {_FULL_AFTER} One crop missed, full in 2-3 seasons [S].",
    )


class GraftOver(Cut):
    """Graft over: cut and graft to another variety on the standing trunk.

    Cutting tools and grafting sealants can hurt: follow the product label, local codes and licensed practice.
    """

    cost_per_vine: float = _amount(
        4.5,
        "currency/vine",
        "Top-working 2-4 USD per vine (growers' association 2019) [S], the middle.",
        1000,
    )
    mobilisation_per_block: float = _amount(
        2500.0, "currency/block", "Grafting team brought in, once per block and winter of work [P]."
    )
    take_share: float = _share(0.94, "Share of grafts that take on sound trunk: middle of 90-98 % [S].")
    take_sd: float = _share(0.02, "Its standard deviation between jobs: 90-98 % is two of them each way [S].")
    crop_share_by_year_after: list[float] = _ramp(
        [0.0, 0.6, 0.95], f"Crop of grafts that took, {_FULL_AFTER} Crop after 1.5 years [S]; its size [P]."
    )
    aftercare_per_vine_by_year: list[float] = _by_year([1.5])
    orders_per_vine: float = _amount(2.0, "buds/vine", "Buds to order per vine [P].", 20)
    new_variety: str = setting(
        "", "", "Variety grafted on; while it is empty, grafting over is not weighed.", max_length=80
    )
    new_price_per_t: float | None = setting(
        None,
        "currency/t",
        "Price of the new variety; empty: its price in [prices], else the general price.",
        gt=0,
        le=1_000_000,
    )


class Infill(Method):
    """Infill: replace missing vines only."""

    enabled: bool = _enabled()
    cost_per_vine: float = _amount(
        14.0,
        "currency/vine",
        "Vine, hole, guard and water per missing vine. With its training 22: infilling 2-3 % of vines a year "
        "costs about 1,200 NZD/ha, about 24 NZD/vine [S 2024]; the split [P].",
        1000,
    )
    mobilisation_per_block: float = _amount(
        600.0, "currency/block", "Vines and tools brought in, once per block and winter of work [P]."
    )
    take_share: float = _share(0.85, "Share of young vines that live among old ones [P].")
    take_sd: float = _share(0.05, "Its standard deviation between jobs [P].")
    crop_share_by_year_after: list[float] = _ramp(
        [0.0, 0.1, 0.5, 0.85], f"Crop of vines that took, {_FULL_AFTER} 2-3 years of training [S 2024]."
    )
    full_level: float = setting(
        0.95, "share", "Full crop of a young vine among old ones, of a healthy vine [P].", ge=0, le=1.5
    )
    held_years: float = _amount(12.0, "years", "Years at full crop before it falls [P].", 100)
    decline_speed: float = setting(
        1.0, "times", "Speed of the fall after that, 1: as the zone falls now [P].", ge=0, le=10
    )
    aftercare_per_vine_by_year: list[float] = _by_year([4.0, 4.0])
    crew_days_per_ha: float = _amount(
        8.0, "crew-days/ha", "Days of a crew of four for a hectare's worth of missing vines [P].", 500
    )
    orders_per_vine: float = _amount(1.0, "vines/vine", "Vines to order per missing vine.", 20)
    least_missing_share: float = _share(
        0.10, "Weighed only from this share of missing vines, counted; few gaps close by themselves [P]."
    )


class Replant(Method):
    """Replant: pull out the vines, plant new ones on a new or the standing trellis.

    Pulling, chipping (metal in the wood) and burning are dangerous and burning may be barred: follow local
    codes and licensed practice.
    """

    enabled: bool = _enabled()
    renews_trellis: bool = setting(
        True, "", "Whether the trellis is new too; if not, the planting ends with the present trellis."
    )
    cost_per_vine: float = _amount(9.0, "currency/vine", "Vine, guard and planting [P].", 1000)
    cost_per_ha: float = _amount(
        41_000.0,
        "currency/ha",
        "Soil, trellis, water. With about 1,590 vines/ha 55,300 in all: the middle of 10,000-20,000 USD/acre "
        "[S 2013]; about 15,600 USD/acre in the San Joaquin Valley with trellis [S].",
    )
    mobilisation_per_block: float = _amount(
        4000.0, "currency/block", "Heavy machines brought in, once per block and winter of work [P]."
    )
    take_share: float = _share(0.95, "Share of young vines that live; the others are set again [P].")
    take_sd: float = _share(0.02, "Its standard deviation between jobs [P].")
    crop_share_by_year_after: list[float] = _ramp(
        [0.0, 0.0, 0.5, 0.85], f"Crop {_FULL_AFTER} Half a crop in third leaf [S]."
    )
    full_level: float = setting(1.0, "share", "Full crop, of the zone's healthy level [P].", ge=0, le=1.5)
    life_years: int = setting(25, "years", "Life of the planting: 25, Kaplan et al. 2016 [S].", ge=1, le=100)
    held_years: float = _amount(
        10.0, "years", "Years at full crop before it falls: first symptoms in years 6-10 [S].", 100
    )
    decline_speed: float = setting(
        1.0, "times", "Speed of the fall after that, 1: as the zone falls now [P].", ge=0, le=10
    )
    aftercare_per_vine_by_year: list[float] = _by_year([1.5, 1.5])
    crew_days_per_ha: float = _amount(12.0, "crew-days/ha", "Days of a crew of four [P].", 500)
    orders_per_vine: float = _amount(1.0, "vines/vine", "Vines to order per vine place.", 20)
    wood_kg_per_vine: float = _amount(20.0, "kg/vine", "Old wood that comes out, an estimate [P].", 500)


class KeepProtected(Section):
    """Keep with wound protection: a yearly programme after pruning that slows the spread of trunk disease.

    Wound sprays can hurt: follow the product label, local codes and a licensed adviser.
    """

    enabled: bool = _enabled()
    yearly_cost_per_ha: float = _amount(
        370.0,
        "currency/ha/year",
        "Yearly cost. Kaplan et al. 2016 [S]: below 100 USD/acre early adoption is preferred (247 USD/ha at "
        "1.5 AUD/USD); painting wounds by hand costs 45 to 117 USD/acre by region, same project [S].",
        100_000,
    )
    efficacy_low: float = _share(0.25, "Share of new infections stopped, low [S, Kaplan].")
    efficacy_mode: float = _share(0.50, "Share of new infections stopped, most likely [S, Kaplan].")
    efficacy_high: float = _share(0.75, "Share of new infections stopped, high [S, Kaplan].")
    effect_after_years: int = setting(3, "years", "Years until it shows in the crop [P].", ge=0, le=30)

    @model_validator(mode="after")
    def _in_order(self) -> KeepProtected:
        if not self.efficacy_low <= self.efficacy_mode <= self.efficacy_high:
            raise ValueError("efficacy_mode must lie between efficacy_low and efficacy_high")
        return self


class Methods(Section):
    """Renewal methods: examples only. Replace them by your own contractors' quotes."""

    trunk_renewal: TrunkRenewal = section(TrunkRenewal)
    graft_over: GraftOver = section(GraftOver)
    infill: Infill = section(Infill)
    replant: Replant = section(Replant)
    keep_protected: KeepProtected = section(KeepProtected)
