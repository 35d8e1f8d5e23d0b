"""Renewal: options, best year, cost of waiting, chance that it pays, programme, checks, work lists."""

from vinemap.renewal.blocks import compare_blocks
from vinemap.renewal.capacity import name_over_capacity
from vinemap.renewal.check import check_renewals
from vinemap.renewal.decide import RULE_YEARS, decide_zones, loss_value
from vinemap.renewal.explain import explain_zone
from vinemap.renewal.methods import Method, Money, default_methods
from vinemap.renewal.programme import Programme, plan_programme
from vinemap.renewal.trace import Trace, trace_advice
from vinemap.renewal.turning import break_even, measure_sensitivity
from vinemap.renewal.value import Valuation, value_options
from vinemap.renewal.waiting import total_waiting
from vinemap.renewal.work import CAUTIONS, list_work, missing_by_zone, refills_by_zone, say_cautions

__all__ = [
    "CAUTIONS",
    "RULE_YEARS",
    "Method",
    "Money",
    "Programme",
    "Trace",
    "Valuation",
    "break_even",
    "check_renewals",
    "compare_blocks",
    "decide_zones",
    "default_methods",
    "explain_zone",
    "list_work",
    "loss_value",
    "measure_sensitivity",
    "missing_by_zone",
    "name_over_capacity",
    "plan_programme",
    "refills_by_zone",
    "say_cautions",
    "total_waiting",
    "trace_advice",
    "value_options",
]
