"""Two fuels, one page, one question: does A really differ from B?"""

from __future__ import annotations

import math
from functools import partial
from typing import Any, Final

import pandas as pd

from kit.errors import did_you_mean
from kit.page.sentence_parts import capital, listed
from kit.page.shown_numbers import NBSP
from kit.page.text import Html
from kit.publish.claims import Claim, claims_of, counts_in
from kit.publish.figures.canvas import Axes, Figure, Frame, canvas, estimate, room_for, short, word
from kit.publish.figures.drawing import Drawing, figure_of
from kit.publish.report_data import ReportData, break_even_table, n_note, narrowed, report_data
from kit.publish.sections.burn_curves import two_drawing
from kit.publish.sections.first_screen import finding_html, warnings
from kit.publish.sections.fuels import conditions_table, means_table, values_drawing
from kit.publish.sections.pairs import (
    family_words,
    further_html,
    margin_zone,
    pairs_html,
    pairs_table,
    price_sentence,
)
from kit.publish.sections.quality import influence_words
from kit.publish.sections.section import Section, bullets, heading, label, paragraph, section
from kit.publish.sections.variation import chances_words
from kit.publish.wording import Amount, alike, amount_of, refuse_all, refused

MOST_ON_FILM: Final = 4


def two_fuels(analysis: Any, a: str, b: str) -> Section:
    """Return one page about two fuels: verdicts first, over time, measure by measure, what would settle it.

    Raises
    ------
    KitError
        Where one of them is no fuel that was burned, or both are the same.
    """
    whole = report_data(analysis)
    _check(whole, a, b)
    pair, data = (a, b), narrowed(whole, a, b)
    claims = sorted(claims_of(data), key=lambda claim: data.metrics.index(claim.metric))
    own = [metric for metric in data.primary if data.has_values(metric)]
    side, (influence, *which) = pair_drawing(data, pair, claims), influence_words(data)
    prices = [price_sentence(row, data) for row in break_even_table(data).itertuples(index=False)]
    parts = [
        warnings(data),
        _verdicts(data, claims, pair, side.id if side else ""),
        label(_families(data)) if claims and not data.bare else None,
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


def _check(data: ReportData, a: str, b: str) -> None:
    known = [player.id for player in data.cast]
    refuse_all(
        refused("no_such_fuel", "two-fuels", fuel=fuel, hint=did_you_mean(fuel, known))
        for fuel in (a, b)
        if fuel not in known
    )
    if a == b:
        raise refused("one_fuel_twice", "two-fuels", fuel=a)


def _verdicts(data: ReportData, claims: list[Claim], pair: tuple[str, str], figure: str) -> list[Html]:
    if claims and not data.bare:
        main = [claim for claim in claims if claim.primary] or claims[:1]
        return [finding_html(claim, figure) for claim in main]
    a, b = map(data.name, pair)
    return [paragraph(data.said("no_verdict", a=a, b=b), kind="finding open")]


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
    alone = {each: _amount(data, each, ("low_alone", "high_alone")).directed for each in compared}
    told = "; ".join(f"{data.label(each)} {words or 'not known'}" for each, words in alone.items())
    return data.said("families", several=several, family=listed(of), alone=told)


def _amount(data: ReportData, metric: str, limits: tuple[str, str] = ("low", "high")) -> Amount:
    """Return the difference as the page has it, from its first fuel's side."""
    return amount_of(data.rows("comparisons", metric).iloc[0], data.spec(metric), data.units, limits)


def pair_drawing(data: ReportData, pair: tuple[str, str], claims: list[Claim]) -> Drawing | None:
    """Return the drawing of two fuels on every measure, each with its margin, or None where none has an interval."""
    made = [row for claim in claims if (row := _side_row(data, claim)) is not None]
    if not made:
        return None
    rows, (a, b) = pd.DataFrame(made), map(data.name, pair)
    n = [each for claim in claims for each in counts_in(claim, data)]
    parts = {"a": a, "b": b, "first": short(a.split()[0], 16), "second": short(b.split()[0], 16)}
    parts |= {"claims": " ".join(claim.sentence for claim in claims)}
    parts |= {"n": f"; {n_note(n)}" if alike(n) else ""}
    return figure_of(data, "side by side", " ".join(sorted(pair)), rows, partial(side_by_side, rows), **parts)


def _side_row(data: ReportData, claim: Claim) -> dict[str, object] | None:
    pair, drawn = {claim.a, claim.b}, pairs_table(data, claim.metric)
    own = drawn[drawn["a"].isin(pair) & drawn["b"].isin(pair)].dropna(subset=["low", "high"])
    if not len(own):
        return None
    ends = [float(own[name].iloc[0]) for name in ("value", "low", "high")]
    margin = margin_zone(data, claim.metric, own) or (math.nan, math.nan)
    open_or_same = claim.verdict == "the same within the margin" or not claim.settled
    return {
        "label": data.label(claim.metric),
        "words": claim.verdict if open_or_same else _amount(data, claim.metric).directed.replace(NBSP, " "),
        **dict(zip(("value", "low", "high"), ends, strict=True)),
        "reach": 1.15 * max(abs(end) for end in (*ends[1:], *margin) if end == end),
        "margin_low": margin[0],
        "margin_high": margin[1],
        "settled": claim.settled,
        "verdict": claim.verdict,
    }


def side_by_side(rows: pd.DataFrame, frame: Frame) -> Figure:
    """Return a row per measure: the difference with its interval about a common zero, the margin's zone behind.

    Parameters
    ----------
    rows
        label, words (the difference in words), value, low, high, reach (half width of the row's scale), margin_low,
        margin_high (blank where none), settled; all numbers of a row in one unit, rows in units of their own.
    """
    rows = rows.head(MOST_ON_FILM) if frame.film else rows
    margins = (room_for(rows["label"], 38), room_for(rows["words"], 34), 0.2, 0.3)
    figure, axes = canvas(frame, 0.55 + 0.32 * len(rows), rows=len(rows), margins=margins)
    for each, row in zip(axes, rows.itertuples(index=False), strict=True):
        _one_row(each, row, frame)
    return figure


def _one_row(axes: Axes, row: Any, frame: Frame) -> None:
    axes.set_xlim(-row.reach, row.reach)
    axes.set_ylim(-1, 1)
    if row.margin_low == row.margin_low:
        axes.axvspan(row.margin_low, row.margin_high, color=frame.band, linewidth=0, zorder=0)
    axes.axvline(0, color=frame.ink, linewidth=frame.pen * 0.9, zorder=1)
    estimate(axes, row, 0, frame.mark, frame, row.settled)
    axes.set_axis_off()
    word(axes, -row.reach * 1.03, 0, short(row.label, 38), frame, ha="right")
    word(axes, row.reach * 1.03, 0, short(row.words, 34), frame)
