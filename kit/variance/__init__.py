"""The repeat-trial variance model: design, estimation, small samples, intervals, bootstrap, censored values."""

from kit.variance.fit import RepeatFit, contrasts, fit_repeats
from kit.variance.inference import Contrasts, FTest, f_test

__all__ = ["Contrasts", "FTest", "RepeatFit", "contrasts", "f_test", "fit_repeats"]
