"""The repeat-trial variance model: design, estimation, small samples, intervals, bootstrap, censored values."""
