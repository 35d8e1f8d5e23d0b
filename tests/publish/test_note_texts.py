"""Notes of a run in Spanish: each text is held against what the stages write."""

from __future__ import annotations

import ast
import re
import string
from pathlib import Path

import pytest

import vinemap
from vinemap.publish.note_texts import NOTES, translate_notes

STAGES = ("harvest", "pipeline", "zones", "decline")


def blanks(text: str) -> set[str]:
    return {name for _, name, _, _ in string.Formatter().parse(text) if name}


def written_texts() -> list[str]:
    """Every text of the stages, what is filled in replaced by a blank."""
    out = []
    for stage in STAGES:
        for path in sorted((Path(vinemap.__file__).parent / stage).glob("*.py")):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if isinstance(node, ast.JoinedStr):
                    parts = [str(one.value) if isinstance(one, ast.Constant) else "{}" for one in node.values]
                    out.append("".join(parts))
                elif isinstance(node, ast.Constant) and isinstance(node.value, str):
                    out.append(node.value)
    return out


@pytest.fixture(scope="module")
def texts():
    return written_texts()


@pytest.mark.parametrize(("english", "spanish"), NOTES, ids=[one[:40] for one, _ in NOTES])
def test_each_note_is_one_that_a_stage_writes(english, spanish, texts):
    assert blanks(english) == blanks(spanish)
    # some are put together from parts: clause by clause
    fixed = [one for one in re.split(r"\{\w+\}|; |, which | that vintage|(?<=\.) ", english) if len(one) > 12]
    joined = "\n".join(texts)
    assert all(one.strip() in joined for one in fixed), [one for one in fixed if one.strip() not in joined]


def test_notes_of_the_demo_are_said_in_spanish():
    notes = [
        "19 loads of vintage 2019 (198.3 t; tickets T190024, T190025, T190026 and 16 more) name block B10, "
        "which has no readings that vintage; not used for settling. Add the readings if there are any.",
        "Block B02: MOG rose against the other blocks by 0.24 (+-0.04) percentage points a year over 10 "
        "vintages, with a mean of 2.1 % of the load.",
    ]
    notes.append(
        "Block B02, vintage 2022: 1 load (ticket T220038) also names block B10, which has no readings that "
        "vintage. Between 0 and 10.10 t of this can be of block B02; by its readings 4.84 t (standard error "
        "2.77 t) were counted, and the factor carries that uncertainty."
    )
    said = translate_notes(notes, "es")
    assert [language for _, language in said] == ["es", "es", "es"]
    assert said[0][0].startswith(
        "19 cargas de la vendimia 2019 (198,3 t; albaranes T190024, T190025, T190026 y 16 más): nombran la "
        "parcela B10,"
    )
    assert "las impurezas subieron frente a las demás parcelas 0,24 (±0,04) puntos al año" in said[1][0]
    assert translate_notes(notes, "en") == [(one, "en") for one in notes]


@pytest.mark.parametrize(
    ("english", "spanish"),
    [
        ("Block 4.2, vintage 2020: only 12 usable readings; not mapped.",
         "Parcela 4.2, vendimia 2020: solo 12 lecturas útiles; sin mapa."),
        ("Block B, vintage 2020: weighed 1,234.50 t against 12,345.6 t of readings, factor 0.100 where "
         "blocks have 0.98 to 1.02. It was used; check for a missing or doubled ticket.",
         "Parcela B, vendimia 2020: se pesaron 1234,50 t frente a 12.345,6 t de lecturas, factor 0,100 donde "
         "las parcelas tienen 0,98 a 1,02. Se usó; busque un albarán que falte o esté repetido."),
        ("1 zone begins anew after a renewal; earlier crops tell only the level.",
         "1 zona empieza de nuevo tras una renovación; lo cosechado antes solo indica el nivel."),
        ("3 zones begin anew after a renewal; earlier crops tell only the level.",
         "3 zonas empiezan de nuevo tras una renovación; lo cosechado antes solo indica el nivel."),
    ],
)  # fmt: skip
def test_amounts_in_spanish_notes_are_spanish_and_names_stay(english, spanish):
    assert translate_notes([english], "es") == [(spanish, "es")]
