"""Which fuel is the better value at the prices paid, by how much, and up to what price that holds."""

from __future__ import annotations

import math
from functools import partial
from typing import TYPE_CHECKING, Any

from kit.page.numbers import plain
from kit.page.text import Html
from kit.publish.figures.canvas import canvas, fewer_ticks, name_axis, room_for, short
from kit.publish.figures.drawing import Drawing
from kit.publish.figures.look import Axis, Frame, Look
from kit.publish.prices import break_even_table
from kit.publish.report_data import UNDECIDED, ReportData, n_note
from kit.publish.sections.pair_rows import MOST_ON_FILM, MOST_ROWS, family_words, label_rows
from kit.publish.sections.section import bullets, heading, paragraph, shown
from kit.publish.wording import Amount, capital, counted, places, threshold

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure


def price_html(data: ReportData, drawing: Drawing | None, most: int) -> list[Html | None]:
    """Return the price verdicts in words, at most so many, with the break-even drawing."""
    rows = break_even_table(data)
    if not len(rows):
        return []
    told = [price_sentence(row, data) for row in rows.itertuples(index=False)]
    settled = [text for text, verdict in zip(told, rows["verdict"], strict=True) if verdict not in UNDECIDED]
    picked = [*settled, *(text for text in told if text not in settled)][:most]
    if len(told) > len(picked):
        picked.append(
            f"{capital(counted(len(told) - len(picked), 'other pair'))}: see the figure and the appendix."
        )
    basis = (
        "From the cost of an hour above the temperature, fuel left over credited as the trial file says."
        if str(rows["metric"].iloc[0]).startswith("cost")
        else "From the time above the temperature, charges being of equal mass; fuel left over is not credited."
    )
    return [
        heading("Price", "break-even-price"),
        shown(drawing),
        bullets(picked),
        paragraph(basis, kind="label"),
    ]


def price_sentence(row: Any, data: ReportData) -> str:
    """Return who is the better value at the prices paid, by how much, and up to what price ratio that holds."""
    digits = max(1, min(2, places(row.low, row.high)))
    a, b = data.name(row.a), data.name(row.b)
    limits = f"{plain(row.low, digits)} to {plain(row.high, digits)}"
    paid = f"; paid: {plain(row.paid, 2)} times" if row.paid == row.paid else ""
    times = f"{plain(row.value, digits)} times that of {b} ({limits}){paid}"
    even = f"{a}: better value while its price per kg is below {times}"
    if row.cost != row.cost:
        return f"{capital(even)}."
    if row.verdict in UNDECIDED or row.cost_low <= 1 <= row.cost_high:
        return f"{capital(a)} or {b}: which is the better value at the prices paid is not settled. {capital(even)}."
    at, of = (
        threshold(data.spec(row.metric), data.units),
        f", of {data.these_bags}" if data.these_bags else "",
    )
    amount = Amount(row.cost, row.cost_low, row.cost_high, math.nan, data.spec(row.metric), data.units)
    size = f"{amount.size} as much with {a} as with {b}"
    if not amount.multiple:
        size = f"{amount.size} {'less' if row.cost < 1 else 'more'} with {a} than with {b}"
    return (
        f"Better value at the prices paid{of}: {a if row.cost < 1 else b}. An hour above {at} cost {size} "
        f"({amount.interval}). "
        f"{capital(even)}."
    )


def break_even_drawing(data: ReportData) -> Drawing | None:
    """Return the drawing of break-even prices, or None where none can be given."""
    rows = break_even_table(data)
    if not len(rows):
        return None
    named = [(data.name(a), data.name(b)) for a, b in zip(rows["a"], rows["b"], strict=True)]
    place = {player.id: player.place for player in data.cast}
    rows = rows.assign(
        label=[f"{a} ÷ {b}" for a, b in named],
        short_label=[f"{short(a, 21)} ÷ {short(b, 21)}" for a, b in named],
        place=rows["a"].map(place).fillna(0).astype(int),
    )
    told = "; ".join(
        f"{row.label}: {plain(row.value, 2)}, interval {plain(row.low, 2)} to {plain(row.high, 2)}"
        for row in rows.itertuples(index=False)
    )
    metric = str(rows["metric"].iloc[0])
    used = list(data.used(metric).values())
    paid = " Diamond: the ratio of the prices paid." if rows["paid"].notna().any() else ""
    film = f", {MOST_ON_FILM} of {len(rows)} pairs" if len(rows) > MOST_ON_FILM else ""
    return Drawing(
        id="break-even",
        title="Break-even price",
        alt=f"Up to what price ratio the first fuel is the better value. {told}.",
        caption=(
            "Dot and bar: the price per kilogram of the first fuel over that of the second at which both give an hour "
            f"of heat for the same money, with its {data.percent} interval {family_words(data, metric)} "
            f"({n_note(used)}). Below it the first fuel is the better value.{paid} Good in any currency."
        ),
        headline=f"Worth how many times the price?{film}",
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
    margins = (room_for(rows["short_label"], 44), 0.35, 0.5, 0.15)
    figure, (axes,) = canvas(look, frame, 0.75 + 0.28 * max(len(rows), 2), margins=margins)
    axes.axvline(1, color=look.line, linewidth=frame.line, zorder=1)
    for row, pair in enumerate(rows.itertuples(index=False)):
        hue = look.fuel(int(pair.place))
        axes.plot([pair.low, pair.high], [row, row], color=hue, linewidth=frame.line * 2.4, zorder=3)
        axes.plot([pair.value], [row], marker="o", color=hue, markersize=frame.small * 0.75, zorder=4)
        if pair.paid == pair.paid:
            axes.plot(
                [pair.paid], [row], marker="D", color=look.paper, markeredgecolor=look.ink,
                markeredgewidth=frame.line, markersize=frame.small * 0.65, zorder=5,
            )  # fmt: skip
    label_rows(axes, rows["short_label"].tolist(), look, frame)
    axes.set_xlim(left=0)
    name_axis(axes, "x", axis, look, frame)
    fewer_ticks(axes, frame, x=8)
    return figure
