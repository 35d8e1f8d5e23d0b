"""Any source file to one tidy table, with every guess shown and every refused row explained."""

from vinemap.intake.preview import Preview, count_reasons, guess_kind, preview_source
from vinemap.intake.result import KINDS, Guess, Intake
from vinemap.intake.source import read_frame, read_source

__all__ = [
    "KINDS",
    "Guess",
    "Intake",
    "Preview",
    "count_reasons",
    "guess_kind",
    "preview_source",
    "read_frame",
    "read_source",
]
