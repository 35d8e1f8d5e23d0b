"""A little generator of harvest readings with known truth, for the tests of this package only."""

from __future__ import annotations

from dataclasses import dataclass, field

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from scipy.ndimage import gaussian_filter

CRS = "EPSG:9473"  # equal-area Albers of Australia, the kind of CRS the estate gets
SPACING_M = 3.0
WEST, SOUTH = 900_000.0, -3_900_000.0


@dataclass(frozen=True)
class Invented:
    """Readings with the truth beside them, on the same index."""

    readings: gpd.GeoDataFrame
    rows: gpd.GeoDataFrame
    outline: shapely.Polygon
    truth: pd.DataFrame  # fault ("" if good), true_t_ha of the ground picked
    tonnes: float  # true tonnes of the block
    field: np.ndarray = field(repr=False)  # (row, metre) t/ha


@pytest.fixture(name="invent")
def invent_fixture():
    """The generator, as a fixture: test modules cannot import one another here."""
    return invent_block


@pytest.fixture(name="make", scope="session")
def make_fixture():
    """The generator for fixtures of wider scope."""
    return invent_block


@pytest.fixture(name="block", scope="session")
def block_fixture():
    """One block with faults, 1 s log, delay 8 s."""
    return invent_block(np.random.default_rng(1))


@pytest.fixture(name="lay")
def lay_fixture():
    """Straight rows by hand."""
    return straight_rows


def straight_rows(rows: int, length_m: float, *, block_id: str = "A", slant: float = 0.0) -> gpd.GeoDataFrame:
    """Parallel rows to the north, 3 m apart; `slant` shifts each start by so many metres a row."""
    x = WEST + SPACING_M * (np.arange(rows) + 0.5)
    y = SOUTH + slant * np.arange(rows)
    lines = [shapely.LineString([(a, b), (a, b + length_m)]) for a, b in zip(x, y, strict=True)]
    return gpd.GeoDataFrame(
        {
            "row_id": [f"{block_id}-{i + 1}" for i in range(rows)],
            "block_id": block_id,
            "row_no": np.arange(1, rows + 1),
            "length_m": length_m,
            "vines": int(length_m / 2),
        },
        geometry=lines,
        crs=CRS,
    )


def yield_field(rows: int, length_m: float, rng: np.random.Generator, *, mean: float = 15.0) -> np.ndarray:
    """Smooth field (row, metre) [t/ha]: range about 40 m, CV about 35 %, with noise from vine to vine."""
    white = rng.normal(size=(rows + 20, int(length_m) + 40))
    smooth = gaussian_filter(white, (12 / SPACING_M, 12.0))
    smooth = smooth + 0.6 * gaussian_filter(white[::-1], (5 / SPACING_M, 5))
    smooth = smooth[10 : 10 + rows, 20 : 20 + int(length_m)]
    smooth = (smooth - smooth.mean()) / smooth.std()
    vines = gaussian_filter(rng.normal(size=smooth.shape), (0, 1.0))
    return mean * np.exp(0.30 * smooth + 0.12 * vines / vines.std() - 0.05)


def invent_block(
    rng: np.random.Generator,
    *,
    rows: int = 30,
    length_m: float = 220.0,
    interval_s: float = 1.0,
    delay_s: dict[str, float] | float = 8.0,
    bias: dict[str, float] | None = None,
    machines: tuple[str, ...] = ("H1",),
    run: int = 4,
    noise: float = 0.08,
    jitter_m: float = 0.3,
    faults: bool = True,
    slant: float = 0.0,
    block_id: str = "A",
    same_way: bool = False,
    mean: float = 15.0,
    turn_s: float = 24.0,
    days: int = 1,
) -> Invented:
    """One block picked row by row, machines taking `run` rows each in turn."""
    plan = straight_rows(rows, length_m, block_id=block_id, slant=slant)
    field_ = yield_field(rows, length_m, rng, mean=mean)
    bias = bias or {}
    parts = []
    for number, name in enumerate(machines):
        own = [r for r in range(rows) if (r // run) % len(machines) == number]
        lag = delay_s[name] if isinstance(delay_s, dict) else delay_s
        parts.append(
            _drive(
                name,
                own,
                plan,
                field_,
                rng,
                interval_s,
                lag,
                bias.get(name, 1.0),
                noise,
                same_way,
                turn_s,
                days,
            )
        )
    table = pd.concat(parts, ignore_index=True)
    table["easting"] += rng.normal(0, jitter_m, len(table))
    table["northing"] += rng.normal(0, jitter_m, len(table))
    table["speed_m_s"] = np.maximum(table["speed_m_s"] * np.exp(rng.normal(0, 0.015, len(table))), 0)
    if faults:
        table = inject_faults(table, rng)
    frame = pd.DataFrame(
        {
            "reading_id": np.arange(len(table)),
            "import_id": 1,
            "source_row": np.arange(2, len(table) + 2),
            "time": pd.Timestamp("2026-03-02 20:00", tz="UTC") + pd.to_timedelta(table["t"], unit="s"),
            "machine": table["machine"],
            "speed_m_s": table["speed_m_s"],
            "width_m": table["width_m"],
            "mass_flow_kg_s": table["flow"],
        }
    )
    readings = gpd.GeoDataFrame(
        frame, geometry=gpd.points_from_xy(table["easting"], table["northing"]), crs=CRS
    )
    first, last = plan.geometry.iloc[0].coords, plan.geometry.iloc[-1].coords
    half = SPACING_M / 2
    outline = shapely.Polygon(
        [
            (first[0][0] - half, first[0][1]),
            (last[0][0] + half, last[0][1]),
            (last[1][0] + half, last[1][1]),
            (first[1][0] - half, first[1][1]),
        ]
    )
    tonnes = float(field_.sum() * SPACING_M / 10_000)
    return Invented(readings, plan, outline, table[["fault", "true_t_ha"]], tonnes, field_)


def _drive(name, own, plan, field_, rng, interval_s, lag, bias, noise, same_way, turn_s, days):
    """Drive at 10 Hz, pick, let the grapes travel, log every `interval_s`."""
    fine = 0.1
    length = field_.shape[1]
    es, ns, vs, ys, inside = [], [], [], [], []
    split = []
    for count, r in enumerate(own):
        x, y0 = plan.geometry.iloc[r].coords[0]
        speed = 1.4 * np.exp(rng.normal(0, 0.05))
        steps = int(length / speed / fine)
        wave = 1 + 0.05 * np.sin(np.linspace(0, rng.uniform(4, 12), steps))
        along = np.cumsum(speed * wave * fine)
        along = along * (length / along[-1])
        v = np.gradient(along) / fine
        up = same_way or count % 2 == 0
        s = along if up else length - along
        es.append(np.full(steps, x))
        ns.append(y0 + s)
        vs.append(v)
        ys.append(field_[r, np.clip(s.astype(int), 0, length - 1)])
        inside.append(np.ones(steps, bool))
        turn = int(turn_s / fine)
        angle = np.linspace(0, np.pi, turn)
        out = 1.0 if up else -1.0
        end = y0 + (length if up else 0)
        es.append(x + 1.5 * (1 - np.cos(angle)))
        ns.append(end + out * 9 * np.sin(angle))
        vs.append(np.full(turn, 0.9))
        ys.append(np.zeros(turn))
        inside.append(np.zeros(turn, bool))
        split.append(sum(map(len, es)))
    e, n, v, y, ins = map(np.concatenate, (es, ns, vs, ys, inside))
    t = np.arange(e.size) * fine
    flow = y * v * SPACING_M / 10.0
    shift = round(lag / fine)
    at_sensor = np.concatenate([np.zeros(shift), flow[: flow.size - shift]])
    grown = np.concatenate([np.zeros(shift), y[: y.size - shift]])
    from_row = np.concatenate([np.zeros(shift, bool), ins[: ins.size - shift]])
    pick = np.arange(0, e.size, round(interval_s / fine))
    day_of = np.searchsorted(np.array(split), pick, side="right") * days // max(len(own), 1)
    return pd.DataFrame(
        {
            "machine": name,
            "t": t[pick] + 86_400.0 * day_of,
            "easting": e[pick],
            "northing": n[pick],
            "speed_m_s": v[pick],
            "width_m": SPACING_M,
            "flow": bias * at_sensor[pick] * np.exp(rng.normal(0, noise, pick.size)),
            "true_t_ha": grown[pick],
            "fault": np.where(from_row[pick], "", "headland"),
        }
    )


def inject_faults(table: pd.DataFrame, rng: np.random.Generator, *, share: float = 0.01) -> pd.DataFrame:
    """Spoil some readings: jumps, dropouts, stuck flow, wrong width (gross) and spikes and dips (local)."""
    out = table.copy()
    good = np.flatnonzero((out["fault"] == "").to_numpy())
    count = int(share * good.size)

    def take(size: int, run: int = 1) -> np.ndarray:
        starts = rng.choice(good[: -run or None], max(size // run, 1), replace=False)
        places = np.unique((starts[:, None] + np.arange(run)).ravel())
        return places[(out["fault"].to_numpy()[places] == "")]

    at = take(count)
    angle = rng.uniform(0, 2 * np.pi, at.size)
    out.loc[at, "easting"] += rng.uniform(12, 60, at.size) * np.cos(angle)
    out.loc[at, "northing"] += rng.uniform(12, 60, at.size) * np.sin(angle)
    out.loc[at, "fault"] = "position"
    at = take(count, 4)
    out.loc[at, "flow"] = 0.0
    out.loc[at, "fault"] = "zero_flow"
    starts = rng.choice(good[:-12], max(count // 10, 1), replace=False)
    for start in starts:
        at = np.arange(start, start + 10)
        if (out["fault"].iloc[at] == "").all():
            out.loc[at, "flow"] = out.loc[start, "flow"]
            out.loc[at, "fault"] = "stuck"
    at = take(count // 2)
    out.loc[at, "width_m"] = 1.5
    out.loc[at, "fault"] = "width"
    at = take(2 * count)
    up = rng.random(at.size) < 0.6
    out.loc[at, "flow"] *= np.where(up, rng.uniform(2.2, 4.0, at.size), rng.uniform(0.1, 0.35, at.size))
    out.loc[at, "fault"] = "local"
    return out
