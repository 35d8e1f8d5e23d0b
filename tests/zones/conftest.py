"""An invented block with known zones: a falling corner, a patch that was always poor, the rest sound."""

from __future__ import annotations

import numpy as np
import pytest

from vinemap.simulate.zone_block import FALLING, POOR, SOUND, ZoneBlock, simulate_zone_block

__all__ = ["FALLING", "POOR", "SOUND", "make_block"]


def make_block(seed: int, pattern: str = "both", **settings) -> ZoneBlock:
    return simulate_zone_block(pattern, rng=np.random.default_rng(seed), **settings)


@pytest.fixture(scope="session", name="make_block")
def block_maker():
    return make_block


@pytest.fixture(scope="session")
def block() -> ZoneBlock:
    return make_block(1)
