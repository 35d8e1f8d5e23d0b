from .blocks import compare_blocks
from .capacity import name_over_capacity
from .check import check_renewals
from .decide import RULE_YEARS, decide_zones, loss_value
from .explain import explain_zone
from .methods import Method, Money, default_methods
from .programme import Programme, plan_programme
from .trace import Trace, trace_advice
from .turning import break_even, measure_sensitivity
from .value import Valuation, value_options
from .waiting import total_waiting
from .work import CAUTIONS, list_work, missing_by_zone, refills_by_zone, say_cautions

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
