"""How each fuel ever tested may be compared: directly, through the control fuel, or not at all, and why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from kit.history.alike import BY_CONTROL, DIRECTLY, NOT
from kit.history.chart import Chart
from kit.history.seasons import Season

if TYPE_CHECKING:
    import pandas as pd


def standing_table(
    seasons: Sequence[Season],
    metric: str,
    reference: Season,
    why: Mapping[str, Sequence[str]],
    same_probe: set[str],
    chart: Chart | None,
) -> pd.DataFrame:
    """Return fuel, standing, why, newest season and seasons of each fuel ever tested.

    A fuel of the reference season is comparable directly.  One of another season is so if that season was
    measured alike with the same probe and the control fuel shows no change; only as a difference from the control
    fuel if probe or control fuel say that levels moved; not at all where something was measured differently
    or no control fuel joins the seasons.
    """
    import pandas as pd

    moved = chart is not None and chart.moved
    joined = set(chart.seasons["season"]) if chart is not None else set()
    rows = []
    for fuel in dict.fromkeys(fuel for season in reversed(seasons) for fuel in season.fuels):
        own = [season for season in seasons if fuel in season.fuels]
        usable = [season.name for season in own if not why[season.name]]
        newest = usable[-1] if usable else own[-1].name
        standing, because = _standing(
            newest, reference.name, why[newest], joined, newest in same_probe, moved
        )
        rows.append((fuel, standing, because, newest, len(usable) or len(own)))
    return pd.DataFrame(rows, columns=["fuel", "standing", "why", "season", "seasons"])


def _standing(
    season: str, reference: str, why: Sequence[str], joined: set[str], same_probe: bool, moved: bool
) -> tuple[str, str]:
    if why:
        return NOT, f"{season} differs from {reference} in {'; '.join(why)}"
    if season == reference:
        return DIRECTLY, f"it was burned in {reference} itself"
    if season not in joined or reference not in joined:
        return NOT, f"no control fuel joins {season} to {reference}, so that a drift could not be seen"
    if not same_probe:
        return BY_CONTROL, f"another probe sat in the same place in {season}"
    if moved:
        return BY_CONTROL, "the control fuel's chart shows that the level moved over the seasons"
    return DIRECTLY, f"{season} was measured like {reference}, and the control fuel stayed the same"
