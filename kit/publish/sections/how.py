"""How it was measured and computed, from what was really done; self-check, strengths, limitations, a glossary."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Any, Final

from kit.judge.self_check import TRIALS
from kit.metrics import METRIC_BASES
from kit.page.html_tables import cols, numbers
from kit.page.shown_numbers import plain, quantity
from kit.page.text import Html, element
from kit.publish.report_data import ReportData, report_data
from kit.publish.sections.section import (
    Section,
    bullets,
    heading,
    rows_table,
    section,
    to_appendix,
)
from kit.publish.wording import capital, counted, listed, number_word, threshold_words
from kit.variance.engines import explained

if TYPE_CHECKING:
    import pandas as pd

ZERO: Final = {
    "lit": "the fuel was lit",
    "tipped": "the lit fuel was tipped in",
    "lid on": "the lid was put on",
}
BASIS: Final = {"mass": "equal mass", "volume": "equal volume", "full starter": "one full starter"}
FAMILY: Final = {
    "tukey": "all pairs of fuels, adjusted together (Tukey)",
    "dunnett": "every fuel against the control fuel, adjusted together (Dunnett)",
    "holm": "all comparisons, adjusted by Holm's rule",
    "none": "single comparisons, not adjusted",
}
MOST_UNLIKE: Final = 1.05
"""Times the lightest fuel's mean charge up to which charges pass as alike."""
SPREAD: Final = {
    "common": "one spread between burns for all fuels",
    "by fuel": "a spread between burns for each fuel",
    "by kind": "a spread between burns for each type",
}


@cache
def method_words() -> dict[str, Any]:
    """Return the words of the method that every report shares: glossary, paragraphs, sources, formulas."""
    return tomllib.loads(resources.files("kit.publish").joinpath("method_words.toml").read_text("utf-8"))


def paragraph_of(key: str, **parts: object) -> str:
    """Return one of its paragraphs with its parts filled in."""
    return str(method_words()["paragraphs"][key]).format(**parts)


def method(analysis: Any) -> Section:
    """Return how it was measured and computed, the self-check, strengths and limitations, a glossary."""
    data = report_data(analysis)
    parts = [
        heading("How it was measured", "measured"),
        " ".join(measured_lines(data)),
        heading("How it was computed", "computed"),
        " ".join(computed_lines(data)[:4]),
        heading("Self-check", "self-check"),
        f"{_self_check_told(data)} {_second_opinion_told(data)}".strip(),
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
        *(
            [heading("What each measure is (T: temperature, θ: threshold)", "measures"), definitions(data)]
            if data.metrics
            else []
        ),
        computed_lines(data)[4:],
        bullets(model_lines(data)) or "No model was fitted.",
        self_check_html(data),
        second_opinion_html(data),
    ]
    return section("method-tables", "How it was computed: models and checks", parts, "appendix")


def measured_lines(data: ReportData) -> list[str]:
    """Return paragraphs on fuels, charges, burns, probes, time zero and stop rule."""
    trial = data.trial
    who = f" by {trial.operator}" if trial.operator and not data.simulated else ""
    bags = f" from {counted(data.bags, 'bag')}" if data.bags else ""
    made = f"{'was' if data.done == 1 else 'were'} {'simulated' if data.simulated else 'made'}"
    cooker = f" Cooker: {trial.cooker}." if trial.cooker else ""
    burns = (
        f"{capital(counted(data.done, 'burn'))} of {counted(len(data.cast), 'fuel')}{bags} {made}{who}{data.on_days}."
        f"{cooker} A burn is one charge, lit, logged and left to burn down; it is what is counted, not the reading."
    )
    stop = f"The stop rule: {trial.stop_rule}." if trial.stop_rule else "No stop rule was written down."
    levels = [threshold_words(level, data.units) for level in trial.thresholds]
    named = f" Thresholds: {listed(levels)}." if levels else ""
    timing = f"Time is counted from when {ZERO[trial.time_zero]}. {stop}{named}"
    how = trial.measuring
    peak = paragraph_of(
        "peak",
        median=plain(how.median_s, 0),
        mean=plain(how.mean_s, 0),
        hold=_minutes(how.hold_min),
        bridge=_minutes(how.bridge_min),
    )
    return [burns, _charge(data), _probes(data), timing, peak]


def _charge(data: ReportData) -> str:
    charge = data.trial.charge
    if not charge.model_fields_set:
        return "The trial file does not say what was equal between charges, so no basis of comparison is claimed."
    amount = ""
    if charge.grams:
        amount = f", {plain(charge.grams, 0)} g"
        amount += f" within {plain(charge.tolerance_g, 0)} g" if charge.tolerance_g else ""
    elif charge.litres:
        amount = f", {plain(charge.litres, 1)} L"
    if len(data.cast) < 2:
        return f"Charges were of {BASIS[charge.by]}{amount}."
    return paragraph_of("basis", basis=BASIS[charge.by], amount=amount)


def _probes(data: ReportData) -> str:
    trial, told = data.trial, []
    for probe, own in data.table("spans").groupby("probe", sort=False):
        declared, steps = trial.find_probe(str(probe)), own["interval_s"].astype(float).dropna()
        parts = [declared.place] if declared and declared.place else []
        if declared and declared.tolerance_class:
            parts.append(f"thermocouple class {declared.tolerance_class}")
        if len(steps):
            ends = dict.fromkeys(plain(each, 0 if each >= 2 else 1) for each in (steps.min(), steps.max()))
            parts.append(f"read every {' to '.join(ends)} s")
        told.append(f"{probe} ({'; '.join(parts)})" if parts else str(probe))
    if not told:
        return "Temperatures were not logged."
    main = f" The main probe is {trial.main_probe}." if trial.main_probe and len(told) > 1 else ""
    return f"Temperature was logged by {counted(len(told), 'probe')}: {listed(told)}.{main}"


def _minutes(value: float) -> str:
    return f"{value:g} min" if value.is_integer() else f"{value * 60:g} s"


def computed_lines(data: ReportData) -> list[str]:
    """Return paragraphs on scale, model, intervals, families and verdicts, in words a tester follows."""
    if not data.analysis.fits or data.bare:
        why = "Each fuel was burned once" if data.singles else "No model was fitted"
        return [f"{why}. Values are shown as measured; no interval, difference or order was computed."]
    # whether burns have one SD in common, as the models of the primary measures were fitted
    fitted = [fit for name, fit in data.analysis.fits.items() if name in data.primary]
    ways = [SPREAD[way] for way in dict.fromkeys(fit.spread_choice for fit in fitted)]
    families = "; ".join(FAMILY.get(name, name) for name in families_of(data))
    used = " and ".join(methods_used(data)) or "the fitted model"
    lines = [
        paragraph_of("scale"),
        paragraph_of("model", spreads=f"; {listed(ways)}" if ways else ""),
        f"Intervals are {data.percent} intervals made for few bags and burns ({used})."
        + (f" Families of comparisons: {families}." if families else ""),
        paragraph_of("verdict"),
    ]
    return [*lines, paragraph_of("curves", percent=data.percent)] if data.banded else lines


def methods_used(data: ReportData) -> list[str]:
    """Return the small-sample methods named in the comparisons of primary measures."""
    rows = data.of_primary(data.table("comparisons"))
    return [str(name) for name in dict.fromkeys(rows["method"].dropna()) if str(name)]


def families_of(data: ReportData) -> list[str]:
    """Return the families over which intervals of comparisons hold, by their names."""
    return list(dict.fromkeys(map(str, data.table("comparisons")["multiplicity"].dropna())))


def model_lines(data: ReportData) -> list[str]:
    """Return for each metric the terms its model holds and why, as the fitted models say."""
    told: dict[str, list[str]] = {}
    for metric in data.metrics:
        fit: Any = data.analysis.fits.get(metric)
        if fit is not None:
            reasons = "; ".join([*map(str, fit.design.notes), *explained(fit.engine)])
            reasons = reasons or "every term was kept that the design can tell apart"
            line = f"terms {listed(list(map(str, fit.names)))}: {reasons}"
            told.setdefault(line, []).append(data.label(metric))
    return [f"{capital(', '.join(labels))}: {line}." for line, labels in told.items()]


def shared_out(self_check: pd.DataFrame) -> str:
    """Say that not every simulated trial stands behind every row, where that is so."""
    if not (self_check["trials"] < TRIALS).any():
        return ""
    return " Where values are known only as bounds, each trial follows one mean or difference and one SD."


def _self_check_told(data: ReportData) -> str:
    rows = data.table("self_check")
    if not len(rows):
        return "No self-check was run: there is no fitted model to simulate from."
    held = rows[rows["quantity"].str.contains("^intervals of the means .*hold the truth")]
    if not len(held):
        return f"{TRIALS} trials of just this design were simulated and analysed alike; the appendix has every count."
    ends = dict.fromkeys(f"{100 * float(end):.0f}" for end in (held["share"].min(), held["share"].max()))
    return (
        f"{TRIALS} trials of just this design were simulated from what these burns showed (seed "
        f"{int(rows['seed'].iloc[0])}) and each was analysed like the real one: intervals of the means, made to hold "
        f"the truth in 95 of 100 trials, held it in {' to '.join(ends)} of 100."
    )


def _second_opinion_told(data: ReportData) -> str:
    rows = data.table("second_opinion")
    fitted = rows[rows["other"].notna()]
    converged = fitted[~fitted["note"].astype(str).str.contains("did not converge")]
    if not len(rows):
        return ""
    if not len(fitted):
        return "Another program (statsmodels) cannot fit these models, so there is nothing to compare with."
    if not len(converged):
        return "Another program (statsmodels) says itself that it did not converge on these models."
    agree, left = converged["agrees"].fillna(False).astype(bool).sum(), len(fitted) - len(converged)
    of_these = f" {capital(number_word(left))} more are of fits that, as it says itself, did not converge."
    return (
        f"Checked against another program (statsmodels): {agree} of {len(converged)} estimates agree."
        f"{of_these if left else ''}"
    )


def self_check_html(data: ReportData) -> Html | None:
    """Return how often intervals covered and verdicts erred in simulated trials of this very design."""
    rows = data.table("self_check")
    shares = numbers("nominal", ("share", "observed"), "mc_error", share=True, decimals=1)
    columns = cols(("quantity", "What was counted"), shares)
    note = f"±: standard error of the count itself.{shared_out(rows)}"
    caption = "Self-check: simulated trials of this design"
    return rows_table(data, rows, caption, columns, note=note, group="label")


def second_opinion_html(data: ReportData) -> Html | None:
    """Return the estimates of an independent program beside the kit's own, where it could fit them."""
    rows = data.table("second_opinion")
    values = numbers(("kit", "this kit"), ("other", "statsmodels"), decimals=None)
    columns = cols(("quantity", "Quantity"), values, "agrees", "note")
    note = "Estimates on the scale of the analysis. Agrees: within one part in a thousand of the spread between burns."
    caption = "Checked against another program"
    return rows_table(data, rows[rows["other"].notna()], caption, columns, note=note, group="label")


def strengths(data: ReportData) -> list[str]:
    """Return what is good about this trial, from what was really done; nothing that a limitation takes back."""
    fewest = min((bags for _, bags in data.burned.values()), default=0)
    bags, days = capital(counted(fewest, "bag")), counted(data.days, "day")
    dated = f"The {counted(data.dated, 'burn')} whose day is known are"
    planned = data.analysis.run.plan is not None and not len(data.table("deviations"))
    control, checked = data.name(data.control), len(data.table("self_check"))
    told = [
        (
            fewest > 3,
            f"{bags} or more of each fuel, so that the answer is about the fuel, not about one bag.",
        ),
        (planned, "The plan was written before the first burn, and no deviation from it was found."),
        (data.control, f"A control fuel, {control}, was burned along with the others."),
        (data.trial.margins, "The smallest difference that matters is declared in the trial file."),
        (data.days > 2, f"{'Burns are' if data.dated == data.done else dated} spread over {days}."),
        (checked, "The method was tried on simulated trials of this very design, and the result is shown."),
        (
            True,
            "Every reading is kept, every flag is shown, and anyone can run the analysis again from the bundle.",
        ),
    ]
    return [sentence for holds, sentence in told if holds]


def limitations(data: ReportData) -> list[str]:
    """Return what this trial cannot say, from what was really done."""
    trial, cast = data.trial, data.cast
    burns, bags = zip(*data.burned.values(), strict=True) if data.burned else ((), ())
    cookers, fewest = capital(counted(max(data.cookers, 1), "cooker")), min(bags, default=0)
    few = [player.name for player, n in zip(cast, bags, strict=True) if n == fewest]
    of = "each fuel" if len(few) == len(cast) else listed(few)
    zero = "" if data.singles else " A spread between bags found at zero is no proof that bags agree."
    once = [player.name for player, n in zip(cast, burns, strict=True) if n < 2]
    spread = "were burned once each and have no spread of their own"
    if len(once) in (1, len(cast)):
        spread = "was burned once and has no spread of its own"
    measures = capital(counted(len(data.primary), "primary measure"))
    whole = "intervals hold for all comparisons of one measure, not for all measures together"
    early = "metrics, thresholds and number of burns may have been chosen after a look"
    told = [
        (
            data.simulated,
            "These burns are simulated. They show how a report reads; they say nothing about any real fuel.",
        ),
        (True, f"{cookers}, one place, one way of burning: the answer may differ in another cooker."),
        (unlike := _unlike_charges(data), unlike),
        (not any(bags), "Bags are not noted: whether another bag would do the same cannot be told."),
        (any(bags) and fewest <= 3, f"Few bags: {counted(fewest, 'bag')} of {of}.{zero}"),
        (once, f"{'Each fuel' if len(once) == len(cast) else listed(once)} {spread}."),
        (not trial.margins and not data.bare, "No margin was declared, so nothing is ever called the same."),
        (data.analysis.run.plan is None, f"No plan was written beforehand: {early}."),
        (len(data.primary) > 1 and not data.bare, f"{measures}: {whole}."),
        (not trial.operator, "Who ran the burns is not recorded."),
        (True, "One laboratory gives intermediate precision, not what another laboratory would find."),
    ]
    return [sentence for holds, sentence in told if holds]


def _unlike_charges(data: ReportData) -> str:
    """Say how far the charges differed from fuel to fuel, where the trial file says nothing of them; else ''."""
    import pandas as pd

    burns = data.sheet[data.sheet["burn"].isin(data.compared)]
    grams = pd.to_numeric(burns["charge_g"], errors="coerce").groupby(burns["fuel"]).mean()
    if data.trial.charge.model_fields_set or not grams.max() > MOST_UNLIKE * grams.min():
        return ""
    shown = {
        fuel: quantity(mean, "g", data.units, decimals=0 if grams.min() >= 20 else 1)
        for fuel, mean in grams.items()
    }
    lightest, heaviest = (f"{shown[fuel]} of {data.name(fuel)}" for fuel in (grams.idxmin(), grams.idxmax()))
    return (
        f"Charges were not equal: on average from {lightest} to {heaviest}. How far a difference between fuels is one "
        "between charges cannot be told."
    )


def definitions(data: ReportData) -> Html:
    """Return how each measure of the report is defined: T is the temperature, θ the threshold."""
    bases = dict.fromkeys(data.spec(metric).base for metric in data.metrics)
    known = [METRIC_BASES[base] for base in bases if base in METRIC_BASES]
    return terms({f"{each.label}{' θ' * (each.takes == 'threshold')}": each.definition for each in known})


def glossary() -> Html:
    """Return the words of a report, a line each."""
    return terms(method_words()["glossary"])


def terms(meanings: Mapping[str, str]) -> Html:
    """Return terms and their meanings, a line each."""
    lines = [
        element(tag, words)
        for term, meaning in meanings.items()
        for tag, words in (("dt", element("strong", term)), ("dd", meaning))
    ]
    return element("dl", *lines, class_="glossary")
