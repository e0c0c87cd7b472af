"""How it was measured and computed, self-check, strengths and limitations; the tester's notes, provenance, cautions."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, Final

import pandas as pd

from kit.judge.self_check import TRIALS
from kit.metrics import METRIC_BASES
from kit.page.cautions import cautions_list
from kit.page.shown_numbers import plain, quantity
from kit.page.text import Html, element, visible
from kit.publish.provenance import trace
from kit.publish.report_data import ReportData
from kit.publish.sections.section import (
    Section,
    bullets,
    heading,
    label,
    paragraph,
    rows_table,
    section,
    to_appendix,
    topic,
)
from kit.publish.wording import (
    called,
    capital,
    counted,
    listed,
    number_word,
    paragraph_of,
    table_of,
    threshold_words,
    told_each,
    words,
)
from kit.variance.engine import explained
from kit.variance.inference import OF_A_T

MOST_UNLIKE: Final = 1.05
"""Times the lightest fuel's mean charge up to which charges pass as alike."""


@topic("method", "How it was measured and computed")
def method(data: ReportData) -> list[object]:
    """Return how it was measured and computed, the self-check, strengths and limitations, a glossary."""
    return [
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
        terms(words()["glossary"]),
        to_appendix("The model of each measure, and every count of the self-check", "method-tables"),
    ]


@topic("method-tables", "How it was computed: models and checks", "appendix")
def method_tables(data: ReportData) -> list[object]:
    """Return for the appendix the terms of each model, the self-check row by row, and another program's estimates."""
    bases = dict.fromkeys(data.spec(metric).base for metric in data.metrics)
    known = [METRIC_BASES[base] for base in bases if base in METRIC_BASES]
    measures = terms({f"{each.label}{' θ' * (each.takes == 'threshold')}": each.definition for each in known})
    title = "What each measure is (T: temperature, θ: threshold)"
    return [
        [heading(title, "measures"), measures] if data.metrics else None,
        computed_lines(data)[4:],
        bullets(model_lines(data)) or "No model was fitted.",
        self_check_html(data),
        second_opinion_html(data),
    ]


def measured_lines(data: ReportData) -> list[str]:
    """Return paragraphs on fuels, charges, burns, probes, time zero and stop rule."""
    trial, how = data.trial, data.trial.measuring
    burns = paragraph_of(
        "burns",
        burns=counted(data.done, "burn"),
        fuels=counted(len(data.cast), "fuel"),
        bags=f" from {counted(data.bags, 'bag')}" if data.bags else "",
        made=f"{'was' if data.done == 1 else 'were'} {'simulated' if data.simulated else 'made'}",
        who=f" by {trial.operator}" if trial.operator and not data.simulated else "",
        on_days=data.on_days,
        cooker=trial.cooker,
    )
    timing = paragraph_of(
        "timing",
        zero=called("time_zero", trial.time_zero),
        stop=trial.stop_rule,
        levels=listed([threshold_words(level, data.units) for level in trial.thresholds]),
    )
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
        return paragraph_of("no_basis")
    amount = ""
    if charge.grams:
        amount = f", {plain(charge.grams, 0)} g"
        amount += f" within {plain(charge.tolerance_g, 0)} g" if charge.tolerance_g else ""
    elif charge.litres:
        amount = f", {plain(charge.litres, 1)} L"
    if len(data.cast) < 2:
        return f"Charges were of {called('basis', charge.by)}{amount}."
    return paragraph_of("basis", basis=called("basis", charge.by), amount=amount)


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
    ways = [called("spread", way) for way in dict.fromkeys(fit.spread_choice for fit in fitted)]
    names = dict.fromkeys(map(str, data.table("comparisons")["multiplicity"].dropna()))
    families = "; ".join(called("families", name) for name in names)
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
    named = [str(name) for name in rows["method"].dropna() if str(name)]
    # a profile stands with the t whose degrees of freedom it takes
    return [*dict.fromkeys(part for name in named for part in reversed(name.split(OF_A_T)))]


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
    return paragraph_of("shared_out", some=(self_check["trials"] < TRIALS).any())


def _self_check_told(data: ReportData) -> str:
    rows = data.table("self_check")
    if not len(rows):
        return "No self-check was run: there is no fitted model to simulate from."
    held = rows[rows["quantity"].str.contains("^intervals of the means .*hold the truth")]
    ends = dict.fromkeys(f"{100 * float(end):.0f}" for end in (held["share"].min(), held["share"].max()))
    parts = {"seed": int(rows["seed"].iloc[0]), "held": " to ".join(ends) if len(held) else ""}
    return paragraph_of("self_check", trials=TRIALS, **parts)


def _second_opinion_told(data: ReportData) -> str:
    rows = data.table("second_opinion")
    fitted = rows[rows["other"].notna()]
    converged = fitted[~fitted["note"].astype(str).str.contains("did not converge")]
    if not len(rows):
        return ""
    if not len(fitted):
        return paragraph_of("second_opinion_none")
    if not len(converged):
        return paragraph_of("second_opinion_not_converged")
    agree, left = converged["agrees"].fillna(False).astype(bool).sum(), len(fitted) - len(converged)
    more = number_word(left) if left else ""
    return paragraph_of("second_opinion", agree=agree, of=len(converged), more=more)


def self_check_html(data: ReportData) -> Html | None:
    """Return how often intervals covered and verdicts erred in simulated trials of this very design."""
    rows = data.table("self_check")
    return rows_table(data, "self_check", rows, shared_out=shared_out(rows))


def second_opinion_html(data: ReportData) -> Html | None:
    """Return the estimates of an independent program beside the kit's own, where it could fit them."""
    rows = data.table("second_opinion")
    return rows_table(data, "second_opinion", rows[rows["other"].notna()].assign(places=None))


def strengths(data: ReportData) -> list[str]:
    """Return what is good about this trial, from what was really done; nothing that a limitation takes back."""
    return told_each(words()["strengths"], _what_was_done(data))


def limitations(data: ReportData) -> list[str]:
    """Return what this trial cannot say, from what was really done."""
    return told_each(words()["limitations"], _what_was_done(data))


def _what_was_done(data: ReportData) -> dict[str, object]:
    trial, cast, plan = data.trial, data.cast, data.analysis.run.plan
    burns, bags = zip(*data.burned.values(), strict=True) if data.burned else ((), ())
    fewest = min(bags, default=0)
    few = [player.name for player, n in zip(cast, bags, strict=True) if n == fewest]
    once = [player.name for player, n in zip(cast, burns, strict=True) if n < 2]
    return {
        "simulated": data.simulated,
        "cookers": counted(max(data.cookers, 1), "cooker"),
        "unlike": _unlike_charges(data),
        "many_bags": fewest > 3,
        "few_bags": any(bags) and fewest <= 3,
        "no_bags": not any(bags),
        "bags": counted(fewest, "bag"),
        "of": "each fuel" if len(few) == len(cast) else listed(few),
        "zero": "" if data.singles else " A spread between bags found at zero is no proof that bags agree.",
        "some_once": len(once) > 1 and len(once) < len(cast),
        "one_once": len(once) in (1, len(cast)) and once,
        "once": "Each fuel" if len(once) == len(cast) else listed(once),
        "margins": trial.margins,
        "no_margin": not trial.margins and not data.bare,
        "as_planned": plan is not None and not len(data.table("deviations")),
        "no_plan": plan is None,
        "control": data.control and data.name(data.control),
        "many_days": data.days > 2,
        "days": counted(data.days, "day"),
        "dated": "Burns"
        if data.dated == data.done
        else f"The {counted(data.dated, 'burn')} whose day is known",
        "checked": len(data.table("self_check")),
        "many_measures": len(data.primary) > 1 and not data.bare,
        "measures": counted(len(data.primary), "primary measure"),
        "nobody": not trial.operator,
    }


def _unlike_charges(data: ReportData) -> str:
    """Say how far the charges differed from fuel to fuel, where the trial file says nothing of them; else ''."""
    grams = data.recorded("charge_g")
    if data.trial.charge.model_fields_set or not grams.max() > MOST_UNLIKE * grams.min():
        return ""
    shown = {
        fuel: quantity(mean, "g", data.units, decimals=0 if grams.min() >= 20 else 1)
        for fuel, mean in grams.items()
    }
    lightest, heaviest = (f"{shown[fuel]} of {data.name(fuel)}" for fuel in (grams.idxmin(), grams.idxmax()))
    return paragraph_of("unlike_charges", lightest=lightest, heaviest=heaviest)


def terms(meanings: Mapping[str, str]) -> Html:
    """Return terms and their meanings, a line each."""
    lines = [
        element(tag, words)
        for term, meaning in meanings.items()
        for tag, words in (("dt", element("strong", term)), ("dd", meaning))
    ]
    return element("dl", *lines, class_="glossary")


NOTES: Final = "notes.md"
LARGEST: Final = 200_000
"""Characters of the notes that are shown; what is longer is cut, and says so."""


@topic("tester-notes", "The tester's own notes")
def tester_notes(data: ReportData) -> list[object]:
    """Return notes.md under a heading of its own and marked as the tester's; nothing where there is none."""
    path = Path(data.analysis.run.folder) / NOTES
    text = path.read_text("utf-8-sig", errors="replace") if path.is_file() else ""
    if not text.strip():
        return []
    return [
        label(paragraph_of("notes", who=data.trial.operator or "the tester", file=NOTES)),
        element("div", markdown_html(text[:LARGEST]), class_="note theirs"),
        f"Cut after {LARGEST} characters." if len(text) > LARGEST else None,
    ]


def markdown_html(text: str) -> Html:
    """Return Markdown as HTML below a section's headings: HTML in it shows as text, pictures as their words.

    Links lead to http, https and mailto addresses alone; every heading is one of the third, so that the page's own
    stay apart.
    """
    import mistune

    class Renderer(mistune.HTMLRenderer):
        def heading(self, text: str, level: int, **attrs: Any) -> str:
            return f"<h3>{text}</h3>\n"

        def table(self, text: str) -> str:
            caption = "<caption>A table of the tester's own</caption>"
            box = 'class="scroll" role="region" tabindex="0" aria-label="Table"'
            return f"<div {box}><table>{caption}{text}</table></div>"

        def table_cell(self, text: str, align: str | None = None, head: bool = False) -> str:
            return f'<th scope="col">{text}</th>' if head else f"<td>{text}</td>"

        def image(self, text: str, url: str, title: str | None = None) -> str:
            return f"[{text}]" if text else ""

        def link(self, text: str, url: str, title: str | None = None) -> str:
            kept = url.lower().startswith(("http://", "https://", "mailto:"))
            return super().link(text, url) if kept else text

    shown: Any = mistune.create_markdown(renderer=Renderer(escape=True), plugins=["table", "strikethrough"])
    return Html(shown(visible(text)))


def cautions(_: Any) -> Section:
    """Return the cautions: the same in every report and history, whatever was burned."""
    return section("cautions", "Cautions", [cautions_list()])


@topic("provenance", "Provenance")
def provenance(
    data: ReportData, parameters: Mapping[str, object] | None = None, output: str | Path = ""
) -> list[object]:
    """Return who made it and for whom, what the report rests on, and how to check it.

    Parameters
    ----------
    parameters
        As the notebook really had them.
    output
        The report's folder while it is made, '' by hand.
    """
    origin = trace(data.analysis.run.folder, parameters or {}, output)
    given = ", ".join(f"{name} {value}" for name, value in _parameters(origin["parameters"], data)[:4])
    trial = data.trial
    interests = trial.interests or "not stated: who paid for the fuel and the work is not recorded."
    people = {"Burned by": trial.operator, "Place": trial.place, "Funding and interests": interests}
    return [
        [paragraph(element("strong", f"{name}: "), text) for name, text in people.items() if text],
        paragraph_of("made_of", id=origin["report"], files=len(origin["inputs"]), given=given),
        paragraph(
            "To check it: put the bundle of this report, or the run folder, on any computer with Python and run ",
            element("code", "repeatburn recheck FOLDER"),
            ". It compares the hashes, runs the analysis again from these parameters, and compares value by value.",
            id="recheck",
        ),
        to_appendix("Every file with its hash, every parameter and version", "provenance-tables"),
    ]


@topic("provenance-tables", "Provenance: files, parameters, versions", "appendix")
def provenance_tables(
    data: ReportData, parameters: Mapping[str, object] | None = None, output: str | Path = ""
) -> list[object]:
    """Return for the appendix input hashes, parameters, seeds and versions; arguments as `provenance`."""
    origin = trace(data.analysis.run.folder, parameters or {}, output)
    return [
        inputs_html(origin),
        _names_and_values("parameters", _parameters(origin["parameters"], data)),
        versions_html(origin),
    ]


def _parameters(given: Mapping[str, object], data: ReportData) -> list[tuple[str, object]]:
    seed = [] if "seed" in given else [("seed", data.analysis.seed)]
    model = data.trial.model
    return [
        *given.items(),
        *seed,
        ("confidence", data.level),
        ("primary metrics", ", ".join(data.trial.primary)),
        ("spread", model.spread or "not declared"),
        ("covariates", ", ".join(model.covariates) or "none"),
    ]


def inputs_html(origin: Mapping[str, Any]) -> Html | None:
    """Return the table of input files with their hashes."""
    return table_of("inputs", pd.DataFrame(origin["inputs"]))


def versions_html(origin: Mapping[str, Any]) -> Html | None:
    """Return the table of program versions."""
    return _names_and_values("versions", origin["environment"].items())


def _names_and_values(key: str, rows: Iterable[tuple[str, object]]) -> Html | None:
    frame = pd.DataFrame([(name, str(value)) for name, value in rows], columns=["name", "value"])
    return table_of(key, frame)
