# ruff: noqa: E501  (a sentence stays on one line, for whoever translates it)
"""Hints of cause in other languages, by the codes of the decline stage, which words them in English itself.

Keys and blanks are those of `vinemap.decline.hints.HINTS`; a test holds it.
"""

from __future__ import annotations

from collections.abc import Mapping

HINTS: Mapping[str, Mapping[str, str]] = {
    "es": {
        "renewed_waiting": "Renovada en {renewed_year}; ninguna vendimia desde entonces.",
        "renewed_back": "Renovada en {renewed_year}; rinde ahora un {recovery_pct} % de su nivel sano.",
        "missing_most": "Las marras explican la mayor parte de la pérdida; cada cepa en pie rinde casi como sana.",
        "missing_half": "Las marras explican cerca de la mitad de la pérdida o más; las cepas en pie también han perdido algo.",
        "below_holding": "Por debajo de su nivel, pero sin una caída clara.",
        "doubtful": "Si es que cae:",
        "whole_block_no_peer": "Cae toda la parcela, y no hay otra de la variedad con que comparar.",
        "whole_block_alone": "Cae toda la parcela, mientras la mayor parte de la variedad en otros sitios se mantiene.",
        "whole_block_shared": "Cae la mayor parte de la variedad, y con ella esta parcela.",
        "along_rows": "Caen filas enteras mientras otras de la parcela se mantienen, como haría lo que avanza por las filas.",
        "growing_focus": "Cae primero aquí y después al lado, como haría un foco que crece.",
        "beside_focus": "Cae junto a terreno que perdió mucho más, como haría el borde de un foco que crece.",
        "patch": "Cae un rodal dentro de las filas mientras el terreno de alrededor se mantiene, como haría un foco.",
        "several_zones": "Caen varias zonas de la parcela mientras otras se mantienen.",
        "one_zone": "Cae esta zona mientras el resto de la parcela se mantiene.",
        "ground": "El rendimiento solo no distingue un suelo encharcado, salino o pobre: inspeccione.",
        "symptoms_few": "Se contaron pocos síntomas, lo que apunta a otra causa que la muerte regresiva.",
        "symptoms_seen": "Se contaron síntomas en un {symptomatic_pct} % de las cepas, lo que cuadra con enfermedad de madera pero no la prueba.",
        "machine_change": "Coincide un cambio de vendimiadora en {machine_change_vintage}: revise antes las cargas.",
        "machine_change_named": "Coincide un cambio a la vendimiadora {machine_change_to} en {machine_change_vintage}: revise antes las cargas.",
    }
}
