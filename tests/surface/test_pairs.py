import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.distance import pdist

from vinemap.errors import DataError
from vinemap.surface import experimental_variogram


def test_meuse_first_lags_as_gstat_prints_them(meuse):
    # Handbook 6 [S]: gstat, log zinc, default lags (a third of the diagonal in 15).
    places, zinc = meuse
    cutoff = np.hypot(*np.ptp(places, axis=0)) / 3
    found = experimental_variogram(places, np.log(zinc), max_distance_m=cutoff, bin_m=cutoff / 15)
    assert found.pairs[:3].tolist() == [57, 299, 419]
    assert found.distance_m[:3] == pytest.approx([79.29244, 163.97367, 267.36483], abs=6e-6)
    assert found.semivariance[:3] == pytest.approx([0.1234479, 0.2162185, 0.3027859], abs=6e-8)


def test_same_as_scikit_gstat_on_the_same_bins(meuse):
    peer = pytest.importorskip("skgstat")
    places, zinc = meuse
    edges = 100.01 * np.arange(1, 16)  # clear of whole metres: ties at an edge fall to either side
    theirs = peer.Variogram(places, zinc, bin_func=list(edges), maxlag=1500.2, estimator="matheron")
    ours = experimental_variogram(places, zinc, max_distance_m=1500.15, bin_m=100.01)
    assert ours.pairs.tolist() == theirs.bin_count.tolist()
    assert ours.semivariance == pytest.approx(theirs.experimental, rel=1e-10)


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10_000), count=st.integers(2, 400), stretch=st.floats(0.01, 5.0))
def test_all_pairs_are_counted_once(seed, count, stretch):
    rng = np.random.default_rng(seed)
    places, values = rng.uniform(0, 100, (count, 2)) * [1.0, stretch], rng.normal(size=count)
    distance, square = pdist(places), pdist(values[:, None], "sqeuclidean")
    lag = np.ceil(distance / 4.0).astype(int)
    lag[(distance > 50.0) | (distance == 0)] = 0
    pairs = np.bincount(lag, minlength=14)[1:]
    found = experimental_variogram(places, values, max_distance_m=50.0, bin_m=4.0)
    assert found.pairs.tolist() == pairs[pairs > 0].tolist()
    expected = np.bincount(lag, square, minlength=14)[1:][pairs > 0] / (2 * pairs[pairs > 0])
    assert found.semivariance == pytest.approx(expected, rel=1e-9)


def test_direction_keeps_pairs_along_the_bearing_only():
    east, north = np.meshgrid(np.arange(20.0), np.arange(20.0))
    places = np.column_stack([east.ravel(), north.ravel()])
    along_east = {"max_distance_m": 5.0, "bin_m": 1.0, "tolerance_deg": 10.0}
    east_only = experimental_variogram(places, places[:, 1], bearing_deg=90.0, **along_east)
    assert east_only.semivariance == pytest.approx(0.0)  # the values do not change eastwards
    north_only = experimental_variogram(places, places[:, 1], bearing_deg=180.0, **along_east)
    assert north_only.semivariance[0] == pytest.approx(0.5)
    assert north_only.pairs.tolist() == east_only.pairs.tolist()


@pytest.mark.parametrize("reach", [1.1, 7.3, 1574.0 / 3, 100.0, 0.3])
def test_bins_that_end_exactly_at_the_reach(reach):
    # A reading on the southern edge is exactly eight bins from the ninth: the chord there is nought, not NaN.
    places = np.stack(np.meshgrid(np.arange(12.0), np.arange(12.0)), -1).reshape(-1, 2) * reach / 3.5
    found = experimental_variogram(places, np.arange(144.0), max_distance_m=reach, bin_m=reach)
    assert found.pairs.tolist() == [int((pdist(places) <= reach).sum())]


def test_pairs_in_one_place_are_left_out():
    found = experimental_variogram([[0, 0], [0, 0], [2, 0]], [1.0, 9.0, 1.0], max_distance_m=3.0, bin_m=1.0)
    assert found.pairs.tolist() == [2]
    assert found.semivariance.tolist() == [16.0]


def test_thinning_draws_with_the_generator(meuse):
    places, zinc = meuse
    found = experimental_variogram(
        places, zinc, max_distance_m=5000.0, bin_m=5000.0, thin_to=50, rng=np.random.default_rng(1)
    )
    assert found.pairs.tolist() == [50 * 49 // 2]
    with pytest.raises(DataError, match="thin_to is 50 but rng is missing"):
        experimental_variogram(places, zinc, max_distance_m=5000.0, bin_m=500.0, thin_to=50)


@pytest.mark.parametrize(
    ("values", "reach", "width", "words"),
    [
        (
            [1.0, np.nan, 2.0],
            5.0,
            1.0,
            "value is not a finite number .NaN or inf. in 1 of 3 readings .first at index 1.",
        ),
        ([np.nan] * 3, 5.0, 1.0, "in all 3 of 3"),
        ([1.0, 2.0], 5.0, 1.0, r"3 positions but values of shape \(2,\)"),
        ([1.0, 2.0, 3.0], 5.0, 6.0, "Lag width 6.0 m and longest distance 5.0 m"),
    ],
)
def test_refuses_unfit_input(values, reach, width, words):
    with pytest.raises(DataError, match=words):
        experimental_variogram([[0, 0], [1, 0], [2, 0]], values, max_distance_m=reach, bin_m=width)


@pytest.mark.parametrize("bearing", [0.0, 30.0, 90.0, 150.0])
@pytest.mark.parametrize("tolerance", [10.0, 22.5, 60.0])
def test_pairs_of_a_bearing_are_those_within_the_tolerance(bearing, tolerance):
    rng = np.random.default_rng(4)
    places, values = rng.uniform(0, 60, (350, 2)), rng.normal(size=350)
    found = experimental_variogram(
        places, values, max_distance_m=30.0, bin_m=5.0, bearing_deg=bearing, tolerance_deg=tolerance
    )
    first, second = np.triu_indices(350, 1)
    step = places[second] - places[first]
    distance = np.hypot(*step.T)
    off = np.abs((np.rad2deg(np.arctan2(step[:, 0], step[:, 1])) - bearing + 90.0) % 180.0 - 90.0)
    used = (distance <= 30.0) & (off <= tolerance)
    lag = np.ceil(distance[used] / 5.0).astype(int)
    square = (values[second] - values[first])[used] ** 2
    assert found.pairs.tolist() == np.bincount(lag, minlength=7)[1:].tolist()
    assert found.semivariance == pytest.approx(np.bincount(lag, square)[1:] / 2 / found.pairs)
    assert found.distance_m == pytest.approx(np.bincount(lag, distance[used])[1:] / found.pairs)


def test_readings_in_one_bin_by_the_hundred_are_paired_once():
    rng = np.random.default_rng(5)
    places, values = rng.uniform(0, 1.0, (700, 2)), rng.normal(size=700)
    found = experimental_variogram(places, values, max_distance_m=40.0, bin_m=40.0)
    assert found.pairs.tolist() == [700 * 699 // 2]
    assert found.semivariance[0] == pytest.approx(values.var(ddof=1))
    assert found.variance == pytest.approx(values.var())


def test_a_lag_may_be_as_wide_as_the_reach_but_not_wider_nor_nought():
    places, values = [[0, 0], [1, 0], [0, 3]], [1.0, 2.0, 4.0]
    assert experimental_variogram(places, values, max_distance_m=3.0, bin_m=3.0).pairs.tolist() == [2]
    assert experimental_variogram(places, values, max_distance_m=3.5, bin_m=1.0).pairs.tolist() == [1, 1, 1]
    for reach, width in ((3.0, 3.1), (3.0, 0.0), (np.inf, 1.0), (3.0, -1.0)):
        with pytest.raises(DataError, match="do not fit"):
            experimental_variogram(places, values, max_distance_m=reach, bin_m=width)


def test_thinning_to_as_many_as_there_are_keeps_all():
    places, values = [[0, 0], [1, 0], [0, 3]], [1.0, 2.0, 4.0]
    options = {"max_distance_m": 9.0, "bin_m": 9.0}
    assert experimental_variogram(places, values, thin_to=3, **options).pairs.tolist() == [3]
    thinned = experimental_variogram(places, values, thin_to=2, rng=np.random.default_rng(1), **options)
    assert thinned.pairs.tolist() == [1]
