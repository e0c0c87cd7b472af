"""How it was measured and computed, for the report and as an appendix; the tester's notes, provenance, cautions."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import Any, Final

import pandas as pd

import kit
from kit.judge.question import MOST_FUELS
from kit.judge.self_check import TRIALS, fell_short
from kit.metrics import METRIC_BASES
from kit.page.document import cautions_list
from kit.page.html_tables import cols, table
from kit.page.shown_numbers import of_hundred, plain, quantity, setting_words
from kit.page.text import (
    Html,
    anchor,
    capital,
    element,
    escape_markdown,
    filled,
    join,
    listed,
    markdown_html,
    told_each,
)
from kit.publish.provenance import environment, trace
from kit.publish.report_data import ReportData, report_data
from kit.publish.sections.section import bullets, heading, label, paragraph, rows_table, to_appendix, topic
from kit.publish.sections.variation import source_name
from kit.publish.wording import (
    by_hand,
    called,
    captioned,
    ends_of,
    paragraph_of,
    sentences_of,
    table_of,
    threshold_words,
    words,
)
from kit.trial.plan_file import WRITTEN_LATE
from kit.variance.censored import OF_A_T
from kit.variance.engine import explained

MOST_UNLIKE: Final = 1.05
"""Times the lightest fuel's mean charge up to which charges pass as alike."""


@topic("method", "How it was measured and computed")
def method(data: ReportData) -> list[object]:
    """Return how it was measured and computed, the self-check, strengths and limitations, a glossary."""
    done = _what_was_done(data)
    return [
        heading("How it was measured", "measured"),
        " ".join(measured_lines(data)),
        heading("How it was computed", "computed"),
        " ".join(computed_lines(data)[:4]),
        heading("Self-check", "self-check"),
        _checked(data),
        heading("Strengths", "strengths"),
        bullets(told_each(words()["strengths"], done)),
        heading("Limitations", "limitations"),
        bullets(told_each(words()["limitations"], done)),
        heading("Glossary", "glossary"),
        terms(filled(words()["glossary"], {"nominal": f"{100 * data.level:.4g}"})),
        to_appendix("The model of each measure, and every count of the self-check", "method-tables"),
    ]


@topic("method-tables", "How it was computed: models and checks", "appendix")
def method_tables(data: ReportData) -> list[object]:
    """Return for the appendix the terms of each model, the self-check row by row, and another program's estimates."""
    checks, opinions = data.table("self_check"), data.table("second_opinion")
    bases = dict.fromkeys(data.spec(metric).base for metric in data.metrics)
    known = [METRIC_BASES[base] for base in bases if base in METRIC_BASES]
    measures = terms({f"{each.label}{' θ' * (each.takes == 'threshold')}": each.definition for each in known})
    title = "What each measure is (T: temperature, θ: threshold)"
    return [
        [heading(title, "measures"), measures] if data.metrics else None,
        computed_lines(data)[4:],
        bullets(model_lines(data)) or "No model was fitted.",
        rows_table(data, "self_check", checks, shared_out=shared_out(checks)),
        rows_table(data, "second_opinion", opinions[opinions["other"].notna()].assign(places=None)),
    ]


def measured_lines(data: ReportData) -> list[str]:
    """Return paragraphs on fuels, charges, burns, probes, time zero and stop rule."""
    trial, how = data.trial, data.trial.measuring
    probes = []
    for probe, own in data.table("spans").groupby("probe", sort=False):
        declared, every = trial.find_probe(str(probe)), ends_of(own["interval_s"], 3)
        told = "; ".join(sentences_of("probe", declared=declared, every=every))
        probes.append(f"{probe} ({told})" if told else str(probe))
    parts = {
        "probes": probes,
        "several_probes": trial.main_probe and data.table("spans")["probe"].nunique() > 1,
        "fuels": data.table("metrics")["fuel"].nunique() or len(data.cast),
        "zero": called("time_zero", trial.time_zero),
        "levels": [threshold_words(level, data.units) for level in trial.thresholds],
        "hold": _minutes(how.hold_min),
        "bridge": _minutes(how.bridge_min),
    }
    parts["amount"] = data.said("charge")
    return [data.said(each, **parts) for each in ("burns", "charges", "probes", "timing", "peak")]


def _minutes(value: float) -> str:
    return f"{value:g} min" if value.is_integer() else f"{value * 60:g} s"


def computed_lines(data: ReportData) -> list[str]:
    """Return paragraphs on scale, model, intervals, families and verdicts, in words a tester follows."""
    if not data.analysis.fits or data.bare:
        return [data.said("not_computed")]
    # whether burns have one SD in common, as the models of the primary measures were fitted
    fitted = [fit for name, fit in data.analysis.fits.items() if name in data.primary]
    ways = [called("spread", way) for way in dict.fromkeys(fit.spread_choice for fit in fitted)]
    cookers = any(name.startswith("cooker") for fit in fitted for name in fit.design.columns)
    blocks = data.said("blocks", several=cookers)
    parts = {
        "spreads": f"; {listed(ways)}" if ways else "",
        "blocks": f" {blocks}" if blocks else "",
        "used": " and ".join(methods_used(data)) or "the fitted model",
        "families": "; ".join(called("families", name) for name in data.families),
        "further_pairs": data.further_pairs,
        "bests": data.bests,
    }
    told = ("scale", "model", "intervals", "verdict", *["curves"] * data.banded)
    return [data.said(each, **parts) for each in told]


def methods_used(data: ReportData) -> list[str]:
    """Return the small-sample methods named in the comparisons of primary measures."""
    rows = data.of_primary(data.table("comparisons"))
    named = [str(name) for name in rows.loc[rows["low"].notna(), "method"].dropna() if str(name)]
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


def _checked(data: ReportData) -> str:
    """Say what the self-check found, and whether another program agrees."""
    rows, opinion = data.table("self_check"), data.table("second_opinion")
    fitted = opinion[opinion["other"].notna()]
    converged = fitted[~fitted["note"].astype(str).str.contains("did not converge")]
    alike = converged["agrees"].fillna(False).astype(bool)
    likelier = converged.loc[~alike, "note"].astype(str).str.contains("less likely").all()
    there = data.said("likelier_there", likelier=likelier)
    # the largest disagreement of two programs, in per cent of the SD of all burns of one fuel
    sds = converged[converged["quantity"].astype(str).str.startswith("SD ")]
    whole = (sds["kit"].astype(float) ** 2).groupby(sds["metric"]).sum() ** 0.5
    apart = (converged["kit"] - converged["other"]).astype(float).abs()
    farthest = 100 * (apart / whole.reindex(converged["metric"]).to_numpy()).max()
    return data.said(
        "checked",
        many=len(data.cast) > MOST_FUELS,
        trials=TRIALS,
        checked=len(rows),
        seed=rows["seed"].max(),
        compared=len(opinion),
        fitted=len(fitted),
        converged=len(converged),
        short=" ".join(_fell_short(data, "fell_short")),
        found=data.said(
            "found_alike",
            farthest=plain(farthest, 1),
            apart=not alike.all(),
            where_apart=there,
            agree=alike.sum(),
            converged=len(converged),
        ),
        **_held_and_claimed(data),
    )


def _held_and_claimed(data: ReportData) -> dict[str, object]:
    """Return in how many of 100 trials means were held or a difference was claimed falsely, and what was due."""
    rows = data.table("self_check")
    held = rows[rows["quantity"].astype(str).str.contains("^intervals of the means .*hold the truth")]
    false = rows[rows["quantity"].astype(str).str.startswith("a difference is claimed somewhere")]
    ends = dict.fromkeys(map(of_hundred, held["share"].agg(["min", "max"]).dropna()))
    return {
        "nominal": f"{100 * held['nominal'].astype(float).max():.4g}",
        "held": " to ".join(ends),
        "means_short": (held["nominal"] - held["share"] > 2 * held["mc_error"]).any(),
        "error": f"{100 * false['nominal'].astype(float).max():.3g}",
        "false_claims": of_hundred(false["share"].max()) if len(false) else "",
        "false_short": (false["share"] - false["nominal"] > 2 * false["mc_error"]).any(),
    }


def promises_more(data: ReportData, of_spreads: bool = True) -> str:
    """Say which intervals held less in the self-check than promised, those of spreads among them or not; '' if none."""
    return data.said("promises_more", kept_less=_fell_short(data, "kept_less", of_spreads))


def _fell_short(data: ReportData, key: str, of_spreads: bool = True) -> list[str]:
    """Say in the words of this key which intervals held less than promised in the self-check; nothing if none did."""
    rows = fell_short(data.table("self_check"))
    worst, *more = rows[rows["component"].isna() | of_spreads].to_dict("records") or [{}]
    if not worst:
        return []
    spread = source_name(worst["component"], data) if worst["component"] == worst["component"] else ""
    return sentences_of(
        key,
        worst=worst,
        spread=spread,
        measure=data.label(worst["metric"]),
        fewest=of_hundred(worst["share"]),
        promised=100 * worst["nominal"],
        more=more,
        **_held_and_claimed(data),
    )


def _what_was_done(data: ReportData) -> dict[str, object]:
    cast, plan, deviations = data.cast, data.analysis.run.plan, data.table("deviations")
    burned = {data.name(fuel): n for fuel, n in data.burned.items()}
    fewest = min(filter(None, (n.bags for n in burned.values())), default=0)
    few = [name for name, n in burned.items() if n.bags == fewest and not n.unnoted]
    unnoted = [name for name, n in burned.items() if n.burns and not n.bags]
    once = [name for name, n in burned.items() if n.burns == 1]
    days = data.table("metrics").drop_duplicates("burn").replace({"day": ""}, None)
    days = days.groupby("fuel")["day"].agg(["nunique", "count", "size"])
    return {
        "data": data,
        "cookers": data.cookers or bool(data.trial.cooker),
        "one_day": [data.name(fuel) for fuel, *n in days.itertuples() if n[0] == 1 < n[1] == n[2]],
        "control_days": days["nunique"].get(data.trial.control_fuel, 0),
        "along": data.control and sum(n.burns > 0 for n in burned.values()) > 1,
        "unlike": _unlike_charges(data),
        "many_bags": fewest > 3 and not unnoted,
        "few_bags": few and 0 < fewest <= 3,
        "unnoted": unnoted,
        "partly_noted": [name for name, n in burned.items() if n.unnoted],
        "no_bag_spread": data.singles or data.these_bags,
        "fewest": fewest,
        "bagless": not fewest and not data.all_left_out,
        "of": "each fuel" if len(few) == len(cast) else few,
        "each": " each" * (1 < len(few) < len(cast)),
        "once": once,
        "all_once": len(once) == len(cast),
        "as_planned": plan is not None and not len(deviations),
        "planned_first": plan is not None and WRITTEN_LATE not in set(deviations["what"]),
        "spread_over_days": data.days > 2 and not data.singles,
        "all_dated": data.dated == data.done,
        "checked": len(data.table("self_check")),
        "promises_more": promises_more(data),
        "many_measures": data.several_fuels and len(data.primary) > 1 and data.barred,
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
    return data.said("unlike_charges", lightest=lightest, heaviest=heaviest)


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


@topic("tester-notes", "The tester's own notes", of_burns=False)
def tester_notes(data: ReportData) -> list[object]:
    """Return notes.md under a heading of its own and marked as the tester's; nothing where there is none."""
    path = Path(data.analysis.run.folder) / NOTES
    text = path.read_text("utf-8-sig", errors="replace") if path.is_file() else ""
    if not text.strip():
        return []
    return [
        label(data.said("notes", who=data.trial.operator or "the tester", file=NOTES)),
        element("div", markdown_html(text[:LARGEST]), class_="note theirs"),
        f"Cut after {LARGEST} characters." if len(text) > LARGEST else None,
    ]


@topic("cautions", "Cautions", read=lambda analysis: analysis)
def cautions(_: Any) -> list[Html]:
    """Return the cautions: the same in every report and history, whatever was burned."""
    return [cautions_list()]


@topic("provenance", "Provenance", of_burns=False)
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
        data.said("made_of", id=origin["report"], files=len(origin["inputs"]), given=given),
        paragraph(
            "To check it: put the bundle of this report, or the run folder, on any computer with Python and run ",
            element("code", "repeatburn recheck FOLDER"),
            ". It compares the hashes, runs the analysis again from these parameters, and compares value by value.",
            id="recheck",
        ),
        to_appendix("Every file with its hash, every parameter and version", "provenance-tables"),
    ]


@topic("provenance-tables", "Provenance: files, parameters, versions", "appendix", of_burns=False)
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
    model = data.trial.model
    declared = {
        "confidence": data.level,
        "primary metrics": ", ".join(data.trial.primary),
        "spread": model.spread or "not declared",
        "covariates": ", ".join(model.covariates) or "none",
    }
    return list((dict(given) | {"seed": given.get("seed", data.analysis.seed)} | declared).items())


def inputs_html(origin: Mapping[str, Any]) -> Html | None:
    """Return the table of input files with their hashes."""
    return table_of("inputs", pd.DataFrame(origin["inputs"]))


def versions_html(origin: Mapping[str, Any]) -> Html | None:
    """Return the table of program versions."""
    return _names_and_values("versions", origin["environment"].items())


def _names_and_values(key: str, rows: Iterable[tuple[str, object]]) -> Html | None:
    frame = pd.DataFrame([(name, str(value)) for name, value in rows], columns=["name", "value"])
    return table_of(key, frame)


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
    return [told, counts, _rows("cleaning_limits", ((key, setting_words(value)) for key, value in limits))]


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
    more = [*["tukey"] * data.further_pairs, *["best"] * data.bests]
    wanted = {"always", *(() if data.interim else map(str, judged)), *more}
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
        return by_hand("methods.md was not", "methods")
    (Path(output) / MARKDOWN).write_text(appendix.markdown, "utf-8", newline="\n")
    return element("p", "The same text as Markdown: ", element("a", MARKDOWN, href=MARKDOWN), ".")
