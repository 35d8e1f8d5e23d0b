"""Fields of every kind of file: type, unit, sane limits, header words in the languages of the trade.

Words are lower case without accents; order of languages: English, Spanish, French, Italian, German,
Portuguese. Words were written by hand, common practice, no source. `low` and `high` are limits of the
possible (a row beyond them is refused), `typical` is the range in which a median is believed when the file
does not say its unit.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

FieldKind = Literal["number", "whole", "text", "name", "time"]


@dataclass(frozen=True, slots=True)
class Field:
    """One field that a file may hold.

    Attributes
    ----------
    name : str
    kind : "number", "whole", "text", "name" (text of few different values in many rows) or "time"
    unit : str
        Inside unit (a key of `vinemap.units.FACTORS`), "" if the value is taken as it is.
    words : tuple of str
        Header words.
    low, high : float
        Limits of the possible in the inside unit.
    candidates : tuple of str
        Units tried when the file does not say one, the likeliest first.
    typical : tuple of float
        Believable range of the median in the inside unit.
    required : bool
    shared : bool
        A sum over the rows that a line speaks of, to be shared out where it speaks of several.
    """

    name: str
    kind: FieldKind
    unit: str
    words: tuple[str, ...]
    low: float = float("-inf")
    high: float = float("inf")
    candidates: tuple[str, ...] = ()
    typical: tuple[float, float] = (float("-inf"), float("inf"))
    required: bool = False
    shared: bool = False

    @property
    def plain(self) -> str:
        """What people call it, for messages."""
        return PLAIN_NAMES.get(self.name, self.name.replace("_", " "))


PLAIN_NAMES = {
    "block_id": "block", "block_name": "block", "load_id": "ticket number", "row_no": "row number",
    "speed_m_s": "speed", "width_m": "working width", "mass_flow_kg_s": "mass flow", "mass_kg": "mass",
    "mass_total_kg": "total mass", "yield_t_ha": "yield", "mog_pct": "MOG", "row_spacing_m": "row spacing",
    "vine_spacing_m": "vine spacing", "row_bearing_deg": "row direction", "gross_kg": "gross mass",
    "tare_kg": "tare", "net_kg": "net mass", "sugar_brix": "sugar", "from_vine": "first vine",
    "to_vine": "last vine", "picked_kg": "picked mass", "bunch_kg": "bunch mass",
    "pruning_kg": "pruning mass", "box_width_m": "box width", "from_row": "first row", "to_row": "last row",
}  # fmt: skip


def _words(text: str) -> tuple[str, ...]:
    return tuple(part.strip() for part in text.split(",") if part.strip())


_BLOCK_WORDS = _words(
    "block id, block, block no, block code, block name, field, field name, field id, paddock, parcel, "
    "vineyard block, patch, parcela, cuartel, bloque, lote, parcelle, ilot, bloc, appezzamento, blocco, "
    "vigneto, parcella, particella, block nr, parzelle, schlag, feld, weinberg, feldname, talhao, bloco"
)
_VARIETY_WORDS = _words(
    "variety, cultivar, grape variety, grape, variedad, cepaje, cepage, variete, varieta, vitigno, "
    "rebsorte, sorte, variedade, casta")  # fmt: skip
_VINTAGE_WORDS = _words(
    "vintage, season, harvest year, vendimia, anada, temporada, cosecha, millesime, annata, campagna, "
    "jahrgang, erntejahr, saison, safra, campagne, colheita ano")  # fmt: skip
_ROW_WORDS = _words(
    "row, row no, row number, row nr, row id, fila, numero de fila, hilera, nro hilera, linea, rang, "
    "rangee, numero de rang, no rang, filare, numero filare, fila n, reihe, zeile, reihennummer, "
    "zeilennummer, reihe nr, zeile nr, linha, fileira, numero da linha")  # fmt: skip
ROW_WORDS = frozenset((*_ROW_WORDS, *_words(
    "rows, row range, row numbers, filas, hileras, lineas, rangs, rangees, filari, reihen, zeilen, linhas, "
    "fileiras")))  # fmt: skip
STRETCH_WORDS = frozenset(_words(
    "vine range, stretch, vines from to, vine numbers, tramo de cepas, cepas desde hasta, ceps de a, "
    "viti da a, stocke von bis, reben von bis, videiras de a"))  # fmt: skip
_MACHINE_WORDS = _words(
    "machine, machine id, machine name, harvester, harvester id, vehicle, veh, unit id, maquina, "
    "cosechadora, vendimiadora, machine a vendanger, vendangeuse, recolteuse, macchina, vendemmiatrice, "
    "maschine, vollernter, erntemaschine, traubenvollernter, vindimadora, maquina de vindima, colhedora"
)
_MOG_WORDS = _words(
    "crop contamination, mog, mog pct, material other than grapes, trash, impurezas, restos, "
    "materia extrana, impuretes, dechets, corps etrangers, impurita, corpi estranei, fremdbesatz, "
    "fremdanteil, impureza")  # fmt: skip
_TIME_WORDS = _words(
    "time, timestamp, time stamp, datetime, date time, date and time, utc time, gps time, time utc, utc, "
    "local time, ts, logged, logged at, log time, recorded at, epoch, fecha hora, fecha y hora, hora, "
    "hora gps, heure, date heure, date et heure, horodatage, heure utc, ora, data ora, data e ora, zeit, "
    "uhrzeit, zeitstempel, datum zeit, datum uhrzeit, datum und uhrzeit, data hora, data e hora"
)
_DATE_WORDS = _words(
    "date, day, fecha, dia, jour, data, giorno, datum, tag, date utc, local date, weigh date, "
    "harvest date, delivery date, weighed, weighed at, weighing time, weigh time, delivered at")  # fmt: skip

LATITUDE = Field("latitude", "number", "", _words(
    "latitude, lat, gps lat, gps latitude, latitud, latitudine, breitengrad, geographische breite, "
    "geo breite, lat wgs84, position north, latitude deg, y"), -90, 90)  # fmt: skip
LONGITUDE = Field("longitude", "number", "", _words(
    "longitude, lon, long, lng, gps lon, gps long, gps lng, gps longitude, longitud, longitudine, "
    "langengrad, laengengrad, geographische lange, geographische laenge, geo lange, lon wgs84, "
    "position east, longitude deg, x"), -180, 180)  # fmt: skip
EASTING = Field("easting", "number", "", _words(
    "easting, east, utm e, utm east, utm x, x utm, x coord, coord x, coordenada x, este, coordonnee x, "
    "est, rechtswert, ostwert, leste, x"), -3e7, 3e7)  # fmt: skip
NORTHING = Field("northing", "number", "", _words(
    "northing, north, utm n, utm north, utm y, y utm, y coord, coord y, coordenada y, norte, coordonnee y, "
    "nord, hochwert, nordwert, y"), -3e7, 3e7)  # fmt: skip
TIME = Field("time", "time", "", _TIME_WORDS)
DATE = Field("date", "time", "", _DATE_WORDS)
_POSITION = (LATITUDE, LONGITUDE, EASTING, NORTHING)

_KG = ("kg", "t", "lb")
HARVEST = (
    *_POSITION, TIME, DATE,
    Field("machine", "name", "", _MACHINE_WORDS),
    Field("block_name", "name", "", _BLOCK_WORDS),
    Field("vintage", "whole", "", _VINTAGE_WORDS, 1950, 2100),
    Field("speed_m_s", "number", "m/s", _words(
        "actual speed, speed, ground speed, gps speed, travel speed, velocity, sog, velocidad, "
        "velocidad gps, velocidad de avance, vitesse, vitesse gps, vitesse d avancement, velocita, "
        "velocita di avanzamento, geschwindigkeit, fahrgeschwindigkeit, geschw, spd, speed gps, velocidade"),
        0, 30, ("km/h", "m/s", "mph"), (0.6, 2.2)),
    Field("width_m", "number", "m", _words(
        "actual working width, width, working width, swath, swath width, work width, row width, "
        "header width, ancho, ancho de trabajo, ancho de labor, largeur, largeur de travail, larghezza, "
        "larghezza di lavoro, arbeitsbreite, breite, largura, largura de trabalho"),
        0.2, 40, ("m", "ft"), (1.0, 7.0)),
    Field("mass_flow_kg_s", "number", "kg/s", _words(
        "mass per time yield, mass flow, massflow, flow, flow rate, crop flow, mass flow rate, grape flow, "
        "flujo, flujo masico, caudal, caudal masico, debit, debit massique, flux, flux massique, portata, "
        "portata massica, flusso, massenstrom, durchsatz, massendurchsatz, fluxo, fluxo de massa, vazao"),
        0, 150, ("kg/s", "t/h", "lb/s"), (0.3, 13.0)),
    Field("mass_kg", "number", "kg", _words(
        "mass, weight, fruit mass, fruit weight, grape mass, crop mass, mass per reading, increment mass, "
        "peso, masa, poids, masse, massa, peso uva, gewicht, traubengewicht"),
        0, 5000, ("kg", "lb"), (0.02, 60.0)),
    Field("mass_total_kg", "number", "kg", _words(
        "yield total mass, total mass, accumulated mass, cumulative mass, mass total, accumulated weight, "
        "total weight, masa acumulada, peso acumulado, masse cumulee, poids cumule, massa accumulata, "
        "peso accumulato, gesamtmasse, gesamtgewicht, massa acumulada"), 0, 1e8, _KG),
    Field("yield_t_ha", "number", "t/ha", _words(
        "mass per area yield, yield, crop yield, yield mass, yield mass wet, grape yield, rendimiento, "
        "rendement, resa, produzione, ertrag, traubenertrag, rendimento, produtividade, produccion"),
        0, 400, ("t/ha", "short_ton/acre", "kg/ha"), (1.0, 60.0)),
    Field("mog_pct", "number", "%", _MOG_WORDS, 0, 100, ("%", "fraction"), (0, 30)),
)  # fmt: skip

BLOCKS = (
    Field("block_id", "text", "", (*_BLOCK_WORDS, "id", "code", "codigo", "code parcelle")),
    Field("name", "text", "", _words("name, title, label, nombre, nom, nome, bezeichnung, lage")),
    Field("variety", "text", "", _VARIETY_WORDS),
    Field("year_planted", "whole", "", _words(
        "year planted, planting year, planted, plant year, year of planting, year plant, "
        "ano de plantacion, ano plantacion, plantado, annee de plantation, annee plantation, "
        "anno impianto, anno di impianto, pflanzjahr, ano de plantio, ano de plantacao"), 1800, 2100),
    Field("trellis_year", "whole", "", _words(
        "trellis year, year of trellis, trellis built, ano espaldera, annee palissage, anno palificazione, "
        "baujahr drahtrahmen, ano da espaldeira"), 1800, 2100),
    Field("row_spacing_m", "number", "m", _words(
        "row spacing, row width, row distance, between rows, distancia entre filas, entre filas, "
        "marco filas, ecartement des rangs, inter rang, distanza tra le file, sesto tra le file, "
        "distanza interfilare, reihenabstand, zeilenabstand, gassenbreite, espacamento entre linhas, "
        "entrelinha"), 0.5, 12, ("m", "ft", "cm"), (1.0, 5.0)),
    Field("vine_spacing_m", "number", "m", _words(
        "vine spacing, plant spacing, in row spacing, between vines, vine distance, "
        "distancia entre plantas, distancia entre cepas, entre plantas, ecartement sur le rang, inter cep, "
        "distance entre ceps, distanza sulla fila, distanza tra le viti, stockabstand, rebabstand, "
        "espacamento entre plantas"),
        0.3, 8, ("m", "ft", "cm"), (0.6, 3.6)),
    Field("row_bearing_deg", "number", "", _words(
        "row bearing, row direction, bearing, row azimuth, azimuth, row angle, orientation, rumbo, "
        "orientacion, azimut, orientation des rangs, orientamento, orientamento file, reihenrichtung, "
        "zeilenrichtung, azimute, orientacao"),
        -360, 360),
)  # fmt: skip

ROWS = (
    Field("block_id", "text", "", _BLOCK_WORDS, required=True),
    Field("row_no", "whole", "", (*_ROW_WORDS, "name", "id"), 1, 100_000, required=True),
    Field("vines", "whole", "", _words(
        "vines, vine count, plants, cepas, plantas, ceps, viti, reben, videiras"), 0, 100_000),
)  # fmt: skip

LOADS = (
    Field("load_id", "text", "", _words(
        "load id, load, load no, load number, ticket, ticket no, ticket number, docket, docket no, "
        "weighbridge ticket, carga, numero de carga, tique, bon, bon de pesee, numero de bon, charge, "
        "carico, numero carico, bolla, ladung, ladungsnummer, wiegeschein, wiegeschein nr, lieferschein, "
        "ticket de balanca")),
    Field("vintage", "whole", "", _VINTAGE_WORDS, 1950, 2100),
    Field("block_id", "text", "", (*_BLOCK_WORDS, "blocks", "parcelas", "parcelles"), required=True),
    Field("machine", "text", "", _MACHINE_WORDS),
    TIME, DATE,
    Field("gross_kg", "number", "kg", _words(
        "gross, gross mass, gross weight, weight in, bruto, peso bruto, brut, poids brut, lordo, "
        "peso lordo, brutto, bruttogewicht, masa bruta, massa bruta"), 0, 200_000, _KG, (300, 60_000)),
    Field("tare_kg", "number", "kg", _words(
        "tare, tare mass, tare weight, weight out, tara, peso tara, poids tare, taragewicht, leergewicht"),
        0, 200_000, _KG, (50, 60_000)),
    Field("net_kg", "number", "kg", _words(
        "net, net mass, net weight, nett, nett weight, neto, peso neto, masa neta, poids net, netto, "
        "peso netto, nettogewicht, peso liquido, liquido, massa liquida, tonnes, tons, tonnage, weight, "
        "peso, poids, gewicht"),
        0, 200_000, _KG, (200, 45_000)),
    Field("mog_pct", "number", "%", _MOG_WORDS, 0, 100, ("%", "fraction"), (0, 30)),
    Field("rows", "text", "", tuple(sorted(ROW_WORDS))),
    Field("sugar_brix", "number", "", _words(
        "sugar, brix, sugar brix, degrees brix, azucar, grado brix, sucre, degre brix, zucchero, "
        "gradi brix, zucker, acucar, grau brix"), 0),
)  # fmt: skip

COUNTS = (
    Field("vintage", "whole", "", (*_VINTAGE_WORDS, "year", "ano", "annee", "anno", "jahr"), 1950, 2100),
    Field("block_id", "text", "", _BLOCK_WORDS, required=True),
    Field("row_no", "whole", "", tuple(sorted(ROW_WORDS)), 1, 100_000, required=True),
    Field("from_vine", "whole", "", _words(
        "from vine, first vine, vine from, start vine, vine, vine no, vine number, cepa, nro cepa, "
        "numero de cepa, cep, cep no, pied, vite, ceppo, numero vite, stock, rebe, stocknummer, videira, "
        "numero da videira, desde cepa, de cep, du cep, da vite, von stock, von rebe, da videira, "
        "cepa desde"), 1, 100_000),
    Field("to_vine", "whole", "", _words(
        "to vine, last vine, vine to, end vine, hasta cepa, a cep, au cep, a vite, bis stock, bis rebe, "
        "ate videira, cepa hasta"), 1, 100_000),
    Field("vines", "whole", "", _words(
        "vines, vines looked at, vine places, vines counted, total vines, places, cepas, cepas totales, "
        "plantas, ceps, nombre de ceps, viti, numero viti, reben, stocke, rebstocke, videiras, "
        "plantas totais"),
        0, 100_000, shared=True),
    Field("missing", "whole", "", _words(
        "missing, missing vines, dead, dead vines, missing or dead, gaps, faltantes, cepas faltantes, "
        "fallas, muertas, manquants, ceps manquants, morts, mancanti, viti mancanti, fallanze, "
        "fehlstellen, fehlende, fehlende reben, falhas, faltas, videiras em falta"), 0, 100_000, shared=True),
    Field("symptomatic", "whole", "", _words(
        "symptomatic, symptoms, with symptoms, dieback, symptomatic vines, foliar symptoms, sintomaticas, "
        "con sintomas, sintomas, symptomatiques, avec symptomes, symptomes, sintomatiche, con sintomi, "
        "symptomatisch, mit symptomen, symptome, com sintomas"), 0, 100_000, shared=True),
    Field("dead_arm", "whole", "", _words(
        "dead arm, dead arms, dead cordon, brazo muerto, bras mort, bras morts, braccio morto, toter arm, "
        "tote arme, braco morto"), 0, 100_000, shared=True),
    Field("replanted", "whole", "", _words(
        "replanted, replants, young vines, replantadas, complants, complantes, replantes, reimpianti, "
        "rimpiazzi, nachgepflanzt, replantadas"), 0, 100_000, shared=True),
    Field("picked_kg", "number", "kg", _words(
        "picked, picked mass, picked weight, picked kg, yield kg, harvested, cosechado, peso cosechado, "
        "recolte, poids recolte, raccolto, peso raccolto, geerntet, erntegewicht, lesegewicht, colhido, "
        "peso colhido, mass, weight"),
        0, 100_000, ("kg", "lb"), shared=True),
    Field("panel", "whole", "", _words(
        "panel, panel no, panel number, bay, bay no, tramo, vano, travee, numero de travee, campata, "
        "numero campata, stickelfeld, drahtfeld, vao, painel"), 1, 100_000),
    Field("status", "text", "", _words(
        "status, vine status, condition, vine condition, state, estado, estado de la cepa, etat, "
        "etat du cep, stato, stato vite, zustand, zustand der rebe, estado da videira")),
    Field("bunches", "whole", "", _words(
        "bunches, bunch count, number of bunches, clusters, cluster count, racimos, numero de racimos, "
        "grappes, nombre de grappes, grappoli, numero grappoli, trauben, traubenzahl, cachos, "
        "numero de cachos"), 0, 1e6, shared=True),
    Field("bunch_kg", "number", "kg", _words(
        "bunch weight, bunch mass, average bunch weight, cluster weight, peso racimo, peso de racimo, "
        "peso medio racimo, poids grappe, poids de grappe, poids moyen grappe, peso grappolo, "
        "peso medio grappolo, traubengewicht, mittleres traubengewicht, peso cacho, peso do cacho"),
        0.001, 5, ("g", "kg", "lb"), (0.03, 0.8)),
    Field("pruning_kg", "number", "kg", _words(
        "pruning weight, pruning mass, prunings, peso de poda, madera de poda, bois de taille, "
        "poids des bois de taille, legno di potatura, peso legno di potatura, schnittholz, "
        "schnittholzgewicht, peso da poda, lenha de poda"), 0, 100_000, ("kg", "g", "lb"), shared=True),
    Field("box_width_m", "number", "m", _words(
        "box width, cordon width, hedge width, canopy width, pruning width, pruned width, "
        "ancho del cordon, ancho de seto, ancho de poda, ancho del seto, anchura del cordon, "
        "largeur du cordon, largeur de haie, largeur de la haie, largeur de taille, largeur cordon, "
        "larghezza cordone, larghezza del cordone, larghezza siepe, larghezza di potatura, kordonbreite, "
        "heckenbreite, schnittbreite, breite des kordons, largura do cordao, largura da sebe, "
        "largura de poda, largura da poda"),
        0.01, 6, ("m", "cm", "ft", "in"), (0.2, 1.5)),
    Field("easting", "number", "", EASTING.words, -3e7, 3e7),
    Field("northing", "number", "", NORTHING.words, -3e7, 3e7),
)  # fmt: skip

RENEWALS = (
    Field("block_id", "text", "", _BLOCK_WORDS),
    Field("zone_id", "text", "", _words("zone, zone id, zone no, zona, id zona, zone nr, id de zone")),
    Field("from_row", "whole", "", _words(
        "from row, first row, row from, start row, desde fila, du rang, de rang, dal filare, da fila, "
        "von reihe, von zeile, da linha"), 1, 100_000),
    Field("to_row", "whole", "", _words(
        "to row, last row, row to, end row, hasta fila, au rang, a rang, al filare, a fila, bis reihe, "
        "bis zeile, ate linha"), 1, 100_000),
    Field("method", "text", "", _words(
        "method, work, treatment, renewal, metodo, labor, methode, travaux, lavoro, massnahme, trabalho"),
        required=True),
    Field("year", "whole", "", _words(
        "year, year of work, work year, ano, annee, anno, jahr"), 1900, 2100, required=True),
    Field("cost", "number", "", _words(
        "cost, total cost, amount, price, costo, coste, importe, cout, montant, kosten, betrag, custo, "
        "valor"), 0, 1e9, shared=True),
    Field("variety", "text", "", (*_VARIETY_WORDS, "new variety", "variety after")),
)  # fmt: skip

FIELDS: dict[str, tuple[Field, ...]] = {
    "harvest": HARVEST,
    "blocks": BLOCKS,
    "rows": ROWS,
    "loads": LOADS,
    "counts": COUNTS,
    "renewals": RENEWALS,
}

# What a count says of a single vine; "" is a vine without fault.
STATUS_WORDS: dict[str, tuple[str, ...]] = {
    "": _words(
        "ok, good, healthy, fine, alive, full, productive, normal, sana, sano, buena, sain, saine, bon, "
        "gesund, gut, buono, buona, saudavel, boa"),
    "missing": _words(
        "missing, dead, gap, absent, empty, faltante, falta, falla, muerta, manquant, absent, mort, "
        "mancante, morta, fallanza, fehlt, fehlend, fehlstelle, tot, ausente, falha"),
    "symptomatic": _words(
        "symptomatic, symptoms, dieback, sintomatica, con sintomas, sintomas, symptomatique, symptomes, "
        "sintomatico, con sintomi, sintomi, symptomatisch, symptome, krank, com sintomas"),
    "dead_arm": _words(
        "dead arm, dead cordon, one arm dead, brazo muerto, bras mort, braccio morto, toter arm, "
        "braco morto"),
    "replanted": _words(
        "replanted, replant, young, young vine, replantada, nueva, joven, complant, replante, jeune, "
        "reimpianto, rimpiazzo, giovane, nachgepflanzt, jung, jungrebe, nova"),
}  # fmt: skip

METHOD_WORDS: dict[str, tuple[str, ...]] = {
    "trunk_renewal": _words(
        "trunk renewal, trunk, retrunk, trunk surgery, remedial surgery, renovacion de tronco, recepage, "
        "rinnovo del tronco, stammerneuerung, ruckschnitt, renovacao do tronco"),
    "graft_over": _words(
        "graft over, graft, grafting, top working, topworking, regraft, injerto, sobreinjerto, "
        "surgreffage, sovrainnesto, reinnesto, umveredelung, umveredeln, sobreenxertia, enxertia"),
    "infill": _words(
        "infill, interplant, gap filling, replace missing, reposicion de fallas, relleno, complantation, "
        "entreplantation, rimpiazzo, nachpflanzung, nachpflanzen, preenchimento, retancha"),
    "replant": _words(
        "replant, replanting, new planting, replantacion, replantation, arrachage replantation, "
        "reimpianto, neupflanzung, neuanlage, replantio, replantacao"),
}  # fmt: skip
