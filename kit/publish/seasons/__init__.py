"""The report over many seasons: its order, figures, sections, and the numbers beside its page."""

from kit.publish.seasons.order import make_history
from kit.publish.seasons.page import seasons_sections
from kit.publish.seasons.results import write_history

__all__ = ["make_history", "seasons_sections", "write_history"]
