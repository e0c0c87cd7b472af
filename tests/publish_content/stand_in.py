"""A believable analysis made of plain arithmetic, for tests of what the pages say about one."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from kit import schema
from kit.trial.models import Charge, Fuel, Lab, Modelling, Probe
from kit.trial.trial import Margin, Trial

FUELS = (
    ("alder", "Alder lump", "lump"),
    ("oak", "Oak lump", "lump"),
    ("olive", "olive-stone briquettes", "briquette"),
    ("beech", "beech briquettes", "briquette"),
)
TRUTH = {
    "peak": ((262.0, 240.0, 226.0, 228.0), 4.0, 5.0),
    "time_above:180": ((4.90, 4.74, 4.66, 4.66), 0.03, 0.05),
    "cost:180": ((0.95, 0.80, 0.55, 0.40), 0.03, 0.05),
    "ash": ((1.1, 1.2, 2.3, 2.4), 0.08, 0.1),
    "steadiness": ((1.6, 1.5, 1.1, 1.1), 0.1, 0.15),
}


@dataclass(frozen=True)
class StandIn:
    """What kit.analysis hands to the pages, as far as they read it."""

    run: Any
    readings: pd.DataFrame
    spans: pd.DataFrame
    metrics: pd.DataFrame
    components: pd.DataFrame
    shares: pd.DataFrame
    means: pd.DataFrame
    comparisons: pd.DataFrame
    pairs: pd.DataFrame
    kinds: pd.DataFrame
    ladder: pd.DataFrame
    next_bag: pd.DataFrame
    chances: pd.DataFrame
    cooks: pd.DataFrame
    mean_curves: pd.DataFrame
    difference_curves: pd.DataFrame
    odd_burns: pd.DataFrame
    influence: pd.DataFrame
    flag_counts: pd.DataFrame
    uncertainty: pd.DataFrame
    self_check: pd.DataFrame
    second_opinion: pd.DataFrame
    deviations: pd.DataFrame
    further: pd.DataFrame
    reached: pd.DataFrame
    seed: int = 1
    notes: tuple[str, ...] = ()
    level: float = 0.95


def table(spec: tuple[schema.Column, ...], rows: list[dict[str, Any]]) -> pd.DataFrame:
    names = [column.name for column in spec]
    unknown = {key for row in rows for key in row} - set(names)
    assert not unknown, unknown
    return pd.DataFrame(rows, columns=names)


def trial_of(fuels: Any = FUELS, **changes: Any) -> Trial:
    margins = {
        "peak": Margin("peak", "15 °C", 15.0, "°C"),
        "time_above:180": Margin("time_above:180", "10 %", float(np.log(1.1)), "ln"),
    }
    base = Trial(
        title="Fuel for the drum oven",
        question="Which fuel keeps the drum oven hot longest?",
        operator="A. Cook",
        place="Hill School",
        interests="The school paid for all fuel.",
        cookers=("drum oven",),
        probe="grate",
        time_zero="lid on",
        currency="EUR",
        charge=Charge(by="mass", grams=400.0, tolerance_g=4.0),
        thresholds=(110.0, 180.0),
        primary=("peak", "time_above:180"),
        margins=margins,
        model=Modelling(),
        fuels=tuple(
            Fuel.model_construct(
                id=fuel, name=name, kind=kind, price=2.4 - 0.4 * place, bag_kg=3.0, lab=Lab(moisture=4.0)
            )
            for place, (fuel, name, kind) in enumerate(fuels)
        ),
        probes=(Probe(id="grate", place="at the grate"),),
    )
    return replace(base, **changes)


def stand_in(
    fuels: Any = FUELS,
    bags: int = 3,
    burns: int = 2,
    seed: int = 3,
    control: str | None = None,
    planned: int = 0,
    folder: Path = Path("runs/stand-in"),
    **trial_changes: Any,
) -> StandIn:
    """Return an analysis of bags × burns of each fuel, its numbers by plain analysis of bag means."""
    trial = trial_of(fuels, control_fuel=control, **trial_changes)
    sheet, metrics = _burned(fuels, bags, burns, np.random.default_rng(seed))
    parts = {metric: _judged(metrics, metric, trial, fuels, bags, burns) for metric in TRUTH}
    readings = _readings(sheet, fuels)
    sheet = _with_planned(sheet.assign(state="done"), planned)
    means = pd.concat([part["means"] for part in parts.values()], ignore_index=True)
    comparisons = pd.concat([part["comparisons"] for part in parts.values()], ignore_index=True)
    return StandIn(
        run=SimpleNamespace(
            trial=trial,
            burns=sheet,
            events=table(schema.EVENTS, []),
            scores=table(schema.SCORES, []),
            folder=folder,
            notes=(),
            plan=None,
        ),
        readings=readings,
        spans=_spans(sheet[sheet["state"] == "done"]),
        metrics=metrics,
        components=pd.concat([part["components"] for part in parts.values()], ignore_index=True),
        shares=pd.concat([part["shares"] for part in parts.values()], ignore_index=True),
        means=means,
        comparisons=comparisons,
        pairs=pd.concat([part["pairs"] for part in parts.values()], ignore_index=True),
        kinds=_kinds(metrics, trial) if burns > 1 else table(schema.KINDS, []),
        ladder=pd.concat([_ladder(means, comparisons, m) for m in trial.primary], ignore_index=True),
        next_bag=_next_bag(means, parts),
        chances=_chances(fuels, trial),
        cooks=table(schema.COOKS, []),
        mean_curves=_mean_curves(fuels, bags * burns),
        difference_curves=_difference_curves(fuels, bags * burns),
        odd_burns=_odd(metrics),
        influence=_influence(comparisons),
        flag_counts=table(
            schema.FLAG_COUNTS,
            [
                {
                    "burn": "b02",
                    "probe": "grate",
                    "flag": "spike",
                    "n": 2,
                    "first_s": 1200.0,
                    "last_s": 1230.0,
                    "low_c": 20.0,
                    "high_c": 25.0,
                }
            ],
        ),
        uncertainty=table(
            schema.UNCERTAINTY,
            [
                {
                    "metric": "peak",
                    "fuel": "alder",
                    "source": source,
                    "u": u,
                    "unit": "K",
                    "common": source == "calibration",
                }
                for source, u in (
                    ("calibration", 1.4),
                    ("resolution", 0.1),
                    ("repeat variation", 2.6),
                    ("combined", 3.0),
                    ("expanded (k = 2)", 6.0),
                )
            ],
        ),
        self_check=table(
            schema.SELF_CHECK,
            [
                {
                    "metric": "peak",
                    "quantity": "difference covered",
                    "nominal": 0.95,
                    "share": 0.953,
                    "mc_error": 0.007,
                    "trials": 1000,
                    "seed": 1,
                }
            ],
        ),
        second_opinion=table(
            schema.SECOND_OPINION,
            [
                {
                    "metric": "peak",
                    "quantity": "bag SD",
                    "kit": 4.01,
                    "other": 4.01,
                    "agrees": True,
                    "note": "",
                }
            ],
        ),
        deviations=table(schema.DEVIATIONS, [{"what": "bags", "where": "oak", "planned": "4", "done": "3"}]),
        further=table(schema.FURTHER, []),
        reached=table(schema.REACHED, []),
    )


def _burned(fuels: Any, bags: int, burns: int, rng: np.random.Generator) -> tuple[pd.DataFrame, pd.DataFrame]:
    sheet, rows = [], []
    for bag in range(bags):
        for _repeat in range(burns):
            for _place, (fuel, _, _) in enumerate(fuels):
                number = len(sheet) + 1
                day = f"2026-05-{4 + (number - 1) // 4:02d}"
                burn = f"b{number:02d}"
                sheet.append(
                    {
                        "burn": burn,
                        "fuel": fuel,
                        "bag": f"{fuel[:2]}{bag + 1}",
                        "day": day,
                        "order": number,
                        "cooker": "drum oven",
                        "charge_g": 400.0 + rng.integers(-3, 4),
                        "ambient_c": 14.0 + rng.normal(0, 2),
                        "wind_m_s": 1.5 + rng.random(),
                        "log": f"{burn}.csv",
                        "excluded": "",
                        "notes": "",
                    }
                )
    frame = table(schema.BURNS, sheet)
    for metric, (centres, bag_sd, burn_sd) in TRUTH.items():
        spec = schema.metric(metric)
        effects = {bag: rng.normal(0, bag_sd) for bag in dict.fromkeys(frame["bag"])}
        places = {fuel: place for place, (fuel, _, _) in enumerate(fuels)}
        for row in frame.itertuples(index=False):
            y = centres[places[row.fuel] % 4] + effects[row.bag] + rng.normal(0, burn_sd)
            rows.append(
                {
                    "burn": row.burn,
                    "fuel": row.fuel,
                    "bag": row.bag,
                    "day": row.day,
                    "metric": metric,
                    "value": float(np.exp(y)) if spec.scale == "log" else y,
                    "unit": spec.unit,
                    "u": 0.5,
                    "status": "exact",
                    "n_used": 900,
                    "n_flagged": 0,
                }
            )
    return frame, table(schema.METRICS, rows)


def _with_planned(sheet: pd.DataFrame, planned: int) -> pd.DataFrame:
    rows = [
        {"burn": f"p{place}", "fuel": sheet["fuel"].iloc[0], "state": "planned"} for place in range(planned)
    ]
    return pd.concat([sheet, pd.DataFrame(rows)], ignore_index=True) if rows else sheet


def _judged(
    metrics: pd.DataFrame, metric: str, trial: Trial, fuels: Any, bags: int, burns: int
) -> dict[str, Any]:
    spec = schema.metric(metric)
    log = spec.scale == "log"
    rows = metrics[metrics["metric"] == metric]
    y = np.log(rows["value"]) if log else rows["value"]
    by_bag = y.groupby([rows["fuel"], rows["bag"]], sort=False).mean()
    names = [fuel for fuel, _, _ in fuels]
    centre = {fuel: float(by_bag[fuel].mean()) for fuel in names}
    df = len(names) * (bags - 1)
    spread = float(np.sqrt(sum(((by_bag[f] - centre[f]) ** 2).sum() for f in names) / df)) if df else np.nan
    se = spread / np.sqrt(bags)
    t = stats.t.ppf(0.975, df) if df else np.nan
    back = np.exp if log else (lambda value: value)
    means = table(
        schema.MEANS,
        [
            {
                "metric": metric,
                "fuel": f,
                "mean": float(back(centre[f])),
                "se": se,
                "df": df,
                "low": float(back(centre[f] - t * se)),
                "high": float(back(centre[f] + t * se)),
                "unit": spec.unit,
                "scale": spec.scale,
                "method": "bag means",
                "level": 0.95,
                "n": bags * burns,
                "bags": bags,
            }
            for f in names
        ],
    )
    pairs = [(a, b) for i, a in enumerate(names) for b in names[i + 1 :]]
    control = trial.control_fuel
    family = [(a, control) for a in names if a != control] if control else pairs
    q = stats.studentized_range.ppf(0.95, len(names), df) / np.sqrt(2) if df and len(names) > 2 else t
    margin = trial.margins[metric].value if metric in trial.margins else np.nan
    compared, every = (
        table(
            schema.COMPARISONS,
            [
                _compared(spec, a, b, centre, se * np.sqrt(2), df, t, q, margin, bags, burns)
                | {"multiplicity": multiplicity}
                for a, b in group
            ],
        )
        for group, multiplicity in ((family, "dunnett" if control else "tukey"), (pairs, "tukey"))
    )
    sds = {"bag": spread * 0.6, "burn": spread * 0.8}
    components = table(
        schema.COMPONENTS,
        [
            {
                "metric": metric,
                "component": c,
                "sd": sd,
                "low": 0.3 * sd,
                "high": 2.2 * sd,
                "level": 0.95,
                "method": "profile",
                "at_boundary": False,
                "unit": "ln" if log else spec.unit,
            }
            for c, sd in sds.items()
        ],
    )
    shares = table(
        schema.SHARES,
        [
            {
                "metric": metric,
                "component": c,
                "share": s,
                "low": max(0, s - 0.2),
                "high": min(1, s + 0.2),
                "level": 0.95,
            }
            for c, s in (("kind", 0.55), ("fuel", 0.2), ("bag", 0.1), ("burn", 0.15))
        ],
    )
    return {
        "means": means,
        "comparisons": compared,
        "pairs": every,
        "components": components,
        "shares": shares,
        "sds": sds,
    }


def _compared(
    spec: Any,
    a: str,
    b: str,
    centre: dict[str, float],
    se: float,
    df: int,
    t: float,
    q: float,
    margin: float,
    bags: int,
    burns: int,
) -> dict[str, Any]:
    log = spec.scale == "log"
    back = np.exp if log else (lambda value: value)
    d = centre[a] - centre[b]
    low, high = d - q * se, d + q * se
    verdict = verdict_of(low, high, margin) if df else "no repeats"
    return {
        "metric": spec.id,
        "a": a,
        "b": b,
        "difference": np.nan if log else d,
        "ratio": float(np.exp(d)) if log else np.nan,
        "se": se,
        "df": df,
        "low": float(back(low)),
        "high": float(back(high)),
        "low_alone": float(back(d - t * se)),
        "high_alone": float(back(d + t * se)),
        "p": 0.01,
        "p_adjusted": 0.02,
        "p_equivalent": 0.5,
        "margin": margin,
        "verdict": verdict,
        "direction": "a" if low > 0 else "b" if high < 0 else "",
        "n_a": bags * burns,
        "n_b": bags * burns,
        "bags_a": bags,
        "bags_b": bags,
        "multiplicity": "tukey",
        "method": "bag means",
        "level": 0.95,
        "unit": spec.unit,
        "scale": spec.scale,
    }


def verdict_of(low: float, high: float, margin: float) -> str:
    """The table of DEVELOPERS.md, method 6, written down a second time."""
    zero_out = low > 0 or high < 0
    if np.isnan(margin):
        return "different" if zero_out else "not settled"
    if low > margin or high < -margin:
        return "different, by more than the margin"
    inside = -margin < low and high < margin
    if zero_out:
        return "different, but too little to matter" if inside else "different, size not settled"
    return "the same within the margin" if inside else "not settled"


def _curve(place: int, minutes: np.ndarray) -> np.ndarray:
    end = 70 + 8 * (3 - place)
    fall = np.exp(-np.maximum(minutes - end, 0) / 60)
    return 16 + (230 + 10 * (3 - place)) * (1 - np.exp(-minutes / 11)) * fall


def _readings(sheet: pd.DataFrame, fuels: Any) -> pd.DataFrame:
    minutes = np.arange(-5, 170, 0.5)
    places = {fuel: place for place, (fuel, _, _) in enumerate(fuels)}
    parts = []
    for i, row in enumerate(sheet.itertuples(index=False)):
        temp = _curve(places[row.fuel] % 4, np.maximum(minutes, 0)) * (1 + 0.01 * np.sin(i)) + np.sin(
            minutes * 3 + i
        )
        flag = np.full(len(minutes), "", dtype=object)
        if row.burn == "b02":
            temp[50:52], flag[50:52] = 22.0, "spike"
        parts.append(
            pd.DataFrame(
                {"burn": row.burn, "probe": "grate", "elapsed_s": 60 * minutes, "temp_c": temp, "flag": flag}
            )
        )
    return pd.concat(parts, ignore_index=True)


def _spans(sheet: pd.DataFrame) -> pd.DataFrame:
    rows = [
        {
            "burn": burn,
            "probe": "grate",
            "files": f"{burn}.csv",
            "clock_zero": "2026-05-04T09:00:00",
            "start_s": -300.0,
            "end_s": 10170.0,
            "stop_s": np.nan,
            "interval_s": 30.0,
            "resolution_c": 0.1,
            "n": 350,
            "n_flagged": 2 if burn == "b02" else 0,
            "cut_short": burn == "b03",
            "started_late": False,
        }
        for burn in sheet["burn"]
    ]
    return table(schema.SPANS, rows)


def _ladder(means: pd.DataFrame, comparisons: pd.DataFrame, metric: str) -> pd.DataFrame:
    from kit.judge.ladder import ladder

    rows = means[means["metric"] == metric]
    made = ladder(rows, comparisons[comparisons["metric"] == metric])
    made.insert(0, "metric", metric)
    return made[[column.name for column in schema.LADDER]]


def _next_bag(means: pd.DataFrame, parts: dict[str, Any]) -> pd.DataFrame:
    rows = []
    for row in means.itertuples(index=False):
        sd = float(np.linalg.norm([*parts[row.metric]["sds"].values(), row.se]))
        log = row.scale == "log"
        low, high = (
            (row.mean * np.exp(-2.3 * sd), row.mean * np.exp(2.3 * sd))
            if log
            else (row.mean - 2.3 * sd, row.mean + 2.3 * sd)
        )
        rows.append(
            {
                "metric": row.metric,
                "fuel": row.fuel,
                "mean": row.mean,
                "low": low,
                "high": high,
                "sd": sd,
                "df": row.df,
                "level": 0.95,
                "unit": row.unit,
                "scale": row.scale,
                "covers": "bag and burn",
            }
        )
    return table(schema.NEXT_BAG, rows)


def _chances(fuels: Any, trial: Trial) -> pd.DataFrame:
    names = [fuel for fuel, _, _ in fuels]
    rows = [
        {
            "metric": metric,
            "a": names[0],
            "b": other,
            "chance": 0.97,
            "low": 0.86,
            "high": 0.99,
            "level": 0.95,
            "seed": 1,
        }
        for metric in trial.primary
        for other in names[1:]
    ]
    return table(schema.CHANCES, rows)


def _kinds(metrics: pd.DataFrame, trial: Trial) -> pd.DataFrame:
    kinds = list(dict.fromkeys(fuel.kind for fuel in trial.fuels))
    if len(kinds) < 2:
        return table(schema.KINDS, [])
    return table(
        schema.KINDS,
        [
            {
                "metric": "peak",
                "a": kinds[0],
                "b": kinds[1],
                "scope": "the fuels tested",
                "difference": 24.0,
                "ratio": np.nan,
                "se": 3.0,
                "df": 8,
                "low": 17.1,
                "high": 30.9,
                "p": 0.001,
                "verdict": "different, by more than the margin",
                "spread_within": 11.0,
                "fuels_a": 2,
                "fuels_b": 2,
                "unit": "°C",
                "scale": "plain",
                "level": 0.95,
            }
        ],
    )


def _mean_curves(fuels: Any, n: int) -> pd.DataFrame:
    minutes = np.arange(0, 168, 2.0)
    parts = []
    for place, (fuel, _, _) in enumerate(fuels):
        mean = _curve(place % 4, minutes)
        parts.append(
            pd.DataFrame(
                {
                    "fuel": fuel,
                    "elapsed_s": 60 * minutes,
                    "mean": mean,
                    "low": mean - 5,
                    "high": mean + 5,
                    "band_low": mean - 8,
                    "band_high": mean + 8,
                    "n": n,
                    "level": 0.95,
                }
            )
        )
    return pd.concat(parts, ignore_index=True)


def _difference_curves(fuels: Any, n: int) -> pd.DataFrame:
    minutes = np.arange(0, 168, 2.0)
    parts = []
    for i, (a, _, _) in enumerate(fuels):
        for j, (b, _, _) in enumerate(fuels[i + 1 :], start=i + 1):
            d = _curve(i % 4, minutes) - _curve(j % 4, minutes)
            parts.append(
                pd.DataFrame(
                    {
                        "a": a,
                        "b": b,
                        "elapsed_s": 60 * minutes,
                        "difference": d,
                        "low": d - 5,
                        "high": d + 5,
                        "band_low": d - 8,
                        "band_high": d + 8,
                        "n_a": n,
                        "n_b": n,
                        "level": 0.95,
                    }
                )
            )
    return pd.concat(parts, ignore_index=True)


def _odd(metrics: pd.DataFrame) -> pd.DataFrame:
    rows = metrics[metrics["metric"] == "peak"].reset_index(drop=True)
    residual = np.linspace(-1.8, 1.9, len(rows))
    residual[-1] = -4.6
    return table(
        schema.ODD_BURNS,
        [
            {
                "metric": "peak",
                "burn": row.burn,
                "fuel": row.fuel,
                "value": row.value,
                "expected": row.value - 3 * r,
                "residual": r,
                "p": 0.004 if abs(r) > 4 else 1.0,
                "odd": abs(r) > 4,
                "conditions": "wind 5.1 m/s, its peers 1.2 to 2.4 m/s" if abs(r) > 4 else "",
                "unit": "°C",
            }
            for row, r in zip(rows.itertuples(index=False), residual, strict=True)
        ],
    )


def _influence(comparisons: pd.DataFrame) -> pd.DataFrame:
    row = comparisons.iloc[0]
    value = row.ratio if row.scale == "log" else row.difference
    return table(
        schema.INFLUENCE,
        [
            {
                "metric": row.metric,
                "a": row.a,
                "b": row.b,
                "level_left_out": "burn",
                "left_out": "b05",
                "verdict": row.verdict,
                "verdict_without": "not settled",
                "estimate": value,
                "low": row.low,
                "high": row.high,
                "changes": True,
                "matters": True,
            }
        ],
    )
