"""Machines levelled, totals brought to weighed loads, and everything doubtful said in words."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import truncnorm

from vinemap.errors import DataError
from vinemap.harvest import apply_settlement, clean_readings, settle_vintage, summarise_rows
from vinemap.harvest.machines import WeighedGroup, solve_machines
from vinemap.harvest.tickets import bounded_share
from vinemap.tables import SETTLEMENT, check_table

BIAS = {"H1": 1.08, "H2": 0.95}
MOG_PCT = 2.0


@pytest.fixture(name="estate", scope="module")
def estate_fixture(make):
    blocks = {}
    for number in range(5):
        name = f"B{number}"
        own = ("H1", "H2") if number % 2 == 0 else (("H1",) if number == 1 else ("H2",))
        blocks[name] = make(
            np.random.default_rng(20 + number), rows=28, length_m=180.0, interval_s=2.0, block_id=name,
            machines=own, run=2, delay_s={"H1": 7.0, "H2": 10.0}, bias=BIAS, mean=12.0 + number,
        )  # fmt: skip
    cleaned = {
        name: clean_readings(one.readings, one.rows, outline=one.outline, row_spacing_m=3.0)
        for name, one in blocks.items()
    }
    summary = pd.concat(
        [
            summarise_rows(cleaned[name].readings, one.rows, block_id=name, row_spacing_m=3.0)
            for name, one in blocks.items()
        ]
    )
    return blocks, cleaned, summary


def tickets(tonnes, *, parts=3, mog_pct=MOG_PCT):
    """Weighed loads; `tonnes` are grapes by block (or blocks joined by ;), MOG comes on top."""
    lines = [
        {"load_id": f"{name}-{n}", "vintage": 2026, "block_id": name, "mog_pct": mog_pct, "import_id": 1,
         "net_kg": 1000 * total / parts / (1 - (mog_pct if np.isfinite(mog_pct) else 0) / 100)}
        for name, total in tonnes.items() for n in range(parts)
    ]  # fmt: skip
    return pd.DataFrame(lines, columns=["load_id", "vintage", "block_id", "mog_pct", "import_id", "net_kg"])


def truth(blocks):
    return {name: one.tonnes for name, one in blocks.items()}


# The readings of the generator hold no MOG, so that against loads with MOG in every machine reads 2 % low.
def test_with_loads_bias_is_within_1_pct_and_totals_within_half(estate):
    blocks, _, summary = estate
    result = settle_vintage(summary, tickets(truth(blocks)), vintage=2026)
    bias = result.machines.set_index("machine")
    for name, true in BIAS.items():
        assert np.exp(bias.loc[name, "log_bias"]) == pytest.approx(true * (1 - MOG_PCT / 100), rel=0.01)
    table = result.blocks.set_index("block_id")
    settled = table["factor"] * table["integrated_t"]
    np.testing.assert_allclose(settled, pd.Series(truth(blocks)), rtol=0.005)
    np.testing.assert_allclose(table["leftover_t"], 0.0, atol=1e-9)
    np.testing.assert_allclose(table["mog_pct"], MOG_PCT)
    assert (table["factor_se"] < 0.03).all()
    assert (table["coverage"] > 0.95).all()
    check_table(result.blocks, SETTLEMENT)
    assert result.notes == []


def test_without_loads_machines_level_within_2_pct_and_uncertainty_is_wide(estate):
    _, _, summary = estate
    result = settle_vintage(summary, tickets({}), vintage=2026)
    bias = result.machines.set_index("machine")["log_bias"]
    assert bias["H1"] - bias["H2"] == pytest.approx(np.log(BIAS["H1"] / BIAS["H2"]), abs=0.02)
    assert (result.blocks["factor"] == 1.0).all()
    assert (result.blocks["factor_se"] > 0.05).all()
    assert result.blocks["weighed_t"].isna().all()
    assert "no weighed loads for block B0, B1" in result.notes[0]


def test_a_block_without_loads_leans_on_machines_anchored_elsewhere(estate):
    blocks, _, summary = estate
    some = {name: tonnes for name, tonnes in truth(blocks).items() if name != "B2"}
    line = (
        settle_vintage(summary, tickets(some, mog_pct=0.0), vintage=2026)
        .blocks.set_index("block_id")
        .loc["B2"]
    )
    assert line["factor"] == 1.0
    assert line["integrated_t"] == pytest.approx(blocks["B2"].tonnes, rel=0.02)
    assert line["factor_se"] < 0.05


def test_settled_readings_carry_bias_and_factor(estate):
    blocks, cleaned, summary = estate
    result = settle_vintage(summary, tickets(truth(blocks)), vintage=2026)
    before = cleaned["B0"].readings.copy()
    settled = apply_settlement(cleaned["B0"].readings, result, block_id="B0")
    assert settled.index.equals(before.index[before["flag"] == ""])
    pd.testing.assert_frame_equal(cleaned["B0"].readings, before)
    share = summarise_rows(settled, blocks["B0"].rows, block_id="B0", row_spacing_m=3.0)
    total = (share["yield_t_ha"] * share["area_ha"]).sum()
    assert total == pytest.approx(blocks["B0"].tonnes, rel=0.01)
    with pytest.raises(DataError, match=r"Block Z is not in the settlement. It holds: B0"):
        apply_settlement(before, result, block_id="Z")
    with pytest.raises(DataError, match=r"Machine H9 is not in the settlement"):
        apply_settlement(before.assign(machine="H9"), result, block_id="B0")


def test_shared_loads_are_split_by_what_the_readings_say(estate):
    blocks, _, summary = estate
    tonnes = truth(blocks)
    shared = {"B0": 0.8 * tonnes["B0"], "B1": 0.7 * tonnes["B1"], "B2": tonnes["B2"]}
    shared["B0;B1"] = tonnes["B0"] + tonnes["B1"] - shared["B0"] - shared["B1"]
    result = settle_vintage(summary, tickets(shared | {k: tonnes[k] for k in ("B3", "B4")}), vintage=2026)
    table = result.blocks.set_index("block_id")
    np.testing.assert_allclose(table["weighed_t"], pd.Series(tonnes), rtol=0.02)
    assert table.loc["B0", "weighed_t"] + table.loc["B1", "weighed_t"] == pytest.approx(
        tonnes["B0"] + tonnes["B1"], rel=1e-9
    )
    assert table.loc["B1", "factor_se"] > table.loc["B2", "factor_se"]


def test_loads_of_blocks_without_readings_make_one_note(estate):
    blocks, _, summary = estate
    more = tickets(truth(blocks) | {"B9": 40.0, "Nowhere": 5.0}, parts=4)
    result = settle_vintage(summary, more, vintage=2026, known_blocks=[*blocks, "B9"])
    assert result.notes == [
        "4 loads of vintage 2026 (40.8 t; tickets B9-0, B9-1, B9-2 and 1 more) name block B9, which has no "
        "readings that vintage; not used for settling. Add the readings if there are any.",
        "4 loads of vintage 2026 (5.1 t; tickets Nowhere-0, Nowhere-1, Nowhere-2 and 1 more) name block "
        "Nowhere, which is not a block of the estate; not used for settling. Correct the block in the loads, "
        "or add it to the blocks.",
    ]
    assert (result.blocks["loads"] == 4).all()
    untold = settle_vintage(summary, more, vintage=2026).notes[0]
    assert "has no readings that vintage, or is not a block of the estate" in untold


@pytest.mark.parametrize("part", [0.0, 0.4, 1.0])
def test_a_load_with_a_block_without_readings_widens_but_settles(estate, part):
    blocks, _, summary = estate
    tonnes = truth(blocks)
    mixed, own = 3.0, tonnes["B1"]
    loads = tickets({**tonnes, "B1": own - part * mixed, "B1;B9": mixed})
    result = settle_vintage(summary, loads, vintage=2026, known_blocks=[*blocks, "B9"])
    table = result.blocks.set_index("block_id")
    line = table.loc["B1"]
    assert line["loads"] == 6
    assert own - part * mixed <= line["weighed_t"] <= own + (1 - part) * mixed
    off = np.log(line["weighed_t"] / own)
    assert abs(off) < 2.5 * line["factor_se"]
    assert line["factor_se"] > table.loc["B3", "factor_se"]
    assert table.loc["B3", "weighed_t"] == pytest.approx(tonnes["B3"], rel=0.01)
    note = next(one for one in result.notes if one.startswith("Block B1, vintage 2026: 3 loads"))
    assert "also name block B9, which has no readings that vintage" in note
    assert "Between 0 and 3.06 t" in note


@given(expected=st.floats(-50, 50), error=st.floats(1e-3, 1e6), most=st.floats(1e-3, 40))
def test_a_bounded_share_keeps_its_bounds(expected, error, most):
    mean, deviation = bounded_share(expected, error, most)
    assert 0.0 <= mean <= most
    assert 0.0 <= deviation <= min(most / np.sqrt(12) * 1.01, error * 1.01)


def test_a_bounded_share_is_the_truncated_normal():
    for low, high, expected, error in [(0, 12, 3, 4), (0, 5, 9, 2), (0, 8, -3, 1)]:
        law = truncnorm((low - expected) / error, (high - expected) / error, expected, error)
        assert bounded_share(expected, error, high) == pytest.approx((law.mean(), law.std()), rel=1e-3)


@pytest.mark.parametrize("times", [3.0, 0.2])
def test_loads_far_off_the_readings_are_disputed_with_numbers(estate, times):
    blocks, _, summary = estate
    loads = tickets(truth(blocks) | {"B3": times * blocks["B3"].tonnes})
    result = settle_vintage(summary, loads, vintage=2026)
    line = result.blocks.set_index("block_id").loc["B3"]
    assert line["factor"] == 1.0
    assert line["leftover_t"] == pytest.approx(line["weighed_t"] - line["integrated_t"])
    note = next(one for one in result.notes if one.startswith("Block B3"))
    assert f"{times * blocks['B3'].tonnes / 0.98:.2f} t" in note
    assert "missing or doubled ticket" in note
    bias = result.machines.set_index("machine")["log_bias"]
    assert np.exp(bias["H2"]) == pytest.approx(BIAS["H2"] * 0.98, rel=0.015)


def test_a_factor_apart_from_the_others_is_used_and_pointed_out(estate):
    blocks, _, summary = estate
    result = settle_vintage(summary, tickets(truth(blocks) | {"B3": 0.7 * blocks["B3"].tonnes}), vintage=2026)
    note = next(one for one in result.notes if one.startswith("Block B3"))
    assert "It was used; check for a missing or doubled ticket" in note


def test_missing_mog_and_bad_weights_are_said(estate):
    blocks, _, summary = estate
    loads = tickets(truth(blocks), mog_pct=np.nan)
    result = settle_vintage(summary, loads, vintage=2026)
    assert [one for one in result.notes if "not all loads give MOG" in one] == [
        "Vintage 2026, blocks B0, B1, B2, B3 and B4: not all loads give MOG; none was taken off those "
        "without it, so that the yield may be a little high. Add MOG to the loads."
    ]
    assert result.blocks["mog_pct"].isna().all()
    loads.loc[0, "net_kg"] = -40.0
    result = settle_vintage(summary, loads, vintage=2026)
    notes = " ".join(result.notes)
    assert "1 load of vintage 2026 (ticket B0-0) without a net weight above 0 kg" in notes
    assert "Block B0, vintage 2026: 1 load (ticket B0-0) has no weight." in notes
    line = result.blocks.set_index("block_id").loc["B0"]
    assert line["weighed_t"] == pytest.approx(blocks["B0"].tonnes / 0.98, rel=0.05)
    assert abs(np.log(line["weighed_t"] * 0.98 / blocks["B0"].tonnes)) < 2.5 * line["factor_se"]


def test_missing_rows_are_filled_and_reported(estate):
    blocks, cleaned, _ = estate
    gone = cleaned["B1"].readings.copy()
    gone.loc[gone["row_no"] > 20, "flag"] = "local"
    summary = summarise_rows(gone, blocks["B1"].rows, block_id="B1", row_spacing_m=3.0)
    assert summary.loc[summary["row_no"] == 25, "machine"].tolist() == [""]
    result = settle_vintage(summary, tickets({}), vintage=2026)
    line = result.blocks.iloc[0]
    assert line["coverage"] == pytest.approx(20 / 28, abs=0.03)
    seen = summary[summary["readings"] > 0]
    level = np.exp(-result.machines["log_bias"].iloc[0])
    want = seen["yield_t_ha"].mean() * summary["area_ha"].sum() * level
    assert line["integrated_t"] == pytest.approx(want, rel=1e-9)
    assert "only part of the row length of block B1 (70 %)" in " ".join(result.notes)


def test_other_vintages_are_passed_over_and_no_rows_refused(estate):
    blocks, _, summary = estate
    for loads in (tickets(truth(blocks)), pd.DataFrame()):
        result = settle_vintage(summary, loads, vintage=2025)
        assert (result.blocks["loads"] == 0).all()
    with pytest.raises(DataError, match=r"Vintage 2026 has no rows to settle"):
        settle_vintage(summary.iloc[:0], tickets({}), vintage=2026)


def test_row_means_weigh_ground_not_readings(lay):
    rows = lay(1, 100.0)
    along = np.r_[np.arange(0.5, 50, 1.0), np.arange(51.0, 100, 2.0)]  # twice as fast in the second half
    clean = pd.DataFrame({
        "reading_id": range(along.size), "machine": "H1", "time": pd.Timestamp("2026-03-01", tz="UTC"),
        "pass_no": 0, "row_no": 1, "along_m": along, "flag": "",
        "yield_t_ha": np.where(along < 50, 10.0, 20.0),
    })  # fmt: skip
    frame = gpd.GeoDataFrame(clean, geometry=gpd.points_from_xy(0 * along, along), crs=rows.crs)
    line = summarise_rows(frame, rows, block_id="A", row_spacing_m=3.0).iloc[0]
    assert line["yield_t_ha"] == pytest.approx(15.0, rel=0.01)
    assert line["covered_m"] == pytest.approx(100.0, abs=1.5)
    assert line["area_ha"] == pytest.approx(0.03)


def test_a_reading_that_reaches_over_the_row_end_has_no_say_in_the_mean(lay):
    along = np.r_[
        1.0, np.arange(8.0, 96.0, 8.0), 99.0
    ]  # logged each 8 m; both ends were half in the headland
    clean = pd.DataFrame({
        "reading_id": range(along.size), "machine": "H1", "time": pd.Timestamp("2026-03-01", tz="UTC"),
        "pass_no": 0, "row_no": 1, "along_m": along, "flag": "",
        "yield_t_ha": np.where((along < 4) | (along > 96), 10.0, 20.0),
    })  # fmt: skip
    rows = lay(1, 100.0)
    frame = gpd.GeoDataFrame(clean, geometry=gpd.points_from_xy(0 * along, along), crs=rows.crs)
    line = summarise_rows(frame, rows, block_id="A", row_spacing_m=3.0).iloc[0]
    assert line["yield_t_ha"] == pytest.approx(20.0)
    assert line["covered_m"] == pytest.approx(100.0)
    alone = summarise_rows(frame.iloc[:1], rows, block_id="A", row_spacing_m=3.0).iloc[0]
    assert alone["yield_t_ha"] == pytest.approx(10.0)  # better than nothing


def shared_block(rng: np.random.Generator) -> pd.DataFrame:
    """Eighty rows over a smooth level, each half by a machine; the second reads 10 % (log) high."""
    gap = np.abs(np.subtract.outer(np.arange(80.0), np.arange(80.0))) / 9.0
    cover = 0.07**2 * (1 + gap + gap**2 / 3) * np.exp(-gap)  # smoother than what is fitted
    level = np.linalg.cholesky(cover + 1e-10 * np.eye(80)) @ rng.normal(size=80)
    second = np.arange(80) >= 40
    return pd.DataFrame({
        "block_id": "A", "row_no": np.arange(80), "machine": np.where(second, "H2", "H1"), "readings": 60,
        "yield_t_ha": 15 * np.exp(level + 0.1 * second + rng.normal(0, 0.03, 80)),
    })  # fmt: skip


def test_machines_apart_by_adjoining_rows_alone():
    rng = np.random.default_rng(0)
    apart = []
    for _ in range(60):
        bias = solve_machines(shared_block(rng), [])["log_bias"]
        apart.append(bias.iloc[1] - bias.iloc[0] - 0.1)
    assert abs(np.mean(apart)) < 3 * 0.02 / np.sqrt(60) + 0.001  # the prior draws 10 % by less than 0.1 %
    assert np.std(apart) < 0.027  # a random walk across the rows gives 0.029 on the same blocks


def test_a_broken_row_by_the_boundary_does_not_pull_the_machines_apart():
    whole = shared_block(np.random.default_rng(3))
    broken = whole.assign(yield_t_ha=whole["yield_t_ha"].where(whole["row_no"] != 40, 2.0))
    first, second = (solve_machines(one, [])["log_bias"].diff().iloc[1] for one in (whole, broken))
    assert second == pytest.approx(first, abs=0.04)


def test_loads_that_agree_are_believed_more_than_loads_that_do_not():
    rows = pd.DataFrame({
        "block_id": list("ABCDEFGH"), "row_no": 1, "machine": "H1", "yield_t_ha": 15.0, "readings": 60,
    })  # fmt: skip
    errors = {}
    for name, spread in (("agree", 0.001), ("apart", 0.06)):
        off = spread * np.array([1, -1, 1, -1, 1, -1, 1, -1])
        groups = [WeighedGroup(100.0, {"H1": 110.0 * float(np.exp(one))}) for one in off]
        line = solve_machines(rows, groups).iloc[0]
        assert line["log_bias"] == pytest.approx(np.log(1.1), abs=0.005)
        errors[name] = line["log_bias_se"]
    assert errors["agree"] < 0.03 / np.sqrt(8) < errors["apart"] < 0.06 / np.sqrt(8)
