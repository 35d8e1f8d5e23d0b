"""Outside series of district yields: a small text file beside estate.toml."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import pandas as pd

from vinemap.errors import DataError

VALUES = ("yield_t_ha", "index", "effect_pct")
LIMITS = {"yield_t_ha": (0.0, 200.0), "index": (0.0, 1e6), "effect_pct": (-100.0, 400.0)}
FIRST_VINTAGE, LAST_VINTAGE = 1900, 2200


def read_reference(path: Path) -> pd.DataFrame:
    r"""Read an outside series of yields.

    Parameters
    ----------
    path : pathlib.Path
        Text with the columns vintage [year], one of yield_t_ha [t/ha], index [-] or effect_pct [%], and
        perhaps variety (empty for all varieties together); comma or semicolon between them.

    Returns
    -------
    pandas.DataFrame
        vintage, variety, and the value under its name.

    Raises
    ------
    DataError
        If a column is missing, or a value is no number, out of range, or there twice.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     file = Path(folder) / "reference.csv"
    ...     _ = file.write_text("vintage,yield_t_ha\n2025,14.2\n2026,12.9\n", encoding="utf-8")
    ...     read_reference(file)["yield_t_ha"].tolist()
    [14.2, 12.9]
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise DataError(
            f"The outside series of yields cannot be read: {error}.",
            where=path.name,
            remedy="Save it as UTF-8 text beside estate.toml, or empty decline.reference_file.",
        ) from error
    semicolons = ";" in text.partition("\n")[0]
    lines = csv.DictReader(text.splitlines(), delimiter=";" if semicolons else ",")
    lines.fieldnames = [str(one).strip().lower() for one in lines.fieldnames or ()]
    value = next((name for name in VALUES if name in lines.fieldnames), "")
    if "vintage" not in lines.fieldnames or not value:
        raise DataError(
            f"Its columns are {', '.join(lines.fieldnames) or 'none'}; "
            f"vintage and one of {', '.join(VALUES)} are needed.",
            where=path.name,
            remedy="Name the columns so.",
        )
    rows = []
    for number, line in enumerate(lines, start=2):
        where = f"{path.name}, row {number}"
        low, high = LIMITS[value]
        year = _number(line["vintage"], "vintage", FIRST_VINTAGE, LAST_VINTAGE, where)
        amount = _number(line[value], value, low, high, where, comma=semicolons)
        rows.append((int(year), (line.get("variety") or "").strip(), amount))
    table = pd.DataFrame(rows, columns=["vintage", "variety", value])
    twice = table.duplicated(["vintage", "variety"])
    if twice.any():
        place = int(twice.to_numpy().argmax())
        raise DataError(
            f"Vintage {table['vintage'][place]} {table['variety'][place]} is there twice.".replace("  ", " "),
            where=f"{path.name}, row {place + 2}",
            remedy="Keep one line for each vintage and variety.",
        )
    return table


def _number(
    text: str | None, name: str, low: float, high: float, where: str, *, comma: bool = False
) -> float:
    found = (text or "").strip()
    try:
        number = float(found.replace(",", ".") if comma else found)
    except ValueError:
        number = math.nan
    if not low < number < high:  # not a number fails as well
        raise DataError(
            f"{name} is {found!r}; a number above {low:g} and below {high:g} is needed.",
            where=where,
            remedy="Correct the value, or leave the line out.",
        )
    return number
