"""Comparisons of fuels and of types with margins and verdicts, what would settle the open ones, price verdicts."""

from __future__ import annotations

import math
from functools import partial
from typing import TYPE_CHECKING, Any, Final

from kit.page.html_tables import cols, numbers
from kit.page.shown_numbers import NBSP, plain, quantity
from kit.page.text import Html
from kit.publish.claims import claim_id, claims_of, overall_sentence, ranked_claims
from kit.publish.figures.canvas import Axis, Frame, Look, RowLayout, bar, room_for, rows_canvas, short, word
from kit.publish.figures.drawing import Drawing
from kit.publish.report_data import UNDECIDED, ReportData, break_even_table, n_note, report_data
from kit.publish.sections.section import (
    Section,
    bullets,
    heading,
    label,
    paragraph,
    rows_table,
    section,
    to_appendix,
)
from kit.publish.wording import (
    TOO_WIDE,
    Amount,
    amount_of,
    capital,
    counted,
    in_degrees,
    is_degrees,
    listed,
    number_word,
    places,
    plural,
    row_places,
    sentences,
    threshold,
    with_unit_after,
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
FAMILIES: Final = {
    "tukey": "for {all} comparisons of this measure at once (Tukey)",
    "dunnett": "for {all} comparisons with the control fuel at once (Dunnett)",
    "holm": "for {all} comparisons of this measure at once (Holm)",
    "none": "for each comparison alone, not adjusted",
}
FARTHEST: Final = 100 * (TOO_WIDE - 1)
"""Per cent above which a limit is shown as more than ten times."""
MOST_ROWS: Final = 30
"""Rows of a figure in the report; the appendix's table has all."""
MOST_ON_FILM: Final = 8


def comparisons(analysis: Any) -> Section:
    """Return the comparisons of primary measures with verdicts; kinds against kinds; the price verdict."""
    data = report_data(analysis)
    if data.interim or data.bare or not len(data.table("comparisons")):
        told = "Only one fuel was burned: nothing to compare."
        if data.interim:
            told = (
                "This report is interim: comparisons and verdicts are made once all planned burns are done."
            )
        elif data.bare and len(data.cast) > 1:
            told = "Nothing was burned twice: no difference here can be told from chance, so none is given."
        return section("comparisons", "Comparisons", [told])
    compared = _compared(data)
    main = [metric for metric in compared if metric in data.primary] or compared[:1]
    margins = [f"{data.label(metric)} {words}" for metric in main if (words := data.margin_words(metric))]
    declared = f"Declared beforehand as the smallest difference that matters: {listed(margins)}."
    none = "No smallest difference that matters was declared, so no two fuels are ever called equal here."
    about = f"A verdict rests on the whole interval, not on whether a number looks small.{about_words(data)}"
    what = "Every comparison of every measure, with each one alone and its p value"
    parts = [
        f"{about} {declared if margins else none}",
        bullets(sentence for metric in main if (sentence := overall_sentence(data, metric))),
        [pairs_drawing(data, metric) for metric in main],
        further_html(data, most=3),
        kinds_html(data),
        price_html(data, break_even_drawing(data), most=3),
        to_appendix(what, "comparison-tables"),
    ]
    return section("comparisons", "Comparisons", parts)


def comparison_tables(analysis: Any) -> Section:
    """Return for the appendix the comparisons of every measure, who can be best, and what would settle the rest."""
    data = report_data(analysis)
    compared = [] if data.interim or data.bare else _compared(data)
    why_not = data.analysis.why_not.items()
    told = [f"{capital(data.label(metric))}: {why}." for metric, why in why_not if metric in data.metrics]
    parts = [
        "A row per comparison, measure by measure." if compared else "No comparison was made.",
        [pairs_html(data, metric) for metric in compared],
        [overall_table(data), best_table(data)] if compared else None,
        prior_table(data),
        [further_html(data, most=10_000), price_html(data, None, most=10_000)] if compared else None,
        [heading("Measures that could not be compared", "not-compared"), bullets(told)] if told else None,
    ]
    return section("comparison-tables", "Comparisons: every measure", parts, "appendix")


def _compared(data: ReportData) -> list[str]:
    return [metric for metric in data.metrics if len(data.rows("comparisons", metric))]


def about_words(data: ReportData) -> str:
    """Return what verdicts are about, where it is no product; else ''."""
    return f" Every verdict is for {data.these_bags} alone." if data.these_bags else ""


def family_words(data: ReportData, metric: str) -> str:
    """Return over what the intervals of a metric's comparisons hold."""
    rows = data.rows("comparisons", metric)
    size = int(rows["family"].iloc[0]) if "family" in rows and len(rows) else len(rows)
    if size <= 1:
        return "for this one comparison"
    together = "both" if size == 2 else f"all {number_word(size)}"
    return FAMILIES.get(str(rows["multiplicity"].iloc[0]), FAMILIES["none"]).format(all=together)


def pairs_table(data: ReportData, metric: str) -> pd.DataFrame:
    """Return the comparisons of a metric as drawn: per cent on the log scale, else units as shown."""
    import pandas as pd

    spec = data.spec(metric)
    rows = data.in_order(data.rows("comparisons", metric)).reset_index(drop=True)
    log = spec.scale == "log"
    made = {"settled": ~rows["verdict"].isin(UNDECIDED), "value": rows["ratio" if log else "difference"]}
    for end in ("a", "b"):
        bags = zip(rows[end], rows[f"bags_{end}"], strict=True)
        made[f"bags_{end}"] = [data.noted_bags(metric, fuel, counted) for fuel, counted in bags]
    drawn = rows.assign(**labelled_pairs(data, rows, "÷" if log else "−"), **made)
    for name in ("value", "low", "high", "low_alone", "high_alone"):
        # an end that is not finite, as of burns known by bounds alone, is no place on an axis
        known = pd.to_numeric(drawn[name]).replace([math.inf, -math.inf], math.nan)
        drawn[name] = 100 * (known - 1) if log else data.shown(known, spec.unit, difference=True)
    return drawn


def labelled_pairs(data: ReportData, rows: pd.DataFrame, sign: str) -> dict[str, list[Any]]:
    """Return for rows of pairs their labels, those cut to fit a figure, and the first fuel's place for its hue."""
    named = [(data.name(a), data.name(b)) for a, b in zip(rows["a"], rows["b"], strict=True)]
    place = {player.id: player.place for player in data.cast}
    return {
        "label": [f"{a} {sign} {b}" for a, b in named],
        "short_label": [f"{short(a, 21)} {sign} {short(b, 21)}" for a, b in named],
        "place": [place.get(a, 0) for a in rows["a"]],
    }


def margin_zone(data: ReportData, metric: str, rows: pd.DataFrame) -> tuple[float, float] | None:
    """Return the ends of the zone of differences too small to matter, as drawn; None where none was declared."""
    margins = rows["margin"].dropna()
    if not len(margins):
        return None
    spec, half = data.spec(metric), float(margins.iloc[0])
    if spec.scale == "log":
        return 100 * math.expm1(-half), 100 * math.expm1(half)
    shown_half = float(data.shown(half, spec.unit, difference=True))
    return -shown_half, shown_half


def pairs_html(data: ReportData, metric: str) -> Html | None:
    """Return the table of a metric's comparisons, or None where it has none."""
    rows = pairs_table(data, metric)
    if not len(rows):
        return None
    log = data.spec(metric).scale == "log"
    digits = row_places(rows) or [1] * len(rows)
    names: tuple[str, ...] = ("value", "low", "high", "low_alone", "high_alone")
    made = rows.assign(
        **{
            name: [_told_end(*each, log) for each in zip(rows[name].astype(float), digits, strict=True)]
            for name in names
        },
        burns=[f"{a}, {b}" for a, b in zip(rows["n_a"], rows["n_b"], strict=True)],
        bags=[f"{a}, {b}" if a or b else "" for a, b in zip(rows["bags_a"], rows["bags_b"], strict=True)],
    )
    what = "first over second, as per cent more or less" if log else "first minus second"
    family = family_words(data, metric)
    beside, adjusted = (
        f"; alone: {data.percent} interval of that comparison alone",
        ", adjusted like the interval",
    )
    if "alone" in family or "this one" in family:
        names, beside, adjusted = names[:3], "", ""
    note = (
        f"Difference: {what}. From and to: {data.percent} interval {family}{beside}. Burns and bags: of the first, of "
        f"the second. p: probability of a difference this large if there were none{adjusted}.{about_words(data)}"
    )
    difference = ("value", with_unit_after("difference", data.difference_unit(metric)))
    columns = cols(
        ("label", "Fuels"),
        numbers(difference, *names[1:], decimals=digits),
        numbers("p_adjusted", decimals=3),
        "verdict",
        numbers("burns", "bags"),
    )
    return rows_table(data, made, f"{capital(data.label(metric))}: comparisons", columns, note=note)


def _told_end(end: float, digits: int, log: bool) -> float | str:
    """Return an end as the table shows it: beyond a factor of ten it is said so alone."""
    return f"more than {TOO_WIDE:.0f} times" if log and end > FARTHEST else round(end, digits)


def overall_table(data: ReportData) -> Html | None:
    """Return for each measure the test of whether the fuels differ at all."""
    df = numbers(("df1", "degrees of freedom"), ("df2", "and"), decimals=1)
    columns = cols("label", numbers(("f", "F"), decimals=2), df, numbers("p", decimals=3), ("method", "by"))
    note = "p: probability of differences this large between any of the fuels if there were none."
    return rows_table(data, data.table("overall"), "Do the fuels differ at all?", columns, note=note)


def best_table(data: ReportData) -> Html | None:
    """Return for each measure with a better direction which fuels can be the best and how far each falls short."""
    rows = data.table("best")
    log, value = rows["scale"] == "log", rows["ratio"].where(rows["scale"] == "log", rows["difference"])
    ends = {"value": value, "low": rows["low"], "high": rows["high"]}
    made = rows.assign(
        what=[with_unit_after(capital(data.label(m)), data.difference_unit(m)) for m in rows["metric"]],
        **{name: end.astype(float).where(~log, 100 * (end.astype(float) - 1)) for name, end in ends.items()},
    )
    limits = numbers(("value", "against the best other"), "low", "high", decimals=1)
    columns = cols("name", ("can_be_best", "can be best"), limits)
    note = (
        f"All statements of one measure hold together at {data.percent} (Hsu's comparisons with the best). A fuel that "
        "cannot be best falls short of the best by the amounts shown."
    )
    return rows_table(data, made, "Which fuels can be the best", columns, note=note, group="what")


def prior_table(data: ReportData) -> Html | None:
    """Return which earlier folders entered the intervals, with what weight, and whether they agree."""
    weight = numbers(("power", "weight"), decimals=2)
    conflict = numbers(("p_conflict", "p of equal spread"), decimals=3)
    columns = cols(
        ("folder", "Folder"), numbers("burns", "bags"), weight, conflict, ("used", "entered"), "note"
    )
    note = "A folder whose spread disagrees (p below 0.05) is left out."
    return rows_table(data, data.table("prior"), "Earlier folders", columns, note=note, group="label")


def pairs_drawing(data: ReportData, metric: str) -> Drawing | None:
    """Return the drawing of every comparison of a metric, or None where none has an interval."""
    rows = pairs_table(data, metric).dropna(subset=["low", "high"])
    if not len(rows):
        return None
    spec, words = data.spec(metric), data.label(metric)
    own = ranked_claims(data, metric)
    order = {claim.id: place for place, claim in enumerate(own)}
    ids = (claim_id(metric, a, b) for a, b in zip(rows["a"], rows["b"], strict=True))
    rows = rows.assign(
        rank=[order.get(each, len(order)) for each in ids],
        brief=[BRIEF.get(verdict, verdict) for verdict in rows["verdict"]],
    )
    ends = ""
    if spec.scale == "log" and (rows["high"] > FARTHEST).any():
        rows, ends = rows.assign(high=rows["high"].clip(upper=FARTHEST)), "Bars end at ten times."
    margin = margin_zone(data, metric, rows)
    name = with_unit_after(f"difference in {words}", data.difference_unit(metric))
    axis = Axis(name, data.second_scale(spec.unit, difference=True))
    drawn = rows if len(rows) <= MOST_ROWS else rows.sort_values("rank", kind="stable").head(MOST_ROWS)
    n = list({pair for claim in own for pair in zip(claim.n, claim.bags, strict=True)})
    told = [claim for claim in claims_of(data) if claim.metric == metric]
    only = own[0] if len(own) == 1 else None
    each, some = "Burns and bags of each fuel: see the table in the appendix", ""
    if len(n) == 1:
        burns, bags = n[0]
        of_bags = f", {counted(bags, 'bag')} each" if bags else ""
        each = f"{capital(counted(burns, 'burn'))} of each fuel{of_bags}"
    if len(drawn) < len(own):
        which = "the first" if len(drawn) == MOST_ROWS else "those with limits"
        some = f"Drawn: {number_word(len(drawn))} of {number_word(len(own))} pairs, {which}."
    return Drawing(
        id=f"comparisons {metric}",
        title=f"Comparisons: {words}",
        alt=f"{capital(words)}: differences between fuels. " + " ".join(claim.sentence for claim in told),
        caption=sentences(
            f"Dot and bar: difference and its {data.percent} interval, {family_words(data, metric)}: verdicts are read "
            "from it. Filled dot: settled; open dot: not settled.",
            "Shaded zone: differences too small to matter, as declared beforehand."
            if margin
            else "No margin was declared, so it is not said whether a difference matters.",
            some,
            f"{each}.",
            ends,
        ),
        headline=only.caption if only else f"Differences in {words}{on_film(rows)}",
        note=f"bar: {data.percent} interval" + (f"; {n_note(n * 2)}" if len(n) == 1 else ""),
        data=rows.drop(columns=["place", "short_label", "rank", "brief"]),
        draw=partial(differences, drawn, axis, (spec.phrases.smaller, spec.phrases.larger), margin),
        claim=only.id if only else "",
        simulated=data.simulated,
    )


def on_film(rows: pd.DataFrame) -> str:
    """Return how many of the pairs a film's picture has room for; '' where it has all."""
    return f", {MOST_ON_FILM} of {len(rows)} pairs" if len(rows) > MOST_ON_FILM else ""


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
    layout = RowLayout(above=0.95, right=0.35 if frame.film else room_for(rows["brief"], 22))
    name = axis.name.rpartition(", ")[2] if frame.film else axis.name
    gap = 3 * NBSP
    axis = Axis(f"← {sides[0]}{gap}{name}{gap}{sides[1]} →", axis.second)
    figure, axes = rows_canvas(rows["short_label"].tolist(), axis, look, frame, layout)
    if margin:
        axes.axvspan(*margin, color=look.band, linewidth=0, zorder=0)
    axes.axvline(0, color=look.ink, linewidth=frame.line * 0.9, zorder=1)
    for row, pair in enumerate(rows.itertuples(index=False)):
        hue = look.fuel(int(pair.place))
        bar(axes, pair.low, pair.high, row, hue, frame.line * 2.4, zorder=2)
        dot: dict[str, Any] = {"markersize": frame.small * 0.7, "markeredgewidth": frame.line * 1.3}
        dot |= {"markeredgecolor": hue, "color": hue if pair.settled else look.paper}
        axes.plot([pair.value], [row], "o", zorder=4, **dot)
    axes.set_xlim(axes.get_xlim())
    for row, brief in enumerate(rows["brief"] if not frame.film else ()):
        word(axes, axes.get_xlim()[1], row, brief, look, frame, nudge=6, color=look.soft)
    return figure


def further_html(data: ReportData, most: int) -> list[Html | None]:
    """Return what would settle the open comparisons, the cheapest first, at most so many: bags, burns, fuel, hours."""
    rows = data.of_declared_pairs(data.table("further"))
    rows = rows[rows["metric"].isin(data.primary)].sort_values("more_burns", kind="stable")
    if not len(rows):
        return []
    can = rows[rows["bags"].notna()]
    told = [_needed(row, data) for row in can.head(most).itertuples(index=False)]
    if more := len(can) - len(told):
        told.append(f"{capital(counted(more, 'other open comparison'))} would take more.")
    if never := len(rows) - len(can):
        told.append(f"For {counted(never, 'open comparison')} no affordable number of burns would settle it.")
    note = (
        "Enough bags for a chance of 80 % of a settled verdict if the true difference and spread are as estimated "
        "(upper 80 % limits of the spread). Bags, burns, fuel and hours are those of the two fuels together."
    )
    return [heading("How many more burns would settle it", "further"), bullets(told), label(note)]


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


def kinds_html(data: ReportData) -> list[Html]:
    """Return kinds against kinds: for the fuels tested, and in general where enough fuels were tested."""
    rows, judged = data.of_primary(data.table("kinds")), data.table("comparisons")
    apart = judged.loc[judged["verdict"] == "cannot be separated", "metric"]
    # one fuel of each type: told as these two fuels
    rows = rows[~rows["metric"].isin(apart) & ((rows["fuels_a"] > 1) | (rows["fuels_b"] > 1))]
    if not len(rows):
        return []
    names = dict.fromkeys(kind for row in rows.itertuples(index=False) for kind in (row.a, row.b))
    note = (
        "'The fuels tested' says how these fuels differ; 'types in general' would hold for other fuels of "
        "the type and needs at least three of each."
    )
    against = f"{capital(' against '.join(map(plural, names)))} (types compared)"
    told = [paragraph(kind_sentence(row, data)) for row in rows.itertuples(index=False)]
    return [heading(against if len(names) == 2 else "Types compared", "kinds"), *told, label(note)]


def kind_sentence(row: Any, data: ReportData) -> str:
    """Return one comparison of kinds in a sentence, with the spread within a kind beside the gap."""
    spec = data.spec(row.metric)
    amount = amount_of(row, spec, data.units)
    a, scope = plural(row.a), capital(str(row.scope)).replace("Kinds", "Types")
    names = {"a": a, "b": plural(row.b), "at": threshold(spec, data.units), "amount": amount.size}
    n = f"{counted(int(row.fuels_a), 'fuel')} and {number_word(int(row.fuels_b))}"
    if row.verdict in UNDECIDED or not amount.known:
        reach = f": the burns are compatible with {amount.reach} for {a}" if amount.known else ""
        question = spec.phrases.question.format(**names)
        return f"{scope}: we cannot yet say whether {question}{reach}; {n}."
    return f"{scope}: {amount.clause.format(**names)}: {amount.interval}; {n}{_within(row, data)}."


def _within(row: Any, data: ReportData) -> str:
    if row.spread_within != row.spread_within or row.scope != "kinds in general":
        return ""
    spec = data.spec(row.metric)
    if row.scale == "log":
        size = f"{plain(100 * math.expm1(row.spread_within), 0)}\u00a0%"
    elif is_degrees(spec.unit):
        size = in_degrees(row.spread_within, 0, 0, data.units)
    else:
        size = f"{plain(row.spread_within, 1)} {spec.unit}".strip()
    return f"; fuels of one type differ from one another by {size} (standard deviation)"


def price_html(data: ReportData, drawing: Drawing | None, most: int) -> list[Html | Drawing | None]:
    """Return the price verdicts in words, at most so many, with the break-even drawing."""
    rows = break_even_table(data)
    if not len(rows):
        return _no_price(data)
    told = [price_sentence(row, data) for row in rows.itertuples(index=False)]
    settled = [text for text, verdict in zip(told, rows["verdict"], strict=True) if verdict not in UNDECIDED]
    picked = [*settled, *(text for text in told if text not in settled)][:most]
    if more := len(told) - len(picked):
        picked.append(f"{capital(counted(more, 'other pair'))}: see the figure and the appendix.")
    basis = (
        "From the time above the temperature, charges being of equal mass; fuel left over is not credited."
    )
    if str(rows["metric"].iloc[0]).startswith("cost"):
        basis = (
            "From the cost of an hour above the temperature, fuel left over credited as the trial file says."
        )
    return [heading("Price", "break-even-price"), drawing, bullets(picked), label(basis)]


def _no_price(data: ReportData) -> list[Html | Drawing | None]:
    """Say what a break-even price wants, where only the word on the charges is missing."""
    timed = data.table("comparisons")["metric"].astype(str).str.startswith("time_above:").any()
    if data.interim or not timed or data.trial.charge.model_fields_set:
        return []
    wanted = 'No break-even price: the trial file does not say that charges were of equal mass ([charge] by = "mass").'
    return [heading("Price", "break-even-price"), label(wanted)]


def price_sentence(row: Any, data: ReportData) -> str:
    """Return who is the better value at the prices paid, by how much, and up to what price ratio that holds."""
    digits = max(1, min(2, places(row.low, row.high)))
    a, b = data.name(row.a), data.name(row.b)
    high = "more than 10" if row.high > TOO_WIDE else plain(row.high, digits)
    limits = f"{plain(row.low, digits)} to {high}"
    paid = f"; paid: {plain(row.paid, 2)} times" if row.paid == row.paid else ""
    times = f"{plain(row.value, digits)} times that of {b} ({limits}){paid}"
    even = f"{a}: better value while its price per kg is below {times}"
    if row.cost != row.cost:
        return f"{capital(even)}."
    if row.verdict in UNDECIDED or row.cost_low <= 1 <= row.cost_high:
        return f"{capital(a)} or {b}: which is the better value at the prices paid is not settled. {capital(even)}."
    of = f", of {data.these_bags}" if data.these_bags else ""
    at = threshold(data.spec(row.metric), data.units)
    amount = Amount(row.cost, row.cost_low, row.cost_high, math.nan, data.spec(row.metric), data.units)
    size = f"{amount.size} as much with {a} as with {b}"
    if not amount.multiple:
        size = f"{amount.size} {'less' if row.cost < 1 else 'more'} with {a} than with {b}"
    return (
        f"Better value at the prices paid{of}: {a if row.cost < 1 else b}. An hour above {at} cost {size} "
        f"({amount.interval}). {capital(even)}."
    )


def break_even_drawing(data: ReportData) -> Drawing | None:
    """Return the drawing of break-even prices, or None where none can be given."""
    rows = break_even_table(data)
    if not len(rows):
        return None
    rows = rows.assign(**labelled_pairs(data, rows, "÷"))
    told = "; ".join(
        f"{row.label}: {plain(row.value, 2)}, interval {plain(row.low, 2)} to {plain(row.high, 2)}"
        for row in rows.itertuples(index=False)
    )
    metric = str(rows["metric"].iloc[0])
    used = list(data.used(metric).values())
    paid = " Diamond: the ratio of the prices paid." if rows["paid"].notna().any() else ""
    return Drawing(
        id="break-even",
        title="Break-even price",
        alt=f"Up to what price ratio the first fuel is the better value. {told}.",
        caption=(
            "Dot and bar: the price per kilogram of the first fuel over that of the second at which both give an hour "
            f"of heat for the same money, with its {data.percent} interval {family_words(data, metric)} "
            f"({n_note(used)}). Below it the first fuel is the better value.{paid} Good in any currency."
        ),
        headline=f"Worth how many times the price?{on_film(rows)}",
        note=f"bar: {data.percent} interval; {n_note(used)}",
        data=rows.drop(columns=["place", "short_label"]),
        draw=partial(break_even, rows.head(MOST_ROWS), Axis("price per kilogram, first over second")),
        simulated=data.simulated,
    )


def break_even(rows: pd.DataFrame, axis: Axis, look: Look, frame: Frame) -> Figure:
    """Return up to what price ratio the first fuel of each pair is the better value, with its interval.

    Parameters
    ----------
    rows
        short_label, value, low, high (price per kilogram of a over that of b), paid (blank where no prices are
        known), place of the first fuel.
    """
    rows = rows.head(MOST_ON_FILM) if frame.film else rows
    figure, axes = rows_canvas(rows["short_label"].tolist(), axis, look, frame)
    axes.axvline(1, color=look.line, linewidth=frame.line, zorder=1)
    for row, pair in enumerate(rows.itertuples(index=False)):
        hue = look.fuel(int(pair.place))
        bar(axes, pair.low, pair.high, row, hue, frame.line * 2.4, zorder=3)
        axes.plot([pair.value], [row], "o", color=hue, markersize=frame.small * 0.75, zorder=4)
        diamond: dict[str, Any] = {"markersize": frame.small * 0.65, "markeredgewidth": frame.line}
        axes.plot([pair.paid], [row], "D", color=look.paper, markeredgecolor=look.ink, zorder=5, **diamond)
    axes.set_xlim(left=0)
    return figure
