"""Comparisons of fuels and of kinds with margins and verdicts, what would settle the open ones, break-even prices."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import TYPE_CHECKING, Any, Final

from kit.page.numbers import plain, quantity
from kit.page.tables import Col, table
from kit.page.text import Html
from kit.publish.claims import Claim, claim_id, claims_of, overall_sentence, ranked_claims
from kit.publish.figures.canvas import canvas, fewer_ticks, name_axis, room_for, room_for_axis, word
from kit.publish.figures.drawing import Drawing
from kit.publish.figures.look import Axis, Frame, Look
from kit.publish.report_data import ReportData, n_note, report_data
from kit.publish.sections.pair_rows import (
    MOST_ON_FILM,
    MOST_ROWS,
    difference_unit,
    family_words,
    label_rows,
    margin_zone,
    pairs_table,
)
from kit.publish.sections.price_verdicts import break_even_drawing, price_html
from kit.publish.sections.section import (
    Section,
    bullets,
    heading,
    numbers,
    paragraph,
    section,
    shown,
    to_appendix,
)
from kit.publish.sections.types_compared import kinds_html
from kit.publish.wording import (
    capital,
    counted,
    listed,
    margin_words,
    p_words,
    row_places,
)

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

BRIEF: Final = {
    "different, by more than the margin": "beyond the margin",
    "different, size not settled": "size not settled",
    "different, but too little to matter": "too little to matter",
    "the same within the margin": "same within the margin",
}
"""Verdicts as they stand at the edge of a figure; the others stand as they are."""


def comparisons(analysis: Any) -> Section:
    """Return the comparisons of primary measures with verdicts; kinds against kinds; the price verdict."""
    data = report_data(analysis)
    if data.interim or data.bare or not len(data.table("comparisons")):
        told = (
            "This report is interim: comparisons and verdicts are made once all planned burns are done."
            if data.interim
            else "Nothing was burned twice: no difference here can be told from chance, so none is given."
            if data.bare and len(data.cast) > 1
            else "Only one fuel was burned: nothing to compare."
        )
        return section("comparisons", "Comparisons", [paragraph(told)])
    compared = [metric for metric in data.metrics if len(data.rows("comparisons", metric))]
    main = [metric for metric in compared if metric in data.primary] or compared[:1]
    drawings = [pairs_drawing(data, metric) for metric in main]
    price = break_even_drawing(data)
    overall = [sentence for metric in main if (sentence := overall_sentence(data, metric))]
    parts: list[object] = [
        paragraph(_how_to_read(data, main)),
        bullets(overall),
        *(shown(drawing) for drawing in drawings),
        *further_html(data, most=3),
        *kinds_html(data),
        *price_html(data, price, most=3),
        to_appendix(
            "Every comparison of every measure, with each one alone and its p value", "comparison-tables"
        ),
    ]
    return section("comparisons", "Comparisons", parts, [*drawings, price])


def comparison_tables(analysis: Any) -> Section:
    """Return for the appendix the comparisons of every measure, who can be best, and what would settle the rest."""
    data = report_data(analysis)
    compared = (
        [] if data.interim or data.bare else [m for m in data.metrics if len(data.rows("comparisons", m))]
    )
    reasons = data.analysis.why_not
    told = [
        f"{capital(data.label(metric))}: {why}." for metric, why in reasons.items() if metric in data.metrics
    ]
    parts: list[object] = [
        paragraph("No comparison was made." if not compared else "A row per comparison, measure by measure."),
        *(pairs_html(data, metric) for metric in compared),
        overall_table(data) if compared else None,
        best_table(data) if compared else None,
        prior_table(data),
        *(further_html(data, most=10_000) if compared else ()),
        *(price_html(data, None, most=10_000) if compared else ()),
    ]
    if told:
        parts += [heading("Measures that could not be compared", "not-compared"), bullets(told)]
    return section("comparison-tables", "Comparisons: every measure", parts, part="appendix")


def _how_to_read(data: ReportData, metrics: Sequence[str]) -> str:
    told = [
        f"{data.label(metric)} {margin_words(data.trial.margins[metric].value, data.spec(metric), data.units)}"
        for metric in metrics
        if metric in data.trial.margins
    ]
    margins = (
        f"Declared beforehand as the smallest difference that matters: {listed(told)}."
        if told
        else "No smallest difference that matters was declared, so no two fuels are ever called equal here."
    )
    return f"A verdict rests on the whole interval, not on whether a number looks small.{about_words(data)} {margins}"


def about_words(data: ReportData) -> str:
    """Return what verdicts are about, where it is no product; else ''."""
    return f" Every verdict is for {data.these_bags} alone." if data.these_bags else ""


def pairs_html(data: ReportData, metric: str) -> Html | None:
    """Return the table of a metric's comparisons, or None where it has none."""
    rows = pairs_table(data, metric)
    if not len(rows):
        return None
    log, unit = data.spec(metric).scale == "log", difference_unit(data, metric)
    digits = max(row_places(rows) or [1])
    names = ("value", "low", "high", "low_alone", "high_alone")
    both = [
        (f"{row.n_a}, {row.n_b}", f"{row.bags_a}, {row.bags_b}" if row.bags_a or row.bags_b else "")
        for row in rows.itertuples(index=False)
    ]
    made = rows.assign(
        **{name: rows[name].astype(float).round(digits) for name in names},
        p_adjusted=[p_words(p) for p in rows["p_adjusted"]],
        burns=[burns for burns, _ in both],
        bags=[bags for _, bags in both],
    )
    what = "first over second, as per cent more or less" if log else "first minus second"
    alone = len(rows) == 1 or str(rows["multiplicity"].iloc[0]) == "none"
    note = (
        f"Difference: {what}. From and to: {data.percent} interval {family_words(data, metric)}; alone: {data.percent} "
        "interval of that comparison alone. Burns and bags: of the first, of the second. p: probability of a "
        "difference "
        f"this large if there were none{'' if alone else ', adjusted like the interval'}."
        f"{about_words(data)}"
    )
    columns = [
        Col("label", "Fuels", kind="head"),
        *numbers(
            ("value", f"difference, {unit}".rstrip(", ")), ("low", "from"), ("high", "to"), decimals=digits
        ),
        *numbers(("low_alone", "alone, from"), ("high_alone", "to"), decimals=digits),
        *numbers(("p_adjusted", "p"), decimals=3),
        Col("verdict", "verdict"),
        *numbers(("burns", "burns"), ("bags", "bags")),
    ]
    return table(made, f"{capital(data.label(metric))}: comparisons", columns, note=note)


def overall_table(data: ReportData) -> Html | None:
    """Return for each measure the test of whether the fuels differ at all."""
    rows = data.table("overall")
    if not len(rows):
        return None
    made = rows.assign(
        label=[capital(data.label(m)) for m in rows["metric"]], p=[p_words(p) for p in rows["p"]]
    )
    columns = [Col("label", "Measure", kind="head"), *numbers(("f", "F"), decimals=2)]
    columns += [
        *numbers(("df1", "degrees of freedom"), ("df2", "and"), decimals=1),
        *numbers(("p", "p"), decimals=3),
    ]
    note = "p: probability of differences this large between any of the fuels if there were none."
    return table(made, "Do the fuels differ at all?", [*columns, Col("method", "by")], note=note)


def best_table(data: ReportData) -> Html | None:
    """Return for each measure with a better direction which fuels can be the best and how far each falls short."""
    rows = data.table("best")
    if not len(rows):
        return None
    log = rows["scale"] == "log"
    estimate = rows["ratio"].where(log, rows["difference"]).astype(float)
    limits = {name: rows[name].astype(float) for name in ("low", "high")}
    made = rows.assign(
        name=rows["fuel"].map(data.name),
        label=[_with_unit(data, metric) for metric in rows["metric"]],
        can=["yes" if can else "no" for can in rows["can_be_best"]],
        value=estimate.where(~log, 100 * (estimate - 1)),
        **{name: values.where(~log, 100 * (values - 1)) for name, values in limits.items()},
    )
    columns = [
        Col("name", "Fuel", kind="head"),
        Col("can", "can be best"),
        *numbers(("value", "against the best other"), ("low", "from"), ("high", "to"), decimals=1),
    ]
    note = (
        f"All statements of one measure hold together at {data.percent} (Hsu's comparisons with the best). A fuel that "
        "cannot be best falls short of the best by the amounts shown."
    )
    return table(made, "Which fuels can be the best", columns, note=note, group="label")


def _with_unit(data: ReportData, metric: str) -> str:
    return f"{capital(data.label(metric))}, {difference_unit(data, metric)}".rstrip(", ")


def prior_table(data: ReportData) -> Html | None:
    """Return which earlier folders entered the intervals, with what weight, and whether they agree."""
    rows = data.table("prior")
    if not len(rows):
        return None
    made = rows.assign(
        label=[capital(data.label(metric)) for metric in rows["metric"]],
        entered=["yes" if used else "no" for used in rows["used"].fillna(False)],
        p_conflict=[p_words(float(p)) for p in rows["p_conflict"]],
    )
    columns = [Col("folder", "Folder", kind="head"), *numbers(("burns", "burns"), ("bags", "bags"))]
    columns += [
        *numbers(("power", "weight"), decimals=2),
        *numbers(("p_conflict", "p of equal spread"), decimals=3),
    ]
    note = "A folder whose spread disagrees (p below 0.05) is left out."
    return table(
        made, "Earlier folders", [*columns, Col("entered", "entered"), Col("note")], note=note, group="label"
    )


def pairs_drawing(data: ReportData, metric: str) -> Drawing | None:
    """Return the drawing of every comparison of a metric, or None where none has an interval."""
    rows = pairs_table(data, metric).dropna(subset=["low", "high"])
    if not len(rows):
        return None
    spec, label, unit = data.spec(metric), data.label(metric), difference_unit(data, metric)
    order = [claim.id for claim in ranked_claims(data, metric)]
    ids = [claim_id(metric, a, b) for a, b in zip(rows["a"], rows["b"], strict=True)]
    rows = rows.assign(rank=[order.index(each) if each in order else len(order) for each in ids])
    rows = rows.assign(brief=[BRIEF.get(verdict, verdict) for verdict in rows["verdict"]])
    own = [claim for claim in claims_of(data) if claim.metric == metric]
    margin = margin_zone(data, metric, rows)
    axis = Axis(f"difference in {label}, {unit}".rstrip(", "), data.second_scale(spec.unit, difference=True))
    drawn = rows if len(rows) <= MOST_ROWS else rows.sort_values("rank", kind="stable").head(MOST_ROWS)
    n = list({pair for claim in own for pair in zip(claim.n, claim.bags, strict=True)})
    film = f", {MOST_ON_FILM} of {len(rows)} pairs" if len(rows) > MOST_ON_FILM else ""
    return Drawing(
        id=f"comparisons {metric}",
        title=f"Comparisons: {label}",
        alt=f"{capital(label)}: differences between fuels. " + " ".join(claim.sentence for claim in own),
        caption=_caption(data, metric, margin is not None, own, len(drawn)),
        headline=own[0].caption if len(own) == 1 else f"Differences in {label}{film}",
        note=f"bar: {data.percent} interval" + (f"; {n_note(n * 2)}" if len(n) == 1 else ""),
        data=rows.drop(columns=["place", "short_label", "rank", "brief"]),
        draw=partial(differences, drawn, axis, (spec.less, spec.more), margin),
        claim=own[0].id if len(own) == 1 else "",
        simulated=data.simulated,
    )


def _caption(data: ReportData, metric: str, margin: bool, own: Sequence[Claim], drawn: int) -> str:
    n = {pair for claim in own for pair in zip(claim.n, claim.bags, strict=True)}
    burns, bags = next(iter(n)) if len(n) == 1 else (0, 0)
    each = f"{capital(counted(burns, 'burn'))} of each fuel" + (
        f", {counted(bags, 'bag')} each" if bags else ""
    )
    zone = (
        "Shaded zone: differences too small to matter, as declared beforehand."
        if margin
        else "No margin was declared, so it is not said whether a difference matters."
    )
    some = f" Drawn are the first {drawn} of {len(own)} pairs." if drawn < len(own) else ""
    return (
        f"Dot and bar: difference and its {data.percent} interval, {family_words(data, metric)}: verdicts are "
        "read from "
        f"it. Filled dot: settled; open dot: not settled. {zone}{some} "
        f"{each if burns else 'Burns and bags of each fuel: see the table in the appendix'}."
    )


def differences(
    rows: pd.DataFrame,
    axis: Axis,
    sides: tuple[str, str],
    margin: tuple[float, float] | None,
    look: Look,
    frame: Frame,
) -> Figure:
    """Return one row per pair: the difference with its interval, zero and margin drawn, the verdict beside.

    Parameters
    ----------
    rows
        short_label, brief, value, low, high (as drawn; per cent on the log scale), settled (bool), place of the first
        fuel for its hue, rank in which they are told (film shows the first ones).
    sides
        Words for the two sides of zero ('cooler', 'hotter').
    margin
        Ends of the zone of differences too small to matter; None where none was declared.
    """
    rows = rows.sort_values("rank", kind="stable").head(MOST_ON_FILM) if frame.film else rows
    right = room_for(rows["brief"], 22) if not frame.film else 0.35
    margins = (room_for(rows["short_label"], 44), right, 0.5, 0.15 + room_for_axis(axis))
    figure, (axes,) = canvas(look, frame, 0.95 + 0.28 * max(len(rows), 2), margins=margins)
    if margin:
        axes.axvspan(*margin, color=look.band, linewidth=0, zorder=0)
    axes.axvline(0, color=look.ink, linewidth=frame.line * 0.9, zorder=1)
    for row, pair in enumerate(rows.itertuples(index=False)):
        hue = look.fuel(int(pair.place))
        axes.plot([pair.low, pair.high], [row, row], color=hue, linewidth=frame.line * 2.4, zorder=2)
        dot = hue if pair.settled else look.paper
        axes.plot(
            [pair.value], [row], marker="o", markersize=frame.small * 0.7, markeredgewidth=frame.line * 1.3,
            markeredgecolor=hue, color=dot, zorder=4,
        )  # fmt: skip
    label_rows(axes, rows["short_label"].tolist(), look, frame)
    if not frame.film:
        for row, brief in enumerate(rows["brief"]):
            word(axes, axes.get_xlim()[1], row, brief, look, frame, nudge=6, color=look.soft)
    less, more = sides
    name = axis.name if not frame.film else axis.name.rpartition(", ")[2]
    name_axis(axes, "x", Axis(f"← {less}   {name}   {more} →", axis.second), look, frame)
    fewer_ticks(axes, frame, x=8)
    return figure


def further_html(data: ReportData, most: int) -> list[Html | None]:
    """Return what would settle the open comparisons, the cheapest first, at most so many: bags, burns, fuel, hours."""
    rows = data.of_declared_pairs(data.table("further"))
    rows = rows[rows["metric"].isin(data.primary)].sort_values("more_burns", kind="stable")
    if not len(rows):
        return []
    can = rows[rows["bags"].notna()]
    told = [_needed(row, data) for row in can.head(most).itertuples(index=False)]
    more, never = len(can) - len(told), len(rows) - len(can)
    if more:
        told.append(f"{capital(counted(more, 'other open comparison'))} would take more.")
    if never:
        told.append(f"For {counted(never, 'open comparison')} no affordable number of burns would settle it.")
    note = (
        "Enough bags for a chance of 80 % of a settled verdict if the true difference and spread are as "
        "estimated (upper "
        "80 % limits of the spread). Bags, burns, fuel and hours are those of the two fuels together."
    )
    return [
        heading("How many more burns would settle it", "further"),
        bullets(told),
        paragraph(note, kind="label"),
    ]


def _needed(row: Any, data: ReportData) -> str:
    between = f"{capital(data.label(row.metric))}, {data.name(row.a)} and {data.name(row.b)}"
    per_bag = f", {counted(int(row.burns), 'burn')} per bag" if row.burns > 1 else ""
    takes = [f"{int(row.more_burns)} burns"]
    if row.grams == row.grams:
        takes.append(f"{quantity(row.grams / 1000, 'kg', data.units, decimals=0)} of fuel")
    if row.cost == row.cost:
        takes.append(f"{plain(row.cost, 0)} {data.trial.currency} for the bags".replace("  ", " "))
    if row.hours == row.hours:
        takes.append(f"{plain(row.hours, 0)}\u00a0h of burning")
    return f"{between}: {counted(int(row.bags), 'more bag')} of each{per_bag}; in all {', '.join(takes)}."
