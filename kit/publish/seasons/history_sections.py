"""The sections of a history, in the order of its page."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from kit.history import History, MetricHistory
from kit.history.comparability import BY_CONTROL, DIRECTLY, NOT, main_probe
from kit.history.control_chart import FALSE_ALARMS, LEVEL_RULES, RULES
from kit.history.history import OF_COOKER, OF_PROBE
from kit.page.html_tables import Col, table
from kit.page.shown_numbers import plain
from kit.page.text import Html
from kit.publish.provenance import trace
from kit.publish.seasons.history_figures import chart_drawing, control_drawing
from kit.publish.seasons.history_tables import seasons_table, tables_of
from kit.publish.seasons.history_words import change_words, clause_words, label, reach_words, units_of
from kit.publish.sections.endmatter import inputs_html, versions_html
from kit.publish.sections.section import Section, bullets, folded, heading, paragraph, section
from kit.publish.wording import capital, counted, label_of, number_word


def seasons_sections(history: History, place: str, reports: list[str], output: str = "") -> list[Section]:
    """Return every section of the page: answer, chart, drift, repeatability, fuels, seasons, method, provenance."""
    return [
        answer(history),
        control(history),
        drift(history),
        repeatability(history),
        again_section(history),
        fuels(history),
        differently(history),
        method(),
        provenance(place, reports, output),
    ]


def answer(history: History) -> Section:
    """Return the findings in plain words."""
    table_ = seasons_table(history)
    burns = int(table_["burns"].sum())
    first = min(filter(None, table_["first_day"]), default="")
    days = f", from {first} to {table_['last_day'].max()}" if first else ""
    found = f"{counted(len(table_), 'season').capitalize()}, {counted(burns, 'burn')}{days}."
    told = [_level(each, history) for each in history.metrics.values()]
    told += [_changed(each, history) for each in history.metrics.values()]
    told.append(_how_many(history))
    simulated = [each.name for each in history.seasons if each.simulated]
    warning = f"Simulated burns: {', '.join(simulated)}. They show how a history reads and say nothing of real fuels."
    parts: list[object] = [paragraph(warning, kind="warning") if simulated else None]
    parts += [paragraph(found), bullets([line for line in told if line])]
    parts += [
        paragraph(f"{name} has no history: {why}.", kind="label") for name, why in history.without.items()
    ]
    return section("answer", "What holds across the seasons", parts)


def _level(found: MetricHistory, history: History) -> str:
    units = units_of(history)
    name = label_of(found.spec, units)
    if found.chart is None:
        return f"{capital(name)}: no control fuel was burned, so nobody can tell whether the level moved."
    rows = found.chart.signals
    strong = rows[rows["rule"].isin(LEVEL_RULES)]
    if not len(strong):
        days = len(rows)
        also = f", though {counted(days, 'day')} lay beyond the limits" if days else ""
        over = counted(len(found.seasons), "season")
        reach = ""
        if len(found.chart.drift):
            row = found.chart.drift.iloc[0]
            told = reach_words(row["change"], row["low"], row["high"], found.spec, units)
            reach = f"; from the first to the last, {told} remains possible"
        return f"{capital(name)} of the control fuel: no change shown over {over}{also}{reach}."
    first = strong.iloc[0]
    size = change_words(first["size"], first["low"], first["high"], found.spec, units)
    return f"{capital(name)} of the control fuel moved ({RULES[first['rule']]}; {first['where']}): {size}."


def _changed(found: MetricHistory, history: History) -> str:
    units = units_of(history)
    rows = found.again[found.again["verdict"].str.startswith("different")]
    named = [
        clause_words(
            f"{row.fuel} in {row.season}",
            "in its earlier seasons",
            row.change,
            row.low,
            row.high,
            found.spec,
            units,
        )
        for row in rows.itertuples(index=False)
    ]
    return f"{capital('; '.join(named))}." if named else ""


def _how_many(history: History) -> str:
    found = next(iter(history.metrics.values()))
    counts = found.standing["standing"].value_counts()
    parts = [
        f"{number_word(int(counts[standing]))} {standing}"
        for standing in (DIRECTLY, BY_CONTROL, NOT)
        if counts.get(standing, 0)
    ]
    name = label_of(found.spec, units_of(history))
    return f"Of {counted(len(found.standing), 'fuel')} ever tested, for {name}: {', '.join(parts)}."


def control(history: History) -> Section:
    """Return the control charts with their signals and rules."""
    drawings = [chart_drawing(history, each) for each in history.metrics.values()]
    signals = tables_of(history)["signals"]
    parts: list[object] = [
        paragraph(
            "The control fuel is the same in every season. Where it moves, it is not the fuels that changed but "
            "probe, cooker, weather, or the lot of the control fuel itself."
        ),
        *drawings,
        *([_signals_table(history)] if len(signals) else []),
        *([paragraph("No chart shows a signal.")] if any(drawings) and not len(signals) else []),
        heading("The rules", "rules"),
        bullets(_rule_lines(history)),
        paragraph(
            f"Together: where nothing changed, {plain(100 * FALSE_ALARMS, 0)} of 100 such charts show any signal; "
            "what two rules see together counts once. Several charts on one page raise that."
        ),
    ]
    if not any(drawings):
        parts.insert(0, paragraph("No control fuel was burned: there is no chart. Name one in [trial]."))
    return section("control", "The control fuel over the seasons", parts)


def _rule_lines(history: History) -> list[str]:
    found = next((each for each in history.metrics.values() if each.chart), None)
    if found is None or found.chart is None:
        return []
    chart = found.chart
    first = f"The limits of the chart of {label_of(found.spec, units_of(history))}; those of the others are made alike."
    lines = [
        f"{capital(words)}: beyond {plain(chart.limits.limits[rule], 2)} standard errors; false alarms of this rule "
        f"alone: {plain(100 * chart.limits.rates[rule], 1)} % of steady charts."
        for rule, words in RULES.items()
        if rule in chart.limits.limits
    ]
    return [first, *lines]


def _signals_table(history: History) -> Html:
    import pandas as pd

    units = units_of(history)
    rows = [
        {
            "metric": label(found, units),
            "rule": RULES[row.rule],
            "where": row.where,
            "size": change_words(row.size, row.low, row.high, found.spec, units),
        }
        for found in history.metrics.values()
        if found.chart is not None
        for row in found.chart.signals.itertuples(index=False)
    ]
    columns = [
        Col("metric", "Measure", kind="head"),
        Col("rule", "Rule"),
        Col("where", "Where"),
        Col("size", "How far"),
    ]
    return table(pd.DataFrame(rows), "Signals", columns, note="How far: against the rest of the chart.")


def drift(history: History) -> Section:
    """Return drift of probe and cooker."""
    parts: list[object] = [
        paragraph(
            "A straight line through the control fuel's seasons. A probe that drifts moves temperatures and leaves "
            "the burn rate, which no thermometer touches; a cooker that draws differently moves both."
        )
    ]
    lines = [_drift_line(each, history) for each in history.metrics.values()]
    parts += [bullets([line for line in lines if line]), paragraph(_blame(history)), _probe_checks(history)]
    return section("drift", "Drift of probe and cooker", parts)


def _probe_checks(history: History) -> Html | None:
    """Return what the main probe read in ice and in boiling water, season by season; None where never checked."""
    import pandas as pd

    probes = [(season.name, main_probe(season)) for season in history.seasons]
    rows = [(name, *(probe.get(key) for key in ("id", "ice_reads", "boil_reads"))) for name, probe in probes]
    made = pd.DataFrame(rows, columns=["season", "probe", "ice", "boil"])
    if not made[["ice", "boil"]].notna().any(axis=None):
        return None
    columns = [
        Col("season", "Season", kind="head"),
        Col("probe", "probe"),
        Col("ice", "in ice", unit="°C", kind="number", decimals=1),
        Col("boil", "in boiling water", unit="°C", kind="number", decimals=1),
    ]
    note = "As written in each trial file. Readings were corrected by it; a probe that wanders here needs replacing."
    return table(made.astype({"ice": float, "boil": float}), "The probe's own checks", columns,
                 units=units_of(history), note=note)  # fmt: skip


def _drift_line(found: MetricHistory, history: History) -> str:
    units = units_of(history)
    if found.chart is None or not len(found.chart.drift):
        return f"{label(found, units)}: a drift needs a control fuel in at least three seasons."
    row = found.chart.drift.iloc[0]
    if row["signal"]:
        size = change_words(row["change"], row["low"], row["high"], found.spec, units)
        return f"{label(found, units)}: from the first to the last season {size}. This is a signal."
    reach = reach_words(row["change"], row["low"], row["high"], found.spec, units)
    return f"{label(found, units)}: no signal; from the first to the last season {reach} remains possible."


def _blame(history: History) -> str:
    moved = {name: _moved(history.metrics.get(name)) for name in (OF_PROBE, OF_COOKER)}
    if moved[OF_PROBE] is None or moved[OF_COOKER] is None:
        return "Probe and cooker cannot be told apart: that takes peak temperature and burn rate of a control fuel."
    if moved[OF_PROBE] and not moved[OF_COOKER]:
        return (
            "Peak temperature moved and burn rate shows no change: look at the probe and its place first, and "
            "check it in ice and boiling water."
        )
    if moved[OF_COOKER]:
        return "The burn rate moved: look at the cooker (vents, seals, rust) and at the control fuel's lot first."
    return "Neither peak temperature nor burn rate of the control fuel shows a signal."


def _moved(found: MetricHistory | None) -> bool | None:
    if found is None or found.chart is None:
        return None
    return found.chart.moved


def repeatability(history: History) -> Section:
    """Return pooled repeatability with degrees of freedom, and how to borrow it."""
    rows = tables_of(history)["components"]
    units = units_of(history)
    if not len(rows):
        return section("repeatability", "Pooled repeatability", [paragraph("Nothing can be pooled.")])
    log = rows["unit"] == "ln"
    made = rows.assign(
        label=[label(history.metrics[name], units) for name in rows["metric"]],
        unit=["%" if each else unit for each, unit in zip(log, rows["unit"], strict=True)],
        **{name: rows[name].where(~log, 100 * rows[name]) for name in ("sd", "low", "high")},
    )
    columns = [
        Col("component", "Between", kind="head"),
        Col("sd", "spread", kind="number", decimals=2),
        Col("low", "from", kind="number", decimals=2),
        Col("high", "to", kind="number", decimals=2),
        Col("unit", "unit"),
        Col("df", "degrees of freedom", kind="number", decimals=1),
    ]
    note = "Spread: standard deviation, with its 95 % interval. Bag, day and burn within fuels and seasons."
    parts = [
        table(
            made, "Spread of bags, days and burns, all seasons together", columns, note=note, group="label"
        ),
        paragraph(
            'A trial of single burns measured in the same way may borrow these: borrow_from = [".."] under [model] '
            "of a run folder that stands beside these."
        ),
    ]
    bounds = {label(each, units): each.bounds for each in history.metrics.values() if each.bounds}
    if bounds:
        told = "; ".join(f"{name}: {count}" for name, count in bounds.items())
        parts.append(paragraph(f"Burns left out because only a bound of them is known. {told}."))
    return section("repeatability", "Pooled repeatability", parts)


def fuels(history: History) -> Section:
    """Return all fuels ever tested with intervals, their standing, and a sentence to say."""
    units, parts, drawings = units_of(history), [], []
    standing = tables_of(history)["standing"]
    for name, found in history.metrics.items():
        drawing = control_drawing(history, found)
        drawings.append(drawing)
        rows = standing[standing["metric"] == name]
        columns = [
            Col("fuel", "Fuel", kind="head"),
            Col("standing", "Comparable?"),
            Col("why", "because"),
            Col("seasons", "seasons", kind="number", decimals=0),
            Col("say", "To say in public"),
        ]
        held = "is" if found.spread.known else "could not be estimated and is not"
        note = f"Intervals: 95 %, each fuel for itself; the spread from season to season {held} in them."
        if found.chart is not None and found.chart.moved:
            note += f" The level moved over the seasons, so values of their own come from {found.reference} alone."
        parts += [
            heading(label(found, units), f"fuels-{name}"),
            drawing,
            table(rows, f"All fuels ever tested: {label_of(found.spec, units)}", columns, note=note),
        ]
    return section("fuels", "All fuels ever tested", parts)


def differently(history: History) -> Section:
    """Return the seasons, and which differences keep some of them out."""
    columns = [
        Col("season", "Season", kind="head"),
        Col("first_day", "first day"),
        Col("last_day", "last day"),
        Col("burns", "burns", kind="number", decimals=0),
        Col("fuels", "fuels", kind="number", decimals=0),
        Col("control", "control fuel"),
    ]
    reasons: dict[str, list[str]] = {}
    for found in history.metrics.values():
        for season, why in found.why_not.items():
            told = f"{season} is not pooled with {found.reference}: {'; '.join(why)}."
            reasons.setdefault(told, []).append(label(found, units_of(history)))
    parts: list[object] = [table(seasons_table(history), "Seasons", columns)]
    parts.append(
        bullets([f"{', '.join(names)}: {told}" for told, names in reasons.items()])
        or paragraph("All seasons were measured in the same way.")
    )
    others = [each for each in history.seasons if each.left_out]
    parts += [
        paragraph(
            f"{each.name}: {counted(each.left_out, 'burn')} at another cooker or setting left out: never pooled."
        )
        for each in others
    ]
    return section("seasons", "What was measured differently", parts)


def method() -> Section:
    """Return how a history is computed, with sources."""
    return section(
        "method",
        "How it was computed",
        [
            paragraph(
                "Read from the newest report of each run folder; no raw log was read again. In each season every fuel "
                "has a mean of its own; the spreads of bags, days and burns are taken to be the same in all seasons "
                "and estimated from all at once by restricted maximum likelihood (Patterson and Thompson 1971), with "
                "degrees of freedom by Satterthwaite (1946)."
            ),
            paragraph(
                "The control chart follows Shewhart (1931) and ISO 7870-2, with limits set for the chart as a whole: "
                "its false alarms are shared among the rules, by drawing 20,000 charts of these very seasons in which "
                "nothing changed (seed 1)."
            ),
            paragraph(
                "A fuel's mean over seasons is the plain mean of its season means. The spread from season to season, "
                "beyond bags, days and burns, is estimated by moments from all fuels that came again (DerSimonian and "
                "Laird 1986), on one degree of freedom less than there are seasons."
            ),
        ],
    )


def provenance(place: str, reports: list[str], output: str) -> Section:
    """Return which results were read, with hashes, and versions."""
    parameters: Mapping[str, object] = {"reports": reports}
    origin = trace(Path(place), parameters, output)
    parts: list[object] = [
        paragraph(f"Report id {origin.report_id}: made of the results and the versions below."),
        folded("Results read, sizes and SHA-256", inputs_html(origin)),
        folded("Versions", versions_html(origin)),
    ]
    return section("provenance", "Provenance", parts)


def again_section(history: History) -> Section:
    """Return for each metric the fuels that came again, their change and its verdict."""
    parts: list[object] = [
        paragraph(
            "The newest season of each fuel against the mean of its earlier ones; where a control fuel was burned "
            "along, both as differences from it, so that a drift of probe or cooker is not taken for a change "
            "of the fuel."
        )
    ]
    found = [_of(each, history) for each in history.metrics.values() if len(each.again)]
    parts += [part for each in found for part in each]
    if not found:
        parts = [paragraph("No fuel beside the control came again in seasons measured alike.")]
    return section("again", "Fuels tested again: did the product change?", parts)


def _of(found: MetricHistory, history: History) -> list[object]:
    units = units_of(history)
    rows = found.again.assign(
        told=[
            change_words(row.change, row.low, row.high, found.spec, units)
            if row.low > 0 or row.high < 0
            else reach_words(row.change, row.low, row.high, found.spec, units)
            for row in found.again.itertuples(index=False)
        ]
    )
    columns = [
        Col("fuel", "Fuel", kind="head"),
        Col("season", "newest season"),
        Col("seasons", "seasons", kind="number", decimals=0),
        Col("told", "change"),
        Col("verdict", "verdict"),
    ]
    note = "95 % intervals, simultaneous over the fuels. 'Not settled' is not 'the same'."
    name = label(found, units)
    return [
        heading(name, f"again-{found.spec.id}"),
        table(rows, f"{name}: fuels tested again", columns, note=note),
    ]
