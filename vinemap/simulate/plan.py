"""What an invented estate is made from: plans of blocks, troubles, machines and seasons."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from vinemap.simulate.curves import PACE_YEARS

TroubleKind = Literal["focal", "row_wise", "whole_block", "missing", "weak_soil"]
LogStyle = Literal["comma", "semicolon"]


@dataclass(frozen=True, slots=True)
class Trouble:
    """One trouble of a block.

    Parameters
    ----------
    kind : str
        focal (foci that grow), row_wise (spread across rows, ten times quicker along them), whole_block,
        missing (vine places empty from before the first vintage), weak_soil (constant).
    start_year : float, optional
        Diseases: year in which a focus begins; whole_block: year in which half the vines are affected [year].
    foci : tuple of (float, float), optional
        Centres as (across, along) fractions of the block's extent in its row frame, 0 to 1.
    reach_m : float, optional
        Radius past which a focus, empty patch or weak patch does not go [m].
    growth_m_per_year : float, optional
        Outward pace of a focus; row_wise: pace across the rows [m/year].
    rate_per_year : float, optional
        whole_block: logistic rate of the spread [1/year].
    pace_years : float, optional
        Years in which 63 % of an affected vine's spurs die.
    share : float, optional
        Diseases: share of vines that can be affected; missing: share of empty places; weak_soil: share of
        yield that the soil costs, all within reach.
    """

    kind: TroubleKind
    start_year: float = 0.0
    foci: tuple[tuple[float, float], ...] = ((0.5, 0.5),)
    reach_m: float = 90.0
    growth_m_per_year: float = 10.0
    rate_per_year: float = 0.45
    pace_years: float = PACE_YEARS
    share: float = 0.9


@dataclass(frozen=True, slots=True)
class BlockPlan:
    """One block.

    Parameters
    ----------
    block_id, name, variety : str
    outline_m : tuple of (float, float)
        Corners (east, north) in metres from the estate's origin, on the ground.
    year_planted, trellis_year : int
        [year].
    bearing_deg : float
        Rows, clockwise from true north [deg].
    level_t_ha : float
        Healthy yield in an average season [t/ha].
    row_spacing_m, vine_spacing_m : float, optional
        On the ground [m].
    row_offset_m : float, optional
        Rows stand this far to the right of where the outline alone would put them [m].
    troubles : tuple of Trouble, optional
    renewed : int, optional
        Trunk renewal of the whole block in the winter after this vintage; 0 for none.
    unlogged : mapping of int to float, optional
        Share of rows, from row 1, without readings by vintage; 1 is a vintage without any.
    machine : str, optional
        Harvester that usually picks it.
    machine_in : mapping of int to str, optional
        Vintages in which another does.
    shared_in : tuple of int, optional
        Vintages in which two harvesters pick half of the rows each.
    """

    block_id: str
    name: str
    variety: str
    outline_m: tuple[tuple[float, float], ...]
    year_planted: int
    trellis_year: int
    bearing_deg: float
    level_t_ha: float
    row_spacing_m: float = 3.0
    vine_spacing_m: float = 2.1
    row_offset_m: float = 0.0
    troubles: tuple[Trouble, ...] = ()
    renewed: int = 0
    unlogged: Mapping[int, float] = field(default_factory=dict)
    machine: str = ""
    machine_in: Mapping[int, str] = field(default_factory=dict)
    shared_in: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class MachinePlan:
    """One harvester and its yield sensor.

    Parameters
    ----------
    name : str
    bias : float
        Reading over truth, less one, in most vintages [-].
    bias_in : mapping of int to float, optional
        Vintages in which it is another.
    drift_in : mapping of int to float, optional
        Vintages in which the bias moves by this much from the first day to the last [-].
    delay_s : int
        From the picking head to the sensor [s].
    smear_s : float
        Mean of the exponential mixing on the conveyor [s].
    speed_m_s : float
        Usual ground speed [m/s].
    style : {"comma", "semicolon"}
        How it writes its log (see `vinemap.simulate.formats`).
    """

    name: str
    bias: float
    bias_in: Mapping[int, float] = field(default_factory=dict)
    drift_in: Mapping[int, float] = field(default_factory=dict)
    delay_s: int = 10
    smear_s: float = 2.0
    speed_m_s: float = 1.6
    style: LogStyle = "comma"

    def bias_at(self, vintage: int, through: float = 0.5) -> float:
        """Give the bias at a time of a vintage's harvest.

        Parameters
        ----------
        vintage : int
            [year]
        through : float, optional
            How far through the harvest, 0 to 1.

        Returns
        -------
        float
            Reading over truth, less one [-].

        Examples
        --------
        >>> MachinePlan("Heron", -0.08, drift_in={2021: -0.06}).bias_at(2021, 1.0)
        -0.11
        """
        start = self.bias_in.get(vintage, self.bias)
        return start + self.drift_in.get(vintage, 0.0) * (through - 0.5)


@dataclass(frozen=True, slots=True)
class FaultRates:
    """Faults of the loggers.

    Parameters
    ----------
    position_sd_m : float
        Position error [m].
    jump, spike, zero, dropout, stuck : float
        Chance per reading that an episode begins: position off by 5 to 15 m; flow two to six times too high;
        flow zero; no reading at all; flow stuck at one value.
    sensor_cv : float
        Random error of a flow reading over its value [-].
    """

    position_sd_m: float = 0.4
    jump: float = 0.0006
    spike: float = 0.002
    zero: float = 0.0006
    dropout: float = 0.0006
    stuck: float = 0.00006
    sensor_cv: float = 0.06


@dataclass(frozen=True, slots=True)
class Spread:
    """Spread of the parts of log yield (standard deviations, natural log) and ranges of the patterns.

    Parameters
    ----------
    soil, soil_range_m : float
        Constant soil pattern; exponential covariance.
    season_pattern, season_range_m : float
        Pattern of its own in each vintage.
    block_season, variety_season, season : float
        Seasons by block, by variety, shared.
    vine, vine_season : float
        Vine by vine: constant, and new each vintage.
    """

    soil: float = 0.16
    soil_range_m: float = 40.0
    season_pattern: float = 0.05
    season_range_m: float = 60.0
    block_season: float = 0.05
    variety_season: float = 0.04
    season: float = 0.10
    vine: float = 0.15
    vine_season: float = 0.30
