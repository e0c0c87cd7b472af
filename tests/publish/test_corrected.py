import json
import shutil
from dataclasses import replace

import pytest

from kit.cli import main
from kit.errors import KitError
from kit.publish import make_bundle, make_report, recheck
from kit.publish.sections.quality import correction_of
from tests.publish.stand_in import analyse


@pytest.fixture
def analysis(run, standard):
    earlier = make_report(run).parent.name
    found = analyse(str(run))
    found.run.trial.corrects = earlier
    return found


def test_nothing_changed_is_an_empty_table(analysis):
    found = correction_of(analysis)
    assert found.moved.empty and found.verdicts == 0 and found.causes == ()


def test_what_changed_is_told_value_by_value_verdicts_first(analysis):
    metrics, comparisons = analysis.metrics.copy(), analysis.comparisons.copy()
    metrics.loc[0, "value"] = 250.0
    comparisons.loc[0, "verdict"] = "not settled"
    found = correction_of(replace(analysis, metrics=metrics, comparisons=comparisons))
    assert found.verdicts == 1
    assert found.moved.to_dict("records") == [
        {
            "table": "comparisons", "what": "metric peak, a alder, b olive, verdict", "was": "'different'",
            "now": "'not settled'",
        },
        {
            "table": "metrics", "what": "metric peak, fuel olive, burn 01, value", "was": "247.333333",
            "now": "250",
        },
    ]  # fmt: skip


def test_what_lies_behind_it_is_told(analysis):
    folder = analysis.run.folder
    (folder / "logs" / "02.csv").write_text("s,C\n0,20\n", "utf-8")
    (folder / "logs" / "03.csv").unlink()
    (folder / "logs" / "09.csv").write_text("s,C\n0,20\n", "utf-8")
    analysis.run.burns["excluded"] = ["", "the battery was flat", "", ""]
    assert correction_of(analysis).causes == (
        "logs/02.csv has changed", "logs/03.csv is gone", "logs/09.csv is new",
        "burn 02 is left out now: the battery was flat",
    )  # fmt: skip


@pytest.mark.parametrize("name", ["absent", "../reports/x", "/etc", "."])
def test_a_report_that_is_not_there_is_told(analysis, name):
    analysis.run.trial.corrects = name
    with pytest.raises(KitError, match=r"key corrects: found .* expected the name of a report in reports/"):
        correction_of(analysis)


def test_a_report_that_corrects_none_has_no_correction(analysis):
    analysis.run.trial.corrects = ""
    assert correction_of(analysis) is None


def correct(folder, earlier):
    text = (folder / "trial.toml").read_text("utf-8")
    (folder / "trial.toml").write_text(
        text.replace("[trial]\n", f'[trial]\ncorrects = "{earlier}"\n', 1), "utf-8"
    )


@pytest.mark.slow
def test_a_corrected_report_from_end_to_end(singles, tmp_path, capsys):
    earlier = make_report(singles).parent.name
    sheet = singles / "burns.csv"
    head, first, *rest = sheet.read_text("utf-8").splitlines()
    cells = first.split(",")
    cells[head.split(",").index("ash_g")] = "37.5"
    sheet.write_text("\n".join([head, ",".join(cells), *rest]) + "\n", "utf-8")
    correct(singles, "2026-no-such-report")
    assert main(["report", str(singles)]) == 2
    assert "the name of a report in reports/" in capsys.readouterr().err
    text = (singles / "trial.toml").read_text("utf-8")
    (singles / "trial.toml").write_text(text.replace("2026-no-such-report", earlier), "utf-8")
    page = make_report(singles)
    results = json.loads((page.parent / "results.json").read_text("utf-8"))
    assert results["correction"]["causes"] == ["burns.csv has changed", "trial.toml has changed"]
    moved = results["correction"]["moved"]
    assert {row["what"].split(",")[0] for row in moved if row["table"] == "metrics"} == {"metric ash"}
    assert f"reports/{earlier}/results.json" in [each["name"] for each in results["inputs"]]
    words = page.read_text("utf-8")
    assert f"This report corrects an earlier one, {earlier}" in words and "burns.csv has changed" in words
    assert "Numbers that moved" in words and "is 37.5" not in words
    bundle = make_bundle(singles, agreed=True).path
    shutil.copy(bundle, tmp_path / "theirs.zip")
    outcome = recheck(tmp_path / "theirs.zip")
    assert outcome.agrees, outcome.words
