import numpy as np
import pytest

from vinemap.errors import DataError
from vinemap.surface import LocalBlockKriging, Variogram, cross_validate_rows
from vinemap.surface.validate import _summarise


def test_a_left_out_row_is_predicted_from_the_others_only(rows_of_readings):
    places, row_no, variogram = rows_of_readings
    values = np.random.default_rng(1).normal(10, 2, len(places))
    found = cross_validate_rows(places, values, row_no, variogram=variogram, neighbours=20)
    out = row_no == 4
    model = LocalBlockKriging(variogram, neighbours=20, block_m=0.0).fit(places[~out], values[~out])
    mean, error = model.predict(places[out], return_std=True)
    assert found.prediction[out] == pytest.approx(mean, rel=1e-9)
    assert found.standard_error[out] == pytest.approx(error, rel=1e-9)


def test_intervals_cover_nine_in_ten_under_the_true_variogram(rows_of_readings, draw_field):
    places, row_no, variogram = rows_of_readings
    rng = np.random.default_rng(2)
    noise = rng.uniform(0.2, 2.0, len(places))
    found = [
        cross_validate_rows(
            places,
            field + rng.normal(0, np.sqrt(1.0 + noise)),
            row_no,
            variogram=variogram,
            noise_variance=noise,
        )
        for field in draw_field(variogram, places, 20, rng)
    ]
    assert np.mean([one.coverage_90 for one in found]) == pytest.approx(0.90, abs=0.015)
    assert np.mean([one.mean_squared_ratio for one in found]) == pytest.approx(1.0, abs=0.06)
    assert np.mean([one.mean_error for one in found]) == pytest.approx(0.0, abs=0.05)
    assert found[0].rmse == pytest.approx(np.sqrt(np.mean(found[0].standard_error ** 2)), rel=0.15)


def test_a_draw_of_readings(rows_of_readings):
    places, row_no, variogram = rows_of_readings
    settings = {"variogram": variogram, "max_readings": 100}
    found = cross_validate_rows(places, places[:, 0], row_no, rng=np.random.default_rng(3), **settings)
    assert found.readings == 100
    assert np.isfinite(found.prediction).sum() == 100
    with pytest.raises(DataError, match="max_readings is 100 but rng is missing"):
        cross_validate_rows(places, places[:, 0], row_no, **settings)


def test_constant_readings():
    places = np.stack(np.meshgrid(np.arange(9.0), np.arange(4.0)), -1).reshape(-1, 2)
    found = cross_validate_rows(
        places, np.full(36, 3.0), places[:, 1], variogram=Variogram("spherical", 0, 0, 9)
    )
    assert (found.rmse, found.coverage_90) == (0.0, 1.0)


@pytest.mark.parametrize("rows", [np.zeros(4), [-1, 1, 2, 3], [1, 2]])
def test_refuses_rows_that_cannot_be_left_out(rows):
    places = np.arange(8.0).reshape(4, 2)
    with pytest.raises(DataError, match="cannot be left out"):
        cross_validate_rows(places, np.ones(4), rows, variogram=Variogram("spherical", 1.0, 1.0, 9.0))


def test_figures_are_those_of_errors_and_their_spread():
    values, prediction = np.array([10.0, 12.0, 8.0, 5.0]), np.array([11.0, 10.0, 8.5, np.nan])
    found = _summarise(values, prediction, np.array([1.0, 1.0, 0.0, np.nan]))
    assert found.readings == 3
    assert found.rmse == pytest.approx(np.sqrt((1.0 + 4.0 + 0.25) / 3))
    assert found.mean_error == pytest.approx((1.0 - 2.0 + 0.5) / 3)
    assert found.coverage_90 == pytest.approx(1 / 3)
    assert found.mean_squared_ratio == pytest.approx((1.0 + 4.0) / 2)
    edge = _summarise(np.zeros(2), np.array([1.63, 1.66]), np.ones(2))
    assert edge.coverage_90 == 0.5
    sure = _summarise(np.array([3.0]), np.array([3.0]), np.zeros(1))
    assert sure.coverage_90 == 1.0
    assert np.isnan(sure.mean_squared_ratio)


def test_noise_of_a_reading_is_part_of_its_interval(rows_of_readings):
    places, row_no, variogram = rows_of_readings
    values = places[:, 0] / 9
    plain = cross_validate_rows(places, values, row_no, variogram=variogram, neighbours=20)
    noise = np.zeros(len(values))
    noise[70] = 4.0
    noisy = cross_validate_rows(
        places, values, row_no, variogram=variogram, neighbours=20, noise_variance=noise
    )
    assert noisy.prediction[70] == plain.prediction[70]  # from the other rows only
    assert noisy.standard_error[70] == pytest.approx(np.hypot(plain.standard_error[70], 2.0))


def test_row_nought_may_be_left_out_and_a_draw_of_all_is_all(rows_of_readings):
    places, row_no, variogram = rows_of_readings
    found = cross_validate_rows(places, places[:, 0], row_no, variogram=variogram, max_readings=len(places))
    assert found.readings == len(places)
    assert np.isfinite(found.prediction[row_no == 0]).all()
