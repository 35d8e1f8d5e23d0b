"""What is true of an invented estate, in tables for tests and benchmarks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from vinemap.simulate.plan import BlockPlan, MachinePlan
from vinemap.simulate.scenarios import ONSET_LOSS
from vinemap.simulate.vines import BlockVines
from vinemap.units import HECTARE_M2, TONNE_KG

CELL_M = 10.0
FEWEST_VINES = 4  # cells at the edge with fewer vine places are left out
DISEASE = ("focal", "row_wise", "whole_block")


@dataclass(frozen=True, slots=True)
class Truth:
    """Truth of an estate.

    In an average season (season effects zero) a vine place bears ``healthy * output``; loss is one less the
    sum of ``healthy * output`` over the sum of ``healthy``, over all vine places of the block or cell, empty
    ones too. Disease loss is the same over the places with a vine in the first vintage. Decline per year =
    (loss in the last vintage - loss three vintages before) / 3, in % of healthy yield. A renewed block loses
    while its new trunks grow. Young vines (under six years) bear less without this being a loss.

    Parameters
    ----------
    blocks : pandas.DataFrame
        block_id, name, trouble (kinds joined by +), healthy_t_ha, now_t_ha, loss_pct, missing_pct (empty or
        dead places), decline_pct_per_year, onset_vintage (first with 3 % of disease loss; empty for none),
        renewed (year, 0 for none).
    block_vintages : pandas.DataFrame
        block_id, vintage, grapes_t (true tonnes, no MOG), true_t_ha, loss_pct, missing_pct, symptomatic_pct,
        mog_pct, machines (joined by ;).
    cells : pandas.DataFrame
        Cells of 10 m aligned to whole tens in the estate CRS: block_id, easting, northing (centre) [m],
        vines, trouble (the block's disease where it took 10 % by the last vintage; missing where a tenth of
        the places stood empty from the start), onset_vintage, weak_soil, healthy_t_ha, and by vintage
        yield_YYYY [t/ha] and loss_YYYY [%].
    machines : pandas.DataFrame
        machine, vintage, bias_start, bias_end (reading over truth, less one), delay_s, smear_s,
        effective_delay_s (delay, mean of the smear in whole seconds, half an interval:
        the mean time from picking to the time stamp).
    load_parts : pandas.DataFrame
        load_id, vintage, block_id, machine, kg, grapes_kg.
    seasons : pandas.DataFrame
        vintage, variety, effect_log.
    vines : mapping of str to BlockVines
        By block_id.
    """

    blocks: pd.DataFrame
    block_vintages: pd.DataFrame
    cells: pd.DataFrame
    machines: pd.DataFrame
    load_parts: pd.DataFrame
    seasons: pd.DataFrame
    vines: Mapping[str, BlockVines]


def _hectares(plan: BlockPlan, places: NDArray[np.float64] | int) -> Any:
    """Ground of so many vine places [ha]."""
    return places * plan.row_spacing_m * plan.vine_spacing_m / HECTARE_M2


def _loss(vines: BlockVines) -> NDArray[np.float64]:
    """Loss of a block by vintage, share of its healthy yield."""
    return np.asarray(1.0 - vines.healthy_kg @ vines.output / vines.healthy_kg.sum())


def _disease_loss(vines: BlockVines) -> NDArray[np.float64]:
    """Loss by vintage over the places that had a vine to begin with, share of their healthy yield."""
    started = vines.standing[:, 0]  # places empty from the start are gaps, not disease
    healthy = vines.healthy_kg[started]
    return np.asarray(1.0 - healthy @ vines.output[started] / healthy.sum())


def _first_onset(loss: NDArray[np.float64], vintages: Sequence[int]) -> int:
    """First vintage with the loss of an onset; 0 for none."""
    hit = np.flatnonzero(loss >= ONSET_LOSS)
    return int(vintages[hit[0]]) if hit.size else 0


def describe_block(plan: BlockPlan, vines: BlockVines, vintages: Sequence[int]) -> dict[str, object]:
    """One row of `Truth.blocks` for a block.

    Parameters
    ----------
    plan : BlockPlan
    vines : BlockVines
    vintages : sequence of int

    Returns
    -------
    dict
    """
    healthy = vines.healthy_kg.sum()
    loss = _loss(vines)
    before = max(len(vintages) - 4, 0)
    onset = _first_onset(_disease_loss(vines), vintages) if _is_sick(plan) else 0
    level = healthy / TONNE_KG / _hectares(plan, len(vines.healthy_kg))
    return {
        "block_id": plan.block_id, "name": plan.name,
        "trouble": "+".join(one.kind for one in plan.troubles), "healthy_t_ha": level,
        "now_t_ha": level * (1 - loss[-1]), "loss_pct": 100 * loss[-1],
        "missing_pct": 100 * float((~vines.standing[:, -1]).mean()),
        "decline_pct_per_year": 100 * (loss[-1] - loss[before]) / max(len(vintages) - 1 - before, 1),
        "onset_vintage": onset or pd.NA, "renewed": plan.renewed,
    }  # fmt: skip


def _is_sick(plan: BlockPlan) -> bool:
    return any(one.kind in DISEASE for one in plan.troubles)


def describe_vintages(plan: BlockPlan, vines: BlockVines, vintages: Sequence[int]) -> pd.DataFrame:
    """Rows of `Truth.block_vintages` for a block, without MOG and machines.

    Parameters
    ----------
    plan : BlockPlan
    vines : BlockVines
    vintages : sequence of int

    Returns
    -------
    pandas.DataFrame
    """
    loss = _loss(vines)
    tonnes = vines.grapes_kg.sum(axis=0) / TONNE_KG
    standing = vines.standing.sum(axis=0)
    return pd.DataFrame({
        "block_id": plan.block_id, "vintage": list(vintages), "grapes_t": tonnes,
        "true_t_ha": tonnes / _hectares(plan, len(vines.healthy_kg)), "loss_pct": 100 * loss,
        "missing_pct": 100 * (1 - standing / len(vines.healthy_kg)),
        "symptomatic_pct": 100 * (vines.dead > 0.1).sum(axis=0) / standing,
    })  # fmt: skip


def describe_cells(plan: BlockPlan, vines: BlockVines, vintages: Sequence[int]) -> pd.DataFrame:
    """Rows of `Truth.cells` for a block.

    Parameters
    ----------
    plan : BlockPlan
    vines : BlockVines
    vintages : sequence of int

    Returns
    -------
    pandas.DataFrame
    """
    place = (vines.table[["easting", "northing"]] // CELL_M * CELL_M + CELL_M / 2).to_numpy()
    code, key = pd.factorize(pd.MultiIndex.from_arrays([place[:, 0], place[:, 1]]), sort=True)

    def total(values: NDArray[np.float64]) -> NDArray[np.float64]:
        columns = values.reshape(len(values), -1).astype(float).T
        return np.column_stack([np.bincount(code, one, minlength=len(key)) for one in columns])

    count = total(np.ones(len(code)))[:, 0]
    healthy, started = total(vines.healthy_kg)[:, 0], vines.standing[:, 0]
    loss = 1 - total(vines.healthy_kg[:, None] * vines.output) / healthy[:, None]
    full = np.where(started, vines.healthy_kg, 0.0)
    disease = 1 - total(full[:, None] * vines.output) / np.maximum(total(full), 1e-9)
    area = _hectares(plan, count)
    weak = total(vines.table["weak_soil"].to_numpy(float))[:, 0] > count / 2
    gaps = 1 - total(started.astype(float))[:, 0] / count
    hit = disease >= ONSET_LOSS
    onset = np.where(_is_sick(plan) & hit.any(axis=1), np.asarray(vintages)[hit.argmax(axis=1)], 0)
    kind = "" if plan.renewed else next((one.kind for one in plan.troubles if one.kind in DISEASE), "")
    thin = any(one.kind == "missing" for one in plan.troubles)
    trouble = np.where((gaps >= 0.1) & thin, "missing", "")
    trouble = np.where((disease[:, -1] >= 0.1) & (kind != ""), kind, trouble)
    cells = pd.DataFrame({
        "block_id": plan.block_id, "easting": [one[0] for one in key], "northing": [one[1] for one in key],
        "vines": count.astype(int), "trouble": trouble, "onset_vintage": onset, "weak_soil": weak,
        "healthy_t_ha": healthy / TONNE_KG / area,
    })  # fmt: skip
    grapes = total(vines.grapes_kg) / TONNE_KG / area[:, None]
    by_year = {f"yield_{year}": grapes[:, at] for at, year in enumerate(vintages)}
    by_year |= {f"loss_{year}": 100 * loss[:, at] for at, year in enumerate(vintages)}
    return cells.assign(**by_year)[count >= FEWEST_VINES].reset_index(drop=True)


def describe_machines(
    machines: Sequence[MachinePlan], vintages: Sequence[int], *, interval_s: int
) -> pd.DataFrame:
    """Rows of `Truth.machines`.

    Parameters
    ----------
    machines : sequence of MachinePlan
    vintages : sequence of int
    interval_s : int
        Logging interval [s].

    Returns
    -------
    pandas.DataFrame
    """
    return pd.DataFrame([
        {
            "machine": one.name, "vintage": year, "bias_start": one.bias_at(year, 0.0),
            "bias_end": one.bias_at(year, 1.0), "delay_s": one.delay_s, "smear_s": one.smear_s,
            "effective_delay_s": one.delay_s + 1.0 / np.expm1(1.0 / one.smear_s) + interval_s / 2,
        }
        for one in machines for year in vintages
    ])  # fmt: skip
