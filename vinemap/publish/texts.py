# ruff: noqa: E501  (a sentence stays on one line, for whoever translates it)
"""Every word that the published files show, in one catalogue: English and Spanish, same keys in both.

Words in braces are filled in; they are the same in every language (a test holds that).
"""

from __future__ import annotations

from collections.abc import Mapping

from vinemap.errors import SettingsError

_ENGLISH = {
    # headline
    "headline_none": "None of {zones} zones repays renewal now",
    "headline_one": "1 of {zones} zones repays renewal now ({area})",
    "headline_many": "{renew} of {zones} zones repay renewal now ({area})",
    "headline_wait": "waiting a year costs about {cost}",
    "headline_wait_interval": "waiting a year costs about {cost} (90 %: {low} to {high})",
    "headline_scout_one": "1 should be scouted first",
    "headline_scout_many": "{scout} should be scouted first",
    "headline_wait_note": "No interval was given for the sum; each zone's own stands beside it.",
    # masthead and frame
    "title": "{estate}: renewal map, vintage {vintage}",
    "imprint": "After vintage {vintage}. Made {made} with vinemap {version}.",
    "skip": "Skip to the list of zones",
    "language_code": "en",
    "units_metric": "Hectares, tonnes",
    "units_us": "Acres, short tons",
    "units_label": "Units",
    "print": "Print",
    # advice
    "advice": "Advice",
    "advice_keep": "keep",
    "advice_watch": "watch",
    "advice_scout": "scout",
    "advice_renew": "renew",
    "letter_keep": "K",
    "letter_watch": "W",
    "letter_scout": "S",
    "letter_renew": "R",
    "method_trunk_renewal": "trunk renewal",
    "method_graft_over": "graft over",
    "method_infill": "infill of gaps",
    "method_replant": "replanting",
    "method_keep": "keep as it is",
    "method_keep_protected": "keep, wounds protected",
    "method_": "none",
    # map
    "map_label": "Map of the zones. Arrow keys go from zone to zone, Enter picks one.",
    "colour_by": "Colour the map by",
    "mode_advice": "advice",
    "mode_loss": "crop lost",
    "mode_yield": "yield of a vintage",
    "mode_chance": "chance that it pays",
    "vintage": "Vintage",
    "fine": "Show the fine surface, where there is one",
    "background": "Background map (loaded from {host})",
    "no_value": "no value",
    "legend_advice": "Advice for each zone",
    "legend_loss": "Share of a healthy crop lost by now",
    "legend_yield": "Yield in vintage {vintage}",
    "legend_chance": "Chance that renewing pays",
    "legend_point": "place to scout",
    "here": "Here",
    "zoom_in": "Zoom in",
    "zoom_out": "Zoom out",
    "whole_estate": "Whole estate",
    "plate_caption": "Blocks and zones on plain ground, north up. Letters: {letters}.",
    # list
    "list_title": "Zones, by what a year's wait costs",
    "list_note": "Cost of waiting and gain are for the whole zone, in today's money.",
    "find": "Find a zone, block or variety",
    "show": "Show",
    "show_all": "all zones",
    "col_zone": "Zone",
    "col_advice": "Advice",
    "col_area": "Area",
    "col_loss": "Crop lost (90 %)",
    "col_wait": "A year's wait costs",
    "col_chance": "Pays with chance",
    "col_work": "Work, best year",
    "found": "{n} of {all} zones shown",
    "nothing_found": "No zone of that name.",
    # picked zone
    "pick_first": "Pick a zone on the map or in the list.",
    "zone_of": "{variety}, planted {year}",
    "block": "Block",
    "zone": "Zone",
    "chart_yield": "Yield by vintage, and what is to come if nothing is done",
    "chart_measured": "measured, 90 %",
    "chart_expected": "if healthy and full",
    "chart_forecast": "forecast if kept, 90 %",
    "chart_compare": "{zone}, measured",
    "chart_yield_alt": "Yield of {zone} by vintage against a healthy zone, with the forecast. Numbers in the table below.",
    "chart_money": "What the work is worth, by the year it is done",
    "chart_money_alt": "Net present value of each method by year of work for {zone}. Numbers in the table below.",
    "chart_money_zero": "same as keeping",
    "as_table": "The numbers of this figure",
    "col_vintage": "Vintage",
    "col_measured": "Measured",
    "col_expected": "If healthy",
    "col_low": "90 % from",
    "col_high": "to",
    "col_forecast": "Forecast if kept",
    "col_method": "Method",
    "col_year": "Year of work",
    "col_npv": "Worth against keeping",
    "numbers": "Numbers",
    "fact_loss": "Crop lost by now",
    "fact_yield_now": "Yield to expect now",
    "fact_yield_healthy": "Yield if healthy and full",
    "fact_decline": "Loss grows by",
    "fact_onset": "Set in",
    "fact_missing": "Missing vines",
    "fact_symptomatic": "Vines with symptoms",
    "fact_health": "Health, 100 is sound",
    "fact_method": "Best work",
    "fact_year": "Best year",
    "fact_gain": "Gain over keeping",
    "fact_wait": "A year's wait costs",
    "fact_chance": "Chance that it pays",
    "fact_area": "Area",
    "fact_vines": "Vine places",
    "fact_vintages": "Vintages measured",
    "average_season": "average season",
    "per_year": "a year",
    "not_counted": "not counted",
    "not_set": "none",
    "held": "holds its level",
    "cause": "What the pattern looks like, not a diagnosis: {cause}.",
    "would_change": "What would change this: {what}",
    "compare": "Compare with",
    "compare_none": "no other zone",
    "between": "{low} to {high}",
    "rows_link": "Rows and vines",
    "rows_note": "{n} row stretches, drawn on the map while the zone is picked; the contractor's list has each of them.",
    "points_note": "{n} places to scout, numbered in the order of the walk.",
    "point": "Row {row}, vine {vine}: {why}",
    # cautions
    "cautions": "Cautions",
    "caution_estimate": "Estimates, not certainties: intervals hold 90 % of what the model thinks possible. "
    "Look at the vines before anyone cuts.",
    "caution_cause": "Hints of cause come from the pattern of yield alone; a laboratory or a trained eye decides.",
    "caution_sprays": "Wound sprays: the product label and the local rules decide dose, weather and protective clothing.",
    "caution_tools": "Saws and grinders: trained people with guards, gloves, eye and ear protection.",
    "caution_burning": "Burning pulled wood: only where and when the local code allows; never treated posts.",
    "caution_metal": "Wire, clips and staples in chippings or in the row harm people and machines; pull them first.",
    "caution_money": "Money figures rest on the prices and costs set for the estate and are no financial advice; "
    "ask an accountant before a large outlay.",
    # sheets and lists
    "sheet_title": "{block}: block sheet, vintage {vintage}",
    "sheet_zones": "Zones of this block",
    "sheet_chart": "Yield of the block by vintage, area-weighted over its zones",
    "sheet_data": "Data used",
    "sheet_data_line": "{vintages} vintages ({years}), {readings} kept readings, {zones} zones.",
    "sheet_index": "Sheets",
    "sheet_renew": "{area} of {all} advised to renew.",
    "sheet_nothing": "Nothing to renew now.",
    "scouting_title": "Places to scout",
    "footer_offline": "This file holds everything it shows and asks nothing of the network.",
    "footer_background": "Everything but the background map is in this file; the map is fetched only when turned on.",
    "footer_credit": "Map drawing: Leaflet, BSD-2-Clause licence.",
}

_SPANISH = {
    "headline_none": "Ninguna de {zones} zonas amortiza ahora una renovación",
    "headline_one": "1 de {zones} zonas amortiza ahora la renovación ({area})",
    "headline_many": "{renew} de {zones} zonas amortizan ahora la renovación ({area})",
    "headline_wait": "esperar un año cuesta unos {cost}",
    "headline_wait_interval": "esperar un año cuesta unos {cost} (90 %: de {low} a {high})",
    "headline_scout_one": "1 debe inspeccionarse antes",
    "headline_scout_many": "{scout} deben inspeccionarse antes",
    "headline_wait_note": "La suma no trae intervalo; el de cada zona figura junto a ella.",
    "title": "{estate}: mapa de renovación, vendimia {vintage}",
    "imprint": "Tras la vendimia {vintage}. Hecho el {made} con vinemap {version}.",
    "skip": "Ir a la lista de zonas",
    "language_code": "es",
    "units_metric": "Hectáreas, toneladas",
    "units_us": "Acres, toneladas cortas",
    "units_label": "Unidades",
    "print": "Imprimir",
    "advice": "Consejo",
    "advice_keep": "mantener",
    "advice_watch": "vigilar",
    "advice_scout": "inspeccionar",
    "advice_renew": "renovar",
    "letter_keep": "M",
    "letter_watch": "V",
    "letter_scout": "I",
    "letter_renew": "R",
    "method_trunk_renewal": "renovación del tronco",
    "method_graft_over": "reinjerto",
    "method_infill": "reposición de marras",
    "method_replant": "replantación",
    "method_keep": "mantener como está",
    "method_keep_protected": "mantener, heridas protegidas",
    "method_": "ninguno",
    "map_label": "Mapa de las zonas. Las flechas van de zona en zona, Intro elige una.",
    "colour_by": "Colorear el mapa por",
    "mode_advice": "consejo",
    "mode_loss": "cosecha perdida",
    "mode_yield": "rendimiento de una vendimia",
    "mode_chance": "probabilidad de que compense",
    "vintage": "Vendimia",
    "fine": "Mostrar la superficie fina, donde la hay",
    "background": "Mapa de fondo (se carga de {host})",
    "no_value": "sin valor",
    "legend_advice": "Consejo para cada zona",
    "legend_loss": "Parte de la cosecha sana perdida hasta ahora",
    "legend_yield": "Rendimiento en la vendimia {vintage}",
    "legend_chance": "Probabilidad de que renovar compense",
    "legend_point": "lugar que inspeccionar",
    "here": "Aquí",
    "zoom_in": "Acercar",
    "zoom_out": "Alejar",
    "whole_estate": "Toda la finca",
    "plate_caption": "Parcelas y zonas sobre fondo liso, norte arriba. Letras: {letters}.",
    "list_title": "Zonas, según lo que cuesta esperar un año",
    "list_note": "El coste de esperar y la ganancia son de la zona entera, en dinero de hoy.",
    "find": "Buscar zona, parcela o variedad",
    "show": "Mostrar",
    "show_all": "todas las zonas",
    "col_zone": "Zona",
    "col_advice": "Consejo",
    "col_area": "Superficie",
    "col_loss": "Cosecha perdida (90 %)",
    "col_wait": "Esperar un año cuesta",
    "col_chance": "Compensa con probabilidad",
    "col_work": "Labor, mejor año",
    "found": "{n} de {all} zonas a la vista",
    "nothing_found": "Ninguna zona con ese nombre.",
    "pick_first": "Elija una zona en el mapa o en la lista.",
    "zone_of": "{variety}, plantada en {year}",
    "block": "Parcela",
    "zone": "Zona",
    "chart_yield": "Rendimiento por vendimia, y lo que vendrá si no se hace nada",
    "chart_measured": "medido, 90 %",
    "chart_expected": "si estuviera sana y completa",
    "chart_forecast": "previsto si se mantiene, 90 %",
    "chart_compare": "{zone}, medido",
    "chart_yield_alt": "Rendimiento de {zone} por vendimia frente a una zona sana, con la previsión. "
    "Los números están en la tabla de abajo.",
    "chart_money": "Lo que vale la labor, según el año en que se haga",
    "chart_money_alt": "Valor actual neto de cada método por año de la labor en {zone}. "
    "Los números están en la tabla de abajo.",
    "chart_money_zero": "igual que mantener",
    "as_table": "Los números de esta figura",
    "col_vintage": "Vendimia",
    "col_measured": "Medido",
    "col_expected": "Si sana",
    "col_low": "90 % desde",
    "col_high": "hasta",
    "col_forecast": "Previsto si se mantiene",
    "col_method": "Método",
    "col_year": "Año de la labor",
    "col_npv": "Valor frente a mantener",
    "numbers": "Números",
    "fact_loss": "Cosecha perdida hasta ahora",
    "fact_yield_now": "Rendimiento esperable ahora",
    "fact_yield_healthy": "Rendimiento si sana y completa",
    "fact_decline": "La pérdida crece",
    "fact_onset": "Empezó en",
    "fact_missing": "Marras",
    "fact_symptomatic": "Cepas con síntomas",
    "fact_health": "Salud, 100 es sana",
    "fact_method": "Mejor labor",
    "fact_year": "Mejor año",
    "fact_gain": "Ganancia frente a mantener",
    "fact_wait": "Esperar un año cuesta",
    "fact_chance": "Probabilidad de que compense",
    "fact_area": "Superficie",
    "fact_vines": "Puestos de cepa",
    "fact_vintages": "Vendimias medidas",
    "average_season": "año medio",
    "per_year": "al año",
    "not_counted": "sin contar",
    "not_set": "ninguno",
    "held": "se mantiene",
    "cause": "A qué se parece el patrón, sin ser un diagnóstico: {cause}.",
    "would_change": "Qué lo cambiaría: {what}",
    "compare": "Comparar con",
    "compare_none": "ninguna otra zona",
    "between": "de {low} a {high}",
    "rows_link": "Filas y cepas",
    "rows_note": "{n} tramos de fila, dibujados en el mapa mientras la zona está elegida; "
    "la lista del contratista trae cada uno.",
    "points_note": "{n} lugares que inspeccionar, numerados en el orden del recorrido.",
    "point": "Fila {row}, cepa {vine}: {why}",
    "cautions": "Precauciones",
    "caution_estimate": "Son estimaciones, no certezas: los intervalos contienen el 90 % de lo que el modelo cree "
    "posible. Mire las cepas antes de que nadie corte.",
    "caution_cause": "Los indicios de causa salen solo del patrón de rendimiento; decide un laboratorio o un ojo experto.",
    "caution_sprays": "Tratamientos de heridas: la etiqueta y las normas locales deciden dosis, tiempo y protección.",
    "caution_tools": "Sierras y amoladoras: personas formadas, con resguardos, guantes y protección de ojos y oídos.",
    "caution_burning": "Quema de madera arrancada: solo donde y cuando lo permita la norma local; nunca postes tratados.",
    "caution_metal": "Alambre, grapas y clips en las astillas o en la fila dañan a personas y máquinas; retírelos antes.",
    "caution_money": "Las cifras de dinero se basan en los precios y costes fijados para la finca y no son "
    "asesoramiento financiero; consulte a un contable antes de un gasto grande.",
    "sheet_title": "{block}: hoja de parcela, vendimia {vintage}",
    "sheet_zones": "Zonas de esta parcela",
    "sheet_chart": "Rendimiento de la parcela por vendimia, ponderado por la superficie de sus zonas",
    "sheet_data": "Datos usados",
    "sheet_data_line": "{vintages} vendimias ({years}), {readings} lecturas conservadas, {zones} zonas.",
    "sheet_index": "Hojas",
    "sheet_renew": "Se aconseja renovar {area} de {all}.",
    "sheet_nothing": "Nada que renovar ahora.",
    "scouting_title": "Lugares que inspeccionar",
    "footer_offline": "Este archivo contiene todo lo que muestra y no pide nada a la red.",
    "footer_background": "Todo salvo el mapa de fondo está en este archivo; el mapa se pide solo al activarlo.",
    "footer_credit": "Dibujo del mapa: Leaflet, licencia BSD de 2 cláusulas.",
}

CATALOGUE: Mapping[str, Mapping[str, str]] = {"en": _ENGLISH, "es": _SPANISH}
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
    """Give the cautions that stand wherever advice is shown."""
    words = texts_in(language)
    return [words[key] for key in STANDING_CAUTIONS]
