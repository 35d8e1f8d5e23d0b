"""Checks of renewals done, and work lists."""

import numpy as np
import pandas as pd
import pytest

from vinemap.errors import DataError, SettingsError
from vinemap.renewal import (
    CAUTIONS,
    check_renewals,
    default_methods,
    list_work,
    missing_by_zone,
    plan_programme,
    refills_by_zone,
)


def yields(rng, *, effect, zones=12, noise=0.05, season=0.2, decline=0.03):
    """Zones that share seasons and a decline; zone Z0 renewed after 2022 with a known effect on log yield."""
    seasons = rng.normal(0, season, 8)
    rows = []
    for zone in range(zones):
        level = np.log(rng.uniform(10, 25))
        for n, vintage in enumerate(range(2019, 2027)):
            log = level + seasons[n] - decline * n + rng.normal(0, noise)
            log += effect if zone == 0 and vintage > 2022 else 0.0
            rows.append((f"Z{zone}", vintage, float(np.exp(log))))
    return pd.DataFrame(rows, columns=["zone_id", "vintage", "yield_t_ha"])


def zone_table(count=12):
    names = [f"Z{n}" for n in range(count)]
    return pd.DataFrame({"zone_id": names, "block_id": [f"B{n // 3}" for n in range(count)]})


DONE = pd.DataFrame({"zone_id": ["Z0"], "year": [2022], "method": ["trunk_renewal"]})


def test_known_effect_is_recovered_without_noise():
    table = check_renewals(yields(np.random.default_rng(1), effect=0.4, noise=0.0), zone_table(), DONE)
    np.testing.assert_allclose(table["change_pct"], 100 * np.expm1(0.4), rtol=1e-9)
    assert table["vintage"].tolist() == [2023, 2024, 2025, 2026]
    assert table["years_after"].tolist() == [1, 2, 3, 4]
    assert (table["controls"] == 11).all()
    np.testing.assert_allclose(table["change_t_ha"], table["yield_t_ha"] * (1 - np.exp(-0.4)))


def test_interval_covers_nine_times_in_ten():
    hits = []
    for seed in range(120):
        data = yields(np.random.default_rng(seed), effect=0.3, noise=0.08)
        row = check_renewals(data, zone_table(), DONE).iloc[1]
        hits.append(row["change_low"] <= 100 * np.expm1(0.3) <= row["change_high"])
    # binomial: 0.9 within three standard errors of 120 tries
    assert abs(np.mean(hits) - 0.9) < 3 * np.sqrt(0.09 / 120)


def test_words_tell_more_from_nothing():
    large = check_renewals(yields(np.random.default_rng(2), effect=0.8), zone_table(), DONE)
    assert large["words"].str.contains("clearly more").all()
    none = check_renewals(yields(np.random.default_rng(3), effect=0.0), zone_table(), DONE)
    assert none["words"].str.contains("within what zones do by themselves").any()
    assert large["words"].iloc[0].startswith("In 2023, the 1st vintage after, ")


def test_controls_are_of_the_same_variety_where_there_are_enough():
    data = yields(np.random.default_rng(4), effect=0.2)
    zones = zone_table().assign(variety=["Shiraz"] * 5 + ["Fiano"] * 7)
    assert (check_renewals(data, zones, DONE)["controls"] == 4).all()
    few = zone_table().assign(variety=["Shiraz"] * 2 + ["Fiano"] * 10)
    assert (check_renewals(data, few, DONE)["controls"] == 11).all()


def test_renewed_zones_are_never_controls():
    data = yields(np.random.default_rng(5), effect=0.2)
    block = pd.DataFrame({"block_id": ["B0"], "year": [2022], "method": ["trunk_renewal"]})
    table = check_renewals(data, zone_table(), block)
    assert set(table["zone_id"]) == {"Z0", "Z1", "Z2"}
    assert (table["controls"] == 9).all()


def test_nothing_before_or_one_control_gives_no_claim():
    data = yields(np.random.default_rng(6), effect=0.2)
    late = data[(data["zone_id"] != "Z0") | (data["vintage"] > 2022)]
    assert check_renewals(late, zone_table(), DONE).empty
    pair = data[data["zone_id"].isin(["Z0", "Z1"])]
    table = check_renewals(pair, zone_table(), DONE)
    assert table["change_low"].isna().all()
    assert table["words"].str.contains("no interval").all()


def test_unknown_renewal_is_refused():
    with pytest.raises(DataError, match=r"Renewal of Z99 does not fit any zone"):
        check_renewals(yields(np.random.default_rng(1), effect=0.1), zone_table(), DONE.assign(zone_id="Z99"))


@pytest.fixture
def rows():
    return pd.DataFrame(
        {
            "row_id": ["A-1", "A-2", "A-10", "B-1", "A-2"],
            "block_id": ["A", "A", "A", "B", "A"],
            "zone_id": ["A-Z1", "A-Z1", "A-Z1", "B-Z3", "A-Z1"],
            "from_vine": [1, 1, 21, 1, 61],
            "to_vine": [50, 40, 60, 100, 90],
            "length_m": [105.0, 84.0, 84.0, 210.0, 63.0],
        }
    )


def test_work_list_adds_up_to_the_programme(valuation, rows):
    plan = plan_programme(valuation, years=3, budget=50_000.0, shadow=False).table
    work = list_work(plan, rows, methods=valuation.methods, missing_share=missing_by_zone(valuation))
    for name in ("cost", "crew_days"):
        found = work.groupby("zone_id")[name].sum()
        np.testing.assert_allclose(found, plan.set_index("zone_id")[name].reindex(found.index), rtol=1e-12)
    fill = work[work["method"] == "infill"].iloc[0]
    assert fill["vines"] == 24
    assert fill["orders"] == 24
    assert fill["wire_m"] == 0.0
    cut = work[work["method"] == "trunk_renewal"]
    assert cut["vines"].sum() == sum(round(0.95 * n) for n in (50, 40, 40, 30))
    np.testing.assert_allclose(cut["wire_m"], cut["length_m"])


def test_work_list_walks_up_one_row_and_down_the_next(valuation, rows):
    plan = plan_programme(valuation, years=3, budget=50_000.0, shadow=False).table
    work = list_work(plan, rows, methods=valuation.methods)
    walk = work[work["block_id"] == "A"][["row_id", "walk", "from_vine"]].to_numpy().tolist()
    assert walk == [
        ["A-1", "forwards", 1], ["A-2", "backwards", 61], ["A-2", "backwards", 1], ["A-10", "forwards", 21],
    ]  # fmt: skip
    for _, year in work.groupby("year"):
        assert year["order"].tolist() == list(range(1, len(year) + 1))


def test_wood_is_an_estimate_with_its_basis_and_cautions(valuation, rows):
    plan = plan_programme(valuation, years=3, budget=50_000.0, shadow=False).table
    work = list_work(plan, rows, methods=default_methods())
    cut = work[work["method"] == "trunk_renewal"]
    assert (cut["wood_low_t"] < cut["wood_t"]).all()
    assert (cut["wood_t"] < cut["wood_high_t"]).all()
    assert cut["basis"].str.contains("rule of thumb without a source", na=False).all()
    for name in ("saws", "chippers", "sprays", "burning"):
        assert cut["caution"].str.contains(CAUTIONS[name], regex=False, na=False).all()


def test_cautions_defer_to_label_law_and_advisers():
    assert "label" in CAUTIONS["sprays"]
    assert "local" in CAUTIONS["saws"]
    assert "wire" in CAUTIONS["chippers"]
    assert "permit" in CAUTIONS["burning"]
    assert "licensed adviser" in CAUTIONS["money"]


def test_work_without_rows_or_method_is_refused(valuation, rows):
    plan = plan_programme(valuation, years=3, budget=50_000.0, shadow=False).table
    with pytest.raises(DataError, match=r"Zone B-Z3 has no vine row"):
        list_work(plan, rows[rows["block_id"] == "A"], methods=valuation.methods)
    with pytest.raises(DataError, match=r"Method infill is not among those given"):
        list_work(plan, rows, methods=[default_methods()[0]])


def test_posts_refills_and_their_order(valuation):
    plan = plan_programme(valuation, years=1).table
    rows = pd.DataFrame({
        "row_id": ["A-1", "B-1"], "block_id": ["A", "B"], "zone_id": ["A-Z1", "B-Z3"], "from_vine": 1,
        "to_vine": 100, "length_m": 210.0,
    })  # fmt: skip
    out = list_work(
        plan, rows, methods=valuation.methods, missing_share=missing_by_zone(valuation),
        refill_share=refills_by_zone(valuation, plan), post_spacing_m=6.3,
    ).set_index("zone_id")  # fmt: skip
    # 210 m at 6.3 m: 34 spans, 35 posts
    assert out["posts"].tolist() == [35, 35]
    assert 5 <= out.loc["A-Z1", "refill_vines"] <= 30
    assert out.loc["B-Z3", "refill_vines"] == 0  # infill sets vines in the work itself
    with pytest.raises(SettingsError, match=r"Posts stand every 0 m"):
        list_work(plan, rows, methods=valuation.methods, post_spacing_m=0)


def test_small_first_crops_after_the_work_are_excused():
    rows = [(zone, year, crop) for zone in "ABCDE" for year, crop in [(2020, 10.0), (2021, 10.0)]]
    table = pd.DataFrame(rows, columns=["zone_id", "vintage", "yield_t_ha"])
    table.loc[(table["zone_id"] == "A") & (table["vintage"] == 2021), "yield_t_ha"] = 2.0
    zones = pd.DataFrame({"zone_id": list("ABCDE"), "block_id": list("ABCDE")})
    done = pd.DataFrame({"zone_id": ["A"], "year": [2020], "method": ["trunk_renewal"]})
    words = check_renewals(table, zones, done)["words"].iloc[0]
    assert words.endswith("clearly less, as the first crops after the work are small by nature.")


def test_refills_of_the_rows_add_up_to_those_of_the_programme(valuation):
    plan = plan_programme(valuation, years=1, shadow=False).table.set_index("zone_id")
    standing = valuation.standing
    places = round(standing.vines_per_ha[0] * standing.area_ha[0])
    firsts = np.arange(1, places, 7)
    rows = pd.DataFrame({
        "row_id": [f"A-{n}" for n in range(1, len(firsts) + 1)], "block_id": "A", "zone_id": "A-Z1",
        "from_vine": firsts, "to_vine": np.minimum(firsts + 6, places), "length_m": 15.0,
    })  # fmt: skip
    plan = plan.loc[["A-Z1"]].reset_index()
    work = list_work(plan, rows, methods=valuation.methods, refill_share=refills_by_zone(valuation, plan))
    assert len(work) > 600
    assert work["refill_vines"].sum() == pytest.approx(plan["vines"].iloc[0], abs=1)
    assert work["refill_vines"].between(0, 2).all()
