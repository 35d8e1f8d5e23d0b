"""What is told of the cleaning: table, text, and the error of the map before and after."""

import re
from dataclasses import replace

import geopandas as gpd
import numpy as np
import pytest
import shapely

from vinemap.harvest import CleaningReport, CleanYield
from vinemap.harvest.report import YieldFigures, figures_of, warn_of_losses
from vinemap.pipeline.cleaning import describe_cleaning, judge_cleaning, tabulate_cleaning


@pytest.fixture(name="cleaned", scope="module")
def cleaned_fixture():
    """Rows of readings with every twentieth a spike that was flagged, and turning with wild values."""
    rng = np.random.default_rng(4)
    along, across = np.meshgrid(np.arange(0.0, 120.0, 2.0), np.arange(0.0, 60.0, 3.0))
    value = 12.0 + rng.normal(0, 1.0, along.size)
    flag = np.full(along.size, "", dtype=object)
    flag[::20], flag[1::200] = "local", "headland"
    value[flag == "local"] *= 4.0
    value[flag == "headland"] = 900.0
    readings = gpd.GeoDataFrame(
        {"yield_t_ha": value, "flag": flag},
        geometry=shapely.points(along.ravel(), across.ravel()),
        crs="EPSG:3035",
    )
    kept = np.where(flag == "", value, np.nan)
    one_pass = np.zeros(len(value), dtype=int)
    report = CleaningReport(
        readings=len(value),
        kept=int((flag == "").sum()),
        removed={"headland": int((flag == "headland").sum()), "local": int((flag == "local").sum())},
        delays=[],
        before=figures_of(np.where(flag == "headland", np.nan, value), one_pass),
        after=figures_of(kept, one_pass),
        interval_s=1.0,
        passes=20,
    )
    return CleanYield(readings, report)


def test_map_is_judged_before_and_after(cleaned):
    told = judge_cleaning(cleaned, block_m=10.0)
    # Without structure 64 readings of SD 1 are averaged; spikes of 36 t/ha in a twentieth have an SD of 8.
    assert told.after.prediction_se_t_ha == pytest.approx(1 / np.sqrt(64), rel=0.6)
    assert told.before.prediction_se_t_ha > 4 * told.after.prediction_se_t_ha
    assert judge_cleaning(cleaned, block_m=10.0) == told  # no chance in it


def test_too_few_readings_are_not_judged(cleaned):
    few = CleanYield(cleaned.readings.iloc[:20], cleaned.report)
    assert np.isnan(judge_cleaning(few, block_m=10.0).after.prediction_se_t_ha)


def test_table_and_text_say_what_went_and_what_it_did(cleaned):
    told = judge_cleaning(cleaned, block_m=10.0)
    plain = told.to_dict() | {"described": told.describe()}
    reports = {"B": {"2026": plain, "2025": plain | {"warnings": ["Odd."]}}}
    table = tabulate_cleaning(reports)
    assert table["vintage"].tolist() == [2025, 2026]
    assert table["left_out_pct"].iloc[0] == pytest.approx(100 * (1 - told.kept / told.readings))
    assert table["prediction_se_after_t_ha"].iloc[0] == told.after.prediction_se_t_ha
    text = describe_cleaning(reports, vintage=2026)
    assert "| B | 1200 | 94.5 | 0.5 | 0.0 | 5.0 |" in text
    assert "- Block B, vintage 2025: Odd." in text
    assert "A 10 m square is known to +-" in text
    assert describe_cleaning({"B": {}}, vintage=2026) == ""


@pytest.mark.parametrize(
    ("removed", "after", "words"),
    [
        ({"headland": 40}, 14.0, "40 % of the readings were left out, more than 35 %"),
        ({"headland": 20, "local": 8}, 14.0, "10 % of the readings within rows were left out as outliers"),
        ({"limits": 5}, 11.0, r"moved the mean from 14.0 to 11.0 t/ha \(-21 %\)"),
    ],
)
def test_too_much_gone_is_warned_of(removed, after, words):
    before, left = (YieldFigures(100, mean, 30.0, 0.0, 1.0) for mean in (14.0, after))
    found = warn_of_losses(removed, 100, before=before, after=left)
    assert len(found) == 1

    assert re.search(words, found[0])


def test_harvesters_that_read_low_or_high_are_told_with_their_interval(cleaned):
    plain = cleaned.report.to_dict() | {"described": []}
    machines = [
        {"vintage": 2025, "machine": "H1", "log_bias": np.log(0.9), "log_bias_se": 0.01},
        {"vintage": 2026, "machine": "H1", "log_bias": np.log(0.92), "log_bias_se": 0.01},
        {"vintage": 2026, "machine": "H2", "log_bias": np.log(1.04), "log_bias_se": 0.02},
    ]
    text = describe_cleaning({"B": {"2026": plain}}, vintage=2026, machines=machines)
    assert "| vintage | H1 | H2 |" in text
    assert "| 2025 | -10.0 +- 1.5 | - |" in text  # 1.645 x 0.01 x 0.9
    assert "| 2026 | -8.0 +- 1.5 | +4.0 +- 3.4 |" in text
    hardly = describe_cleaning(
        {"B": {"2026": plain}}, vintage=2026, machines=[machines[0] | {"log_bias": -0.0004}]
    )
    assert "| 2025 | +0.0 +- 1.6 |" in hardly  # no minus before nothing
    assert "How the harvesters read" not in describe_cleaning({"B": {"2026": plain}}, vintage=2026)


def test_a_share_that_rounds_to_nothing_is_left_to_the_table(cleaned):
    told = replace(cleaned.report, readings=10_000, removed={"headland": 6, "local": 4}).describe()
    assert sum("left out" in one for one in told) == 1
    assert told[1].startswith("0.1 % left out: picked outside the outline")
