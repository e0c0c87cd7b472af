"""Many run folders, from their results.json alone: control chart, drift, pooled repeatability, fuels over the years."""

from kit.history.history import History, MetricHistory, history_of
from kit.history.seasons import Season, newest_reports, open_seasons

__all__ = ["History", "MetricHistory", "Season", "history_of", "newest_reports", "open_seasons"]
