"""Every word that the published files show, in one catalogue: English and Spanish, same keys in both.

Words in braces are filled in; they are the same in every language (a test holds that). A number and the sign
after it stay on one line.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from vinemap.errors import SettingsError
from vinemap.publish.texts_en import ENGLISH
from vinemap.publish.texts_es import SPANISH

NBSP = "\u00a0"  # a number and its unit stay on one line
_BREAK = re.compile(r"(?<=\d) (?=%|t/ha\b|[A-Z]{3}(?:/|\b))")


def keep_together(text: str) -> str:
    r"""Put a space that does not break between a number and the unit or currency after it.

    Parameters
    ----------
    text : str

    Returns
    -------
    str

    Examples
    --------
    >>> keep_together("Has lost 48 % of 20 t/ha, worth 30,600 AUD/ha in 9 of 10 cases.").replace(NBSP, "~")
    'Has lost 48~% of 20~t/ha, worth 30,600~AUD/ha in 9 of 10 cases.'
    """
    return _BREAK.sub(NBSP, text)


CATALOGUE: Mapping[str, Mapping[str, str]] = {
    language: {key: keep_together(text) for key, text in words.items()}
    for language, words in (("en", ENGLISH), ("es", SPANISH))
}
# Said wherever advice is shown; an estate's own come after them.
STANDING_CAUTIONS = (
    "caution_estimate",
    "caution_cause",
    "caution_sprays",
    "caution_tools",
    "caution_burning",
    "caution_metal",
    "caution_money",
)


def texts_in(language: str) -> Mapping[str, str]:
    """Give the catalogue of a language.

    Parameters
    ----------
    language : str
        ``"en"`` or ``"es"``; a region after it (``"es-AR"``) is accepted.

    Returns
    -------
    mapping of str to str

    Raises
    ------
    SettingsError
        If there is no catalogue for the language.

    Examples
    --------
    >>> texts_in("es-AR")["advice_renew"]
    'renovar'
    """
    short = language.strip().lower().replace("_", "-").split("-")[0]
    if short not in CATALOGUE:
        raise SettingsError(
            f"There are no texts in language {language!r}.",
            remedy=f"Use one of: {', '.join(sorted(CATALOGUE))}.",
        )
    return CATALOGUE[short]


def standing_cautions(language: str) -> list[str]:
    """Give the cautions that stand wherever advice is shown, with plain spaces, as tables take them."""
    words = texts_in(language)
    return [words[key].replace(NBSP, " ") for key in STANDING_CAUTIONS]
