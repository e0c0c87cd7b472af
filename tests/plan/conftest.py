"""Designs that were weighed once are not weighed again: most tests of a plan ask of the same yard.

Tests of days, cookers and sheets bear the mark `few_designs`: they need a design, not the choice among all, and no
chance to a point. Those of all designs in which the chances are not the subject bear `few_trials`.
"""

import pickle

import pytest

from kit.plan import planned
from kit.variance import inference
from tests.plan.helpers import simulate_few, weigh_few

WEIGHED = {}


@pytest.fixture(autouse=True)
def weighed_once(monkeypatch, request):
    if request.node.get_closest_marker("few_designs"):
        weigh_few(monkeypatch)
    if request.node.get_closest_marker("few_trials"):
        simulate_few(monkeypatch)
    weigh = planned.designs

    def designs(*asked):
        key = pickle.dumps((asked, planned.MOST_BAGS, planned.MOST_BURNS, inference._TRIALS))
        if key not in WEIGHED:
            WEIGHED[key] = weigh(*asked)
        return WEIGHED[key].copy()

    monkeypatch.setattr(planned, "designs", designs)
    return WEIGHED
