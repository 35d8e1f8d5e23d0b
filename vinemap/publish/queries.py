"""Questions a GIS user asks of the GeoPackage, as SQL that GDAL/OGR, SQLite and every desktop GIS run.

The texts of the data dictionary and of the README are made from these, and the tests run them.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Query:
    """One question, its SQL and what the answer holds."""

    question: str
    sql: str
    answer: str


QUERIES = (
    Query(
        "Hectares to renew by variety and year",
        "SELECT b.variety, z.best_year, round(sum(z.area_ha), 2) AS renew_ha, count(*) AS zones\n"
        "FROM zone z JOIN block b USING (block_id)\n"
        "WHERE z.advice = 'renew'\n"
        "GROUP BY b.variety, z.best_year ORDER BY z.best_year, b.variety",
        "area [ha] and number of zones advised to renew",
    ),
    Query(
        "What a year's delay costs, block by block",
        "SELECT b.block_id, b.name, round(sum(z.wait_cost_per_ha * z.area_ha)) AS wait_cost\n"
        "FROM zone z JOIN block b USING (block_id)\n"
        "WHERE z.advice = 'renew'\n"
        "GROUP BY b.block_id ORDER BY wait_cost DESC",
        "net present value lost by one year's delay [estate currency]; only sums of means, no interval",
    ),
    Query(
        "Work of the programme by year",
        "SELECT year, method, round(sum(area_ha), 2) AS area_ha, round(sum(cost)) AS cost,\n"
        "       round(sum(crew_days), 1) AS crew_days, sum(vines) AS vines\n"
        "FROM programme GROUP BY year, method ORDER BY year, method",
        "area [ha], cost [estate currency], crew days, vines or buds to order",
    ),
    Query(
        "Metres of row to work on in each block and year",
        "SELECT block_id, best_year, count(DISTINCT row_id) AS vine_rows, round(sum(length_m)) AS length_m\n"
        "FROM vine_row WHERE advice = 'renew'\n"
        "GROUP BY block_id, best_year ORDER BY best_year, block_id",
        "rows touched and their length [m]",
    ),
    Query(
        "Yield of each zone against a healthy one, last five vintages",
        "SELECT zone_id, vintage, round(yield_t_ha, 1) AS yield_t_ha,\n"
        "       round(1.645 * yield_se_t_ha, 1) AS plus_minus_t_ha,\n"
        "       round(expected_t_ha, 1) AS expected_t_ha\n"
        "FROM zone_vintage\n"
        "WHERE vintage > (SELECT max(vintage) FROM zone_vintage) - 5 ORDER BY zone_id, vintage",
        "yield and its 90 % half-width [t/ha]",
    ),
    Query(
        "Zones where a look could change the advice, with their points",
        "SELECT z.zone_id, z.chance_pays, p.point_id, p.row_id, p.vine_no, p.geom\n"
        "FROM zone z JOIN scouting_point p USING (zone_id)\n"
        "WHERE z.advice = 'scout' ORDER BY z.zone_id, p.\"order\"",
        "chance that renewing pays [0-1] and where to look, as points",
    ),
)


def describe_queries(*, heading: str = "##", file: str = "vinemap.gpkg") -> str:
    """Write the questions as Markdown: the first as a whole command, all as SQL.

    Parameters
    ----------
    heading : str
        Marks before the heading.
    file : str
        Name of the GeoPackage in the command.

    Returns
    -------
    str

    Examples
    --------
    >>> describe_queries().splitlines()[0]
    '## Questions in SQL'
    """
    first = QUERIES[0].sql.replace("\n", " ")
    parts = [
        f"{heading} Questions in SQL",
        "",
        "Any program that reads GeoPackage runs these, and so does GDAL on the command line:",
        "",
        "```sh",
        f'ogr2ogr -f CSV /vsistdout/ {file} -sql "{first}"',
        "```",
        "",
    ]
    for one in QUERIES:
        parts += [f"**{one.question}** ({one.answer}):", "", "```sql", one.sql, "```", ""]
    return "\n".join(parts)
