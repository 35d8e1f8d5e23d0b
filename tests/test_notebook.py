"""The notebook face: tables that know their units, small map, surfaces as arrays, kriging in scikit-learn."""

from __future__ import annotations

import re
from types import SimpleNamespace
from xml.etree import ElementTree

import geopandas as gpd
import numpy as np
import pytest
import shapely
from sklearn.base import clone
from sklearn.model_selection import GridSearchCV, KFold
from sklearn.utils.estimator_checks import check_estimator

from vinemap import tables
from vinemap.publish import EstateLabel, attach_units, draw_estate, open_surface, show_result, write_surface
from vinemap.surface import LocalBlockKriging, Variogram

SVG = "{http://www.w3.org/2000/svg}"
MODEL = Variogram("exponential", 0.1, 1.0, 2.0)


@pytest.fixture
def layers() -> dict[str, gpd.GeoDataFrame]:
    """Two blocks of an invented estate with three zones, one of them with an awkward name."""
    west = 930_000.0
    shapes = [shapely.box(west, 0, west + 60, 200), shapely.box(west + 60, 0, west + 200, 200),
              shapely.box(west + 220, 0, west + 400, 200)]  # fmt: skip
    zone = gpd.GeoDataFrame(
        {
            "zone_id": ["A-Z1", "A-Z2", "<B>&-Z1"],
            "advice": ["renew", "keep", "scout"],
            "area_ha": [1.2, 2.8, 3.6],
            "gain_per_ha": [9000.0, -400.0, 100.0],
        },
        geometry=shapes,
        crs="EPSG:9473",
    )
    block = gpd.GeoDataFrame(
        {"block_id": ["A", "B"]}, geometry=[shapely.box(west, 0, west + 200, 200), shapes[2]], crs="EPSG:9473"
    )
    return {"zone": zone, "block": block}


def test_units_meanings_and_crs_are_attributes(layers):
    typed = attach_units(layers["zone"], "zone", currency="AUD")
    assert isinstance(typed, gpd.GeoDataFrame)
    assert typed.attrs["units"] == {"zone_id": "", "advice": "", "area_ha": "ha", "gain_per_ha": "AUD/ha"}
    assert typed.attrs["meanings"]["area_ha"] == tables.ZONE.column("area_ha").meaning
    assert typed.attrs["crs"] == "EPSG:9473"
    assert layers["zone"].attrs == {}


def test_attributes_survive_parquet(layers, tmp_path):
    attach_units(layers["zone"], tables.ZONE).to_parquet(tmp_path / "zone.parquet")
    assert gpd.read_parquet(tmp_path / "zone.parquet").attrs["units"]["gain_per_ha"] == "currency/ha"


def test_local_crs_without_a_code_is_given_in_full(layers):
    local = layers["zone"].to_crs("+proj=laea +lat_0=-34.4 +lon_0=142.2 +ellps=GRS80 +units=m")
    assert attach_units(local, "zone").attrs["crs"].startswith("PROJCRS")


@pytest.mark.parametrize("table", tables.OUTPUTS, ids=lambda one: one.name)
def test_every_documented_column_has_an_entry(table):
    empty = tables.empty_table(table, crs="EPSG:9473")
    assert list(attach_units(empty, table).attrs["units"]) == table.names


def test_unknown_table_is_refused(layers):
    with pytest.raises(KeyError, match="zones"):
        attach_units(layers["zone"], "zones")


def test_map_shows_every_zone_by_its_advice_and_nothing_runs(layers):
    root = ElementTree.fromstring(draw_estate(layers))
    zones = [one for one in root.iter(f"{SVG}path") if one.find(f"{SVG}title") is not None]
    assert [one.get("fill") for one in zones] == [
        f"url(#hatch-{one}" + ")" for one in ("renew", "keep", "scout")
    ]
    assert zones[2].findtext(f"{SVG}title") == "<B>&-Z1: scout, 3.60 ha"
    assert [one.text for one in root.iter(f"{SVG}text")] == ["R", "K", "S"]
    assert root.get("aria-label") == "renew 1, scout 1, watch 0, keep 1"
    assert not list(root.iter(f"{SVG}script"))


def test_map_lies_within_its_frame(layers):
    root = ElementTree.fromstring(draw_estate(layers, width=300))
    numbers = [
        float(one) for path in root.findall(f"{SVG}path") for one in re.findall(r"[\d.]+", path.get("d", ""))
    ]
    assert 0 <= min(numbers) <= max(numbers) <= 300
    assert float(root.get("height", "nan")) == pytest.approx(292 / 2 + 8, abs=1)


def test_cell_shows_hectares_with_their_unit(layers):
    html = show_result(
        layers, estate=EstateLabel("<Brolga> Reach", "AUD", "us"), vintage=2026, folder="out/2026"
    )
    assert "&lt;Brolga&gt; Reach" in html
    assert "3.0\xa0acres" in html  # 1.2 ha
    assert "<svg" in html


def test_no_zones_give_no_map(layers):
    assert draw_estate({**layers, "zone": layers["zone"].iloc[:0]}) == ""


@pytest.mark.filterwarnings("ignore::PendingDeprecationWarning")  # within rioxarray
def test_surface_opens_as_an_array_with_its_unit(tmp_path):
    pytest.importorskip("rioxarray", reason="rioxarray opens surfaces as xarray arrays")
    values = np.arange(48.0).reshape(6, 8)
    values[0, 0] = np.nan
    grid = SimpleNamespace(
        values=values, spec=SimpleNamespace(crs="EPSG:9473", west=930_000.0, north=0.0, cell_m=2.0)
    )
    path = write_surface(
        tmp_path / "a.tif",
        {"yield": grid, "standard error": grid},
        units="t/ha",
        vintage=2026,
        description="x",
    )
    array = open_surface(path)
    assert list(array["band"].values) == ["yield", "standard error"]
    assert array.rio.crs.to_epsg() == 9473
    assert array.attrs["VINTAGE"] == 2026
    np.testing.assert_allclose(array.sel(band="yield"), values)


# --------------------------------------------------------------------------------- kriging in scikit-learn
class FirstTwoColumns(LocalBlockKriging):
    """The checks of scikit-learn pass data of 1 to 10 columns; positions have two. The rest is as it is."""

    def fit(self, X, y, noise_variance=None):  # noqa: N803
        super().fit(self._two(X), y, noise_variance)
        self.n_features_in_ = np.shape(X)[1]
        return self

    def predict(self, X, return_std=False):  # noqa: N803
        return super().predict(self._two(X), return_std)

    def _two(self, places):
        if hasattr(places, "toarray") or np.ndim(places) != 2:
            return places
        plain = np.asarray(places, dtype=float)
        return np.column_stack([plain[:, 0], plain[:, 1] if plain.shape[1] > 1 else np.zeros(len(plain))])


_REFUSED = "refused with DataError, whose words say what, where and the remedy; the check wants a ValueError"
DO_NOT_APPLY = {
    "check_estimators_unfitted": "refused by AttributeError, not NotFittedError",
    "check_n_features_in_after_fitting": "positions always have two columns; " + _REFUSED,
    "check_complex_data": "the columns are picked before the estimator sees them",
    "check_estimators_empty_data_messages": _REFUSED,
    "check_estimators_nan_inf": _REFUSED,
    "check_estimator_sparse_tag": "positions are never sparse; " + _REFUSED,
    "check_estimator_sparse_array": "positions are never sparse; " + _REFUSED,
    "check_estimator_sparse_matrix": "positions are never sparse; " + _REFUSED,
    "check_regressors_train": _REFUSED,
    "check_regressor_data_not_an_array": "the columns are picked before the estimator sees them",
    "check_supervised_y_2d": _REFUSED,
    "check_supervised_y_no_nan": _REFUSED,
    "check_fit1d": _REFUSED,
    "check_fit2d_predict1d": _REFUSED,
    "check_requires_y_none": _REFUSED,
}


@pytest.mark.filterwarnings("ignore")
def test_checks_of_scikit_learn_that_apply_pass():
    """Cloning, parameters, pickling, idempotence, order and subset invariance, integer input and more."""
    pytest.importorskip("sklearn", minversion="1.6", reason="checks can be told what to expect from 1.6 on")
    model = FirstTwoColumns(MODEL, neighbours=16, block_m=0.5)
    results = check_estimator(model, on_fail=None, expected_failed_checks=DO_NOT_APPLY)
    failed = sorted({one["check_name"] for one in results if one["status"] == "failed"})
    passed = {one["check_name"] for one in results if one["status"] == "passed"}
    assert failed == []
    assert passed >= {
        "check_estimator_cloneable",
        "check_estimators_pickle",
        "check_fit_idempotent",
        "check_get_params_invariance",
        "check_methods_sample_order_invariance",
        "check_methods_subset_invariance",
        "check_no_attributes_set_in_init",
        "check_pipeline_consistency",
    }
    assert len(passed) >= 30


@pytest.fixture(scope="module")
def readings() -> tuple[np.ndarray, np.ndarray]:
    """An invented field with a slow wave and noise, read at 300 places."""
    rng = np.random.default_rng(4)
    places = rng.uniform(0, 20, (300, 2))
    values = np.sin(places[:, 0] / 3) + np.cos(places[:, 1] / 4) + rng.normal(0, 0.3, 300)
    return places, values


def test_a_clone_is_unfitted_and_fits_alike(readings):
    model = LocalBlockKriging(MODEL, neighbours=12, block_m=1.0).fit(*readings)
    twin = clone(model)
    assert not hasattr(twin, "variogram_")
    assert twin.get_params() == model.get_params()
    np.testing.assert_array_equal(
        twin.fit(*readings).predict(readings[0][:5]), model.predict(readings[0][:5])
    )


def test_return_std_gives_both(readings):
    model = LocalBlockKriging(MODEL, block_m=0.0).fit(*readings)
    mean, standard_error = model.predict([[10.0, 10.0], [90.0, 90.0]], return_std=True)
    assert mean.shape == standard_error.shape == (2,)
    assert standard_error[0] < standard_error[1]  # far from all readings


def test_grid_search_chooses_how_many_readings_to_use(readings):
    """One reading passes its noise on whole; the search must not choose it."""
    search = GridSearchCV(
        LocalBlockKriging(Variogram("spherical", 0.09, 1.0, 9.0), block_m=0.0),
        {"neighbours": [1, 24]},
        cv=KFold(3, shuffle=True, random_state=1),
    )
    search.fit(*readings)
    assert search.best_params_ == {"neighbours": 24}
    # R2 is 1 - (noise of the reading + error of the field) / variance; with one reading noise counts twice.
    one, many = search.cv_results_["mean_test_score"]
    assert one + 0.03 < many < 0.95
