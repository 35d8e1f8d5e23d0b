"""Decline: vintage effects apart from loss; curves, forecast draws, cause hints, health score, scouting."""

from vinemap.decline.cause import describe_causes, list_machine_changes
from vinemap.decline.fit import Decline, fit_decline
from vinemap.decline.forecast import DeclineDraws
from vinemap.decline.health import score_health
from vinemap.decline.hints import HINTS, word_cause
from vinemap.decline.sampler import Priors
from vinemap.decline.scouting import choose_controls, place_scouting_points
from vinemap.decline.trend import MannKendall, mann_kendall, sen_slope

__all__ = [
    "HINTS",
    "Decline",
    "DeclineDraws",
    "MannKendall",
    "Priors",
    "choose_controls",
    "describe_causes",
    "fit_decline",
    "list_machine_changes",
    "mann_kendall",
    "place_scouting_points",
    "score_health",
    "sen_slope",
    "word_cause",
]
