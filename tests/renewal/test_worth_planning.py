"""The programme never holds what the advice does not stand for."""

import numpy as np
import pandas as pd

from vinemap.assess import _worth_planning
from vinemap.estate import Settings
from vinemap.estate.settings import parse_settings

ADVICE = pd.DataFrame(
    [
        ("now", "renew", 900.0, 0.9, np.nan),
        ("later", "watch", 900.0, 0.9, np.nan),
        ("unsure", "watch", 900.0, 0.5, np.nan),
        ("small", "watch", 90.0, 0.9, np.nan),
        ("protected", "watch", 900.0, 0.9, 1200.0),
        ("loses", "keep", -900.0, 0.0, np.nan),
        ("young", "keep", 900.0, 0.9, np.nan),
    ],
    columns=["zone_id", "advice", "gain_per_ha", "chance_pays", "protect_gain_per_ha"],
)
DECLINE = pd.DataFrame({"zone_id": ADVICE["zone_id"], "renewed_year": [np.nan] * 6 + [2024.0]})


def test_only_zones_that_pass_what_the_advice_asks_for_are_planned():
    planned = _worth_planning(ADVICE, DECLINE, Settings())
    assert planned["zone_id"].tolist() == ["now", "later", "small"]
    dearer = parse_settings({"decision": {"min_gain_per_ha": 100.0, "chance_threshold": 0.95}})
    assert _worth_planning(ADVICE, DECLINE, dearer).empty
    asked = parse_settings({"decision": {"min_gain_per_ha": 100.0}})
    assert _worth_planning(ADVICE, DECLINE, asked)["zone_id"].tolist() == ["now", "later"]
