"""The one plain sentence behind an advice, with the numbers of the row it stands in."""

from __future__ import annotations

import math
from dataclasses import dataclass

METHOD_WORDS = {
    "trunk_renewal": "trunk renewal",
    "graft_over": "grafting over",
    "infill": "infilling the missing vines",
    "replant": "replanting",
    "keep_protected": "keeping with wound protection",
}
FEW_YEARS = 8  # vintages left on the trellis in which work seldom comes back; common practice, no source
MOVES_PCT = 0.25  # a yearly change of less than this share of the healthy yield is called holding
SOON_YEARS = 3  # a loss further ahead is not worth a clause
RECOVERED_PCT = 90.0  # of healthy yield: from there a renewed zone counts as back; common practice, no source


@dataclass(frozen=True, slots=True)
class Facts:
    """What a sentence may speak of; amounts in `currency`, shares in %.

    Parameters
    ----------
    healthy_t_ha, loss_pct, loss_low, loss_high, decline_pct, decline_low, decline_high : float
        Healthy yield [t/ha], loss and decline and their 90 % intervals [%, %/year]; NaN where not known.
    vintages : int
        Vintages with a yield.
    method, year : str and int
        Best method and year; "" and 0 if there is none.
    gain, gain_low, gain_high, wait_cost, wait_low, wait_high : float
        Gain and cost of a year's delay, with their 90 % intervals [currency/ha]; NaN where not known.
    chance : float
        Chance that the best option pays.
    threshold : float
        Chance asked for.
    first_year, horizon : int
        First winter of work and last vintage on the present trellis.
    currency : str
    scouting_value, scouting_cost : float
        Of the whole zone [currency].
    missing_pct : float
        Missing vine places [%], NaN if never counted.
    protect_gain : float
        Net present value of wound protection over keeping [currency/ha], NaN if not valued.
    too_short : bool
        True where too few vintages are on record to renew on yield alone.
    renewed : int
        Year of a renewal after which the zone still comes back, 0 if there is none.
    now_pct : float
        Yield now, of the healthy one [%].
    idle_year : int
        Vintage from which leaving it idle loses less than growing its crop, 0 if there is none.
    min_gain : float
        Gain asked for [currency/ha].
    """

    healthy_t_ha: float
    loss_pct: float
    loss_low: float
    loss_high: float
    decline_pct: float
    vintages: int
    method: str
    year: int
    gain: float
    gain_low: float
    gain_high: float
    wait_cost: float
    chance: float
    threshold: float
    first_year: int
    horizon: int
    currency: str
    scouting_value: float
    scouting_cost: float
    missing_pct: float
    protect_gain: float
    too_short: bool
    renewed: int = 0
    now_pct: float = 100.0
    idle_year: int = 0
    min_gain: float = 0.0
    decline_low: float = math.nan
    decline_high: float = math.nan
    wait_low: float = math.nan
    wait_high: float = math.nan


def say_amount(amount: float) -> str:
    """Write an amount with three figures or to the hundred, whichever is finer in print.

    Examples
    --------
    >>> say_amount(9812.0), say_amount(134.2), say_amount(-45678.0), say_amount(7.6)
    ('9,800', '130', '-45,700', '8')
    """
    step = 100 if abs(amount) >= 1000 else 10 if abs(amount) >= 100 else 1
    value = round(amount / step) * step
    return f"{value:,d}"


def _whole(share: float) -> str:
    """Write a share [%] without decimals and never as -0."""
    return f"{round(share):d}"


def when(year: int, first_year: int) -> str:
    """Say which winter.

    Examples
    --------
    >>> when(2026, 2026), when(2027, 2026), when(2031, 2026)
    ('this winter (2026)', 'next winter (2027)', 'in the winter of 2031')
    """
    if year == first_year:
        return f"this winter ({year})"
    return f"next winter ({year})" if year == first_year + 1 else f"in the winter of {year}"


def state_words(facts: Facts) -> str:
    """Say how the zone stands."""
    if math.isnan(facts.loss_pct):
        return "How much it has lost is not known"
    interval = _span(facts.loss_low, facts.loss_high)
    if facts.loss_pct < 0.5:
        head = f"Stands at its healthy {facts.healthy_t_ha:.0f} t/ha (loss {interval})"
    else:
        head = (
            f"Has lost {_whole(facts.loss_pct)} % ({interval}) of its healthy {facts.healthy_t_ha:.0f} t/ha"
        )
    return f"{head} and {_moving_words(facts)}"


def _moving_words(facts: Facts) -> str:
    if abs(facts.decline_pct) < MOVES_PCT:
        return "holds"
    verb, ends = "falls by", (facts.decline_low, facts.decline_high)
    if facts.decline_pct < 0:
        verb, ends = "gains", (-facts.decline_high, -facts.decline_low)
    span = "" if math.isnan(sum(ends)) else f" ({_span(*ends, digits=1)})"
    return f"{verb} about {abs(facts.decline_pct):.1f} %{span} a year"


def _span(low: float, high: float, *, digits: int = 0) -> str:
    """Write an interval [%]; with "to" where a dash could be read as a minus."""
    ends = [round(low, digits) + 0.0, round(high, digits) + 0.0]  # + 0.0: never -0
    return f"{ends[0]:.{digits}f}{' to ' if ends[0] < 0 else '-'}{ends[1]:.{digits}f} %"


def _money(facts: Facts, amount: float) -> str:
    return f"{say_amount(amount)} {facts.currency}/ha"


def _interval(facts: Facts) -> str:
    return f"90 %: {say_amount(facts.gain_low)} to {say_amount(facts.gain_high)}"


def _chance(facts: Facts) -> str:
    return f"{100.0 * facts.chance:.0f} of 100 cases"


def _option(facts: Facts) -> str:
    return f"{METHOD_WORDS[facts.method]} {when(facts.year, facts.first_year)}"


def _delay_words(facts: Facts) -> str:
    """Say what a year past the best winter costs."""
    past = "a year's delay" if facts.year == facts.first_year else f"a year's delay past {facts.year}"
    if round(facts.wait_cost) == 0:
        return f"{past} changes nothing"
    known = not math.isnan(facts.wait_low + facts.wait_high)
    span = f" ({say_amount(facts.wait_low)} to {say_amount(facts.wait_high)})" if known else ""
    return f"{past} costs about {_money(facts, facts.wait_cost)}{span}"


def _idle_words(facts: Facts) -> str:
    """Say where the crop no longer pays for growing it."""
    if not facts.first_year < facts.idle_year <= facts.first_year + SOON_YEARS:
        return ""
    return (
        f"; from vintage {facts.idle_year} on its crop pays so much less than it costs to grow that leaving "
        "it idle loses less"
    )


def _yet(facts: Facts) -> str:
    """Say whether a renewal may still come to pay, or too few vintages are left on the trellis."""
    left = facts.horizon - facts.first_year
    return " yet" if left > FEW_YEARS else f" in the {left} vintages left on its trellis (to {facts.horizon})"


def _say_recovering(facts: Facts) -> str:
    head = f"Renewed in {facts.renewed}"
    if math.isnan(facts.now_pct):
        return f"{head}, still coming back; nothing more is to be done before that is seen."
    tail = "still coming back" if facts.now_pct < RECOVERED_PCT else "nearly or wholly back"
    interval = ""
    if not (math.isnan(facts.loss_low) or math.isnan(facts.loss_high)):
        interval = f" ({_whole(100.0 - facts.loss_high)}-{_whole(100.0 - facts.loss_low)} %)"
    return (
        f"{head}, {tail}: it yields {_whole(facts.now_pct)} %{interval} of its healthy "
        f"{facts.healthy_t_ha:.0f} t/ha, and the crops of the first years say nothing against the work."
    )


def say_renew(facts: Facts) -> str:
    """Sentence for `renew`."""
    gaps = ""
    if facts.method == "infill":
        gaps = f", with {facts.missing_pct:.0f} % of vine places empty"
    return (
        f"{state_words(facts)}{gaps}; {_option(facts)} is worth "
        f"{_money(facts, facts.gain)} over keeping ({_interval(facts)}), pays in {_chance(facts)}, "
        f"and {_delay_words(facts)}."
    )


def say_scout(facts: Facts) -> str:
    """Sentence for `scout`."""
    option = _option(facts)
    if facts.too_short:
        count = "Only 1 vintage is" if facts.vintages == 1 else f"Only {facts.vintages} vintages are"
        return (
            f"{count} on record, too few to renew on yield alone: "
            f"it seems to have lost {_whole(facts.loss_pct)} % "
            f"({_whole(facts.loss_low)} to {_whole(facts.loss_high)} %), and {option} would be worth "
            f"{_money(facts, facts.gain)} ({_interval(facts)}) if that is decline, so count vines before "
            "anything is cut."
        )
    verb = "would be worth" if facts.gain > 0 else "would on average change the value by"
    return (
        f"{state_words(facts)}; {option} {verb} {_money(facts, facts.gain)} ({_interval(facts)}) and pays in "
        f"{_chance(facts)}, but a count of symptoms could change the choice and is worth about "
        f"{say_amount(facts.scouting_value)} {facts.currency} for the zone against a cost of "
        f"{say_amount(facts.scouting_cost)} {facts.currency}."
    )


def _say_closed(facts: Facts) -> str:
    """Sentence where there is nothing to weigh: renewed of late, or no method fits; else empty."""
    if facts.renewed:
        return _say_recovering(facts)
    if not facts.method:
        return f"{state_words(facts)}; no renewal method fits it before its trellis ends in {facts.horizon}."
    return ""


def say_watch(facts: Facts) -> str:
    """Sentence for `watch`."""
    closed = _say_closed(facts)
    if closed:
        return closed
    head, option = state_words(facts), _option(facts)
    if facts.protect_gain > facts.gain > 0:
        return (
            f"{head}; wound protection is worth {_money(facts, facts.protect_gain)} and beats {option}, "
            f"the best renewal, at {_money(facts, facts.gain)} ({_interval(facts)})."
        )
    if facts.gain <= 0:
        worth = ""
        if facts.protect_gain > 0:
            worth = f"; wound protection is worth {_money(facts, facts.protect_gain)}"
        return (
            f"{head}{worth}; no renewal pays{_yet(facts)}, the nearest is {option} at "
            f"{_money(facts, facts.gain)} against keeping ({_interval(facts)}){_idle_words(facts)}."
        )
    if facts.gain <= facts.min_gain:
        return (
            f"{head}; {option} would be worth {_money(facts, facts.gain)} on average ({_interval(facts)}), "
            f"less than the {_money(facts, facts.min_gain)} asked for{_idle_words(facts)}."
        )
    if facts.chance < facts.threshold:
        return (
            f"{head}; {option} would be worth {_money(facts, facts.gain)} on average "
            f"({_interval(facts)}) but "
            f"pays in only {_chance(facts)}, short of the {100.0 * facts.threshold:.0f} asked "
            f"for{_idle_words(facts)}."
        )
    return (
        f"{head}; {option} promises {_money(facts, facts.gain)} ({_interval(facts)}) and pays in "
        f"{_chance(facts)}; waiting until then loses nothing, and {_delay_words(facts)}."
    )


def say_keep(facts: Facts) -> str:
    """Sentence for `keep`."""
    closed = _say_closed(facts)
    if closed:
        return closed
    tail = ""
    if facts.protect_gain > 0:
        tail = f", while wound protection is worth {_money(facts, facts.protect_gain)}"
    return (
        f"{state_words(facts)}; even the best renewal, {_option(facts)}, comes to "
        f"{_money(facts, facts.gain)} against keeping ({_interval(facts)}){tail}{_idle_words(facts)}."
    )


SAY = {"renew": say_renew, "scout": say_scout, "watch": say_watch, "keep": say_keep}
