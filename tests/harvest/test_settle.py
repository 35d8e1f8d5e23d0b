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
from vinemap.harvest.settle import _integrate
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


def summary_of(*lines):
    """Row summaries by hand: (block, row, machine, yield, covered of 100 m)."""
    return pd.DataFrame([
        {"block_id": block, "row_no": row, "machine": machine, "yield_t_ha": value, "covered_m": covered,
         "readings": 50 * (covered > 0), "length_m": 100.0, "area_ha": 0.03}
        for block, row, machine, value, covered in lines
    ])  # fmt: skip


def plain_blocks(names="ABCD", *, rows=10, value=20.0):
    """Blocks of 0.3 ha and 6 t, of one machine."""
    return summary_of(*[(name, row, "H1", value, 100.0) for name in names for row in range(rows)])


def test_tonnes_are_row_means_over_whole_rows_shared_by_covered_ground():
    summary = summary_of(
        ("A", 1, "H1", 10.0, 60.0), ("A", 1, "H2", 30.0, 20.0), ("A", 2, "H1", 20.0, 90.0),
        ("A", 3, "", np.nan, 0.0),
    )  # fmt: skip
    line = settle_vintage(summary, tickets({}), vintage=2026).blocks.iloc[0]
    # Row 1: 3/4 of 0.03 ha at 10 and 1/4 at 30; row 2: 0.03 ha at 20; row 3 as their mean.
    assert _integrate(summary)["A"] == pytest.approx(
        {"H1": 1.5 * (0.0225 * 10 + 0.03 * 20), "H2": 1.5 * 0.0075 * 30}
    )
    assert line["coverage"] == pytest.approx((80 + 90) / 300)
    over = summary_of(("A", 1, "H1", 10.0, 80.0), ("A", 1, "H2", 10.0, 50.0), ("A", 2, "H1", 10.0, 40.0))
    assert settle_vintage(over, tickets({}), vintage=2026).blocks["coverage"].iloc[0] == pytest.approx(
        1.4 / 2
    )


def test_error_of_a_factor_is_that_of_weighing_tickets_mog_and_filled_rows():
    loads = tickets({"A": 6.0, "B": 6.0, "C": 6.0, "D": 6.0}, parts=4, mog_pct=2.0)
    found = settle_vintage(plain_blocks(), loads, vintage=2026).blocks.set_index("block_id")
    assert found["factor_se"].tolist() == pytest.approx([np.sqrt(0.005**2 + 0.01**2 + 0.003**2)] * 4)
    assert found["loads"].tolist() == [4] * 4
    without = settle_vintage(
        plain_blocks(), tickets({"A": 6.0}, parts=1, mog_pct=np.nan), vintage=2026
    ).blocks
    assert without["factor_se"].iloc[0] == pytest.approx(np.sqrt(0.005**2 + 0.02**2 + 0.01**2))
    part = plain_blocks("A")
    part["yield_t_ha"] = 20.0 * np.exp(0.1 * np.array([1, -1] * 5))
    part.loc[[8, 9], ["covered_m", "readings", "yield_t_ha"]] = [0.0, 0, np.nan]
    filled = settle_vintage(part, tickets({"A": 6.0}, parts=4), vintage=2026).blocks.iloc[0]
    spread = (
        0.2 * np.log(part["yield_t_ha"]).std()
    )  # a fifth of the rows, each off by the scatter of row means
    assert filled["factor_se"] == pytest.approx(np.sqrt(0.005**2 + 0.01**2 + 0.003**2 + spread**2))


def test_part_of_a_shared_load_has_an_error_of_a_fifth():
    loads = tickets({"A": 4.0, "B": 4.0, "A;B": 4.0, "C": 6.0}, parts=1)
    found = settle_vintage(plain_blocks("ABC"), loads, vintage=2026).blocks.set_index("block_id")
    split = 0.2 * 2.0 / 6.0  # 2 of its 6 t came in the shared load
    assert found.loc["A", "factor_se"] == pytest.approx(
        np.sqrt(0.005**2 + 0.02**2 / 2 + 0.003**2 + split**2), rel=1e-3
    )
    assert found.loc["A", "weighed_t"] == pytest.approx(6.0, rel=1e-3)


def test_blocks_without_loads_carry_machine_error_and_how_far_settled_blocks_are_from_one():
    summary = pd.concat([plain_blocks("ABC"), plain_blocks("Z")])
    near = settle_vintage(summary, tickets(dict.fromkeys("ABC", 6.0), mog_pct=0.0), vintage=2026)
    line = near.blocks.set_index("block_id").loc["Z"]
    assert line["factor_se"] == pytest.approx(np.hypot(near.machines["log_bias_se"].iloc[0], 0.01))
    few = settle_vintage(summary, tickets(dict.fromkeys("AB", 6.0), mog_pct=0.0), vintage=2026)
    line = few.blocks.set_index("block_id").loc["Z"]
    assert line["factor_se"] == pytest.approx(np.hypot(few.machines["log_bias_se"].iloc[0], 0.03))
    far = settle_vintage(summary, tickets({"A": 6.6, "B": 6.0, "C": 5.4}, mog_pct=0.0), vintage=2026)
    table = far.blocks.set_index("block_id")
    apart = np.sqrt(np.mean(np.log(table.loc[["A", "B", "C"], "factor"]) ** 2))
    assert table.loc["Z", "factor_se"] == pytest.approx(np.hypot(far.machines["log_bias_se"].iloc[0], apart))


def test_a_block_without_any_reading_has_the_wide_error_of_an_unknown_machine():
    summary = pd.concat([plain_blocks("A"), summary_of(("Z", 1, "", np.nan, 0.0), ("Z", 2, "", np.nan, 0.0))])
    line = settle_vintage(summary, tickets({}), vintage=2026).blocks.set_index("block_id").loc["Z"]
    assert (line["integrated_t"], line["coverage"]) == (0.0, 0.0)
    assert line["factor_se"] == pytest.approx(np.hypot(0.15, 0.03))


@pytest.mark.parametrize(("factor", "told"), [(1.2, False), (1.26, True), (0.83, False), (0.79, True)])
def test_a_factor_a_fifth_from_the_others_is_pointed_out(factor, told):
    loads = tickets({"A": 6.0 * factor, "B": 6.0, "C": 6.0, "D": 6.0, "E": 6.0}, mog_pct=0.0)
    notes = settle_vintage(plain_blocks("ABCDE"), loads, vintage=2026).notes
    assert any("It was used; check for" in one for one in notes) == told
    two = settle_vintage(plain_blocks("AB"), tickets({"A": 6.0 * factor, "B": 6.0}), vintage=2026).notes
    assert not any("It was used; check for" in one for one in two)  # two say nothing of what is usual


@pytest.mark.parametrize(("covered", "told"), [(79.0, True), (81.0, False)])
def test_thin_coverage_is_told_below_four_fifths(covered, told):
    summary = plain_blocks("A").assign(covered_m=covered)
    notes = settle_vintage(summary, tickets({"A": 6.0}), vintage=2026).notes
    assert any("cover only part of the row length of block A" in one for one in notes) == told


def test_loads_by_machine_level_machines_that_share_no_block():
    summary = pd.concat([plain_blocks("A", value=22.0), plain_blocks("B", value=20.0).assign(machine="H2")])
    loads = tickets({"A": 6.0, "B": 6.0}, parts=1, mog_pct=0.0).assign(machine=["H1", "H2"])
    bias = settle_vintage(summary, loads, vintage=2026).machines.set_index("machine")["log_bias"]
    assert bias["H1"] == pytest.approx(np.log(1.1), abs=0.01)
    assert bias["H2"] == pytest.approx(0.0, abs=0.01)
    swapped = loads.assign(machine=["H2", "H1"])
    assert settle_vintage(summary, swapped, vintage=2026).blocks["factor"].tolist() != [1.0, 1.0]


def test_loads_too_vague_do_not_move_the_machines_but_settle_the_block():
    loads = tickets({"A": 3.0, "A;X": 6.0}, parts=1, mog_pct=0.0)
    result = settle_vintage(plain_blocks("A"), loads, vintage=2026)
    assert result.machines["log_bias"].tolist() == [0.0]
    line = result.blocks.iloc[0]
    assert 3.0 < line["weighed_t"] < 9.0
    assert line["loads"] == 2
    clear = settle_vintage(
        plain_blocks("A"), tickets({"A": 5.5, "A;X": 0.4}, parts=1, mog_pct=0.0), vintage=2026
    )
    assert clear.machines["log_bias"].iloc[0] > 0.02  # 5.5 to 5.9 t weighed of 6.0 t


def test_doubt_of_a_vague_load_goes_into_the_error_of_the_factor():
    loads = tickets({"A": 5.5, "A;X": 0.4}, parts=1, mog_pct=0.0)
    line = settle_vintage(plain_blocks("A"), loads, vintage=2026).blocks.iloc[0]
    doubt = 0.4 / np.sqrt(12) / line["weighed_t"]  # anything from nothing to all of 0.4 t is about as likely
    assert line["factor_se"] == pytest.approx(np.sqrt(0.005**2 + 0.02**2 / 2 + 0.003**2 + doubt**2), rel=0.03)
