"""What was asked and the answer in at most six sentences, the picture of all fuels, and a row per fuel."""

import math
from collections.abc import Iterable
from typing import Any

import pandas as pd

from kit.check import price_notes
from kit.page.html_tables import Col, Kind, cols, numbers, table
from kit.page.shown_numbers import convert, plain, quantity
from kit.page.text import Html, anchor, element, join
from kit.publish.canvas import Cast
from kit.publish.claims import MOST, Claim, best_claim, claims_of, findings, overall_sentence, value_claim
from kit.publish.provenance import earlier_looks
from kit.publish.report_data import ReportData, cost_metric, price_metric, prices_per_kg
from kit.publish.sections.burn_curves import overlay_drawing
from kit.publish.sections.fuels import ordered_cast
from kit.publish.sections.method import promises_more
from kit.publish.sections.section import APPENDIX, heading, label, paragraph, topic
from kit.publish.wording import burns_named, captioned, ends_known, estimate, sentences_of


@topic("answer", "What was asked, and the answer", of_burns=False)
def answer(data: ReportData) -> list[object]:
    """Return what was asked, who can be best, all fuels' curves, a row per fuel, and fuels two by two."""
    told = answer_sentences(data)
    pairs = [each for each in told if isinstance(each, Claim) and each.kind == "pair"]
    two_by_two = pairs if data.many_fuels and len(pairs) < len(told) else []
    fuels, measures = [player.name for player in data.cast], [*map(data.label, data.primary)] or ["the burns"]
    asked = data.said("asked", measures=measures, fuels=fuels)
    lone = any(claim.verdict == "no repeats" for claim in claims_of(data))
    return [
        warnings(data),
        paragraph(element("strong", "Asked: "), asked, " ", data.said("burned"), kind="asked"),
        [finding_html(each) for each in told if each not in two_by_two],
        data.said("would_bar") if lone and not (data.barred or data.bare) else None,
        label(_no_price(data)) if claims_of(data) and not data.bare else None,
        [overlay_drawing(data), overview_table(data)] if data.begun else None,
        [heading("Two by two", "two-by-two"), *map(finding_html, two_by_two)] if two_by_two else None,
        label(_key(data)) if data.barred else None,
    ]


def _no_price(data: ReportData) -> str:
    """Return why no fuel is called the better value, where prices or an interval of the costs are missing; else ''."""
    cost = cost_metric(data)
    if not data.trial.is_priced:
        return data.said("no_price", cost="", ratios=len(data.break_even))
    if unjudged_prices(data):
        return data.said("no_price_yet")
    bare = cost and not data.rows("comparisons", cost)["low"].notna().any()
    return data.said("no_price", cost=data.label(cost)) if bare else ""


def unjudged_prices(data: ReportData) -> bool:
    """Return whether prices are declared, no cost is compared, and a note says what is missing for it."""
    judged = price_metric(data).startswith("cost:")
    return data.trial.is_priced and not judged and bool(price_notes(data.analysis.run))


def answer_sentences(data: ReportData) -> list[Claim | str]:
    """Return the answer: which fuels can be best, the better value, settled differences, how many are not settled."""
    if data.interim:
        return [data.said("no_verdict_yet")]
    if data.bare:
        return [*sentences_of("burned_once", data=data)]
    pairs = [claim for claim in claims_of(data) if claim.primary] or list(claims_of(data))
    if not pairs:
        return [data.said("nothing_to_compare")]
    if len(pairs) > 1 and all(claim.verdict == "cannot be separated" for claim in pairs):
        return [data.said("none_apart")]
    first: list[Claim | str | None] = []
    for metric in data.primary:
        best = best_claim(data, metric) if data.many_fuels else None
        known = any(claim.settled for claim in (best, *pairs) if claim and claim.metric == metric)
        first.append(best if known else overall_sentence(data, metric))
    kept = [each for each in first if each][: MOST - 2]
    told: list[Claim | str] = [each for each in (*kept, value_claim(data)) if each]
    if len(pairs) + len(told) <= MOST:
        found = findings(data, MOST - len(told))
        return [*told, *found] if data.many_fuels else [*found, *told]
    settled = [claim for claim in findings(data, len(pairs)) if claim.settled][: MOST - 1 - len(told)]
    n = sum(claim.settled for claim in pairs)
    return [*told, data.said("settled", pairs=pairs, settled=n, left=len(pairs) - n), *settled]


def finding_html(claim: Claim | str, figure: str = "") -> Html:
    """Return a finding with its number set off, its id as anchor, and a link to its figure or the one named.

    A sentence that stands where a finding would is told as an open one.
    """
    if isinstance(claim, str):
        return paragraph(claim, kind="finding open")
    before, number, after = claim.sentence.partition(claim.number or claim.sentence)
    marked = element("span", number, class_="number") if claim.number else number
    page, drawn, link = APPENDIX if claim.kind == "value" and not figure else "", figure or claim.figure, None
    if drawn:
        href = f"{page}#{anchor('figure', drawn)}"
        link = element("a", "figure", href=href, aria_label=f"Figure of: {claim.caption}")
    kind = "finding" if claim.settled else "finding open"
    return paragraph(before, marked, after, " ", link, kind=kind, id=claim.id)


def _key(data: ReportData) -> str:
    several = data.table("comparisons")["metric"].duplicated().any()
    compared = any(claim.interval for claim in claims_of(data))
    of = "these bags" if data.bags else "these burns"
    prior = data.table("prior")
    used = set(prior.loc[prior["used"].fillna(False).astype(bool), "folder"])
    earlier = [] if data.singles else [folder for folder in data.lenders if folder in used]
    holds_for = [data.here, of, *["these days"] * (data.days > 0)]
    return data.said(
        "key", compared=compared, several=compared and several, earlier=earlier, holds_for=holds_for
    )


def warnings(data: ReportData) -> list[Html]:
    """Return what must be known before anything is read.

    Simulated, interim, single burns, one bag, intervals that fell short in the self-check, earlier looks.
    """
    uncounted = [
        f"{data.label(str(metric))} {burns_named(rows['burn'], most=6)} ({why})"
        for (metric, why), rows in data.table("uncounted").groupby(["metric", "why"], sort=False)
    ]
    looks = earlier_looks(data.analysis.run.folder)
    beyond = int((data.table("deviations")["what"] == "burn beyond the plan").sum())
    looked, unnoted = looks + beyond and not data.interim, f"Bags are not{' all' * (data.bags > 0)} noted"
    parts = {
        "few": unnoted if data.these_bags == "these charges" else "One bag of each fuel",
        "judged_for_these": data.these_bags and not (data.bare or data.interim),
        "promises_more": promises_more(data, of_spreads=False),  # none of a spread stands on the first screen
        "uncounted": "; ".join(uncounted),
        "again": data.said("looks", looked=looked, looks=looks, beyond=beyond),
        "as_planned": len(data.trial.plan.stages) > 1 and not beyond,
    }
    warned = sentences_of("warnings", data=data, **parts)
    return [element("div", element("p", text), class_="warning") for text in warned]


def overview_table(data: ReportData) -> Html:
    """Return a row per fuel: kind, primary measures ± half width with letters, price, cost, burns and bags."""
    first = data.primary[0] if data.primary else ""
    cast = ordered_cast(data, first) or data.cast if first else data.cast
    prices, cost = prices_per_kg(data), cost_metric(data)
    made: dict[str, list[Any]] = {"Fuel": [_key_of(player) for player in cast]}
    columns = cols("Fuel")

    def add(name: str, cells: list[Any], title: object = "", unit: str = "", kind: Kind = "number") -> None:
        """Add a column of cells that are written already, its unit in the heading."""
        made[name] = cells
        unit_shown = element("span", f" {unit}", class_="unit") if unit else ""
        columns.append(Col(name, join([title or name, unit_shown]), kind=kind))

    if len({player.kind for player in cast}) > 1:
        add("type", [player.kind for player in cast], kind="text")
    for metric in dict.fromkeys([*data.primary, *([cost] if cost else [])]):
        if metric == cost and prices:
            known = [prices.get(player.id, math.nan) for player in cast]
            systems = data.units.systems()
            told = [_stacked(plain(convert(price, "/kg", us), 2) for us in systems) for price in known]
            add("Price", told, unit=data.units.heading("/kg"))
        title, unit = data.title(metric), data.units.heading(data.spec(metric).unit)
        cells = _cells(data, metric, cast)
        if metric == cost:
            paid = zip(cast, cells, strict=True)
            cells = ["free" if prices.get(player.id) == 0 else cell for player, cell in paid]
        add(metric, cells, title, unit)
        if metric in data.primary and (letters := _letters(data, metric, cast)):
            add(f"letters {metric}", letters, element("span", "letters", class_="label"), kind="text")
    n = [data.burned[player.id] for player in cast]
    noted = any(each.bags for each in n)
    made["n"] = [f"{each.burns}, {each.bags or '–'}" if noted else each.burns for each in n]
    columns += numbers(("n", "burns, bags" if noted else "burns"))
    judged = len(data.table("means")) and not data.bare
    shown = [data.rows("means", metric)["mean"] for metric in made if metric in data.metrics]
    about = captioned(
        "overview",
        data=data,
        means=len(data.table("means")),
        order=data.label(first) if cast != data.cast else "",
        letters=any(name.startswith("letters ") for name in made),
        counted=judged and any(data.spec(metric).least == 0 for metric in data.primary),
        unnoted=any(each.unnoted for each in n),
        ranges=judged and any(not len(means) or means.isna().any() for means in shown),
    )
    return table(pd.DataFrame(made, dtype=object), columns=columns, units=data.units, **about)


def _key_of(player: Any) -> Html:
    dot = element("span", class_=f"key fuel-{player.place % 8 + 1}", aria_hidden="true")
    return element("bdi", dot, player.name)


def _cells(data: ReportData, metric: str, cast: Cast) -> list[object]:
    means = data.rows("means", metric).dropna(subset=["mean"]).set_index("fuel")
    values, unit = data.values_of(metric), data.spec(metric).unit
    cells: list[object] = []
    for player in cast:
        own = values[values["fuel"] == player.id]
        if player.id in means.index:
            mean, low, high = (float(means.loc[player.id, name]) for name in ("mean", "low", "high"))
            cells.append(_cell(data, mean, *((math.nan, math.nan) if data.bare else (low, high)), unit))
        elif (own["status"] == "never").any():
            n = int((own["status"] != "never").sum())
            cells.append(f"reached in {n} of {len(own)}" if n else "not reached")
        else:
            bound, ends = ends_known(own)
            shown = join((_cell(data, end, math.nan, math.nan, unit) for end in ends), " to ")
            bounds = " to ".join(quantity(end, unit, data.units) for end in ends)
            cells.append(f"{bound} {bounds}" if bound else shown)
    return cells


def _cell(data: ReportData, mean: float, low: float, high: float, unit: str) -> Html:
    return _stacked(estimate(mean, low, high, unit, us).replace(" ", "\u00a0") for us in data.units.systems())


def _stacked(texts: Iterable[str]) -> Html:
    """Return texts under one another, those after the first smaller; a text that says the same again left out."""
    first, *rest = dict.fromkeys(texts)
    return join([first, *(element("span", element("br"), text, class_="label") for text in rest)])


def _letters(data: ReportData, metric: str, cast: Cast) -> list[str]:
    """Return for each fuel the letters of its groups, 'a' for the first in order; none where no order is shown."""
    if ordered_cast(data, metric) is None:
        return []
    own = {player.id: group for player, group in zip(cast, data.brackets(metric, cast), strict=True)}
    order = sorted({number for group in own.values() for number in group}, key=int)
    if data.spec(metric).better == "less":
        order = order[::-1]
    names = {number: chr(97 + place) if place < 26 else f"{place + 1}" for place, number in enumerate(order)}
    return [" ".join(sorted(names[number] for number in group)) for group in own.values()]
