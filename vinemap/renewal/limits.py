"""The programme as a mixed-integer problem: which zone, by which method, in which winter, under limits."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy import sparse

from vinemap.errors import SettingsError
from vinemap.renewal.cashflow import keep_flows
from vinemap.renewal.finance import Floats
from vinemap.renewal.methods import Method
from vinemap.renewal.standing import Flags, Ints, zone_parts
from vinemap.renewal.value import Valuation, cut_zones, mean_cost, picked_crop, refilled_mean, worked_mean

OUT_OF_CROP = 0.5  # crop share below which a hectare counts as out of crop

Yearly = float | Mapping[int, float] | None


@dataclass(frozen=True, slots=True)
class Choices:
    """The things that can be chosen: zone `zone[i]` by method `method[i]` in start year `start[i]`.

    Parameters
    ----------
    zone, method, start : numpy.ndarray of int, shape (choice,)
    value : numpy.ndarray, shape (choice,)
        Net present value over keeping, mobilisation not in it [currency].
    cost, crew_days, orders, out_t : numpy.ndarray, shape (choice,)
        Cost of the work [currency], crew days, vines or buds to order, crop forgone in the first vintage [t].
    visits : numpy.ndarray of int, shape (visit, 3)
        Block, method and start year of each possible visit.
    visit : numpy.ndarray of int, shape (choice,)
        Visit that the choice needs.
    visit_value, visit_cost : numpy.ndarray, shape (visit,)
        Present value and cost in its year of one mobilisation [currency].
    """

    zone: Ints
    method: Ints
    start: Ints
    value: Floats
    cost: Floats
    crew_days: Floats
    orders: Floats
    out_t: Floats
    visits: Ints
    visit: Ints
    visit_value: Floats
    visit_cost: Floats

    @property
    def size(self) -> int:
        """Number of choices."""
        return int(self.zone.size)


@dataclass(slots=True)
class Rows:
    """Limits as rows ``low <= row @ x <= high`` over choices then visits, with a name and unit for each."""

    width: int
    names: list[str] = field(default_factory=list)
    units: list[str] = field(default_factory=list)
    parts: list[sparse.csr_array] = field(default_factory=list)
    low: list[float] = field(default_factory=list)
    high: list[float] = field(default_factory=list)
    soft: list[bool] = field(default_factory=list)
    details: list[str] = field(default_factory=list)

    def add(
        self,
        name: str,
        unit: str,
        row: Floats,
        *,
        low: float = -np.inf,
        high: float = np.inf,
        detail: str = "",
    ) -> None:
        """Add one limit that a person set; `detail` is said with it where it cannot be met.

        `row` has a number [unit] for each choice, then for each visit; its sum over those chosen must lie
        between `low` and `high` [unit].
        """
        self.details.append(detail)
        self.names.append(name)
        self.units.append(unit)
        self.parts.append(sparse.csr_array(row[None, :]))
        self.low.append(low)
        self.high.append(high)
        self.soft.append(True)

    def add_structure(self, matrix: sparse.csr_array, *, low: float, high: float) -> None:
        """Add rows, shape (row, width), that define the problem and cannot be relaxed."""
        count = matrix.shape[0]
        self.details += [""] * count
        self.names += [""] * count
        self.units += [""] * count
        self.parts.append(matrix)
        self.low += [low] * count
        self.high += [high] * count
        self.soft += [False] * count

    def matrix(self) -> sparse.csr_array:
        """All rows in one sparse matrix."""
        return sparse.csr_array(sparse.vstack(self.parts, format="csr"))


def by_year(limit: Yearly, years: Ints) -> Floats:
    """Limit of each year, shape of `years`; infinite where none is given.

    Examples
    --------
    >>> by_year({2026: 5.0}, np.array([2026, 2027])).tolist(), by_year(3.0, np.array([2026])).tolist()
    ([5.0, inf], [3.0])
    """
    if limit is None:
        return np.full(years.size, np.inf)
    if isinstance(limit, Mapping):
        return np.asarray([float(limit.get(int(one), np.inf)) for one in years])
    return np.full(years.size, float(limit))


def list_choices(
    valuation: Valuation,
    *,
    years: int,
    value_per_ha: Floats,
    keep_losing: bool,
    not_before: Mapping[str, int],
    not_after: Mapping[str, int],
) -> Choices:
    """List what can be chosen within the programme's years.

    Parameters
    ----------
    valuation : Valuation
    years : int
        Number of winters, from the first.
    value_per_ha : numpy.ndarray, shape (zone, method, start)
        Value to maximise [currency/ha].
    keep_losing : bool
        Whether choices of negative value stay in (needed where tonnage must be held up).
    not_before, not_after : mapping of zone_id or block_id to year

    Returns
    -------
    Choices

    Raises
    ------
    SettingsError
        If a limit names neither a zone nor a block.
    """
    standing, starts = valuation.standing, valuation.start_years
    allowed = np.isfinite(value_per_ha)
    allowed[:, :, years:] = False
    allowed[:, [one.protects for one in valuation.methods]] = False
    if not keep_losing:
        allowed &= np.nan_to_num(value_per_ha, nan=-1.0) > 0
    for limit, later in ((not_before, False), (not_after, True)):
        for name, year in limit.items():
            mine = [name in pair for pair in zip(standing.zone_ids, standing.block_ids, strict=True)]
            _check_name(any(mine), name)
            out = starts > year if later else starts < year
            allowed &= ~(np.asarray(mine)[:, None, None] & out)
    zone, method, start = np.nonzero(allowed)
    area = standing.area_ha[zone]
    blocks = np.unique(np.asarray(standing.block_ids), return_inverse=True)[1]
    keys = np.column_stack([blocks[zone], method, start]) if zone.size else np.zeros((0, 3), dtype=np.int64)
    visits, visit = np.unique(keys, axis=0, return_inverse=True)
    fixed = valuation.visit.mean(axis=0)
    later_worth = (1.0 + valuation.money.discount_rate) ** -(starts - valuation.first_year).astype(float)
    visit_value = fixed[visits[:, 1], visits[:, 2]]
    return Choices(
        zone=zone,
        method=method,
        start=start,
        value=value_per_ha[zone, method, start] * area,
        cost=_per_choice(valuation, mean_cost, method, zone) * area,
        crew_days=_per_choice(valuation, _crew_days, method, zone) * area,
        orders=_per_choice(valuation, _orders, method, zone) * area,
        out_t=_tonnes_out(valuation, zone, method, start),
        visits=visits,
        visit=visit.reshape(-1),
        visit_value=visit_value,
        visit_cost=visit_value / later_worth[visits[:, 2]],
    )


def _check_name(found: bool, name: str) -> None:
    if not found:
        raise SettingsError(f"{name!r} is neither a zone nor a block.", where="limits of the programme",
                            remedy="Use a zone_id or block_id of the estate.")  # fmt: skip


def _per_choice(
    valuation: Valuation, measure: Callable[[Valuation, int], Floats], method: Ints, zone: Ints
) -> Floats:
    table = np.asarray([measure(valuation, n) for n in range(len(valuation.methods))])
    return np.asarray(table.reshape(len(valuation.methods), -1)[method, zone], dtype=float)


def _crew_days(valuation: Valuation, column: int) -> Floats:
    return valuation.methods[column].crew_days_per_ha * worked_mean(valuation, column)


def _orders(valuation: Valuation, column: int) -> Floats:
    vines = valuation.standing.vines_per_ha * worked_mean(valuation, column)
    refilled = valuation.standing.vines_per_ha * refilled_mean(valuation, column)
    return np.asarray(valuation.methods[column].orders_per_vine * vines + refilled)


def _tonnes_out(valuation: Valuation, zone: Ints, method: Ints, start: Ints) -> Floats:
    """Crop forgone in the first vintage after the work [t]; 0 where none would be picked."""
    out = np.zeros(zone.size)
    for part, mine in _parts_of(valuation, zone):
        out[mine] = _tonnes_out_of(
            cut_zones(valuation, part), zone[mine] - part.start, method[mine], start[mine]
        )
    return out


def _parts_of(valuation: Valuation, zone: Ints) -> Iterator[tuple[slice, Flags]]:
    """Give some zones at a time and which choices are theirs; zones without choices are passed over."""
    for part in zone_parts(len(valuation.standing.zone_ids)):
        mine = (zone >= part.start) & (zone < part.stop)
        if mine.any():
            yield part, mine


def _tonnes_out_of(valuation: Valuation, zone: Ints, method: Ints, start: Ints) -> Floats:
    standing = valuation.standing
    flows = keep_flows(standing, valuation.money, valuation.samples, valuation.first_year)
    keep = picked_crop(valuation, flows=flows)
    first = np.clip(valuation.start_years + 1 - standing.years[0], 0, standing.years.size - 1)
    out = np.zeros(zone.size)
    for column in np.unique(method):
        for place in np.unique(start[method == column]):
            mine = (method == column) & (start == place)
            crop = picked_crop(valuation, int(column), int(valuation.start_years[place]), flows=flows)
            lost = (keep - crop)[:, first[place]] * standing.area_ha
            out[mine] = np.clip(lost[zone[mine]], 0.0, None)
    return out


def build_rows(
    valuation: Valuation,
    choices: Choices,
    *,
    years: int,
    budget: Yearly,
    crew_days: Yearly,
    most_orders: Yearly,
    most_ha_out: Yearly,
    min_tonnes: Mapping[str, Yearly],
    together: Sequence[Sequence[str]],
) -> Rows:
    """Write every limit as a row.

    Parameters
    ----------
    valuation : Valuation
    choices : Choices
    years : int
        Number of winters.
    budget, crew_days, most_orders : float, mapping of year to float, or None
        By winter: [currency], [days], [vines or buds].
    most_ha_out : float, mapping of year to float, or None
        By vintage: hectares below half a crop [ha].
    min_tonnes : mapping of variety to float or mapping of year to float
        Least tonnes by vintage [t], from the vintage after the first winter to the one after the last; a
        zone that is better left idle brings none.
    together : sequence of sequences of zone_id or block_id
        Zones to be done in the same winter or not at all.

    Returns
    -------
    Rows

    Raises
    ------
    SettingsError
        If a limit names an unknown variety, zone or block.
    """
    rows = Rows(width=choices.size + len(choices.visits))
    _add_once(rows, choices)
    winters = valuation.start_years[:years]
    _add_yearly(
        rows, choices, winters, budget, "budget", valuation.money.currency, choices.cost, choices.visit_cost
    )
    nothing = np.zeros(len(choices.visits))
    _add_yearly(rows, choices, winters, crew_days, "crew days", "days", choices.crew_days, nothing)
    _add_yearly(rows, choices, winters, most_orders, "vines or buds", "vines", choices.orders, nothing)
    _add_out_of_crop(rows, valuation, choices, winters, most_ha_out)
    for variety, limit in min_tonnes.items():
        _add_tonnes(rows, valuation, choices, winters, variety, limit)
    for group in together:
        _add_together(rows, valuation, choices, winters, group)
    return rows


def _add_once(rows: Rows, choices: Choices) -> None:
    """Each zone at most once; a choice needs its visit."""
    count = choices.size
    if count == 0:
        return
    each = np.arange(count)
    zones = np.unique(choices.zone, return_inverse=True)[1].reshape(-1)
    once = sparse.csr_array((np.ones(count), (zones, each)), shape=(int(zones.max()) + 1, rows.width))
    rows.add_structure(once, low=-np.inf, high=1.0)
    ones = np.ones(count)
    link = sparse.csr_array(
        (np.concatenate([ones, -ones]), (np.tile(each, 2), np.concatenate([each, count + choices.visit]))),
        shape=(count, rows.width),
    )
    rows.add_structure(link, low=-np.inf, high=0.0)


def _add_yearly(
    rows: Rows,
    choices: Choices,
    winters: Ints,
    limit: Yearly,
    name: str,
    unit: str,
    use: Floats,
    visit_use: Floats,
) -> None:
    for place, most in enumerate(by_year(limit, winters)):
        if np.isfinite(most):
            now = choices.start == place
            visiting = choices.visits[:, 2] == place
            row = np.concatenate([np.where(now, use, 0.0), np.where(visiting, visit_use, 0.0)])
            detail = f"allowed are {most:,.0f}"
            rows.add(f"{name} {winters[place]}", unit, row, high=float(most), detail=detail)


def _young(method: Method, age: int) -> float:
    """1 if vines `age` vintages after the work bear less than half a crop."""
    ramp = method.crop_share_by_year_after
    return float(not method.keeps_standing and 1 <= age <= len(ramp) and ramp[age - 1] < OUT_OF_CROP)


def _add_out_of_crop(
    rows: Rows, valuation: Valuation, choices: Choices, winters: Ints, limit: Yearly
) -> None:
    vintages = winters + 1
    area = valuation.standing.area_ha[choices.zone]
    for place, most in enumerate(by_year(limit, vintages)):
        if np.isfinite(most):
            age = vintages[place] - valuation.start_years[choices.start]
            pairs = zip(choices.method, age, strict=True)
            young = np.asarray([_young(valuation.methods[m], int(a)) for m, a in pairs])
            row = np.concatenate([area * young, np.zeros(len(choices.visits))])
            detail = f"allowed are {most:,.1f}"
            rows.add(f"hectares out of crop {vintages[place]}", "ha", row, high=float(most), detail=detail)


def _add_tonnes(
    rows: Rows, valuation: Valuation, choices: Choices, winters: Ints, variety: str, limit: Yearly
) -> None:
    standing = valuation.standing
    if variety not in {*standing.varieties, *(one.new_variety for one in valuation.methods)}:
        raise SettingsError(f"No zone is of variety {variety!r}.", where="least tonnes",
                            remedy=f"Known are {', '.join(sorted(set(standing.varieties)))}.")  # fmt: skip
    mine = np.asarray([one == variety for one in standing.varieties])
    crop = [picked_crop(cut_zones(valuation, part)) for part in zone_parts(len(standing.zone_ids))]
    kept = (np.concatenate(crop) * standing.area_ha[:, None])[mine].sum(axis=0)
    vintages = winters + 1
    change = _tonnes_change(valuation, choices, variety)
    for place, least in enumerate(by_year(limit, vintages)):
        index = int(vintages[place] - standing.years[0])
        if np.isfinite(least):
            row = np.concatenate([change[:, index], np.zeros(len(choices.visits))])
            name = f"least tonnes of {variety} {vintages[place]}"
            detail = f"asked for {least:,.0f} t; with nothing renewed it is {kept[index]:,.0f} t"
            rows.add(name, "t", row, low=float(least) - float(kept[index]), detail=detail)


def _tonnes_change(valuation: Valuation, choices: Choices, variety: str) -> Floats:
    """Change of the tonnes of a variety by each choice, shape (choice, forecast vintage)."""
    out = np.zeros((choices.size, valuation.standing.years.size))
    for part, mine in _parts_of(valuation, choices.zone):
        zone, method, start = choices.zone[mine] - part.start, choices.method[mine], choices.start[mine]
        out[mine] = _tonnes_change_of(cut_zones(valuation, part), zone, method, start, variety)
    return out


def _tonnes_change_of(valuation: Valuation, zone: Ints, method: Ints, start: Ints, variety: str) -> Floats:
    standing = valuation.standing
    flows = keep_flows(standing, valuation.money, valuation.samples, valuation.first_year)
    keep = picked_crop(valuation, flows=flows) * standing.area_ha[:, None]
    mine = np.asarray([one == variety for one in standing.varieties])
    out = np.zeros((zone.size, standing.years.size))
    for column in np.unique(method):
        becomes = valuation.methods[column].new_variety
        same = np.asarray([(becomes or one) == variety for one in standing.varieties])
        for place in np.unique(start[method == column]):
            year = int(valuation.start_years[place])
            crop = picked_crop(valuation, int(column), year, flows=flows) * standing.area_ha[:, None]
            later = standing.years > year
            change = (crop * same[:, None] - keep * mine[:, None]) * later
            here = (method == column) & (start == place)
            out[here] = change[zone[here]]
    return out


def _add_together(
    rows: Rows, valuation: Valuation, choices: Choices, winters: Ints, group: Sequence[str]
) -> None:
    pairs = list(zip(valuation.standing.zone_ids, valuation.standing.block_ids, strict=True))
    for name in group:
        _check_name(any(name in pair for pair in pairs), name)
    members = [n for n, pair in enumerate(pairs) if set(pair) & set(group)]
    for zone in members[1:]:
        for place in range(winters.size):
            now = choices.start == place
            row = np.where(now & (choices.zone == members[0]), 1.0, 0.0) - (now & (choices.zone == zone))
            full = np.concatenate([row, np.zeros(len(choices.visits))])
            if full.any():
                rows.add_structure(sparse.csr_array(full[None, :]), low=0.0, high=0.0)
