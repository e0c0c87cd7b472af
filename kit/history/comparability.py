"""What was measured differently from season to season, and so what may be compared with what, and why not."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import pandas as pd

from kit.history.control_chart import Chart
from kit.history.seasons import Season
from kit.results_file import conditions, differences, main_probe

DIRECTLY: Final = "comparable directly"
BY_CONTROL: Final = "only as a difference from the control fuel"
NOT: Final = "not comparable"


def unlike(season: Season, reference: Season) -> list[str]:
    """Return in words every difference in the way of measuring that forbids pooling; none where alike."""
    then, now = (conditions(each.trial, *each.where) for each in (season, reference))
    return [
        f"{name} ({was or 'not stated'}, not {is_now or 'stated'})"
        for name, (was, is_now) in differences(then, now).items()
    ]


def missing_metric(season: Season, metric: str, reference: Season) -> list[str]:
    """Return in words why a season does not know a metric; none where it does."""
    if season.knows(metric):
        currency = season.trial.get("currency"), reference.trial.get("currency")
        if metric.startswith("cost:") and currency[0] != currency[1]:
            return [f"currency ({currency[0] or 'not stated'}, not {currency[1] or 'stated'})"]
        return []
    if ":" in metric:
        return [f"threshold (it did not measure at {metric.partition(':')[2]})"]
    return ["it did not measure this"]


def other_probe(season: Season, reference: Season) -> bool:
    """Return whether another kind of probe sat in the same place: values shift, differences do not."""
    kept = ("id", "tolerance_class", "time_constant_s")
    return [main_probe(season.trial).get(key) for key in kept] != [
        main_probe(reference.trial).get(key) for key in kept
    ]


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
