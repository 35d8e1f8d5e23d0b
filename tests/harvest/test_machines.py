"""Machines levelled: errors that are honest, priors that hold, loads that pull as they should."""

import numpy as np
import pandas as pd
import pytest

from vinemap.harvest.machines import (
    PRIOR_LOG_SD,
    WeighedGroup,
    _adjoining_rows,
    _row_covariance,
    _try_levels,
    solve_machines,
)


def rows_of(yields, machine, *, block="A", readings=60, row_no=None):
    count = len(yields)
    return pd.DataFrame({
        "block_id": block, "row_no": np.arange(count) if row_no is None else row_no, "machine": machine,
        "yield_t_ha": yields, "readings": readings,
    })  # fmt: skip


def drawn(rng, rows=48, *, bias=0.1, noise=0.03, run=4, mean=15.0):
    """Rows over a smooth level (Matern 3/2, 8 rows), two machines that take turns; the second reads high."""
    gap = np.abs(np.subtract.outer(np.arange(float(rows)), np.arange(float(rows)))) / 8.0
    level = np.linalg.cholesky(0.08**2 * (1 + gap) * np.exp(-gap) + 1e-10 * np.eye(rows)) @ rng.normal(
        size=rows
    )
    second = np.arange(rows) // run % 2 == 1
    value = mean * np.exp(level + bias * second + rng.normal(0, noise, rows))
    return rows_of(value, np.where(second, "H2", "H1"))


def contrast(precision):
    """Standard error of the second machine less the first."""
    covariance = np.linalg.inv(precision)
    return float(np.sqrt(covariance[0, 0] + covariance[1, 1] - 2 * covariance[0, 1]))


def test_error_between_machines_is_the_scatter_of_what_is_found():
    rng = np.random.default_rng(2)
    off, told = [], []
    for _ in range(20):
        precision, pull = _adjoining_rows(drawn(rng), ["H1", "H2"])
        bias = np.linalg.solve(precision, pull)
        off.append(bias[1] - bias[0] - 0.1)
        told.append(contrast(precision))
    assert abs(np.mean(off)) < 3 * np.std(off) / np.sqrt(20)
    assert np.mean(told) == pytest.approx(np.std(off), rel=0.45)
    assert np.ptp(told) > 0.0


def test_rows_say_nothing_of_the_level_of_both_machines_nor_of_a_third():
    precision, pull = _adjoining_rows(drawn(np.random.default_rng(3)), ["H0", "H1", "H2"])
    assert precision[0].tolist() == [0.0] * 3
    assert pull[0] == 0.0
    both = np.linalg.inv(precision[1:, 1:])
    assert np.sqrt(both.mean()) > 2.0  # log units: nothing is known of their common level


def test_without_any_evidence_the_prior_stands():
    found = solve_machines(rows_of(np.full(30, 15.0), "H1"), [])
    assert found["log_bias"].tolist() == [0.0]
    assert found["log_bias_se"].tolist() == pytest.approx([PRIOR_LOG_SD])
    assert solve_machines(rows_of([np.nan, 0.0], "H1"), []).empty
    assert solve_machines(rows_of([12.0], "H1", readings=0), []).empty


def test_two_machines_in_blocks_of_their_own_are_not_levelled_by_rows():
    apart = pd.concat([rows_of(np.full(20, 10.0), "H1"), rows_of(np.full(20, 20.0), "H2", block="B")])
    assert solve_machines(apart, [])["log_bias"].tolist() == [0.0, 0.0]


def test_machines_share_the_correction_where_only_their_difference_is_known():
    found = solve_machines(drawn(np.random.default_rng(4), bias=0.2), []).set_index("machine")
    assert found["log_bias"].sum() == pytest.approx(0.0, abs=0.002)
    assert found["log_bias"].diff().iloc[1] == pytest.approx(0.2, abs=0.03)
    assert (found["log_bias_se"] < PRIOR_LOG_SD).all()
    assert found["log_bias_se"].iloc[0] == pytest.approx(PRIOR_LOG_SD / np.sqrt(2), rel=0.05)


def test_more_blocks_make_the_machines_surer():
    rng = np.random.default_rng(5)
    one = _adjoining_rows(drawn(rng), ["H1", "H2"])[0]
    parts = [drawn(rng).assign(block_id=name) for name in "ABCD"]
    four = sum(_adjoining_rows(part, ["H1", "H2"])[0] for part in parts)
    assert contrast(four) == pytest.approx(contrast(one) / 2, rel=0.3)
    together = solve_machines(pd.concat(parts), [])["log_bias"].diff().iloc[1]
    assert together == pytest.approx(0.1, abs=0.02)


def test_a_row_of_few_readings_counts_less():
    block = drawn(np.random.default_rng(6), noise=0.01)
    moved = block.assign(yield_t_ha=block["yield_t_ha"] * np.where(np.arange(48) == 20, 1.02, 1.0))

    def effect(readings):
        before, after = (
            solve_machines(one.assign(readings=readings), [])["log_bias"].diff().iloc[1]
            for one in (block, moved)
        )
        return abs(after - before)

    assert effect(np.where(np.arange(48) == 20, 1, 60)) < 0.3 * effect(60)


@pytest.mark.parametrize(("rows", "tried"), [(11, 1), (12, 35)])
def test_a_block_of_few_rows_takes_the_usual_ranges(rows, tried):
    block = drawn(np.random.default_rng(7), rows=rows, run=2)
    row = block["row_no"].to_numpy(dtype=float)
    seen = (block["machine"].to_numpy()[:, None] == np.array(["H1", "H2"])).astype(float)
    log = np.log(block["yield_t_ha"].to_numpy())
    found = _try_levels(np.abs(np.subtract.outer(row, row)), log, seen, np.ones(rows))
    assert len(found) == tried
    if tried == 1:
        assert (found[0].reach, found[0].share, found[0].variance) == (8.0, 0.35, pytest.approx(0.06**2))


def test_restricted_likelihood_is_that_of_the_textbook():
    # Patterson & Thompson 1971: with P = V^-1 - V^-1 X (X'V^-1 X)^-1 X'V^-1, minus half of
    # log|V| + log|X'V^-1 X| + n log s, s = y'Py / n, n degrees of freedom.
    block = drawn(np.random.default_rng(8), rows=20)
    row = block["row_no"].to_numpy(dtype=float)
    gap = np.abs(np.subtract.outer(row, row))
    seen = (block["machine"].to_numpy()[:, None] == np.array(["H1", "H2"])).astype(float)
    log, thin = np.log(block["yield_t_ha"].to_numpy()), np.linspace(1.0, 2.0, 20)
    for one in _try_levels(gap, log, seen, thin)[::9]:
        matrix = _row_covariance(gap, one.reach, one.share, thin)
        inverse = np.linalg.inv(matrix)
        normal = seen.T @ inverse @ seen
        projected = inverse - inverse @ seen @ np.linalg.solve(normal, seen.T @ inverse)
        variance = log @ projected @ log / 18
        spread = np.linalg.slogdet(matrix)[1] + np.linalg.slogdet(normal)[1]
        assert one.variance == pytest.approx(variance)
        assert one.log_likelihood == pytest.approx(-0.5 * (18 * np.log(variance) + spread))
        assert one.bias == pytest.approx(np.linalg.solve(normal, seen.T @ inverse @ log))
        assert one.covariance == pytest.approx(variance * np.linalg.inv(normal))


def test_covariance_of_rows_is_matern_and_noise():
    found = _row_covariance(np.array([[0.0, 8.0], [8.0, 0.0]]), 8.0, 0.25, np.array([1.0, 3.0]))
    assert found[0, 0] == 1.0
    assert found[1, 1] == 0.75 + 0.25 * 3.0
    assert found[0, 1] == pytest.approx(0.75 * 2.0 * np.exp(-1.0))


def weighed(*groups):
    rows = pd.concat([rows_of([15.0], "H1", block="A"), rows_of([15.0], "H2", block="B")])
    return solve_machines(rows, list(groups)).set_index("machine")


def test_a_load_pulls_its_machine_and_holds_it_as_closely_as_loads_are():
    found = weighed(WeighedGroup(100.0, {"H1": 110.0}))
    between = (2.0 * 0.03**2 + 0.03**2) / 3.0  # one load that fits by itself hardly changes the usual spread
    assert found.loc["H1", "log_bias"] == pytest.approx(np.log(1.1) / (1 + between / 0.15**2), rel=0.02)
    assert found.loc["H1", "log_bias_se"] == pytest.approx(0.03, rel=0.1)
    assert found.loc["H2"].tolist() == pytest.approx([0.0, PRIOR_LOG_SD])


def test_loads_over_more_blocks_are_believed_more_and_shared_out_ones_less():
    plain = weighed(WeighedGroup(100.0, {"H1": 110.0}))
    many = weighed(WeighedGroup(100.0, {"H1": 110.0}, blocks=9))
    vague = weighed(WeighedGroup(100.0, {"H1": 110.0}, log_error=0.1))
    assert many.loc["H1", "log_bias_se"] == pytest.approx(0.01, rel=0.2)
    assert vague.loc["H1", "log_bias_se"] == pytest.approx(
        1 / np.sqrt(1 / 0.15**2 + 1 / (0.03**2 + 0.1**2)), rel=0.05
    )
    assert many.loc["H1", "log_bias"] > plain.loc["H1", "log_bias"] > vague.loc["H1", "log_bias"]


def test_a_load_of_two_machines_is_theirs_by_tonnes():
    found = weighed(WeighedGroup(100.0, {"H1": 90.0, "H2": 30.0}))
    # levelled tonnes come to those weighed, but for the prior; the larger part moves more
    levelled = 90.0 * np.exp(-found.loc["H1", "log_bias"]) + 30.0 * np.exp(-found.loc["H2", "log_bias"])
    assert levelled == pytest.approx(100.0, abs=2.0)
    assert found.loc["H1", "log_bias"] == pytest.approx(3.0 * found.loc["H2", "log_bias"], rel=0.15)


def test_one_load_far_off_the_others_hardly_pulls():
    good = [WeighedGroup(100.0, {"H1": 110.0}) for _ in range(6)]
    found = weighed(*good, WeighedGroup(100.0, {"H1": 190.0}))
    assert found.loc["H1", "log_bias"] == pytest.approx(np.log(1.1), abs=0.03)
    plain_mean = np.log(1.1) + (np.log(1.9) - np.log(1.1)) / 7
    assert found.loc["H1", "log_bias"] < 0.6 * plain_mean + 0.4 * np.log(1.1)
