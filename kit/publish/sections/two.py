"""Two fuels, one page, one question: does A really differ from B?"""

from __future__ import annotations

from typing import Any

from kit.errors import KitError, Problem, did_you_mean
from kit.page.text import Html
from kit.publish.claims import Claim, claims_of
from kit.publish.drawings.of_curves import curves_drawing, difference_drawing
from kit.publish.drawings.of_pairs import pair_drawing
from kit.publish.drawings.of_values import values_drawing
from kit.publish.facts import Facts, facts_of
from kit.publish.narrowed import narrowed
from kit.publish.price import break_even_table
from kit.publish.sections.each_fuel import conditions_table, means_table
from kit.publish.sections.first_screen import finding_html, warnings
from kit.publish.sections.odd import influence_words
from kit.publish.sections.pairs import further_html, pairs_html, price_sentence
from kit.publish.sections.section import Section, bullets, heading, paragraph, section, shown
from kit.publish.sections.spread import chances_words


def two_fuels(analysis: Any, a: str, b: str) -> Section:
    """Return one page about two fuels: verdict, side by side, difference over time, what the verdict hangs on.

    Raises
    ------
    KitError
        Where one of them is no fuel that was burned, or both are the same.
    """
    whole = facts_of(analysis)
    _check(whole, a, b)
    pair, facts = (a, b), narrowed(whole, a, b)
    claims = sorted(claims_of(facts), key=lambda claim: facts.metrics.index(claim.metric))
    own = [metric for metric in facts.primary if facts.values_of(metric)["value"].notna().any()]
    values = [values_drawing(facts, metric, pair) for metric in own]
    lines = (
        [curves_drawing(facts, pair), difference_drawing(facts, a, b)] if len(facts.table("readings")) else []
    )
    side = pair_drawing(facts, claims)
    parts: list[object] = [
        *warnings(facts),
        *_verdicts(facts, claims, a, b, side.id if side else ""),
        heading("Side by side", "side-by-side"),
        shown(side),
        *(shown(drawing) for drawing in values),
        *(means_table(facts, metric, pair) for metric in own),
        *(pairs_html(facts, metric) for metric in own),
        heading("Over time", "over-time"),
        *(shown(drawing) for drawing in lines),
        *further_html(facts),
        heading("Does the verdict hang on one burn?", "influence"),
        *influence_words(facts, pair),
        heading("The next bag, and the price", "next-bag"),
        bullets([*chances_words(facts, pair), *_prices(facts)])
        or paragraph("Nothing can be predicted from these burns."),
        heading("Conditions of the two", "conditions"),
        conditions_table(facts, pair),
    ]
    title = f"{facts.name(a)} and {facts.name(b)}: do they really differ?"
    return section("two-fuels", title, parts, [side, *values, *lines])


def _check(facts: Facts, a: str, b: str) -> None:
    known = [player.id for player in facts.cast]
    problems = [
        Problem(
            "refuse",
            "two-fuels",
            f"'{fuel}'",
            "a fuel of this folder that was burned",
            did_you_mean(fuel, known),
        )
        for fuel in (a, b)
        if fuel not in known
    ]
    if not problems and a == b:
        problems = [Problem("refuse", "two-fuels", f"'{a}' twice", "two fuels", "Name two different fuels.")]
    if problems:
        raise KitError(problems)


def _verdicts(facts: Facts, claims: list[Claim], a: str, b: str, figure: str) -> list[Html]:
    if facts.interim:
        return [paragraph("No verdict yet: planned burns are still to be done.", kind="finding open")]
    if facts.bare:
        told = (
            f"{facts.name(a)} and {facts.name(b)} were burned once each: whether they differ cannot be told."
        )
        return [paragraph(told, kind="finding open")]
    if claims:
        main = [claim for claim in claims if claim.primary] or claims[:1]
        return [finding_html(claim, figure) for claim in main]
    return [paragraph("These two were not compared.", kind="finding open")]


def _prices(facts: Facts) -> list[str]:
    return [price_sentence(row, facts) for row in break_even_table(facts).itertuples(index=False)]
