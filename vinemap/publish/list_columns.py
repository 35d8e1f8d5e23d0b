"""What the columns of the lists mean that are no output table: lists/*.csv."""

from __future__ import annotations

from collections.abc import Mapping

from vinemap import tables
from vinemap.tables import Column

PER_HA = "currency/ha"


def _of(table: tables.Table, *names: str) -> tuple[Column, ...]:
    return tuple(table.column(one) for one in names)


_BLOCK = Column("block_id", "", "str", "Block")
_BLOCK_VINTAGE = (_BLOCK, Column("vintage", "year", "int", "Year of harvest"))
_WHERE = (
    *_of(tables.VINE_ROW, "row_id", "block_id", "zone_id"),
    Column("row_no", "", "int", "Number of the row within the block"),
)
_OPTION = (
    Column("zone_id", "", "str", "Zone"),
    Column("method", "", "str", "Method of the advice"),
    Column("year", "year", "int", "Winter of the work"),
)


def _interval(stem: str, unit: str, tail: str = "") -> tuple[Column, ...]:
    """Low and high end of an estimate."""
    return (
        Column(f"{stem}_low{tail}", unit, "float", "Low end: 5 chances in 100 of less"),
        Column(f"{stem}_high{tail}", unit, "float", "High end: 5 chances in 100 of more"),
    )


_WORDS = Column("words", "", "str", "The same in one sentence")


def _cleaning() -> tuple[Column, ...]:
    share = "Left out of the readings: "
    reasons = {
        "left_out": "in all",
        "incomplete": "no yield or no place",
        "duplicate": "written twice",
        "position": "place that cannot be right",
        "headland": "turning at the row end",
        "idle": "machine not picking",
        "stuck": "flow that does not move",
        "zero_flow": "no flow while picking",
        "ramp": "flow still rising or falling at a row end",
        "speed_jump": "sudden change of speed",
        "width": "working width that cannot be right",
        "redriven": "ground picked before",
        "limits": "beyond the limits of yield or speed",
        "local": "unlike the readings around it",
    }
    figures = {
        "mean": ("t/ha", "_t_ha", "Mean yield"),
        "skewness": ("", "", "Skewness of yield"),
        "nugget": ("t²/ha²", "_t2_ha2", "Variance that two readings side by side differ by"),
        "prediction_se": ("t/ha", "_t_ha", "Standard error of a 10 m square"),
    }
    return (
        *_BLOCK_VINTAGE,
        Column("readings", "", "int", "Readings"),
        Column("kept", "", "int", "Readings kept"),
        *(Column(f"{name}_pct", "%", "float", share + text) for name, text in reasons.items()),
        *(
            Column(f"{name}_{when}{tail}", unit, "float", f"{text}, {when} cleaning")
            for name, (unit, tail, text) in figures.items()
            for when in ("before", "after")
        ),
        Column("flow_delay_s", "s", "str", "Time from the vine to the sensor, each machine's"),
        Column("warnings", "", "str", "What is doubtful"),
    )


LISTS: Mapping[str, tuple[str, tuple[Column, ...]]] = {
    "rows_<year>": (
        "Row stretches to work on in a winter, in the order of the walk.",
        (
            Column("year", "year", "int", "Winter of the work"),
            *_WHERE,
            Column("block_name", "", "str", "Name of the block"),
            *_of(tables.VINE_ROW, "from_vine", "to_vine", "length_m"),
            Column("vines", "", "int", "Vine places in the stretch"),
            Column("method", "", "str", "Method"),
            Column("work", "", "str", "Method in the language of the estate"),
            Column("order", "", "int", "Order of the walk within the year"),
            Column("walk", "", "str", "forwards or backwards along the row"),
            Column("vines_worked", "", "float", "Vines worked on, expected"),
            Column("posts", "", "int", "Posts to walk past and check; set where the trellis is new"),
            Column("wire_m", "m", "float", "Cordon wire to check or lay"),
            Column("orders", "", "float", "Vines or buds to order for the work"),
            Column("refill_vines", "", "float", "Young vines to order for the winter after, expected"),
            Column("crew_days", "days", "float", "Days of a crew, the zone's spread over its rows by length"),
            Column("cost", "currency", "float", "Cost, the zone's spread over its rows by length"),
            Column("wood_t", "t", "float", "Wood cut out, expected"),
            Column("wood_low_t", "t", "float", "Its lower end"),
            Column("wood_high_t", "t", "float", "Its upper end"),
            Column("basis", "", "str", "What the figures of vines and wood rest on"),
            Column("caution", "", "str", "What to mind in this work"),
        ),
    ),
    "scouting": (
        "Places to look at, in the order of the walk.",
        (
            *_of(tables.SCOUTING_POINT, "point_id", "zone_id", "row_id", "vine_no", "order", "why"),
            _BLOCK,
            Column("longitude_deg", "deg", "float", "Longitude, WGS 84"),
            Column("latitude_deg", "deg", "float", "Latitude, WGS 84"),
        ),
    ),
    "scouting_counts": (
        "What to record at the places to look at: fill in and give back with `vinemap add counts`.",
        _of(
            tables.COUNTS, "vintage", "block_id", "row_no", "from_vine", "to_vine", "vines", "missing",
            "symptomatic", "dead_arm", "box_width_m",
        ),
    ),
    "settlement": (
        tables.SETTLEMENT.meaning,
        (*tables.SETTLEMENT.columns, Column("loads", "", "int", "Weighed loads used")),
    ),
    "cleaning": ("What was left out of the readings, and what that did.", _cleaning()),
    "mog": (
        "Material other than grapes in the weighed loads.",
        (
            *_BLOCK_VINTAGE,
            Column("mog_pct", "%", "float", "MOG by mass"),
            Column("mog_se_pct", "%", "float", "Its standard error"),
            Column("loads", "", "int", "Loads with MOG on the ticket"),
            Column("gross_t", "t", "float", "Their mass with MOG"),
        ),
    ),
    "harvester_capacity": (
        "Ground that bore more than a harvester's cleaning system is rated for: the setting "
        "`cleaning_capacity_t_ha` in estate.toml [t/ha], an example until the maker's rating is put in.",
        (
            *_BLOCK_VINTAGE,
            Column("machine", "", "str", "Harvester"),
            Column("over_capacity_pct", "%", "float", "Part of the ground it picked"),
            Column("over_capacity_ha", "ha", "float", "Its area"),
            Column("heavy_t_ha", "t/ha", "float", "Yield that a twentieth of the ground exceeds"),
            Column("picked_ha", "ha", "float", "Ground the machine picked"),
            Column("capacity_t_ha", "t/ha", "float", "cleaning_capacity_t_ha of estate.toml"),
        ),
    ),
    "over_cleaning_capacity": (
        "Zones that bear more than the harvester cleans well: those that do so now first, then those that "
        "will once renewed, the heaviest crop first. Where it names nearly every zone, look at the setting "
        "`cleaning_capacity_t_ha` in estate.toml: it is an example until the maker's rating is put in.",
        (
            Column("zone_id", "", "str", "Zone"),
            Column("crop_now_t_ha", "t/ha", "float", "Yield in an average season now"),
            *_interval("crop_now", "t/ha", "_t_ha"),
            Column("crop_after_t_ha", "t/ha", "float", "In full bearing after the work advised, else as now"),
            *_interval("crop_after", "t/ha", "_t_ha"),
            Column(
                "capacity_t_ha", "t/ha", "float",
                "Yield up to which the harvester cleans well: cleaning_capacity_t_ha of estate.toml",
            ),
            Column("over", "", "str", "now, or after renewal"),
            _WORDS,
        ),
    ),
    "renewals_checked": (
        "Renewed zones before and after, against zones left alone.",
        (
            *_OPTION,
            Column("vintage", "year", "int", "Vintage compared"),
            Column("years_after", "years", "int", "Vintages since the work"),
            Column("change_pct", "%", "float", "Yield against what the zones left alone say it would be"),
            Column("change_low", "%", "float", "Low end (5 %); empty with one zone to compare"),
            Column("change_high", "%", "float", "High end (95 %); empty with one zone to compare"),
            Column("change_t_ha", "t/ha", "float", "The same as yield"),
            Column("before_t_ha", "t/ha", "float", "Yield before the work"),
            Column("yield_t_ha", "t/ha", "float", "Yield of the vintage"),
            Column("controls", "", "int", "Zones left alone"),
            _WORDS,
        ),
    ),
    "why_cash_flows": (
        "The money behind every advice, year by year; means over all possible courses.",
        (
            *_OPTION[:2],
            Column("renew_year", "year", "int", "Winter of the work"),
            Column("year", "year", "int", "Vintage or winter of the amounts"),
            Column("discount_factor", "", "float", "Worth today of 1 in that year"),
            Column("keep_t_ha", "t/ha", "float", "Yield if kept"),
            Column("renew_t_ha", "t/ha", "float", "Yield if renewed"),
            Column("keep_income", PER_HA, "float", "Income less harvest cost if kept"),
            Column("renew_income", PER_HA, "float", "Income less harvest cost if renewed"),
            Column("keep_cost", PER_HA, "float", "Growing or idling if kept"),
            Column("renew_cost", PER_HA, "float", "Growing, idling and the work if renewed"),
            Column("keep_net", PER_HA, "float", "Income less cost if kept"),
            Column("renew_net", PER_HA, "float", "Income less cost if renewed"),
            Column("difference", PER_HA, "float", "Renewed less kept"),
            Column("difference_discounted", PER_HA, "float", "In today's money; its sum is the gain"),
            Column("keep_idle_share", "0-1", "float", "Chance that a kept zone would be left idle that year"),
        ),
    ),
    "why_turning_points": (
        "Loss and price at which renewing and keeping come out even.",
        (
            *_OPTION,
            Column("gain_per_ha", PER_HA, "float", "Gain of the work over keeping"),
            Column("loss_pct", "%", "float", "Loss of healthy yield now"),
            Column("break_even_loss_pct", "%", "float", "Loss above which the work pays"),
            Column("price_per_t", "currency/t", "float", "Price set"),
            Column("break_even_price_per_t", "currency/t", "float", "Price at which the gain is 0"),
            Column("gain_per_price", "t/ha", "float", "Rise of the gain with 1 currency/t of price"),
            _WORDS,
        ),
    ),
    "why_sensitivity": (
        "What one input moved alone does to the gain, the strongest first.",
        (
            *_OPTION,
            Column("input", "", "str", "What is moved"),
            Column("low", "", "str", "Lower value"),
            Column("high", "", "str", "Upper value"),
            Column("gain_low", PER_HA, "float", "Gain at the lower value"),
            Column("gain_high", PER_HA, "float", "Gain at the upper value"),
            Column("swing", PER_HA, "float", "Difference of the two"),
            Column("changes_sign", "", "bool", "Whether the work pays at one and not at the other"),
        ),
    ),
    "zone_or_whole_block": (
        "The best zones of each block against the whole block in one visit.",
        (
            _BLOCK,
            Column("best_zones", "", "str", "Zones of the best set"),
            Column("best_visits", "", "str", "Method and winter of each"),
            Column("best_ha", "ha", "float", "Their area"),
            Column("best_gain", "currency", "float", "Gain of the best set"),
            *_interval("best_gain", "currency"),
            Column("whole_method", "", "str", "Best method for the whole block; empty where none can"),
            Column("whole_year", "year", "int", "Its winter"),
            Column("whole_ha", "ha", "float", "Area of the block"),
            Column("whole_gain", "currency", "float", "Gain of the whole block in one visit"),
            *_interval("whole_gain", "currency"),
            Column("mixed_ages", "", "bool", "Whether the best set leaves vines of more than one age"),
            _WORDS,
        ),
    ),
}  # fmt: skip


def list_key(stem: str) -> str:
    """Name of a list in `LISTS` by the stem of its file.

    Examples
    --------
    >>> list_key("rows_2026"), list_key("mog")
    ('rows_<year>', 'mog')
    """
    return "rows_<year>" if stem.startswith("rows_") else stem
