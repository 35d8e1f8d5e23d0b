"""Renewal: options, best year, cost of waiting, chance that it pays, programme, checks, work lists."""

from vinemap.renewal.decide import decide_zones
from vinemap.renewal.methods import Method, Money, default_methods
from vinemap.renewal.value import Valuation, value_options

__all__ = ["Method", "Money", "Valuation", "decide_zones", "default_methods", "value_options"]
