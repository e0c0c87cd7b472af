"""Rows of comparisons as tables and figures show them: labels, units, margins, families."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from kit.publish.figures.canvas import short
from kit.publish.figures.look import Frame, Look
from kit.publish.report_data import UNDECIDED, ReportData

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

MOST_ROWS: Final = 30
"""Rows of a figure in the report; the appendix's table has all."""
MOST_ON_FILM: Final = 8
FAMILIES: Final = {
    "tukey": "for all {n} comparisons of this measure at once (Tukey)",
    "dunnett": "for all {n} comparisons with the control fuel at once (Dunnett)",
    "holm": "for all {n} comparisons of this measure at once (Holm)",
    "none": "for each comparison alone, not adjusted",
}


def family_words(data: ReportData, metric: str) -> str:
    """Return over what the intervals of a metric's comparisons hold."""
    rows = data.rows("comparisons", metric)
    size = int(rows["family"].iloc[0]) if "family" in rows and len(rows) else len(rows)
    if size <= 1:
        return "for this one comparison"
    return FAMILIES.get(str(rows["multiplicity"].iloc[0]), FAMILIES["none"]).format(n=size)


def pairs_table(data: ReportData, metric: str) -> pd.DataFrame:
    """Return the comparisons of a metric as drawn: per cent on the log scale, else units as shown."""
    import pandas as pd

    spec = data.spec(metric)
    rows = data.in_order(data.rows("comparisons", metric)).reset_index(drop=True)
    log = spec.scale == "log"

    def as_drawn(values: pd.Series) -> pd.Series:
        # an end that is not finite, as of burns known by bounds alone, is no place on an axis
        known = pd.to_numeric(values).replace([math.inf, -math.inf], math.nan)
        return 100 * (known - 1) if log else data.shown(known, spec.unit, difference=True)

    names = {"value": "ratio" if log else "difference"} | {
        n: n for n in ("low", "high", "low_alone", "high_alone")
    }
    named = [(data.name(a), data.name(b)) for a, b in zip(rows["a"], rows["b"], strict=True)]
    sign, place = "÷" if log else "−", {player.id: player.place for player in data.cast}
    return rows.assign(
        label=[f"{a} {sign} {b}" for a, b in named],
        short_label=[f"{short(a, 21)} {sign} {short(b, 21)}" for a, b in named],
        settled=~rows["verdict"].isin(UNDECIDED),
        place=rows["a"].map(place).fillna(0).astype(int),
        bags_a=[data.noted_bags(metric, a, n) for a, n in zip(rows["a"], rows["bags_a"], strict=True)],
        bags_b=[data.noted_bags(metric, b, n) for b, n in zip(rows["b"], rows["bags_b"], strict=True)],
        **{name: as_drawn(rows[source]) for name, source in names.items()},
    )


def difference_unit(data: ReportData, metric: str) -> str:
    """Return the unit of that table's numbers."""
    spec = data.spec(metric)
    return "%" if spec.scale == "log" else data.unit(spec.unit, difference=True)


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


def label_rows(axes: Axes, labels: list[str], look: Look, frame: Frame) -> None:
    """Give axes a row per pair, the first at the top, labelled at the left."""
    axes.set_ylim(len(labels) - 0.4, -0.6)
    axes.set_yticks(range(len(labels)))
    axes.set_yticklabels([short(label, 44) for label in labels], color=look.ink, parse_math=False)
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)
    axes.set_xlim(axes.get_xlim())
