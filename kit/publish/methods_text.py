"""The methods appendix of one report: what was really done, ready to stand under an article or a film."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import kit
from kit.judge.self_check import TRIALS
from kit.page.shown_numbers import plain
from kit.page.text import Html, element, join
from kit.publish.provenance import environment
from kit.publish.report_data import ReportData, report_data
from kit.publish.sections.how import (
    computed_lines,
    measured_lines,
    method_words,
    methods_used,
    model_lines,
    paragraph_of,
    shared_out,
)
from kit.publish.simulated_trials import decided, tried
from kit.publish.text_blocks import Block, Chapter, Formula, Rows

MARKDOWN: Final = "methods.md"


@dataclass(frozen=True)
class Methods:
    """The appendix in both forms; shows itself in a notebook."""

    chapters: tuple[Chapter, ...]
    citation: str

    @property
    def html(self) -> Html:
        """The appendix as HTML, headings from h2."""
        return join(chapter.html() for chapter in self.chapters)

    @property
    def markdown(self) -> str:
        """The appendix as Markdown."""
        return "\n\n".join(["# Methods", *(chapter.markdown() for chapter in self.chapters)]) + "\n"

    def _repr_html_(self) -> str:
        return str(self.html)


def methods(analysis: Any) -> Methods:
    """Return the methods appendix of an analysis: with `.html`, `.markdown` and `.citation`.

    Parameters
    ----------
    analysis
        As `kit.analysis.analyse` returns it.
    """
    data = report_data(analysis)
    citation = citation_text(data)
    versions = "; ".join(f"{name} {version}" for name, version in environment().items())
    chapters: dict[str, list[Block | None]] = {
        "What was measured": [*filter(None, measured_lines(data)), _metrics(data), *_formulas("measured")],
        "How readings were cleaned": [_cleaning_words(data), _flags(data), _limits(data)],
        "How it was computed": [
            *computed_lines(data),
            model_lines(data) or None,
            *([] if data.bare else _formulas("fitted")),
        ],
        "Margins and verdicts": _margins(data),
        "How the method was checked": [*_self_check(data), *tried(data), decided(data)],
        "Programs": [f"{versions}.", f"Random numbers: seed {data.analysis.seed}."],
        "Standards and sources": [sources_cited(data)],
        "How to cite": [citation],
    }
    filled = {title: tuple(block for block in blocks if block) for title, blocks in chapters.items()}
    return Methods(tuple(Chapter(title, blocks) for title, blocks in filled.items() if blocks), citation)


def _formulas(of: str) -> list[Formula]:
    found = [each for each in method_words()["formula"] if each["of"] == of]
    return [Formula(each["latex"], each["words"]) for each in found]


def _metrics(data: ReportData) -> Rows:
    rows = []
    for metric in data.metrics:
        spec, status = data.spec(metric), data.values_of(metric)["status"]
        inexact = status[status != "exact"].value_counts().items()
        rows.append(
            (
                data.label(metric),
                data.units.heading(spec.unit) or "–",
                spec.definition or "a column of the burn sheet",
                "ratio" if spec.scale == "log" else "difference",
                "yes" if metric in data.primary else "no",
                str(len(status)),
                ", ".join(f"{n} {name}" for name, n in inexact) or "all measured",
            )
        )
    of = "what it is (T: temperature, θ: threshold)"
    heads = ("Measure", "unit", of, "compared as", "primary", "burns", "bounds and gaps")
    return Rows("Measures", heads, tuple(rows), "Primary measures were named in the trial file.")


def _cleaning_words(data: ReportData) -> str:
    spans = data.table("spans")
    if not len(spans):
        return "No logs were read."
    readings, flagged = (plain(spans[name].sum(), 0) for name in ("n", "n_flagged"))
    return paragraph_of("cleaning", readings=readings, flagged=flagged)


def _flags(data: ReportData) -> Rows | None:
    table = data.table("flag_counts")
    if not len(table):
        return None
    counted = table.groupby("flag", sort=True).agg(n=("n", "sum"), burns=("burn", "nunique"))
    rows = tuple((str(flag), str(int(row.n)), str(int(row.burns))) for flag, row in counted.iterrows())
    return Rows("Flags", ("Flag", "readings", "burns"), rows)


def _limits(data: ReportData) -> Rows:
    limits = data.trial.cleaning.model_dump().items()
    rows = tuple((key, str(value)) for key, value in limits)
    return Rows("Limits of the cleaning rules", ("Limit", "value"), rows)


def _margins(data: ReportData) -> list[Block | None]:
    told = [f"{data.label(metric)}: {data.margin_words(metric)}" for metric in data.trial.margins]
    if not told:
        return ["No margin was declared; fuels are called different or not settled, never the same."]
    lead = "The smallest difference that matters, declared in the trial file:"
    return [lead, told, paragraph_of("margin")]


def _self_check(data: ReportData) -> list[Block | None]:
    table = data.table("self_check")
    if not len(table):
        return ["No self-check: nothing was repeated."]
    shares = ("nominal", "share", "mc_error")
    rows = tuple(
        (data.label(row["metric"]), str(row["quantity"]), *(plain(100 * row[name], 1) for name in shares))
        for row in table.to_dict("records")
    )
    heads = ("Measure", "what was counted", "nominal, %", "observed, %", "standard error, %")
    told = (
        f"{TRIALS} trials were simulated from the fitted models at this very design (seed "
        f"{int(table['seed'].iloc[0])}) and analysed alike.{shared_out(table)}"
    )
    return [told, Rows("Self-check", heads, rows)]


def sources_cited(data: ReportData) -> list[str]:
    """Return the standards and papers that what was done rests on."""
    said = " ".join([*methods_used(data), *data.table("components")["method"].dropna()]).lower()
    families = set(map(str, data.table("comparisons")["multiplicity"].dropna()))
    wanted = {"always", *families}
    wanted |= {key for key in ("kenward", "satterthwaite", "large-sample") if key in said}
    wanted |= {"curves"} if data.banded else set()
    wanted |= {"equivalence"} if data.trial.margins else set()
    wanted |= {"class"} if any(probe.tolerance_class for probe in data.trial.probes) else set()
    return [source["text"] for source in method_words()["source"] if source["of"] in wanted]


def citation_text(data: ReportData) -> str:
    """Return how to cite the trial and the kit, on one line."""
    trial = data.trial
    days = sorted(day for day in data.table("metrics")["day"].dropna().astype(str).unique() if day)
    year = days[-1][:4] if days else "n.d."
    who, title = trial.operator or "Anonymous", trial.title or "A repeat-trial of cooking fuels"
    burns = f"{data.done} burns" + (" (simulated)" if data.simulated else "")
    return f"{who} ({year}). {title}: {burns}. Analysed with repeatburn {kit.__version__}."


def write_methods(appendix: Methods, output: str | Path) -> Html:
    """Write methods.md into a report's folder and say so; '' writes nothing, as when a template is run by hand."""
    if not str(output):
        return element("p", "Run by hand: methods.md was not written.")
    (Path(output) / MARKDOWN).write_text(appendix.markdown, "utf-8", newline="\n")
    return element("p", "The same text as Markdown: ", element("a", MARKDOWN, href=MARKDOWN), ".")
