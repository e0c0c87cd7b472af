"""How it was measured and computed, the self-check, strengths and limitations, a glossary."""

from __future__ import annotations

from typing import Any, Final

from kit.page.tables import Col, table
from kit.page.text import Html, element
from kit.publish.methods_text.described import computed_lines, measured_lines, model_lines, shared_out
from kit.publish.report_data import ReportData, report_data
from kit.publish.sections.section import Section, bullets, heading, numbers, paragraph, section, to_appendix
from kit.publish.wording import capital, counted, listed
from kit.variance.self_check import TRIALS

TERMS: Final = (
    ("bag", "one sack as bought; burns from one bag say little about the next bag"),
    ("burn", "one charge lit, logged and let burn down: the unit that is counted"),
    ("type", "a group of fuels: lump, briquette and so on"),
    ("control fuel", "the reference for the other fuels, burned in every block"),
    ("time zero", "the moment from which a burn's time is counted: lit, tipped in, or lid on"),
    ("plateau", "the stretch in which the cooker holds its heat"),
    ("departure", "a stretch of a minute or more in which the temperature strays from its own trend"),
    (
        "mean",
        "of durations, masses and costs the geometric mean, whose differences are ratios; of temperatures the "
        "plain one",
    ),
    ("interval", "a range made by a method that holds the true value in 95 of 100 such trials"),
    ("band", "an interval for a whole curve at once"),
    ("margin", "the smallest difference that matters to a cook, declared before the first burn"),
    ("verdict", "what an interval says about a difference, read off against zero and the margin"),
    ("settled", "the interval answers the question; not settled: more bags or burns are needed"),
    ("spread", "a standard deviation: the typical distance of a burn, bag or day from the average"),
    ("repeatability", "the spread of burns of one bag in one cooker by one person"),
    ("flag", "a mark on a reading that may be wrong; the reading is kept"),
)


def method(analysis: Any) -> Section:
    """Return how it was measured and computed, the self-check, strengths and limitations, a glossary."""
    data = report_data(analysis)
    parts = [
        heading("How it was measured", "measured"),
        paragraph(" ".join(measured_lines(data))),
        heading("How it was computed", "computed"),
        paragraph(" ".join(computed_lines(data)[:4])),
        heading("Self-check", "self-check"),
        paragraph(f"{_self_check_told(data)} {_second_opinion_told(data)}".strip()),
        heading("Strengths", "strengths"),
        bullets(strengths(data)),
        heading("Limitations", "limitations"),
        bullets(limitations(data)),
        heading("Glossary", "glossary"),
        glossary(),
        to_appendix("The model of each measure, and every count of the self-check", "method-tables"),
    ]
    return section("method", "How it was measured and computed", parts)


def method_tables(analysis: Any) -> Section:
    """Return for the appendix the terms of each model, the self-check row by row, and another program's estimates."""
    data = report_data(analysis)
    parts = [
        *(paragraph(line) for line in computed_lines(data)[4:]),
        bullets(model_lines(data)) or paragraph("No model was fitted."),
        self_check_html(data),
        second_opinion_html(data),
    ]
    return section("method-tables", "How it was computed: models and checks", parts, part="appendix")


def _self_check_told(data: ReportData) -> str:
    rows = data.table("self_check")
    if not len(rows):
        return "No self-check was run: without repeats there is no fitted model to simulate from."
    held = rows[rows["quantity"].str.startswith("intervals of the means hold")]
    if not len(held):
        return f"{TRIALS} trials of just this design were simulated and analysed alike; the appendix has every count."
    low, high = (100 * float(end) for end in (held["share"].min(), held["share"].max()))
    return (
        f"{TRIALS} trials of just this design were simulated from what these burns showed (seed "
        f"{int(rows['seed'].iloc[0])}) and each was analysed like the real one: intervals of the means, made to hold "
        "the truth in 95 of 100 trials, held it in "
        f"{low:.0f} to {high:.0f} of 100."
    )


def _second_opinion_told(data: ReportData) -> str:
    rows = data.table("second_opinion")
    fitted = rows[rows["other"].notna()]
    if not len(rows):
        return ""
    if not len(fitted):
        return (
            "Another program (statsmodels) cannot fit these models, so its estimates could not be set beside."
        )
    agree = int(fitted["agrees"].fillna(False).astype(bool).sum())
    return f"Checked against another program (statsmodels): {agree} of {len(fitted)} estimates agree."


def self_check_html(data: ReportData) -> Html | None:
    """Return how often intervals covered and verdicts erred in simulated trials of this very design."""
    rows = data.table("self_check")
    if not len(rows):
        return None
    made = rows.assign(
        label=[capital(data.label(metric)) for metric in rows["metric"]],
        **{name: 100 * rows[name].astype(float) for name in ("nominal", "share", "mc_error")},
    )
    columns = [Col("quantity", "What was counted", kind="head")]
    columns += numbers(("nominal", "nominal"), ("share", "observed"), ("mc_error", "±"), unit="%", decimals=1)
    note = f"±: standard error of the count itself.{shared_out(rows)}"
    return table(made, "Self-check: simulated trials of this design", columns, note=note, group="label")


def second_opinion_html(data: ReportData) -> Html | None:
    """Return the estimates of an independent program beside the kit's own, where it could fit them."""
    rows = data.table("second_opinion")
    rows = rows[rows["other"].notna()]
    if not len(rows):
        return None
    made = rows.assign(
        label=[capital(data.label(metric)) for metric in rows["metric"]],
        agrees=["yes" if agrees else "no" for agrees in rows["agrees"]],
    )
    columns = [Col("quantity", "Quantity", kind="head")]
    columns += numbers(("kit", "this kit"), ("other", "statsmodels"), decimals=None)
    columns += [Col("agrees"), Col("note")]
    note = "Estimates on the scale of the analysis. Agrees: within one part in a thousand of the spread between burns."
    return table(made, "Checked against another program", columns, note=note, group="label")


def strengths(data: ReportData) -> list[str]:
    """Return what is good about this trial, from what was really done; nothing that a limitation takes back."""
    trial = data.trial
    fewest = min((data.bags_of(player.id) for player in data.cast), default=0)
    told = []
    if fewest > 3:
        told.append(
            f"{capital(counted(fewest, 'bag'))} or more of each fuel, so that the answer is about the fuel, "
            "not about one bag."
        )
    if data.analysis.run.plan is not None and not len(data.table("deviations")):
        told.append("The plan was written before the first burn, and no deviation from it was found.")
    if trial.control_fuel:
        told.append(f"A control fuel, {data.name(trial.control_fuel)}, was burned along with the others.")
    if trial.margins:
        told.append("The smallest difference that matters is declared in the trial file.")
    if data.days > 2:
        which = (
            "Burns are"
            if data.dated == data.done
            else f"The {counted(data.dated, 'burn')} whose day is known are"
        )
        told.append(f"{which} spread over {counted(data.days, 'day')}.")
    if len(data.table("self_check")):
        told.append("The method was tried on simulated trials of this very design, and the result is shown.")
    told.append(
        "Every reading is kept, every flag is shown, and anyone can run the analysis again from the bundle."
    )
    return told


def limitations(data: ReportData) -> list[str]:
    """Return what this trial cannot say, from what was really done."""
    trial, cast = data.trial, data.cast
    bags, burns = [data.bags_of(player.id) for player in cast], [data.burns_of(player.id) for player in cast]
    cookers = data.sheet["cooker"].replace("", None).nunique()
    told = []
    if data.simulated:
        told.append(
            "These burns are simulated. They show how a report reads; they say nothing about any real fuel."
        )
    one = "One cooker" if cookers <= 1 else f"{capital(counted(cookers, 'cooker'))}"
    told.append(f"{one}, one place, one way of burning: the answer may differ in another cooker.")
    if not any(bags):
        told.append("Bags are not noted: whether another bag would do the same cannot be told.")
    elif min(bags) <= 3:
        few = [player.name for player, n in zip(cast, bags, strict=True) if n == min(bags)]
        of = "each fuel" if len(few) == len(cast) else listed(few)
        told.append(
            f"Few bags: {counted(min(bags), 'bag')} of {of}. A spread between bags found at zero is no proof "
            "that bags agree."
        )
    if min(burns, default=0) < 2:
        once = [player.name for player, n in zip(cast, burns, strict=True) if n < 2]
        told.append(
            f"{'Each fuel' if len(once) == len(cast) else listed(once)} was burned once and has no spread of its own."
            if len(once) in (1, len(cast))
            else f"{listed(once)} were burned once each and have no spread of their own."
        )
    if not trial.margins and not data.bare:
        told.append("No margin was declared, so nothing is ever called the same.")
    if data.analysis.run.plan is None:
        told.append(
            "No plan was written beforehand: metrics, thresholds and number of burns may have been chosen after a look."
        )
    if len(data.primary) > 1 and not data.bare:
        told.append(
            f"{capital(counted(len(data.primary), 'primary measure'))}: intervals hold for all comparisons of "
            "one measure, "
            "not for all measures together."
        )
    if not trial.operator:
        told.append("Who ran the burns is not recorded.")
    told.append("One laboratory gives intermediate precision, not what another laboratory would find.")
    return told


def glossary() -> Html:
    """Return the words of a report, a line each."""
    lines = [
        part
        for term, words in TERMS
        for part in (element("dt", element("strong", term)), element("dd", words))
    ]
    return element("dl", *lines, class_="glossary")
