"""Designs that were weighed once are not weighed again: most tests of a plan ask of the same yard.

Tests of days, cookers and sheets bear the mark `few_designs`: they need a design, not the choice among all.
"""

import pickle

import pytest

from kit.plan import planned

WEIGHED = {}


@pytest.fixture(autouse=True)
def weighed_once(monkeypatch, request):
    if request.node.get_closest_marker("few_designs"):
        monkeypatch.setattr(planned, "MOST_BAGS", 3)
        monkeypatch.setattr(planned, "MOST_BURNS", 2)
    weigh = planned.designs

    def designs(*asked):
        key = pickle.dumps((asked, planned.MOST_BAGS, planned.MOST_BURNS))
        if key not in WEIGHED:
            WEIGHED[key] = weigh(*asked)
        return WEIGHED[key].copy()

    monkeypatch.setattr(planned, "designs", designs)
    return WEIGHED
