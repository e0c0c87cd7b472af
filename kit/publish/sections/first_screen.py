"""What was asked and the answer in at most six sentences, the picture of all fuels, and a row per fuel."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any

import pandas as pd

from kit.page.html_tables import Col, Kind, cols, numbers, table
from kit.page.shown_numbers import convert, plain, quantity
from kit.page.text import Html, anchor, element, join
from kit.publish.claims import (
    MOST,
    Claim,
    best_claim,
    claims_of,
    findings,
    overall_sentence,
    standing_of,
    value_claim,
)
from kit.publish.compare import earlier_looks
from kit.publish.figures.canvas import Cast
from kit.publish.report_data import ReportData, cost_metric, prices_per_kg
from kit.publish.sections.burn_curves import overlay_drawing
from kit.publish.sections.fuels import ordered_cast
from kit.publish.sections.section import APPENDIX, heading, label, paragraph, topic
from kit.publish.wording import (
    APART,
    burns_named,
    called,
    capital,
    captioned,
    counted,
    estimate,
    listed,
    number_word,
    paragraph_of,
)


@topic("answer", "What was asked, and the answer")
def answer(data: ReportData) -> list[object]:
    """Return what was asked, who can be best, all fuels' curves, a row per fuel, and fuels two by two."""
    told = answer_sentences(data)
    two_by_two = [each for each in told if isinstance(each, Claim) and each.kind == "pair"]
    first = [each for each in told if each not in two_by_two]
    measures = listed(list(map(data.label, data.primary))) or "the burns"
    of = f" of {listed([player.name for player in data.cast])}" if len(data.cast) > 1 else ""
    asked = data.trial.question or paragraph_of("asked", measures=measures, of=of)
    return [
        warnings(data),
        paragraph(element("strong", "Asked: "), asked, " ", _burned(data), kind="asked"),
        [_said(each) for each in first or two_by_two],
        overlay_drawing(data),
        overview_table(data),
        [heading("Two by two", "two-by-two"), *map(_said, two_by_two)] if first and two_by_two else None,
        label(_key(data)) if any(claim.interval for claim in claims_of(data)) else None,
    ]


def _said(each: Claim | str) -> Html:
    return finding_html(each) if isinstance(each, Claim) else paragraph(each, kind="finding open")


def answer_sentences(data: ReportData) -> list[Claim | str]:
    """Return the answer: which fuels can be best, the better value, settled differences, how many are not settled."""
    if data.interim:
        return [paragraph_of("no_verdict_yet")]
    if data.bare and len(data.cast) < 2:
        return [paragraph_of("burned_once")]
    if data.bare:
        return [paragraph_of("each_burned_once"), paragraph_of("error_bars_from")]
    pairs = [claim for claim in claims_of(data) if claim.primary] or list(claims_of(data))
    if not pairs:
        return ["Only one fuel was burned, so there is nothing to compare; its values stand below."]
    if len(pairs) > 1 and all(claim.verdict == "cannot be separated" for claim in pairs):
        return [f"No two fuels can be compared: {APART}."]
    told: list[Claim | str] = []
    for metric in data.primary if len(data.cast) > 2 else ():
        best, standing = best_claim(data, metric), standing_of(data, metric)
        undecided = standing is None or standing.open
        if undecided and not any(claim.settled for claim in pairs if claim.metric == metric):
            told.append(overall_sentence(data, metric))
        elif best is not None:
            told.append(best)
    told = [each for each in told if each][: MOST - 2]
    value = value_claim(data)
    told += [value] if value is not None else []
    if len(pairs) + len(told) <= MOST:
        return [*told, *findings(data, MOST - len(told))]
    settled = [claim for claim in findings(data, len(pairs)) if claim.settled][: MOST - 1 - len(told)]
    return [*told, _count(pairs), *settled]


def _count(pairs: Sequence[Claim]) -> str:
    settled = sum(claim.settled for claim in pairs)
    left, comparisons = len(pairs) - settled, counted(len(pairs), "comparison")
    told = f"Of {comparisons} of primary measures {number_word(settled)} {'is' if settled == 1 else 'are'} settled"
    told += f" and {number_word(left)} not"
    if not settled:
        told = f"None of the {comparisons} of primary measures is settled"
    elif not left:
        told = f"All {comparisons} of primary measures are settled"
    return f"{told}; see 'Comparisons'."


def finding_html(claim: Claim, figure: str = "") -> Html:
    """Return a finding with its number set off, its id as anchor, and a link to its figure or the one named."""
    before, number, after = claim.sentence.partition(claim.number or claim.sentence)
    marked = element("span", number, class_="number") if claim.number else number
    page, drawn, link = APPENDIX if claim.kind == "value" and not figure else "", figure or claim.figure, None
    if drawn:
        href = f"{page}#{anchor('figure', drawn)}"
        link = element("a", "figure", href=href, aria_label=f"Figure of: {claim.caption}")
    kind = "finding" if claim.settled else "finding open"
    return paragraph(before, marked, after, " ", link, kind=kind, id=claim.id)


def _key(data: ReportData) -> str:
    several = int(data.table("comparisons").groupby("metric").size().max()) > 1
    counts, of = ("burns and bags", "these bags") if data.bags else ("burns", "these burns")
    holds_for = listed([data.here, of, *(["these days"] if data.days else [])])
    prior = data.table("prior")
    folders = list(dict.fromkeys(map(str, prior.loc[prior["used"].fillna(False).astype(bool), "folder"])))
    earlier = "" if data.singles else listed(folders)
    parts = {"several": several, "earlier": earlier, "counts": counts, "holds_for": holds_for}
    return paragraph_of("key", percent=data.percent, **parts)


def _burned(data: ReportData) -> str:
    trial = data.trial
    n = [counted(len(data.cast), "fuel"), counted(data.bags, "bag"), counted(data.done, "burn")]
    compared = f"Compared are the {counted(len(data.compared), 'burn')} at setting '{data.setting}'"
    parts = [
        capital(", ".join(n if data.bags else n[::2])) + data.on_days,
        compared if data.setting else "",
        f"Cooker: {trial.cooker}" if trial.cooker else "",
        f"Charges of {called('basis', trial.charge.by)}" if trial.charge.model_fields_set else "",
        f"Control fuel: {data.name(data.control)}" if data.control else "",
    ]
    return ". ".join(filter(None, parts)) + "."


def warnings(data: ReportData) -> list[Html]:
    """Return what must be known before anything is read: simulated, interim, single burns, one bag, earlier looks."""
    told = []
    if data.simulated:
        told.append(paragraph_of("simulated"))
    if data.interim:
        told.append(f"Interim: {data.done} of {data.planned} burns. No verdicts are given yet.")
    if data.bare:
        told.append(paragraph_of("bare"))
    elif data.borrowed:
        folders = data.trial.model.borrow_from
        named = "all folders measured alike" if isinstance(folders, str) else listed(list(map(str, folders)))
        told.append(paragraph_of("borrowed", folders=named or "elsewhere"))
    if data.these_bags and not (data.bare or data.interim):
        few = "One bag of each fuel" if data.bags else "Bags are not noted"
        told.append(paragraph_of("these_bags", few=few, these_bags=data.these_bags))
    uncounted = [
        f"{data.label(str(metric))} {burns_named(rows['burn'], most=6)} ({why})"
        for (metric, why), rows in data.table("uncounted").groupby(["metric", "why"], sort=False)
    ]
    told += [f"Done, but without a value that counts: {'; '.join(uncounted)}."] if uncounted else []
    told += [_looks(data)]
    return [element("div", element("p", text), class_="warning") for text in told if text]


def _looks(data: ReportData) -> str:
    looks = earlier_looks(data.analysis.run.folder)
    beyond = int((data.table("deviations")["what"] == "burn beyond the plan").sum())
    if data.interim or not looks + beyond:
        return ""
    again = "Burns were added beyond the plan"
    if looks:
        again = (
            f"{capital(counted(looks, 'earlier report'))} of this folder looked at other states of these data"
        )
        again += f"; extended after looking by {counted(beyond, 'burn')} beyond the plan" if beyond else ""
    return paragraph_of("looks", again=again, planned=len(data.trial.plan.stages) > 1 and not beyond)


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
            paid = [_price(data, prices.get(player.id)) for player in cast]
            add("Price", paid, unit=data.units.heading("/kg"))
        title, unit = capital(data.label(metric)), data.units.heading(data.spec(metric).unit)
        add(metric, _cells(data, metric, cast), title, unit)
        if metric in data.primary and (letters := _letters(data, metric, cast)):
            add(f"letters {metric}", letters, element("span", "letters", class_="label"), kind="text")
    n = [data.burned[player.id] for player in cast]
    noted = any(bags for _, bags in n)
    made["n"] = [f"{burns}, {bags or '–'}" if noted else burns for burns, bags in n]
    columns += numbers(("n", "burns, bags" if noted else "burns"))
    key = "overview_bare" if data.bare else "overview"
    about = captioned(
        key if len(data.table("means")) else "overview_of_one",
        percent=data.percent,
        order=data.label(first) if cast != data.cast else "",
        letters=any(name.startswith("letters ") for name in made),
    )
    return table(pd.DataFrame(made, dtype=object), columns=columns, units=data.units, **about)


def _key_of(player: Any) -> Html:
    dot = element("span", class_=f"key fuel-{player.place % 8 + 1}", aria_hidden="true")
    return element("bdi", dot, player.name)


def _cells(data: ReportData, metric: str, cast: Cast) -> list[object]:
    means = data.rows("means", metric).dropna(subset=["mean"]).set_index("fuel")
    values, unit = data.values_of(metric), data.spec(metric).unit
    no_model = data.bare or not len(data.table("means"))
    cells: list[object] = []
    for player in cast:
        own = values[values["fuel"] == player.id]
        if player.id in means.index:
            mean, low, high = (float(means.loc[player.id, name]) for name in ("mean", "low", "high"))
            cells.append(_cell(data, mean, *((math.nan, math.nan) if data.bare else (low, high)), unit))
        elif (own["status"] == "never").any():
            n = int((own["status"] != "never").sum())
            cells.append(f"in {n} of {len(own)}" if n else "not reached")
        elif len(own) and (own["status"] == "at most").all():
            cells.append(f"at most {quantity(float(own['value'].max()), unit, data.units)}")
        elif no_model and own["value"].notna().any():
            ends = dict.fromkeys((float(own["value"].min()), float(own["value"].max())))
            cells.append(join((_cell(data, end, math.nan, math.nan, unit) for end in ends), " to "))
        else:
            cells.append("")
    return cells


def _cell(data: ReportData, mean: float, low: float, high: float, unit: str) -> Html:
    return _stacked(estimate(mean, low, high, unit, us).replace(" ", "\u00a0") for us in data.units.systems())


def _price(data: ReportData, price: float | None) -> Html:
    if price is None:
        return Html("")
    return _stacked(plain(convert(price, "/kg", us), 2) for us in data.units.systems())


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
