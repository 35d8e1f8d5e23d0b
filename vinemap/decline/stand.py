"""Stand and symptoms from counts: share of vine places without a vine, by zone and year."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special

from vinemap.decline.curves import FloatArray, IntArray

CLUSTERING = 0.01  # how alike neighbouring vines are (intra-row correlation); common practice, no source
VINES_TOGETHER = 25.0  # vines counted in one go
ALIKE_LEVEL = 0.01  # significance from which counts of one zone differ; small, as an estate has many zones
AGE_OF_COUNT_SD = 0.05  # share of the missing by which a count grows doubtful per year of age; no source
BACKGROUND_SYMPTOMS = 0.03  # share of vines called symptomatic in sound zones; common practice, no source
MUNKVOLD_SLOPE = (0.9026 + 0.9881) / 2  # loss over severity, mean of two seasons; see `draw_symptomatic`
IMPLIED_LOGIT_SD = 0.8  # of the share with symptoms that a loss implies; wide on purpose, no source
UNKNOWN_VINES = 50  # taken as looked at where a count does not say; no source


@dataclass(frozen=True, slots=True)
class Stand:
    """Share of vine places without a living vine.

    Attributes
    ----------
    counted : bool array (Z,)
        Whether the zone was ever counted.
    missing : float array (Z, T)
        Share missing by zone and year; 0 where never counted.
    missing_sd : float array (Z, T)
        Its standard error.
    yearly_growth, growth_sd : float array (Z,)
        Growth of the share per year and its standard error.
    symptomatic : float array (Z,)
        Share of living vines with symptoms at the last count, NaN where not counted.
    symptomatic_n : float array (Z,)
        Effective number of vines behind it.
    """

    counted: npt.NDArray[np.bool_]
    missing: FloatArray
    missing_sd: FloatArray
    yearly_growth: FloatArray
    growth_sd: FloatArray
    symptomatic: FloatArray
    symptomatic_n: FloatArray

    def of(self, zones: IntArray) -> Stand:
        """Take some zones only.

        Parameters
        ----------
        zones : int array (n,)
            Rows.

        Returns
        -------
        Stand
        """
        return Stand(**{one.name: getattr(self, one.name)[zones] for one in fields(self)})


def effective_vines(vines: FloatArray) -> FloatArray:
    """Give the vines' worth of a cluster sample, by its design effect.

    Parameters
    ----------
    vines : float array (...)
        Vines looked at.

    Returns
    -------
    float array (...)

    References
    ----------
    Kish 1965, Survey Sampling: design effect 1 + (m - 1) rho.

    Examples
    --------
    >>> effective_vines(np.array([124.0])).round(1).tolist()
    [100.0]
    """
    return vines / (1 + (VINES_TOGETHER - 1) * CLUSTERING)


def interpolate_stand(stand: pd.DataFrame | None, zone_ids: list[str], years: IntArray) -> Stand:
    """Bring counts to every zone and year: linear between counts, level outside them with growing doubt.

    Counts that agree within their sampling error (chi-square test at 1 %) count as one stand that never
    changed: otherwise the noise of the counts would pass for a trend.

    Parameters
    ----------
    stand : pandas.DataFrame or None
        Columns zone_id, vintage, missing_pct, symptomatic_pct, vines (looked at).
    zone_ids : list of str
        Zones, in order (Z).
    years : int array (T,)

    Returns
    -------
    Stand

    Examples
    --------
    >>> counts = pd.DataFrame({"zone_id": ["A", "A"], "vintage": [2020, 2022], "missing_pct": [0.0, 10.0],
    ...                        "symptomatic_pct": [0.0, 4.0], "vines": [1000, 1000]})
    >>> made = interpolate_stand(counts, ["A", "B"], np.arange(2020, 2023))
    >>> made.missing.round(2).tolist(), made.counted.tolist()
    ([[0.0, 0.05, 0.1], [0.0, 0.0, 0.0]], [True, False])
    """
    size = len(zone_ids)
    missing, sd = np.zeros((size, years.size)), np.zeros((size, years.size))
    counted, growth, growth_sd = np.zeros(size, dtype=bool), np.zeros(size), np.zeros(size)
    symptomatic, worth = np.full(size, np.nan), np.zeros(size)
    groups = dict(list(stand.groupby("zone_id"))) if stand is not None and not stand.empty else {}
    alike = _same_rows(list(groups.values()))
    for row, zone in enumerate(zone_ids):
        if zone not in groups:
            continue
        table = groups[zone].sort_values("vintage")
        seen = table[table["missing_pct"].notna()]
        if not seen.empty:
            counted[row] = True
            missing[row], sd[row], growth[row], growth_sd[row] = _one_zone(seen, years, alike)
        ill = table[table["symptomatic_pct"].notna()]
        if not ill.empty:
            symptomatic[row] = ill["symptomatic_pct"].iloc[-1] / 100
            worth[row] = effective_vines(np.array([ill["vines"].iloc[-1]], dtype=float))[0]
    return Stand(counted, missing, sd, growth, growth_sd, symptomatic, worth)


def _same_rows(groups: list[pd.DataFrame]) -> float:
    """How far counts of different vintages repeat the same rows (0 fresh rows, 1 the same), over all zones.

    Counts of the same rows agree far better than their sampling error; then they are worth one count, not
    several. Compared is the median over zones (some may truly lose vines) of chi-square over its own median.
    """
    ratios = []
    for table in groups:
        seen = table[table["missing_pct"].notna()]
        if len(seen) > 1:
            vines = seen["vines"].fillna(UNKNOWN_VINES).to_numpy(dtype=float)
            worth, even, share, pooled = _pool(seen)
            away = float(((share - pooled) ** 2 / (even * worth / vines)).sum())
            ratios.append(away / special.chdtri(len(seen) - 1, 0.5))
    return float(np.clip(1 - np.median(ratios), 0.0, 1.0)) if ratios else 0.0


def _pool(counts: pd.DataFrame) -> tuple[FloatArray, FloatArray, FloatArray, float]:
    """Worth, variance if the stand never changed, and share missing of each count; pooled share."""
    share = counts["missing_pct"].to_numpy(dtype=float) / 100
    worth = effective_vines(counts["vines"].fillna(UNKNOWN_VINES).to_numpy(dtype=float))
    pooled = (float(share @ worth) + 0.5) / (float(worth.sum()) + 1)
    return worth, pooled * (1 - pooled) / worth, share, pooled


def _one_zone(
    counts: pd.DataFrame, years: IntArray, alike: float
) -> tuple[FloatArray, FloatArray, float, float]:
    """Share missing and its error by year, growth a year and its error, from the counts of a zone."""
    when = counts["vintage"].to_numpy(dtype=float)
    worth, even, share, pooled = _pool(counts)
    away = np.abs(years[:, None] - when[None, :]).min(axis=1)
    if (((share - pooled) ** 2 / even).sum()) <= special.chdtri(when.size - 1, ALIKE_LEVEL) or when.size == 1:
        together = 1 / (alike / worth.max() + (1 - alike) / worth.sum())
        doubt = pooled * (1 - pooled) / (together + 1) + (AGE_OF_COUNT_SD * pooled * away) ** 2
        return np.full(years.size, pooled), np.sqrt(doubt), 0.0, 0.0
    smooth = (share * worth + 0.5) / (worth + 1)
    variance = smooth * (1 - smooth) / (worth + 1)
    mean = np.interp(years, when, smooth)
    sd = np.sqrt(np.interp(years, when, variance) + (AGE_OF_COUNT_SD * mean * away) ** 2)
    centred = when - np.average(when, weights=1 / variance)
    spread = float((centred**2 / variance).sum())
    return mean, sd, float((centred * share / variance).sum() / spread), spread**-0.5


def draw_symptomatic(standing: Stand, vine_loss: FloatArray, *, rng: np.random.Generator) -> FloatArray:
    """Draw the share of living vines with symptoms (draw, Z), from counts or else from the loss they imply.

    Parameters
    ----------
    standing : Stand
    vine_loss : float array (draw, Z)
        Share of a standing vine's output that is lost.
    rng : numpy.random.Generator

    Returns
    -------
    float array (draw, Z)

    References
    ----------
    Munkvold, Duthie and Marois 1994: y = 101.0 - 90.26 d and 100.1 - 98.81 d; the mean slope is used to go
    from loss to severity, and a wide logit-normal error (SD 0.8) because other causes lower yield as well.
    """
    severity = np.clip(vine_loss / MUNKVOLD_SLOPE, 0.0, 0.95)
    centre = np.clip(BACKGROUND_SYMPTOMS + severity, BACKGROUND_SYMPTOMS, 0.97)
    implied = special.expit(special.logit(centre) + IMPLIED_LOGIT_SD * rng.standard_normal(vine_loss.shape))
    share = np.nan_to_num(standing.symptomatic, nan=0.0)
    worth = np.maximum(standing.symptomatic_n, 1.0)
    known = rng.beta(share * worth + 0.5, (1 - share) * worth + 0.5, size=vine_loss.shape)
    return np.where(np.isfinite(standing.symptomatic), known, implied)
