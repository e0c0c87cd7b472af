"""Metrics of one burn with their uncertainty and censoring; curves on a common grid."""

from kit.burns.grid_of_curves import Curves, common_grid
from kit.burns.logged_burns import window_words, windows_for
from kit.burns.measure import Measured, burn_metrics, lid_effect, measure, uncertainty_budget

__all__ = [
    "Curves",
    "Measured",
    "burn_metrics",
    "common_grid",
    "lid_effect",
    "measure",
    "uncertainty_budget",
    "window_words",
    "windows_for",
]
