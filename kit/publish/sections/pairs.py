"""Comparisons of fuels and of types with margins and verdicts, price verdicts; two fuels on a page of their own."""

import math
from dataclasses import replace
from functools import partial
from typing import Any, Final

import pandas as pd

from kit.errors import did_you_mean
from kit.page.shown_numbers import NBSP, limit, plain, quantity, with_unit_after
from kit.page.text import Html, capital, listed, number_word
from kit.publish import canvas as figures
from kit.publish.canvas import Axis, Figure, Frame, RowLayout, short
from kit.publish.claims import (
    SAME,
    Claim,
    best_words,
    claim_id,
    claims_of,
    counts_in,
    is_turned,
    overall_sentence,
    ranked_claims,
    standing_of,
)
from kit.publish.drawing import Drawing, figure_of
from kit.publish.report_data import ReportData, n_note, narrowed, report_data
from kit.publish.sections.burn_curves import two_drawing
from kit.publish.sections.first_screen import finding_html, unjudged_prices, warnings
from kit.publish.sections.fuels import conditions_table, means_table, values_drawing
from kit.publish.sections.quality import influence_words
from kit.publish.sections.section import (
    Section,
    bullets,
    heading,
    label,
    rows_table,
    section,
    to_appendix,
    topic,
)
from kit.publish.sections.variation import chances_words
from kit.publish.wording import (
    TOO_WIDE,
    Amount,
    alike,
    amount_of,
    called,
    margin_words,
    plural,
    refuse_all,
    refused,
    row_places,
    sentences_of,
    threshold,
)
from kit.schema import UNDECIDED

FARTHEST: Final = 100 * (TOO_WIDE - 1)
"""Per cent above which a limit is shown as more than ten times."""
WIDE: Final = 44
"""Letters of a row that two fuels name."""
MOST_ROWS: Final = 30
"""Rows of a figure in the report; the appendix's table has all."""
MOST_ON_FILM, MOST_MEASURES_ON_FILM = 8, 4


@topic("comparisons", "Comparisons")
def comparisons(data: ReportData) -> list[object]:
    """Return the comparisons of primary measures with verdicts; kinds against kinds; the price verdict.

    Nothing where one fuel alone was burned: the answer says so.
    """
    if not (data.several_fuels or data.interim):
        return []
    if data.interim or data.bare or not len(data.table("comparisons")):
        return [data.said("no_comparisons")]
    compared = _compared(data)
    main = [metric for metric in compared if metric in data.primary] or compared[:1]
    margins = [f"{data.label(metric)} {words}" for metric in main if (words := data.margin_words(metric))]
    what = "Every comparison of every measure, with each one alone and its p value"
    return [
        data.said("comparisons", margins=margins),
        bullets(sentence for metric in main if (sentence := overall_sentence(data, metric))),
        [pairs_drawing(data, metric) for metric in main],
        further_html(data, most=3),
        kinds_html(data),
        price_html(data, break_even_drawing(data), most=3),
        to_appendix(what, "comparison-tables"),
    ]


@topic("comparison-tables", "Comparisons: every measure", "appendix")
def comparison_tables(data: ReportData) -> list[object]:
    """Return for the appendix the comparisons of every measure, who can be best, and what would settle the rest."""
    compared = [] if data.interim or data.bare else _compared(data)
    why_not = data.analysis.why_not.items()
    told = [f"{data.title(metric)}: {why}." for metric, why in why_not if metric in data.metrics]
    return [
        "A row per comparison, measure by measure." if compared else "No comparison was made.",
        [pairs_html(data, metric) for metric in compared],
        [rows_table(data, "overall", data.table("overall")), best_table(data)] if compared else None,
        rows_table(data, "prior", data.table("prior")),
        [pairs_html(data, metric, "comparisons_alone") for metric in compared],
        [further_html(data, most=10_000), price_html(data, None, most=10_000)] if compared else None,
        [heading("Measures that could not be compared", "not-compared"), bullets(told)] if told else None,
    ]


def _compared(data: ReportData) -> list[str]:
    return [metric for metric in data.metrics if len(data.rows("comparisons", metric))]


def family_words(data: ReportData, metric: str) -> str:
    """Return over what the intervals of a metric's comparisons hold."""
    rows = data.rows("comparisons", metric)
    size = int(rows["family"].iloc[0]) if "family" in rows and len(rows) else len(rows)
    if size <= 1:
        return "for this one comparison"
    together = "both" if size == 2 else f"all {number_word(size)}"
    name = data.family(str(rows["multiplicity"].iloc[0]))
    return called("family", name, called("family", "none")).format(all=together)


def pairs_table(data: ReportData, metric: str, table: str = "comparisons") -> pd.DataFrame:
    """Return the comparisons of a metric as drawn: per cent on the log scale, else units as shown."""
    rows = data.in_order(data.rows(table, metric)).reset_index(drop=True)
    log = data.spec(metric).scale == "log"
    made = {"settled": ~rows["verdict"].isin(UNDECIDED), "value": rows["ratio" if log else "difference"]}
    for end in ("a", "b"):
        bags = zip(rows[end], rows[f"bags_{end}"], strict=True)
        made[f"bags_{end}"] = [data.noted(metric, fuel, 0, counted).bags for fuel, counted in bags]
    drawn = rows.assign(**labelled_pairs(data, rows, "÷" if log else "−"), **made)
    names = ["value", "low", "high", "low_alone", "high_alone"]
    # an end that is not finite, as of burns known by bounds alone, is no place on an axis
    known = drawn[names].apply(pd.to_numeric).replace([math.inf, -math.inf], math.nan)
    return data.in_units(drawn.assign(**known), *names, difference=True)


def labelled_pairs(data: ReportData, rows: pd.DataFrame, sign: str) -> dict[str, list[Any]]:
    """Return for rows of pairs their labels, those cut to fit a figure, and the first fuel's place for its hue."""
    named = [(data.name(a), data.name(b)) for a, b in zip(rows["a"], rows["b"], strict=True)]
    place = {player.id: player.place for player in data.cast}
    return {
        "label": [f"{a} {sign} {b}" for a, b in named],
        "short_label": [
            f"{a} {sign} {b}" if len(a + b) <= 41 else f"{short(a, 21)} {sign} {short(b, 21)}"
            for a, b in named
        ],
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


def pairs_html(data: ReportData, metric: str, table: str = "comparisons") -> Html | None:
    """Return the table of a metric's comparisons, or of those without earlier folders; None where it has none."""
    rows = pairs_table(data, metric, table)
    log, family = data.spec(metric).scale == "log", family_words(data, metric)
    adjusted = "alone" not in family and "this one" not in family
    digits = row_places(rows) or [1] * len(rows)
    made = rows.assign(
        **{
            name: [
                f"more than {TOO_WIDE:.0f} times" if log and end > FARTHEST else limit(end, decimals)
                for end, decimals in zip(rows[name].astype(float), digits, strict=True)
            ]
            for name in ("value", "low", "high", "low_alone", "high_alone")
        },
        places=digits,
        burns=[f"{a}, {b}" for a, b in zip(rows["n_a"], rows["n_b"], strict=True)],
        bags=[f"{a}, {b}" if a or b else "" for a, b in zip(rows["bags_a"], rows["bags_b"], strict=True)],
    )
    difference = with_unit_after("difference", data.difference_unit(metric))
    parts = {"log": log, "family": family, "adjusted": adjusted, "difference": difference}
    return rows_table(data, table, made, **parts)


def best_table(data: ReportData) -> Html | None:
    """Return for each measure with a better direction which fuels can be the best and how far each falls short."""
    rows = data.table("best")
    made = rows.assign(
        what=[with_unit_after(data.title(m), data.difference_unit(m)) for m in rows["metric"]],
        value=rows["ratio"].where(rows["scale"] == "log", rows["difference"]),
    )
    return rows_table(data, "best", data.in_units(made, "value", "low", "high", difference=True))


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
        brief=[called("brief_verdict", verdict) for verdict in rows["verdict"]],
    )
    beyond = spec.scale == "log" and (rows["high"] > FARTHEST).any()
    rows = rows.assign(high=rows["high"].clip(upper=FARTHEST)) if beyond else rows
    margin = margin_zone(data, metric, rows)
    name = with_unit_after(f"difference in {words}", data.difference_unit(metric))
    axis = Axis(name, data.second_scale(spec.unit, difference=True))
    drawn = rows if len(rows) <= MOST_ROWS else rows.sort_values("rank", kind="stable").head(MOST_ROWS)
    n = [each for claim in own for each in counts_in(claim, data)]
    only = own[0] if len(own) == 1 else None
    made = figure_of(
        data, "comparisons", metric,
        rows.drop(columns=["place", "short_label", "rank", "brief"]),
        partial(differences, drawn, axis, (spec.phrases.smaller, spec.phrases.larger), margin),
        measure=words,
        claims=" ".join(claim.sentence for claim in claims_of(data) if claim.metric == metric),
        family=family_words(data, metric),
        margin=margin,
        some=len(drawn) < len(own),
        drawn=number_word(len(drawn)),
        all=number_word(len(own)),
        which="the first" if len(drawn) == MOST_ROWS else "those with limits",
        alike=alike(n),
        beyond=beyond,
        headline=only.caption if only else f"Differences in {words}{on_film(rows)}",
        n=n_note(n),
    )  # fmt: skip
    return replace(made, claim=only.id if only else "")


def on_film(rows: pd.DataFrame) -> str:
    """Return how many of the pairs a film's picture has room for; '' where it has all."""
    return f", {MOST_ON_FILM} of {len(rows)} pairs" if len(rows) > MOST_ON_FILM else ""


def differences(
    rows: pd.DataFrame, axis: Axis, sides: tuple[str, str], margin: tuple[float, float] | None, frame: Frame
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
    layout = RowLayout(
        above=0.95, right=0.35 if frame.film else figures.room_for(rows["brief"], 22), longest=WIDE
    )
    name = axis.name.rpartition(", ")[2] if frame.film else axis.name
    gap = 3 * NBSP
    axis = Axis(f"← {sides[0]}{gap}{name}{gap}{sides[1]} →", axis.second)
    figure, axes = figures.rows_canvas(rows["short_label"].tolist(), axis, frame, layout)
    if margin:
        axes.axvspan(*margin, color=frame.band, linewidth=0, zorder=0)
    axes.axvline(0, color=frame.ink, linewidth=frame.pen * 0.9, zorder=1)
    for row, pair in enumerate(rows.itertuples(index=False)):
        figures.estimate(axes, pair, row, frame.fuel(int(pair.place)), frame, pair.settled)
    axes.set_xlim(axes.get_xlim())
    for row, brief in enumerate(rows["brief"] if not frame.film else ()):
        figures.word(axes, axes.get_xlim()[1], row, brief, frame, nudge=6, color=frame.soft)
    return figure


def further_html(data: ReportData, most: int) -> list[Html | None]:
    """Return what would settle the open comparisons, the cheapest first, at most so many: bags, burns, fuel, hours."""
    rows = data.of_declared_pairs(data.table("further"))
    rows = rows[rows["metric"].isin(data.primary)].sort_values("more_burns", kind="stable")
    if not len(rows):
        return []
    can, told = rows[rows["bags"].notna()], []
    still_open = sum(not claim.settled for claim in claims_of(data) if claim.primary)
    for row in can.head(most).itertuples(index=False):
        fuel = quantity(row.grams / 1000, "kg", data.units, decimals=1 if row.grams < 10_000 else 0)
        parts: dict[str, Any] = {"row": row, "several": row.burns > 1, "measure": data.label(row.metric)}
        parts |= {"a": data.name(row.a), "b": data.name(row.b), "known": ""}
        if beaten := beaten_by_the_best(data, row):
            best = best_words(data.spec(row.metric), data.units)
            parts["known"] = data.said("not_the_best", beaten=beaten, best=best)
        parts["takes"] = ", ".join(sentences_of("needed_in_all", data=data, row=row, fuel=fuel))
        told.append(data.said("needed_of", **parts))
    unknown = max(still_open - len(rows), 0)
    told += sentences_of("needed", more=len(can) - len(told), never=len(rows) - len(can), unknown=unknown)
    title = "How many more burns would settle the open pairs"
    return [heading(title, "further"), bullets(told), label(data.said("further", can=len(can)))]


def beaten_by_the_best(data: ReportData, row: Any) -> str:
    """Return which fuel of a row's pair cannot be the best of its metric where the other is first; else ''."""
    best, pair = standing_of(data, row.metric), {row.a, row.b}
    beaten = pair & {*best.others} if best and best.leader in pair else ()
    return next(map(data.name, beaten), "")


def kinds_html(data: ReportData) -> list[Html | str]:
    """Return kinds against kinds: for the fuels tested, and in general where enough fuels were tested."""
    rows, judged = data.of_primary(data.table("kinds")), data.table("comparisons")
    apart = judged.loc[judged["verdict"] == "cannot be separated", "metric"]
    # one fuel of each type: told as these two fuels
    rows = rows[~rows["metric"].isin(apart) & ((rows["fuels_a"] > 1) | (rows["fuels_b"] > 1))]
    if not len(rows):
        return []
    told = []
    for row in rows.itertuples(index=False):
        amount, (a, b) = amount_of(row, data.spec(row.metric), data.units), (plural(row.a), plural(row.b))
        # the spread within a kind stands beside the gap
        in_general = row.scope == "kinds in general" and row.spread_within == row.spread_within
        parts = {
            "scope": str(row.scope).replace("kinds", "types"),
            "open": row.verdict in UNDECIDED or not amount.known,
            "amount": amount,
            "question": amount.said_of(a, b, amount.spec.phrases.question),
            "told": amount.said_of(a, b),
            "within": margin_words(row.spread_within, amount.spec, data.units) if in_general else "",
        }
        told.append(data.said("kinds", a=a, row=row, **parts))
    names = dict.fromkeys(map(plural, rows[["a", "b"]].to_numpy().ravel()))
    against = f"{capital(' against '.join(names))} (types compared)"
    title = against if len(names) == 2 else "Types compared"
    return [heading(title, "kinds"), *told, label(data.said("types"))]


def price_html(data: ReportData, drawing: Drawing | None, most: int) -> list[Html | Drawing | None]:
    """Return the price verdicts in words, at most so many, with the break-even drawing; nothing where none is given."""
    rows = data.break_even
    if not len(rows):
        return []
    settled_first = rows.iloc[rows["verdict"].isin(UNDECIDED).argsort(kind="stable")].head(most)
    told = [price_sentence(row, data) for row in settled_first.itertuples(index=False)]
    told += sentences_of("more_prices", more=len(rows) - len(told))
    parts = {"cost": str(rows["metric"].iloc[0]).startswith("cost"), "unjudged": unjudged_prices(data)}
    basis = data.said("break_even", **parts)
    return [heading("Price", "break-even-price"), drawing, bullets(told), label(basis)]


def price_sentence(row: Any, data: ReportData) -> str:
    """Return who is the better value at the prices paid, by how much, and up to what price ratio that holds."""
    a, b, spec = data.name(row.a), data.name(row.b), data.spec(row.metric)
    amount = Amount(row.ratio, row.low, row.high, math.nan, spec, data.units)
    known = row.ratio == row.ratio
    undecided = known and (row.verdict in UNDECIDED or amount.holds_zero)
    return data.said(
        "price",
        settled=known and not undecided,
        open=undecided,
        beaten=beaten_by_the_best(data, row),
        of=f", of {data.these_bags}" if data.these_bags else "",
        cheaper=b if amount.above else a,
        at=threshold(spec, data.units),
        weight="lb" if data.units.show == "us" else "kg",
        amount=amount,
        a=a,
        b=b,
        row=row,
        vague=row.break_even_high > TOO_WIDE * row.break_even_low,
    )


def break_even_drawing(data: ReportData) -> Drawing | None:
    """Return the drawing of break-even prices, or None where none can be given."""
    rows = data.break_even
    rows = rows[rows["break_even_high"] <= TOO_WIDE * rows["break_even_low"]]
    if not len(rows):
        return None
    even = {"value": rows["break_even"], "low": rows["break_even_low"], "high": rows["break_even_high"]}
    named = ["metric", "a", "b", "paid", "verdict", "multiplicity", "level"]
    rows = rows[named].assign(**labelled_pairs(data, rows, "÷"), **even)
    ratios = "; ".join(
        f"{row.label}: {plain(row.value, 2)}, interval {plain(row.low, 2)} to {plain(row.high, 2)}"
        for row in rows.itertuples(index=False)
    )
    metric = str(rows["metric"].iloc[0])
    draw = partial(break_even, rows.head(MOST_ROWS), Axis("price per kilogram, first over second"))
    parts = {"family": family_words(data, metric), "paid": rows["paid"].notna().any(), "film": on_film(rows)}
    compared = {*rows["a"], *rows["b"]}
    parts |= {"ratios": ratios, "n": n_note([n for f, n in data.used(metric).items() if f in compared])}
    return figure_of(data, "break-even", "", rows.drop(columns=["place", "short_label"]), draw, **parts)


def break_even(rows: pd.DataFrame, axis: Axis, frame: Frame) -> Figure:
    """Return up to what price ratio the first fuel of each pair is the better value, with its interval.

    Parameters
    ----------
    rows
        short_label, value, low, high (price per kilogram of a over that of b), paid (blank where no prices are
        known), place of the first fuel.
    """
    rows = rows.head(MOST_ON_FILM) if frame.film else rows
    figure, axes = figures.rows_canvas(rows["short_label"].tolist(), axis, frame, RowLayout(longest=WIDE))
    axes.axvline(1, color=frame.line, linewidth=frame.pen, zorder=1)
    for row, pair in enumerate(rows.itertuples(index=False)):
        figures.estimate(axes, pair, row, frame.fuel(int(pair.place)), frame)
        diamond: dict[str, Any] = {"markersize": frame.small * 0.65, "markeredgewidth": frame.pen}
        axes.plot([pair.paid], [row], "D", color=frame.paper, markeredgecolor=frame.ink, zorder=5, **diamond)
    axes.set_xlim(left=0)
    return figure


def two_fuels(analysis: Any, a: str, b: str) -> Section:
    """Return one page about two fuels: verdicts first, over time, measure by measure, what would settle it.

    Raises
    ------
    KitError
        Where one of them is no fuel that was burned, or both are the same.
    """
    whole = report_data(analysis)
    known = [player.id for player in whole.cast]
    refuse_all(
        refused("no_such_fuel", "two-fuels", fuel=fuel, hint=did_you_mean(fuel, known))
        for fuel in (a, b)
        if fuel not in known
    )
    if a == b:
        raise refused("one_fuel_twice", "two-fuels", fuel=a)
    pair, data = (a, b), narrowed(whole, a, b)
    claims = sorted(claims_of(data), key=lambda claim: data.metrics.index(claim.metric))
    own = [metric for metric in data.primary if data.has_values(metric)]
    side, (influence, *which) = pair_drawing(data, pair, claims), influence_words(data)
    prices = [price_sentence(row, data) for row in data.break_even.itertuples(index=False)]
    main = [] if data.bare else [claim for claim in claims if claim.primary] or claims[:1]
    told: list[Claim | str] = [*main] or [data.said("no_verdict", a=data.name(a), b=data.name(b))]
    parts = [
        warnings(data),
        [finding_html(each, side.id if side else "") for each in told],
        label(_families(data)) if main else None,
        heading("Over time", "over-time"),
        two_drawing(data, a, b) or "No readings: the values came from the burn sheet alone.",
        [heading("Measure by measure", "side-by-side"), side] if side else None,
        further_html(data, most=6),
        heading("Does the verdict depend on a single burn?", "influence"),
        [influence, bullets(which)],
        heading(f"The next bag{', and the price' * (len(prices) > 0)}", "next-bag"),
        bullets([*chances_words(data), *prices]) or "Nothing can be predicted from these burns.",
        heading("The values", "values"),
        [values_drawing(data, metric, pair) for metric in own],
        [means_table(data, metric, pair) for metric in own],
        [pairs_html(data, metric) for metric in own],
        conditions_table(data, pair),
    ]
    parts = parts if data.begun else parts[:2]
    title = f"{capital(data.name(a))} and {data.name(b)}: do they really differ?"
    return section("two-fuels", title, parts)


def _families(data: ReportData) -> str:
    """Return over what the verdict's interval holds, and what the pair's own interval says beside it."""
    compared = [metric for metric in data.primary if len(data.rows("comparisons", metric))]
    families: dict[str, list[str]] = {}
    for metric in compared:
        families.setdefault(family_words(data, metric), []).append(data.label(metric))
    if not families:
        return ""
    of = [
        f"{words} in {listed(labels)}" if len(families) > 1 else words for words, labels in families.items()
    ]
    several = data.rows("comparisons", compared[0])["family"].iloc[0] > 1
    alone = []
    for metric in compared:
        row, label = data.rows("comparisons", metric).iloc[0], data.label(metric)
        turned = is_turned(_amount(data, metric), data.spec(metric).better)  # as the sentence above has it
        amount = _amount(data, metric, ("low_alone", "high_alone"))
        words = (amount.turned if turned else amount).directed
        name = data.name(row["b"] if turned else row["a"])
        alone.append(f"{label} {words} for {name}" if words else f"{label} not known")
    return data.said("families", several=several, family=listed(of), alone="; ".join(alone))


def _amount(data: ReportData, metric: str, limits: tuple[str, str] = ("low", "high")) -> Amount:
    """Return the difference as the page has it, from its first fuel's side."""
    return amount_of(data.rows("comparisons", metric).iloc[0], data.spec(metric), data.units, limits)


def pair_drawing(data: ReportData, pair: tuple[str, str], claims: list[Claim]) -> Drawing | None:
    """Return the drawing of two fuels on every measure, each with its margin, or None where none has an interval."""
    made: list[dict[str, object]] = []
    for claim in claims:
        drawn, words = pairs_table(data, claim.metric), claim.verdict
        own = drawn[drawn["a"].isin(pair) & drawn["b"].isin(pair)].dropna(subset=["low", "high"])
        if not len(own):
            continue
        if claim.settled and claim.verdict != SAME:
            words = _amount(data, claim.metric).directed.replace(NBSP, " ")
        value, low, high = (float(own[name].iloc[0]) for name in ("value", "low", "high"))
        margin = margin_zone(data, claim.metric, own) or (math.nan, math.nan)
        reach = 1.15 * max(abs(end) for end in (low, high, *margin) if end == end)
        made.append(
            {"label": data.label(claim.metric), "words": words, "value": value, "low": low, "high": high}
            | {"reach": reach, "margin_low": margin[0], "margin_high": margin[1]}
            | {"settled": claim.settled, "verdict": claim.verdict}
        )
    if not made:
        return None
    rows, (a, b) = pd.DataFrame(made), map(data.name, pair)
    n = [each for claim in claims for each in counts_in(claim, data)]
    parts = {"a": a, "b": b, "first": short(a.split()[0], 16), "second": short(b.split()[0], 16)}
    parts |= {"claims": " ".join(claim.sentence for claim in claims)}
    parts |= {"n": f"; {n_note(n)}" if alike(n) else ""}
    return figure_of(data, "side by side", " ".join(sorted(pair)), rows, partial(side_by_side, rows), **parts)


def side_by_side(rows: pd.DataFrame, frame: Frame) -> Figure:
    """Return a row per measure: the difference with its interval about a common zero, the margin's zone behind.

    Parameters
    ----------
    rows
        label, words (the difference in words), value, low, high, reach (half width of the row's scale), margin_low,
        margin_high (blank where none), settled; all numbers of a row in one unit, rows in units of their own.
    """
    rows = rows.head(MOST_MEASURES_ON_FILM) if frame.film else rows
    margins = (figures.room_for(rows["label"], 38), figures.room_for(rows["words"], 34), 0.2, 0.3)
    figure, axes = figures.canvas(frame, 0.55 + 0.32 * len(rows), rows=len(rows), margins=margins)
    for own, row in zip(axes, rows.itertuples(index=False), strict=True):
        own.set_xlim(-row.reach, row.reach)
        own.set_ylim(-1, 1)
        if row.margin_low == row.margin_low:
            own.axvspan(row.margin_low, row.margin_high, color=frame.band, linewidth=0, zorder=0)
        own.axvline(0, color=frame.ink, linewidth=frame.pen * 0.9, zorder=1)
        figures.estimate(own, row, 0, frame.mark, frame, row.settled)
        own.set_axis_off()
        figures.word(own, -row.reach * 1.03, 0, short(row.label, 38), frame, ha="right")
        figures.word(own, row.reach * 1.03, 0, short(row.words, 34), frame)
    return figure
