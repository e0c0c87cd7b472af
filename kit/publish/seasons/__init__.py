"""The report over many seasons: its order, figures, sections, and the numbers beside its page."""

from kit.publish.seasons.history_report import make_history, write_history
from kit.publish.seasons.history_sections import (
    again,
    answer,
    control,
    differently,
    drift,
    fuels,
    method,
    provenance,
    repeatability,
    seasons_sections,
)

__all__ = [
    "again",
    "answer",
    "control",
    "differently",
    "drift",
    "fuels",
    "make_history",
    "method",
    "provenance",
    "repeatability",
    "seasons_sections",
    "write_history",
]
