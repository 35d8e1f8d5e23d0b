"""Any source file to one tidy table, with every guess shown and every refused row explained."""

from vinemap.intake.preview import Preview, guess_kind, preview_source
from vinemap.intake.source import read_frame, read_source
from vinemap.taken import KINDS, Guess, Intake, Remembered, count_reasons

__all__ = [
    "KINDS",
    "Guess",
    "Intake",
    "Preview",
    "Remembered",
    "count_reasons",
    "guess_kind",
    "preview_source",
    "read_frame",
    "read_source",
]
