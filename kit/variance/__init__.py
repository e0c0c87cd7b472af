"""The repeat-trial variance model: design, estimation, small samples, intervals, bootstrap, censored values."""

from kit.variance.columns import same_burns
from kit.variance.covariance import Contrasts, FTest, contrasts, f_test
from kit.variance.fit import RepeatFit, fit_repeats

__all__ = ["Contrasts", "FTest", "RepeatFit", "contrasts", "f_test", "fit_repeats", "same_burns"]
