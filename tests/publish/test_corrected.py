from dataclasses import replace

import pytest

from kit.publish import make_report
from kit.publish.corrected import correction_of
from tests.publish.stand_in import analyse


@pytest.fixture
def analysis(run, standard):
    earlier = make_report(run).parent.name
    found = analyse(str(run))
    found.run.trial.corrects = earlier
    return found


def test_nothing_changed_is_an_empty_table(analysis):
    assert correction_of(analysis).empty


def test_what_changed_is_told_value_by_value(analysis):
    metrics = analysis.metrics.copy()
    metrics.loc[0, "value"] = 250.0
    changed = correction_of(replace(analysis, metrics=metrics))
    assert changed.to_dict("records") == [
        {"what": "metrics, metric peak, fuel olive, burn 01, value", "was": "247.333333", "now": "250"}
    ]


@pytest.mark.parametrize("name", ["", "absent", "../reports/x", "/etc", "."])
def test_a_report_that_is_not_there_is_none(analysis, name):
    analysis.run.trial.corrects = name
    assert correction_of(analysis) is None
