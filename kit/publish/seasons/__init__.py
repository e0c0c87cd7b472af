"""The report over many seasons: its order, figures, sections, and the numbers beside its page."""

from kit.publish.seasons.again import again_section as again
from kit.publish.seasons.order import make_history
from kit.publish.seasons.page import (
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
from kit.publish.seasons.results import write_history

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
