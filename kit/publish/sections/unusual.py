"""Unusual burns with what else was recorded, and whether any verdict depends on one burn, bag or day."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any

from kit.judge.odd_burns import NO_ANSWER
from kit.page.html_tables import cols, numbers
from kit.page.shown_numbers import plain, quantity
from kit.page.text import Html
from kit.publish.figures.canvas import Axis, Cast, Frame, Look, canvas, fewer_ticks, name_axis, short, word
from kit.publish.figures.drawing import Drawing
from kit.publish.report_data import ReportData, report_data
from kit.publish.sections.section import (
    Section,
    bullets,
    heading,
    paragraph,
    rows_table,
    section,
    to_appendix,
)
from kit.publish.wording import capital, counted, listed, number_word

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

NOT_ALONE = (
    "An unusual burn is a reason to look into what happened, never a reason to leave it out: every burn counts "
    "unless the burn sheet gives a reason for leaving it out."
)


def odd_burns(analysis: Any) -> Section:
    """Return burns that stand apart with their conditions, and whether a verdict depends on a single burn."""
    data = report_data(analysis)
    title = "Unusual burns, and what else was recorded"
    if not len(data.table("odd_burns")):
        told = "No burn can be called unusual: no model was fitted to hold it against."
        if data.singles:
            told = (
                "Without repeated burns no burn can be called unusual: there is nothing to hold it against."
            )
        return section("odd-burns", title, [told])
    influence, *which = influence_words(data)
    what = "Every burn's distance from the others, and what every verdict would be without it"
    parts = [
        NOT_ALONE,
        odd_table(data),
        heading("Does any verdict depend on a single burn?", "influence"),
        [influence, bullets(which)],
        to_appendix(what, "odd-tables"),
    ]
    return section("odd-burns", title, parts)


def odd_tables(analysis: Any) -> Section:
    """Return for the appendix how far each burn lies from the others, and every verdict that would change."""
    data = report_data(analysis)
    drawings = [odd_drawing(data, metric) for metric in data.primary if len(data.rows("odd_burns", metric))]
    parts = [each for each in (*drawings, influence_table(data)) if each is not None]
    none = ["Nothing was repeated, so no burn can be held against others."]
    return section("odd-tables", "Unusual burns and influence", parts or none, "appendix")


def odd_table(data: ReportData) -> Html | None:
    """Return the unusual burns with what stood beside them, or the statement that there are none."""
    rows = data.table("odd_burns")
    odd = rows[rows["odd"].fillna(False).astype(bool)]
    if not len(odd):
        burns, measures = rows["burn"].nunique(), rows["metric"].nunique()
        return paragraph(
            f"No burn is unusual: {counted(burns, 'burn')} were looked at, on {counted(measures, 'measure')}."
        )
    ends = {
        name: [_value(data, *pair) for pair in zip(odd["metric"], odd[name], strict=True)]
        for name in ("value", "expected")
    }
    beside = odd["conditions"].fillna("").replace("", "nothing recorded that sets it apart")
    columns = cols(("burn", "Burn"), ("name", "fuel"), "measure", numbers("value", "expected", "p"))
    columns += cols(("beside", "what else was recorded"))
    note = (
        "Expected: from all other burns. p: probability that any burn of such a trial would lie this far out if none "
        "were odd."
    )
    return rows_table(data, odd.assign(**ends, beside=beside), "Unusual burns", columns, note=note)


def _value(data: ReportData, metric: str, value: float) -> str:
    unit = data.spec(metric).unit
    return f"{value:.1f}\u00a0min" if unit == "min" else quantity(float(value), unit, data.units, decimals=1)


def influence_words(data: ReportData, pair: tuple[str, str] | None = None) -> list[str]:
    """Return in one line how many verdicts of primary measures one burn, bag or day would change; then which."""
    if data.interim:
        return ["Not asked: no verdict is given before all planned burns are done."]
    rows = data.of_primary(data.table("influence"))
    rows = rows[rows["a"].isin(pair) & rows["b"].isin(pair)] if pair else rows
    rows = data.of_declared_pairs(rows)
    if not len(rows):
        return ["Not asked: there is no verdict to try it on."]
    changing = rows[rows["matters"].fillna(False).astype(bool)]
    tried = len(rows[["metric", "a", "b"]].drop_duplicates())
    count = len(changing[["metric", "a", "b"]].drop_duplicates())
    of = f"the {number_word(tried)} verdicts of primary measures" if tried > 1 else "the one verdict"
    if not count:
        each = "each of " if tried > 1 else ""
        return [f"No: {each}{of} stays as it is whichever burn, bag or day is left out."]
    told = []
    settled = changing[changing["verdict"] != "not settled"]
    for (metric, one, other), own in settled.groupby(["metric", "a", "b"], sort=False):
        fuels = f"{data.name(str(one))} and {data.name(str(other))}"
        outcomes = []
        for verdict, parts in own.groupby("verdict_without", sort=False):
            levels = parts["left_out"].map(_bag_name).groupby(parts["level_left_out"], sort=False)
            without = [f"{level} {listed(_few(list(names)), 'or')}" for level, names in levels]
            outcomes.append(f"{_said(str(verdict))} without {', or without '.join(without)}")
        told.append(f"{capital(data.label(str(metric)))}, {fuels}: {'; '.join(outcomes)}.")
    held = count - len(told)
    open_ones = f" ({number_word(held)} of them {'is' if held == 1 else 'are'} not settled as it stands)"
    lead = f"Yes: {number_word(count)} of {of} would change if one burn, bag or day were left out"
    return [f"{lead}{open_ones if held and told else ''}.", *told]


def _bag_name(left_out: str) -> str:
    """Return the label of a bag alone where it names its fuel, else with its fuel."""
    fuel, slash, bag = left_out.partition(" / ")
    return bag if slash and bag.startswith(fuel) else left_out.replace(" / ", ", bag ")


def _few(names: list[str], most: int = 3) -> list[str]:
    return names if len(names) <= most else [*names[:most], f"{number_word(len(names) - most)} more"]


def _said(verdict: str) -> str:
    return "nothing is left to compare" if verdict == NO_ANSWER else verdict


def influence_table(data: ReportData) -> Html | None:
    """Return every verdict that would change with a burn, bag or day left out."""
    rows = data.of_declared_pairs(data.table("influence"))
    rows = rows[rows["matters"].fillna(False).astype(bool)]
    if data.interim:
        return None
    without = rows["level_left_out"].astype(str) + " " + rows["left_out"].astype(str)
    made = rows.assign(without=without, then=rows["verdict_without"].astype(str).map(_said))
    caption = "Verdicts that one burn, bag or day would change"
    return rows_table(data, made, caption, cols("fuels", "verdict", "without", "then"), group="label")


def odd_drawing(data: ReportData, metric: str) -> Drawing | None:
    """Return the drawing of how far each burn lies from the others, or None where that was not asked."""
    rows = data.rows("odd_burns", metric).dropna(subset=["residual"])
    if not len(rows):
        return None
    order = {burn: place for place, burn in enumerate(data.sheet["burn"])}
    rows = rows.assign(odd=rows["odd"].astype(bool))
    rows = rows.sort_values("burn", key=lambda ids: ids.map(order), kind="stable")
    label = data.label(metric)
    odd = [
        f"burn {row.burn} of {data.name(row.fuel)} at {plain(row.residual, 1)}"
        for row in rows[rows["odd"]].itertuples(index=False)
    ]
    named = f"Unusual: {'; '.join(odd)}." if odd else "None is unusual."
    return Drawing(
        id=f"odd burns {metric}",
        title=f"Unusual burns: {label}",
        alt=f"How far each of {len(rows)} burns lies from what the others let expect. {named}",
        caption=(
            "Each mark is one burn: its distance from what all other burns let expect, in its own standard errors "
            f"({len(rows)} burns). A named burn is one that chance alone would bring in fewer than "
            f"{plain(100 * (1 - data.level), 0)} of 100 such trials."
        ),
        headline=f"Unusual burns: {label}",
        note=f"{len(rows)} burns",
        data=rows[["burn", "fuel", "value", "expected", "residual", "p", "odd", "conditions"]],
        draw=partial(distances, rows.reset_index(drop=True), data.cast),
        simulated=data.simulated,
    )


def distances(rows: pd.DataFrame, cast: Cast, look: Look, frame: Frame) -> Figure:
    """Return how far each burn lies from what the others let expect; odd ones are named.

    Parameters
    ----------
    rows
        burn, fuel, residual, odd; in the order drawn.
    """
    figure, (axes,) = canvas(look, frame, 2.6, margins=(0.7, 0.3, 0.55, 0.2))
    axes.axhline(0, color=look.line, linewidth=frame.line, zorder=1)
    for place, each in enumerate(rows.itertuples(index=False)):
        player, size = cast[each.fuel], frame.small * (0.95 if each.odd else 0.65)
        axes.plot(
            [place], [each.residual], player.marker, color=look.fuel(player.place), markersize=size, zorder=3
        )
        if each.odd:
            side = -1 if place > 0.6 * len(rows) else 1
            how: dict[str, Any] = {"nudge": side * frame.small * 0.9, "ha": "left" if side > 0 else "right"}
            word(axes, place, each.residual, f"burn {short(str(each.burn), 14)}", look, frame, **how)
    step = max(1, -(-len(rows) // (8 if frame.film else 20)))
    axes.set_xticks(range(0, len(rows), step))
    axes.set_xticklabels([short(str(burn), 8) for burn in rows["burn"].iloc[::step]], parse_math=False)
    name_axis(axes, "x", Axis("burn"), look, frame)
    name_axis(axes, "y", Axis("distance, in its own\nstandard errors"), look, frame)
    fewer_ticks(axes, frame, y=5)
    return figure
