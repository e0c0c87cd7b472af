"""The methods appendix of one report: what was really done and how the method was tried, as HTML and as Markdown."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import Any, Final

import pandas as pd

import kit
from kit.judge.self_check import TRIALS
from kit.page.html_tables import cols, table
from kit.page.shown_numbers import plain
from kit.page.text import Html, anchor, element, escape_markdown, join
from kit.publish.provenance import environment
from kit.publish.report_data import ReportData, report_data
from kit.publish.sections.method import computed_lines, measured_lines, methods_used, model_lines, shared_out
from kit.publish.wording import captioned, paragraph_of, words

MARKDOWN: Final = "methods.md"


@dataclass(frozen=True)
class Formula:
    """A formula in LaTeX, and what it says."""

    latex: str
    words: str


@dataclass(frozen=True)
class Rows:
    """A small table of texts."""

    caption: str
    frame: pd.DataFrame
    note: str = ""


Block = str | list[str] | Formula | Rows
"""A paragraph, a list, a formula or a table; all texts are plain."""


def block_html(block: Block) -> Html:
    """Return a block as HTML: a formula as MathML with its words."""
    if isinstance(block, str):
        return element("p", block)
    if isinstance(block, list):
        return element("ul", *(element("li", text) for text in block))
    if isinstance(block, Rows):
        return table(block.frame, block.caption, cols(*block.frame), note=block.note)
    from latex2mathml.converter import convert

    # the converter writes the markup; the LaTeX is the kit's own, never a tester's
    formula = Html(convert(block.latex, display="block"))
    box = element("div", formula, class_="scroll", role="group", tabindex=0, aria_label=block.words)
    return join([element("p", f"{block.words}:"), box])


def block_markdown(block: Block) -> str:
    """Return a block as Markdown: a formula between dollar signs."""
    if isinstance(block, str):
        return escape_markdown(block)
    if isinstance(block, list):
        return "\n".join(f"- {escape_markdown(text)}" for text in block)
    if isinstance(block, Formula):
        return f"{escape_markdown(block.words)}:\n\n$$\n{block.latex}\n$$"
    rows = (block.frame.columns, *block.frame.itertuples(index=False))
    heads, *lines = (" | ".join(map(escape_markdown, row)) for row in rows)
    shown = [f"| {line} |" for line in (heads, " | ".join("---" for _ in block.frame), *lines)]
    told = f"{escape_markdown(block.caption)}. {escape_markdown(block.note)}".strip()
    return f"{told}\n\n" + "\n".join(shown)


@dataclass(frozen=True)
class Methods:
    """The appendix in both forms, its blocks by the title of their chapter; shows itself in a notebook."""

    chapters: Mapping[str, Sequence[Block]]
    citation: str

    @property
    def html(self) -> Html:
        """The appendix as HTML: a section with an h2 for each chapter."""
        return join(
            element("section", element("h2", title, id=key), *map(block_html, blocks), aria_labelledby=key)
            for title, blocks in self.chapters.items()
            for key in [anchor("methods", title)]
        )

    @property
    def markdown(self) -> str:
        """The appendix as Markdown, chapters as second-level headings."""
        chapters = (
            [f"## {escape_markdown(title)}", *map(block_markdown, blocks)]
            for title, blocks in self.chapters.items()
        )
        return "\n\n".join(["# Methods", *chain.from_iterable(chapters)]) + "\n"

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
    fitted = [] if data.bare else _formulas("fitted")
    chapters: dict[str, list[Block | None]] = {
        "What was measured": [*measured_lines(data), _metrics(data), *_formulas("measured")],
        "How readings were cleaned": _cleaning(data),
        "How it was computed": [*computed_lines(data), model_lines(data), *fitted],
        "Margins and verdicts": _margins(data),
        "How the method was checked": [*_self_check(data)],
        "Programs": [f"{versions}.", f"Random numbers: seed {data.analysis.seed}."],
        "Standards and sources": [sources_cited(data)],
        "How to cite": [citation],
    }
    filled = {title: [block for block in blocks if block] for title, blocks in chapters.items()}
    return Methods({title: blocks for title, blocks in filled.items() if blocks}, citation)


def _rows(key: str, rows: Iterable[tuple[str, ...]], **parts: object) -> Rows:
    """Return a table whose heads, caption and note stand in words.toml."""
    frame = pd.DataFrame(rows, columns=words()["table"][key]["columns"])
    return Rows(frame=frame, **captioned(key, **parts))


def _formulas(of: str) -> list[Formula]:
    return [Formula(each["latex"], each["words"]) for each in words()["formula"] if each["of"] == of]


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
    return _rows("measures", rows)


def _cleaning(data: ReportData) -> list[Block | None]:
    spans, flags = data.table("spans"), data.table("flag_counts")
    told, counts = "No logs were read.", None
    if len(spans):
        readings, flagged = (plain(spans[name].sum(), 0) for name in ("n", "n_flagged"))
        told = paragraph_of("cleaning", readings=readings, flagged=flagged)
    if len(flags):
        counted = flags.groupby("flag", sort=True).agg(n=("n", "sum"), burns=("burn", "nunique"))
        rows = ((str(flag), str(int(row.n)), str(int(row.burns))) for flag, row in counted.iterrows())
        counts = _rows("flags_counted", rows)
    limits = data.trial.cleaning.model_dump().items()
    return [told, counts, _rows("cleaning_limits", ((key, str(value)) for key, value in limits))]


def _margins(data: ReportData) -> list[Block | None]:
    told = [f"{data.label(metric)}: {data.margin_words(metric)}" for metric in data.trial.margins]
    if not told:
        return ["No margin was declared; fuels are called different or not settled, never the same."]
    lead = "The smallest difference that matters, declared in the trial file:"
    inner, error = (f"{100 * share:.4g}\u00a0%" for share in (2 * data.level - 1, 1 - data.level))
    return [lead, told, data.said("margin", inner=inner, error=error)]


def _self_check(data: ReportData) -> list[Block | None]:
    table = data.table("self_check")
    if not len(table):
        return ["No self-check: nothing was repeated."]
    shares = ("nominal", "share", "mc_error")
    rows = (
        (data.label(row["metric"]), str(row["quantity"]), *(plain(100 * row[name], 1) for name in shares))
        for row in table.to_dict("records")
    )
    seed, some = int(table["seed"].iloc[0]), shared_out(table)
    told = paragraph_of("self_checked", trials=TRIALS, seed=seed, shared_out=some)
    return [told, _rows("self_checked", rows)]


def sources_cited(data: ReportData) -> list[str]:
    """Return the standards and papers that what was done rests on."""
    said = " ".join([*methods_used(data), *data.table("components")["method"].dropna()]).lower()
    judged = data.table("comparisons")["multiplicity"].dropna()
    wanted = {"always", *(() if data.interim else map(str, judged))}
    wanted |= {key for key in ("kenward", "satterthwaite", "large-sample") if key in said}
    wanted |= {"curves"} if data.banded else set()
    wanted |= {"equivalence"} if data.trial.margins else set()
    wanted |= {"class"} if any(probe.tolerance_class for probe in data.trial.probes) else set()
    return [source["text"] for source in words()["source"] if source["of"] in wanted]


def citation_text(data: ReportData) -> str:
    """Return how to cite the trial and the kit, on one line."""
    trial = data.trial
    days = sorted(day for day in data.table("metrics")["day"].dropna().astype(str).unique() if day)
    year = days[-1][:4] if days else "n.d."
    who, title = trial.operator or "Anonymous", trial.title or "A repeat-trial of cooking fuels"
    burns = f"{data.done} burn{'s' * (data.done != 1)}{' (simulated)' * data.simulated}"
    return f"{who} ({year}). {title}: {burns}. Analysed with repeatburn {kit.__version__}."


def write_methods(appendix: Methods, output: str | Path) -> Html:
    """Write methods.md into a report's folder and say so; '' writes nothing, as when a template is run by hand."""
    if not str(output):
        return element("p", "Run by hand: methods.md was not written.")
    (Path(output) / MARKDOWN).write_text(appendix.markdown, "utf-8", newline="\n")
    return element("p", "The same text as Markdown: ", element("a", MARKDOWN, href=MARKDOWN), ".")
