"""Designs that were weighed once are not weighed again: most tests of a plan ask of the same yard."""

import pickle

import pytest

from kit.plan import planned

WEIGHED = {}


@pytest.fixture(autouse=True)
def weighed_once(monkeypatch):
    weigh = planned.designs

    def designs(*asked):
        key = pickle.dumps(asked)
        if key not in WEIGHED:
            WEIGHED[key] = weigh(*asked)
        return WEIGHED[key].copy()

    monkeypatch.setattr(planned, "designs", designs)
    return WEIGHED
