"""Any source file to one tidy table, with every guess shown and every refused row explained."""

from vinemap.intake.preview import Preview, guess_kind, preview_source
from vinemap.intake.source import open_source, read_frame, read_source
from vinemap.taken import KINDS, Guess, Intake, IntakeStream, Remembered, count_reasons

__all__ = [
    "KINDS",
    "Guess",
    "Intake",
    "IntakeStream",
    "Preview",
    "Remembered",
    "count_reasons",
    "guess_kind",
    "open_source",
    "preview_source",
    "read_frame",
    "read_source",
]
