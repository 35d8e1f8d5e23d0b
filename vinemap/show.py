"""Results as text for a terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from vinemap.taken import describe_reasons, first_refused

if TYPE_CHECKING:
    from vinemap.estate import ImportReport
    from vinemap.intake import Preview
    from vinemap.pipeline.status import EstateStatus

UNDO_NOTE = "take it back with vinemap undo FOLDER"
NOTES_SHOWN = 12


def show_import(report: ImportReport) -> str:
    """Say in a few lines what an import stored and refused."""
    head = f"{report.file}: {report.kind}, import {report.import_id}: "
    if report.duplicate:
        return "\n".join([head + "stored already, nothing done.", *_listed(report.notes)])
    if report.rows_stored < 0:
        return "\n".join([head + f"{-report.rows_stored:,} rows taken back.", *_listed(report.notes)])
    head += f"{report.rows_read:,} rows read, {report.rows_stored:,} stored, {report.rows_refused:,} refused"
    reasons = describe_reasons(report.reasons, report.first)
    return "\n".join([head + (":" if reasons else "."), *_listed(reasons), *_listed(report.notes)])


def show_preview(seen: Preview) -> str:
    """Lay out how a file would be read."""
    facts = [seen.format, seen.encoding, seen.delimiter and f"delimiter {seen.delimiter!r}", seen.crs]
    lines = [f"{seen.file}: {seen.kind or 'kind not known'} ({', '.join(one for one in facts if one)})"]
    if seen.guesses:
        rows = [
            {
                "field": one.field,
                "column": one.header,
                "unit": one.unit or "-",
                "confidence": f"{100 * one.confidence:.0f} %",
                "why": one.why,
            }
            for one in seen.guesses
        ]
        lines += ["", "Columns as understood:", _table(pd.DataFrame(rows))]
    if seen.unused:
        lines += ["", f"Columns not used: {', '.join(seen.unused)}"]
    if len(seen.first_rows):
        filled = pd.DataFrame(seen.first_rows).dropna(axis=1, how="all")
        lines += ["", "First rows as they would be stored:", _table(filled)]
    lines += ["", f"{seen.rows_read:,} rows read, {seen.rows_refused:,} would be refused."]
    lines += _listed(describe_reasons(seen.reasons, first_refused(seen.refused)))
    lines += _listed(seen.notes)
    if seen.problem:
        lines += ["", f"The file as a whole would be refused: {seen.problem}"]
    return "\n".join(lines)


def show_status(seen: EstateStatus) -> str:
    """Lay out what an estate holds."""
    lines = [f"{seen.name} ({seen.folder})", f"CRS for areas: {seen.crs or 'not chosen yet'}", ""]
    if len(seen.blocks):
        lines += ["Stored by block and vintage (H harvest readings, L weighed loads, C row counts):"]
        lines += [_table(seen.blocks.replace("", "-")), ""]
    if len(seen.imports):
        columns = ["import_id", "kind", "file", "vintage", "rows_stored", "rows_refused", "undone"]
        lines += ["Imports:", _table(pd.DataFrame(seen.imports[columns])), ""]
    if seen.missing:
        lines += ["Missing or doubtful:", *_listed(seen.missing), ""]
    lines += ["Problems:", *_listed(seen.problems)] if seen.problems else ["The store is sound."]
    return "\n".join(lines)


def show_assessment(told: dict[str, Any]) -> str:
    """Say what was found and where the files are, as `Assessment.to_dict` tells it."""
    head = told["headline"]
    money = head["currency"]
    lines = [
        f"After vintage {told['vintage']}: {head['renew']} of {head['zones']} zones repay renewal now "
        f"({head['renew_ha']:.1f} ha); {head['scout']} should be scouted first, {head['watch']} watched, "
        f"{head['keep']} kept."
    ]
    if head["wait_cost"] is not None:
        cost, low, high = (
            f"{float(f'{head[name]:.2g}'):,.0f}" for name in ("wait_cost", "wait_cost_low", "wait_cost_high")
        )
        lines.append(
            f"Waiting a year with the zones to renew costs about {cost} {money} "
            f"(90 % interval {low} to {high} {money})."
        )
    lines += [
        f"  {one['zone_id']} ({one['area_ha']:.1f} ha), {one['advice']}: {one['reason']}"
        for one in told["zones"]
    ]
    if told["programme"]:
        lines += ["", "Programme:", _table(_short_programme(pd.DataFrame(told["programme"])))]
    lines += [f"Limits clash: {one}" for one in told["clashes"]]
    notes = told["notes"]
    if notes:
        lines += ["", "Mind:", *_listed(notes[:NOTES_SHOWN])]
        if len(notes) > NOTES_SHOWN:
            lines.append(f"  ... and {len(notes) - NOTES_SHOWN} more in run.json.")
    lines += [
        "",
        f"Map:        {told['map']}",
        f"GeoPackage: {told['geopackage']}",
        f"Lists, sheets, surfaces: {told['folder']}",
        "Money figures follow from the example prices and costs in estate.toml unless you put in your own;",
        "they are arithmetic, not advice. Scout before anyone cuts.",
    ]
    return "\n".join(lines)


def show_region(told: dict[str, Any]) -> str:
    """Lay out a region, estate by estate, as `Region.to_dict` tells it."""
    table = pd.DataFrame(told["estates"])
    money = table["currency"].iloc[0]
    shown = pd.DataFrame(
        {
            "estate": table["estate"],
            "ha": [f"{one:,.1f}" for one in table["area_ha"]],
            "loss %": [f"{one:.1f}" for one in table["loss_pct"]],
            "zones": table["zones"],
            "renew": table["renew"],
            "renew ha": [f"{one:,.1f}" for one in table["renew_ha"]],
            "scout": table["scout"],
            f"a year's wait, {money}": [f"{one:,}" for one in table["wait_cost"]],
            "90 % interval": [
                f"{low:,} to {high:,}"
                for low, high in zip(table["wait_cost_low"], table["wait_cost_high"], strict=True)
            ],
        }
    )
    lines = [_table(shown), "", "Mind:", *_listed(told["notes"][:NOTES_SHOWN]), ""]
    lines += [
        f"Map:        {told['map']}",
        f"GeoPackage: {told['geopackage']}",
        f"Table:      {told['table']}",
    ]
    lines += ["Money figures are arithmetic on the prices and costs of each estate.toml, not advice."]
    return "\n".join(lines)


def _short_programme(table: pd.DataFrame) -> pd.DataFrame:
    columns = ["year", "zone_id", "method", "area_ha", "cost", "crew_days", "vines", "tonnes_out"]
    short = table[columns].copy()
    for name, digits in (("area_ha", 2), ("cost", 0), ("crew_days", 1), ("tonnes_out", 1)):
        short[name] = [f"{one:,.{digits}f}" for one in short[name].astype(float)]
    return short.rename(columns={"area_ha": "ha", "tonnes_out": "t out"})


def _listed(words: list[str]) -> list[str]:
    return [f"  - {one}" for one in words]


def _table(frame: pd.DataFrame) -> str:
    options: dict[str, Any] = {"index": False, "max_colwidth": 60}
    return str(frame.to_string(**options))
