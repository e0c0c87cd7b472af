"""Section 3: fuel by fuel, with bags and burns visible, conditions and what was paid."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from kit.page.tables import Col, table
from kit.page.text import Html
from kit.publish.drawings.of_values import values_drawing
from kit.publish.facts import Facts, facts_of
from kit.publish.limits import limits_table
from kit.publish.price import price_metric
from kit.publish.sections.scored import scores_html
from kit.publish.sections.section import Section, bullets, folded, heading, paragraph, section, shown
from kit.publish.wording import label_of, row_places

if TYPE_CHECKING:
    import pandas as pd


def fuels(analysis: Any) -> Section:
    """Return each fuel's values with error bars, bags and burns inside, conditions, price and ash."""
    facts = facts_of(analysis)
    drawn = [*facts.primary, *_also_drawn(facts)]
    drawings = [values_drawing(facts, metric) for metric in drawn if _has_values(facts, metric)]
    others = [metric for metric in facts.metrics if metric not in facts.primary]
    parts = [
        paragraph(
            "A mean is over bags first, so that a bag burned more often does not count for more. "
            "Error bars here are each fuel's own; whether two fuels differ is judged under 'Comparisons'."
        ),
        *(shown(drawing) for drawing in drawings),
        *(means_table(facts, metric) for metric in facts.primary),
        folded("Tables of the other measures", *(means_table(facts, metric) for metric in others)),
        *_bounds(facts),
        *scores_html(facts),
        heading("Conditions, price and charge", "conditions"),
        conditions_table(facts),
        declared_table(facts),
        limits_table(facts),
    ]
    return section("fuels", "Fuel by fuel", parts, drawings)


def _also_drawn(facts: Facts) -> list[str]:
    """Return the cost that break-even prices rest on, else the first cost measured, and the ash."""
    costs = [metric for metric in facts.metrics if metric.startswith("cost:")]
    chosen = price_metric(facts)
    first = [chosen] if chosen in costs else costs[:1]
    return [metric for metric in (*first, "ash") if metric in facts.metrics and metric not in facts.primary]


def _has_values(facts: Facts, metric: str) -> bool:
    return bool(facts.values_of(metric)["value"].notna().any())


def means_table(facts: Facts, metric: str, fuels: tuple[str, ...] = ()) -> Html | None:
    """Return the table of a metric's means with intervals and n, or None where it has none."""
    rows = facts.in_order(facts.rows("means", metric))
    rows = rows[rows["fuel"].isin(fuels)] if fuels else rows
    if not len(rows):
        return None
    spec = facts.spec(metric)
    label = label_of(spec, facts.units)
    kind = "geometric mean" if spec.scale == "log" else "mean"
    bags = rows["bags"].where(rows["bags"] > 0)
    made = rows.assign(name=[facts.name(fuel) for fuel in rows["fuel"]], bags=bags)
    decimals = row_places(rows)
    columns = [
        Col("name", "Fuel", kind="head"),
        Col("mean", kind, unit=spec.unit, kind="number", decimals=decimals),
        Col("low", "from", unit=spec.unit, kind="number", decimals=decimals),
        Col("high", "to", unit=spec.unit, kind="number", decimals=decimals),
        Col("n", "burns", kind="number", decimals=0),
        Col("bags", "bags", kind="number", decimals=0),
    ]
    note = f"From and to: {facts.percent} interval of each mean, each fuel for itself."
    return table(made, f"{label[:1].upper()}{label[1:]}", columns, units=facts.units, note=note)


KNOWN_AS = {
    "at least": "only a lower bound is known of",
    "at most": "only an upper bound is known of",
    "never": "burned to the end and never reached",
}


def _bounds(facts: Facts) -> list[Html | None]:
    metrics = facts.table("metrics")
    grouped: dict[tuple[str, str, tuple[str, ...]], list[str]] = {}
    for (metric, fuel, status), rows in metrics.groupby(["metric", "fuel", "status"], sort=False):
        if status in KNOWN_AS:
            key = (str(fuel), str(status), tuple(map(str, rows["burn"])))
            grouped.setdefault(key, []).append(label_of(facts.spec(str(metric)), facts.units))
    told = [
        f"{facts.name(fuel)}, {'burn' if len(burns) == 1 else 'burns'} {', '.join(burns)}: {KNOWN_AS[status]} "
        f"{', '.join(labels)}."
        for (fuel, status, burns), labels in grouped.items()
    ]
    if not told:
        return []
    return [heading("Bounds and what was never reached", "bounds"), bullets(told), _reached(facts)]


def _reached(facts: Facts) -> Html | None:
    rows = facts.in_order(facts.table("reached"))
    short = set(rows.loc[rows["reached"] < rows["n"], "metric"])
    rows = rows[rows["metric"].isin(short)]
    if not len(rows):
        return None
    made = rows.assign(
        name=[facts.name(fuel) for fuel in rows["fuel"]],
        label=[
            label_of(facts.spec(metric), facts.units).removeprefix("time to ") for metric in rows["metric"]
        ],
        **{name: 100 * rows[name] for name in ("share", "low", "high")},
    )
    columns = [
        Col("name", "Fuel", kind="head"),
        Col("reached", "reached", kind="number", decimals=0),
        Col("n", "of burns", kind="number", decimals=0),
        *(
            Col(name, words, unit="%", kind="number", decimals=0)
            for name, words in (("share", "share"), ("low", "from"), ("high", "to"))
        ),
    ]
    note = (
        f"From and to: exact {facts.percent} interval. Times to a temperature are compared only between "
        "fuels whose burns "
        "all reached it: never is not the same as later."
    )
    return table(made, "Burns that reached a temperature", columns, note=note, group="label")


NOT_NOTED = float("nan")
CONDITIONS = (
    ("charge_g", "charge", "g"),
    ("ambient_c", "air", "°C"),
    ("wind_m_s", "wind", "m/s"),
    ("humidity_pct", "humidity", "%"),
)


def conditions_of(facts: Facts, fuels: tuple[str, ...] = ()) -> pd.DataFrame:
    """Return burns, bags, days and the mean recorded conditions of each fuel."""
    import pandas as pd

    sheet = facts.sheet[facts.sheet["burn"].isin(facts.compared)]
    rows = []
    for player in facts.cast.only(fuels) if fuels else facts.cast:
        own = sheet[sheet["fuel"] == player.id]
        row = {"fuel": player.name, "burns": len(own), "bags": facts.bags_of(player.id) or NOT_NOTED}
        row["days"] = own["day"].replace("", None).nunique() or NOT_NOTED if "day" in own else NOT_NOTED
        for name, _, _ in CONDITIONS:
            row[name] = pd.to_numeric(own[name], errors="coerce").mean() if name in own else float("nan")
        rows.append(row)
    return pd.DataFrame(rows)


def conditions_table(facts: Facts, fuels: tuple[str, ...] = ()) -> Html:
    """Return the table of conditions, fuels side by side."""
    rows = conditions_of(facts, fuels)
    recorded = [(name, words, unit) for name, words, unit in CONDITIONS if rows[name].notna().any()]
    columns = [Col("fuel", "Fuel", kind="head")]
    columns += [Col(name, name, kind="number", decimals=0) for name in ("burns", "bags", "days")]
    columns += [Col(name, words, unit=unit, kind="number") for name, words, unit in recorded]
    note = "Means over the burns that are compared. Fuels burned under unlike conditions are hard to compare."
    return table(rows, "Burns and their conditions", columns, units=facts.units, note=note)


def declared_table(facts: Facts) -> Html | None:
    """Return what the trial file declares of each fuel: kind, wood, additives, price, laboratory figures."""
    import pandas as pd

    rows = [
        {
            "name": fuel.label,
            "kind": fuel.kind,
            "brand": fuel.brand,
            "wood": fuel.wood,
            "additives": fuel.additives,
            "price": fuel.price,
            "bag_kg": fuel.bag_kg,
            "obtained": fuel.obtained,
            "moisture": fuel.lab.moisture,
            "lab_ash": fuel.lab.ash,
            "fixed_carbon": fuel.lab.fixed_carbon,
            "method": fuel.lab.method,
        }
        for fuel in facts.trial.fuels
        if fuel.id in {player.id for player in facts.cast}
    ]
    if not rows:
        return None
    frame = pd.DataFrame(rows)
    wanted = [
        Col("kind", "kind"),
        Col("brand", "brand"),
        Col("wood", "wood"),
        Col("additives", "additives"),
        Col("price", "price a bag", unit=facts.trial.currency, kind="number", decimals=2),
        Col("bag_kg", "bag", unit="kg", kind="number", decimals=1),
        Col("obtained", "obtained"),
        Col("moisture", "moisture", unit="%", kind="number", decimals=1),
        Col("lab_ash", "ash, laboratory", unit="%", kind="number", decimals=1),
        Col("fixed_carbon", "fixed carbon", unit="%", kind="number", decimals=1),
        Col("method", "laboratory method"),
    ]
    kept = [col for col in wanted if frame[col.name].replace("", None).notna().any()]
    note = (
        "As declared in the trial file. Ash from a laboratory's furnace and ash from the cooker's pan differ."
    )
    return table(
        frame,
        "What is declared of the fuels",
        [Col("name", "Fuel", kind="head"), *kept],
        units=facts.units,
        note=note,
    )
