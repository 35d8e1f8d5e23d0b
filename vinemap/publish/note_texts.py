# ruff: noqa: E501  (a sentence stays on one line, for whoever translates it)
"""Notes on a run in other languages: the sentences of the stages, with blanks, and what they are elsewhere.

The stages write their notes in English; a test holds each text here against theirs. A note that is not known
here stays English and is marked so in the page.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import lru_cache

from vinemap.publish.display import format_number

# English as the stages write it; Spanish with the same blanks.
NOTES: tuple[tuple[str, str], ...] = (
    (
        "Vintage {vintage}: no weighed loads for block {blocks}; the readings stand as they are (factor 1) with a wider uncertainty. Add the loads if there are tickets.",
        "Vendimia {vintage}: no hay cargas pesadas de la parcela {blocks}; las lecturas quedan como están (factor 1), con más incertidumbre. Añada las cargas si hay albaranes.",
    ),
    (
        "Vintage {vintage}: kept readings cover only part of the row length of block {blocks}; in the total the rest is filled with the block's row mean. Add the readings that lack.",
        "Vendimia {vintage}: las lecturas conservadas cubren solo parte de las filas de la parcela {blocks}; en el total, el resto se completa con la media de sus filas. Añada las lecturas que faltan.",
    ),
    (
        "Block {block}, vintage {vintage}: weighed {weighed} t against {readings} t of readings, factor {factor} where blocks have {usual}. It was used; check for a missing or doubled ticket.",
        "Parcela {block}, vendimia {vintage}: se pesaron {weighed} t frente a {readings} t de lecturas, factor {factor} donde las parcelas tienen {usual}. Se usó; busque un albarán que falte o esté repetido.",
    ),
    (
        "{loads} without a net weight above 0 kg; of each is known only that it was no heavier than the heaviest of the vintage. Correct the weights in the loads.",
        "{loads}: sin peso neto superior a 0 kg; de cada una solo se sabe que no pesó más que la mayor de la vendimia. Corrija los pesos de las cargas.",
    ),
    (
        "{loads} name block {blocks}, which has no readings that vintage; not used for settling. Add the readings if there are any.",
        "{loads}: nombran la parcela {blocks}, sin lecturas en esa vendimia; no se usaron para ajustar. Añada las lecturas si las hay.",
    ),
    (
        "{loads} name {blocks}, which is not a block of the estate; not used for settling. Correct the block in the loads, or add it to the blocks.",
        "{loads}: nombran {blocks}, que no es parcela de la finca; no se usaron para ajustar. Corrija la parcela en las cargas, o añádala a las parcelas.",
    ),
    (
        "Block {block}, vintage {vintage}: {loads} also {name} {blocks}, which {has} no readings that vintage. Between 0 and {most} t of this can be of block {same}; by its readings {counted} t (standard error {error} t) were counted, and the factor carries that uncertainty.",
        "Parcela {block}, vendimia {vintage}: {loads}: {name} también {blocks}, que {has} sin lecturas en esa vendimia. De esto, entre 0 y {most} t pueden ser de la parcela {same}; según sus lecturas se contaron {counted} t (error típico {error} t), y el factor lleva esa incertidumbre.",
    ),
    (
        "Vintage {vintage}, {blocks}: not all loads give MOG; none was taken off those without it, so that the yield may be a little high. Add MOG to the loads.",
        "Vendimia {vintage}, {blocks}: no todas las cargas indican impurezas; a las que no, no se les descontaron, y el rendimiento puede salir algo alto. Añada las impurezas a las cargas.",
    ),
    (
        "Block {block}: MOG {moved} by {rate} (+-{error}) percentage points a year over {count} vintages, with a mean of {mean} % of the load.",
        "Parcela {block}: las impurezas {moved} {rate} (±{error}) puntos al año en {count} vendimias, con una media del {mean} % de la carga.",
    ),
    (
        "Block {block}: the readings do not show clearly where the rows are; rows are laid from the outline, spacing and direction, so row numbers may be off by one or two. Add surveyed rows (vinemap add rows) to be sure.",
        "Parcela {block}: las lecturas no muestran con claridad dónde están las filas; se trazan según el contorno, el marco y la dirección, y su número puede fallar en una o dos. Añada filas medidas (vinemap add rows) para estar seguro.",
    ),
    (
        "Block {block}: {strays} of {all} counted stretches name rows that the block does not have ({named}; it has rows 1 to {last}); they were not used. Check from which side rows were counted, or add surveyed rows (vinemap add rows).",
        "Parcela {block}: {strays} de {all} tramos contados nombran filas que la parcela no tiene ({named}; tiene las filas 1 a {last}); no se usaron. Compruebe desde qué lado se contaron, o añada filas medidas (vinemap add rows).",
    ),
    (
        "Block {block}, vintage {vintage}: only {count} usable readings; not mapped.",
        "Parcela {block}, vendimia {vintage}: solo {count} lecturas útiles; sin mapa.",
    ),
    (
        "Only vintage {vintage} has yields: levels are known, nothing can be said about decline. The decline columns show what is common elsewhere, not what was seen here.",
        "Solo la vendimia {vintage} tiene rendimientos: se conocen los niveles, pero nada puede decirse del declive. Las columnas de declive muestran lo habitual en otros sitios, no lo visto aquí.",
    ),
    (
        "Two vintages: a trend and two seasons cannot be told apart; the intervals are wide.",
        "Dos vendimias: no se distingue una tendencia de dos años distintos; los intervalos son anchos.",
    ),
    (
        "One block only: a fall that all its zones share may be decline or poor seasons; a district reference series would help.",
        "Una sola parcela: una caída que comparten todas sus zonas puede ser declive o malos años; ayudaría una serie de referencia de la comarca.",
    ),
    (
        "{count} of {all} zones were never counted: missing vines are a guess from how far a zone lies below its block, and the loss shown takes that guess in.",
        "{count} de {all} zonas no se contaron nunca: las marras se estiman por lo que la zona queda por debajo de su parcela, y la pérdida mostrada incluye esa estimación.",
    ),
    (
        "Where the planting year is not given, vines count as 15 years old at the first vintage.",
        "Donde no se da el año de plantación, las cepas cuentan como de 15 años en la primera vendimia.",
    ),
    (
        "1 zone begins anew after a renewal; earlier crops tell only the level.",
        "1 zona empieza de nuevo tras una renovación; lo cosechado antes solo indica el nivel.",
    ),
    (
        "{count} zones begin anew after a renewal; earlier crops tell only the level.",
        "{count} zonas empiezan de nuevo tras una renovación; lo cosechado antes solo indica el nivel.",
    ),
    (
        "Crops are compared at equal width after pruning: one tenth narrower bears {less} % less here ({low} to {high} %).",
        "Las cosechas se comparan a igual ancho tras la poda: una décima parte más estrecho da aquí un {less} % menos (de {low} a {high} %).",
    ),
    (
        "What was lost before vintage {vintage} rests on curve shape, vine age and the other zones.",
        "Lo perdido antes de la vendimia {vintage} descansa en la forma de la curva, la edad de las cepas y las demás zonas.",
    ),
    (
        "There is one vintage only: the map stands, but no trend can be told from it, so nothing is advised for renewal on yield alone.",
        "Hay una sola vendimia: el mapa vale, pero no muestra ninguna tendencia, así que solo por el rendimiento no se aconseja renovar nada.",
    ),
    (
        "There are two vintages only: a fall between two seasons is weak evidence of decline, so intervals are wide.",
        "Hay solo dos vendimias: una caída entre dos años es un indicio débil de declive, así que los intervalos son anchos.",
    ),
    (
        "Zones change when a vintage is left out, most of all {vintage}: treat their borders as rough.",
        "Las zonas cambian al quitar una vendimia, sobre todo {vintage}: tome sus límites como aproximados.",
    ),
    (
        "Only vintage {vintage}: zones differ by level; change over time is not known.",
        "Solo la vendimia {vintage}: las zonas se distinguen por su nivel; no se sabe cómo cambian.",
    ),
)
# English words that stand in the blanks.
WORDS = {
    "rose": "subieron", "fell": "bajaron",
    "rose against the other blocks": "subieron frente a las demás parcelas",
    "fell against the other blocks": "bajaron frente a las demás parcelas",
    "name": "nombran", "names": "nombra",
    "has": "está", "have": "están",
}  # fmt: skip
NAMED = ("block", "blocks", "same", "named")  # blanks that hold names, never an amount
# Amounts with decimals or grouped thousands; whole numbers may be years or tickets and read alike anyway.
_NUMBER = re.compile(
    r"(?<![\w.,-])(?:\d{1,3}(?:,\d{3})+(?:\.(?P<after>\d+))?|\d+\.(?P<decimals>\d+))(?![\w.,]*\w)"
)
_PHRASES = (
    (r"\bloads of vintage (\d{4})", r"cargas de la vendimia \1"),
    (r"\bload of vintage (\d{4})", r"carga de la vendimia \1"),
    (r"\bloads\b", "cargas"),
    (r"\bload\b", "carga"),
    (r"\btickets\b", "albaranes"),
    (r"\bticket\b", "albarán"),
    (r"\band (\d+) more\b", r"y \1 más"),
    (r"\bblocks\b", "parcelas"),
    (r"\bblock\b", "parcela"),
    (r"\brow (\d+)", r"fila \1"),
    (r" and ", " y "),
    (r"(?<=\d) to (?=\d)", " a "),
)


def translate_notes(notes: Sequence[str], language: str) -> list[tuple[str, str]]:
    """Put the notes of a run into a language.

    Parameters
    ----------
    notes : sequence of str
        In English, as the stages write them.
    language : str
        ``"en"`` or ``"es"``.

    Returns
    -------
    list of tuple of str
        Each note and the language it is said in: English where it is not known here.

    Examples
    --------
    >>> translate_notes(["Block B1, vintage 2020: only 4 usable readings; not mapped."], "es")[0][0]
    'Parcela B1, vendimia 2020: solo 4 lecturas útiles; sin mapa.'
    >>> translate_notes(["Something new."], "es")
    [('Something new.', 'en')]
    """
    if language == "en":
        return [(one, "en") for one in notes]
    return [_translate(one) for one in notes]


def _translate(note: str) -> tuple[str, str]:
    for pattern, said in _patterns():
        found = pattern.fullmatch(note)
        if found:
            return said.format_map(
                {name: _say_blank(name, text) for name, text in found.groupdict().items()}
            ), "es"
    return note, "en"


@lru_cache(maxsize=1)
def _patterns() -> list[tuple[re.Pattern[str], str]]:
    out = []
    for english, spanish in NOTES:
        pieces = re.split(r"\{(\w+)\}", english)
        parts = [f"(?P<{one}>.+?)" if place % 2 else re.escape(one) for place, one in enumerate(pieces)]
        out.append((re.compile("".join(parts)), spanish))
    return out


def _say_blank(name: str, text: str) -> str:
    """Say what stands in a blank; names of blocks may look like numbers and stay as they are."""
    said = _phrase(text)
    return said if name in NAMED else _NUMBER.sub(_localise, said)


def _localise(found: re.Match[str]) -> str:
    return format_number(
        float(found[0].replace(",", "")), len(found["decimals"] or found["after"] or ""), "es"
    )


def _phrase(text: str) -> str:
    if text in WORDS:
        return WORDS[text]
    for pattern, said in _PHRASES:
        text = re.sub(pattern, said, text)
    return text
