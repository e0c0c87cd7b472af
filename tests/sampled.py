"""Which cases of a simulation, of fuzz or of a soak `make test` tries, and which `make sample` tries beside them."""

import pytest


def sampled(few, more):
    """Return the cases of a test: a few that stand for its kind, and further ones with the mark `long`."""
    return [*few, *(pytest.param(each, marks=pytest.mark.long) for each in more)]
