from .cause import describe_causes, list_machine_changes
from .fit import Decline, fit_decline
from .forecast import DeclineDraws
from .health import score_health
from .hints import HINTS, word_cause
from .sampler import Priors
from .scouting import choose_controls, place_scouting_points
from .trend import MannKendall, mann_kendall, sen_slope

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
