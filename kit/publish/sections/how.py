"""Section 9: how it was measured and computed, the self-check, strengths and limitations, the glossary."""

from __future__ import annotations

from typing import Any

from kit.page.tables import Col, table
from kit.page.text import Html
from kit.publish.facts import Facts, facts_of
from kit.publish.methods_text.computed import computed_lines, model_lines, shared_out
from kit.publish.methods_text.measured import measured_lines
from kit.publish.sections.glossary import glossary
from kit.publish.sections.section import Section, bullets, heading, paragraph, section
from kit.publish.wording import counted, label_of
from kit.variance.self_check import TRIALS


def method(analysis: Any) -> Section:
    """Return how it was measured and computed, the self-check, strengths and limitations, a glossary."""
    facts = facts_of(analysis)
    parts = [
        heading("How it was measured", "measured"),
        *(paragraph(line) for line in measured_lines(facts)),
        heading("How it was computed", "computed"),
        *(paragraph(line) for line in computed_lines(facts)),
        bullets(model_lines(facts)),
        heading("The report checks itself", "self-check"),
        *self_check_html(facts),
        *second_opinion_html(facts),
        heading("Strengths", "strengths"),
        bullets(strengths(facts)),
        heading("Limitations", "limitations"),
        bullets(limitations(facts)),
        heading("Fifteen words", "glossary"),
        glossary(),
    ]
    return section("method", "How it was measured and computed", parts, part="appendix")


def self_check_html(facts: Facts) -> list[Html]:
    """Return how often intervals covered and verdicts erred in simulated trials of this very design."""
    rows = facts.table("self_check")
    if not len(rows):
        return [
            paragraph("No self-check was run: without repeats there is no fitted model to simulate from.")
        ]
    seed = int(rows["seed"].iloc[0])
    made = rows.assign(
        label=[label_of(facts.spec(metric), facts.units) for metric in rows["metric"]],
        **{name: 100 * rows[name].astype(float) for name in ("nominal", "share", "mc_error")},
    )
    columns = [
        Col("quantity", "What was counted", kind="head"),
        Col("nominal", "promised", unit="%", kind="number", decimals=1),
        Col("share", "found", unit="%", kind="number", decimals=1),
        Col("mc_error", "±", unit="%", kind="number", decimals=1),
    ]
    told = (
        f"{TRIALS} trials of just this design were simulated from what these burns showed (seed {seed}), "
        "each was analysed "
        "like the real one, and it was counted how often the intervals and verdicts were right."
        + shared_out(rows)
    )
    note = "±: standard error of the count itself."
    return [
        paragraph(told),
        table(made, "Simulated trials of this design", columns, note=note, group="label"),
    ]


def second_opinion_html(facts: Facts) -> list[Html]:
    """Return the estimates of an independent program beside the kit's own."""
    rows = facts.table("second_opinion")
    if not len(rows):
        return []
    made = rows.assign(
        label=[label_of(facts.spec(metric), facts.units) for metric in rows["metric"]],
        agrees=[_agreement(row) for row in rows.itertuples(index=False)],
    )
    columns = [
        Col("quantity", "Quantity", kind="head"),
        Col("kit", "this kit", kind="number"),
        Col("other", "statsmodels", kind="number"),
        Col("agrees", "agrees"),
        Col("note", "note"),
    ]
    note = "Estimates on the scale of the analysis. Agrees: within one part in a thousand of the spread between burns."
    return [table(made, "A second opinion", columns, note=note, group="label")]


def _agreement(row: Any) -> str:
    if row.other != row.other:
        return "could not fit it"
    return "yes" if row.agrees else "no"


def strengths(facts: Facts) -> list[str]:
    """Return what is good about this trial, from what was really done."""
    trial, sheet = facts.trial, facts.in_state("done")
    bags = {facts.bags_of(player.id) for player in facts.cast}
    found = []
    if min(bags, default=0) > 1:
        found.append(
            f"Several bags of each fuel ({min(bags)} at least), so that the answer is about the fuel, not "
            "about one bag."
        )
    if len(facts.table("deviations")) == 0 and getattr(facts.analysis.run, "plan", None) is not None:
        found.append("The plan was written before the first burn and kept.")
    if trial.control_fuel:
        found.append(f"A control fuel, {facts.name(trial.control_fuel)}, was burned along with the others.")
    if trial.margins:
        found.append("What counts as a difference that matters was declared beforehand.")
    if len(sheet) and "day" in sheet and sheet["day"].replace("", None).nunique() > 2:
        found.append(f"Burns are spread over {sheet['day'].nunique()} days.")
    if len(facts.table("self_check")):
        found.append("The method was tried on simulated trials of this very design, and the result is shown.")
    found.append(
        "Every reading is kept, every flag is shown, and anyone can run the analysis again from the bundle."
    )
    return found


def limitations(facts: Facts) -> list[str]:
    """Return what this trial cannot say, from what was really done."""
    trial = facts.trial
    bags = [facts.bags_of(player.id) for player in facts.cast]
    burns = [facts.burns_of(player.id) for player in facts.cast]
    found = ["One cooker, one place, one way of burning: the answer may differ in another cooker."]
    if facts.simulated:
        found.insert(
            0,
            "These burns are simulated. They show how a report reads; they say nothing about any real fuel.",
        )
    if min(bags, default=0) <= 3:
        found.append(
            f"Few bags: {counted(min(bags, default=0), 'bag')} of some fuel. A spread between bags found "
            "at zero is no proof that bags agree."
        )
    if min(burns, default=0) < 2:
        found.append("A fuel burned once has no spread of its own.")
    if not trial.margins:
        found.append("No margin was declared, so nothing is ever called the same.")
    if getattr(facts.analysis.run, "plan", None) is None:
        found.append(
            "No plan was written beforehand: metrics, thresholds and number of burns may have been chosen "
            "after a look."
        )
    if len(trial.primary) > 1:
        found.append(
            f"{len(trial.primary)} main measures: intervals hold for all comparisons of one measure, not "
            "for all measures together."
        )
    if not trial.operator:
        found.append("Who ran the burns is not recorded.")
    found.append(
        "One person on several days gives intermediate precision, not what another laboratory would find."
    )
    return found
