"""Figures and words of the cleaning report, against sums by hand."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import skew

from vinemap.harvest import REASONS, CleaningReport
from vinemap.harvest.delay import DelayEstimate
from vinemap.harvest.report import YieldFigures, describe_effect, figures_of, warn_of_losses
from vinemap.harvest.smear import SmearEstimate

FIGURES = YieldFigures(100, 14.0, 30.0, 0.0, 2.0)


def report(**changes):
    plain = CleaningReport(
        readings=2000, kept=1900, removed={"headland": 99, "idle": 1}, delays=[], before=FIGURES,
        after=FIGURES, interval_s=1.0, passes=20,
    )  # fmt: skip
    return replace(plain, **changes)


def test_figures_are_those_of_the_textbook():
    value = np.random.default_rng(1).gamma(4.0, 3.0, 200)
    found = figures_of(np.r_[value, np.nan], np.zeros(201))
    assert found.readings == 200
    assert found.mean_t_ha == pytest.approx(value.mean())
    assert found.cv_pct == pytest.approx(100 * value.std(ddof=1) / value.mean())
    assert found.skewness == pytest.approx(
        skew(value) * (199 / 200) ** 1.5
    )  # third moment over sample sd cubed
    assert found.nugget_t2_ha2 == pytest.approx(0.5 * np.mean(np.diff(value) ** 2))


def test_nugget_is_of_successive_readings_of_one_pass():
    value, pass_no = np.array([1.0, 3.0, 9.0, 5.0, np.nan, 7.0, 2.0, 4.0]), [0, 0, 1, 1, 1, 1, -1, -1]
    assert figures_of(value, np.array(pass_no)).nugget_t2_ha2 == 0.5 * (4 + 16) / 2
    assert np.isnan(figures_of(value, np.full(8, -1)).nugget_t2_ha2)


def test_figures_of_next_to_nothing():
    nothing = figures_of(np.array([np.nan]), np.zeros(1))
    assert nothing.readings == 0
    assert np.isnan(nothing.mean_t_ha)
    one = figures_of(np.array([7.0]), np.zeros(1))
    assert (one.readings, one.mean_t_ha) == (1, 7.0)
    assert np.isnan(one.cv_pct)
    same = figures_of(np.full(2, 7.0), np.zeros(2))
    assert (same.cv_pct, same.skewness, same.nugget_t2_ha2) == (0.0, 0.0, 0.0)
    assert np.isnan(figures_of(np.zeros(3), np.zeros(3)).cv_pct)


def test_shares_are_told_from_a_twentieth_of_a_per_cent_on():
    lines = report().describe()
    assert lines[0] == "1900 of 2000 readings kept (20 passes)."
    assert f"5.0 % left out: {REASONS['headland']}." in lines  # 4.95
    assert f"0.1 % left out: {REASONS['idle']}." in lines  # 0.05
    few = report(readings=2100).describe()
    assert not any(REASONS["idle"] in one for one in few)
    assert report(readings=0, removed={"idle": 0}).removed_pct == {"idle": 0.0}


def test_delays_are_told_with_day_and_error_or_why():
    delays = [
        DelayEstimate("H1", "", 8.24, 0.31, 40, ""),
        DelayEstimate("H1", "2026-03-02", 8.0, np.nan, 2, "why"),
    ]
    lines = report(delays=delays).describe()
    assert "Flow delay of H1: 8.2 s, standard error 0.3 s." in lines
    assert "Flow delay of H1 on 2026-03-02: 8.0 s; why." in lines


def test_smears_undone_are_told_and_warnings_and_notes_stand_last():
    smears = [SmearEstimate("H1", 0.6, 0.01, 1.5, 40, True), SmearEstimate("H2", 0.1, 0.01, 0.1, 40, False)]
    lines = report(smears=smears, warnings=["w"], notes=["n"]).describe()
    told = [one for one in lines if "conveyor (told" in one]
    assert told == [
        "Grapes of H1 spread over about 1.5 s on the conveyor (told from 40 row ends); this was undone."
    ]
    assert lines[-2:] == ["w", "n"]


def test_a_report_is_fit_for_json():
    plain = report(delays=[DelayEstimate("H1", "", 8.0, float("nan"), 2, "why")]).to_dict()
    assert plain["delays"][0]["se_s"] is None
    assert plain["delays"][0]["delay_s"] == 8.0
    assert plain["before"]["prediction_se_t_ha"] is None
    assert plain["removed_pct"] == {"headland": 4.95, "idle": 0.05}
    assert plain["notes"] == []


def test_effect_is_told_only_where_both_sides_are_known():
    known = describe_effect(FIGURES, replace(FIGURES, nugget_t2_ha2=float("nan")))
    assert [one.split()[0] for one in known] == ["Mean", "Skew"]
    assert describe_effect(FIGURES, FIGURES)[1] == (
        "Two readings in a row differ by about 2.0 t/ha before, 2.0 t/ha after (nugget 2 and 2 (t/ha)2)."
    )


@pytest.mark.parametrize("side", ["before", "after"])
def test_a_skew_of_minus_nothing_is_told_as_none(side):
    sides = {"before": FIGURES, "after": FIGURES} | {side: replace(FIGURES, skewness=-0.04)}
    assert describe_effect(**sides)[2] == "Skew 0.0 before, 0.0 after (0 is even to both sides)."


def warnings(removed, readings, *, before=FIGURES, after=FIGURES):
    return warn_of_losses(removed, readings, before=before, after=after)


def test_much_left_out_is_warned_of_with_the_commonest_reason():
    assert warnings({"idle": 350}, 1000) == []
    told = warnings({"idle": 151, "headland": 200}, 1000)
    assert len(told) == 1
    assert told[0].startswith("35 % of the readings were left out, more than 35 %")
    assert REASONS["headland"] in told[0]
    assert REASONS["idle"] not in told[0]


def test_doubted_readings_are_counted_against_those_within_rows():
    assert warnings({"headland": 150, "idle": 50, "local": 40, "limits": 24}, 1000) == []
    told = warnings({"headland": 150, "idle": 50, "local": 40, "limits": 25}, 1000)  # 65 of 800
    assert told[0].startswith("8 % of the readings within rows were left out as outliers, more than 8 %")


def test_a_mean_that_moved_by_more_than_a_tenth_is_warned_of():
    assert warnings({}, 10, after=replace(FIGURES, mean_t_ha=15.3)) == []
    up = warnings({}, 10, after=replace(FIGURES, mean_t_ha=15.5))
    assert "moved the mean from 14.0 to 15.5 t/ha (+11 %)" in up[0]
    down = warnings({}, 10, after=replace(FIGURES, mean_t_ha=12.5))
    assert "(-11 %)" in down[0]
    nothing = replace(FIGURES, mean_t_ha=0.0)
    assert warnings({}, 10, before=nothing) == []


def test_an_index_may_be_of_any_kind():
    from vinemap.harvest.report import count_reasons

    flags = pd.Series(["", "position", "incomplete", "position"], index=list("dcba"))
    assert list(count_reasons(flags).items()) == [("incomplete", 1), ("position", 2)]
