"""trial.toml to the Trial that the rest of the kit sees: every fault of the file at once, each with its line."""

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import get_origin

from kit.errors import Faults, KitError, did_you_mean
from kit.metrics.measuring import Measuring
from kit.schema import METRIC_BASES, Metric
from kit.trial.cells import QuantityError, parse_difference, parse_percent, parse_threshold, quantity
from kit.trial.decode import fault, read_text, shown
from kit.trial.models import Margin, Trial, TrialFile, threshold_id
from kit.trial.toml_reader import KeyPath, TomlFile

TRIAL = "trial.toml"
ARRAYS = [name for name, field in TrialFile.model_fields.items() if get_origin(field.annotation) is tuple]
"""Tables of which there may be several."""


def read_trial(path: Path, faults: Faults) -> Trial | None:
    """Return the trial, with what could be read of it where there are faults; None where nothing could.

    Faults are gathered in `faults`, with the tables that lost keys to them and a remark on an odd encoding.
    """
    with faults.gathering():
        text, remark = read_text(path, TRIAL)
        if remark:
            faults.note(remark)
        file = TomlFile(TRIAL, text, TrialFile)
        read = file.read()
        trial = _checked(read, file) if read else Trial()
        file.hand_to(faults)
        return trial
    return None


def _checked(file: TrialFile, faults: TomlFile[TrialFile]) -> Trial:
    """Return the trial of a file whose tables were read, noting where they disagree."""
    trial = Trial(
        **vars(file.trial),
        **{table: getattr(file, table) for table in ("charge", "model", "cleaning", "plan")},
        thresholds=file.metrics.thresholds,
        declared=file.metrics.declared,
        measuring=Measuring(**file.metrics.model_dump(include={*Measuring.model_fields}, exclude_unset=True)),
        **{f"{table}s": getattr(file, table) for table in ARRAYS},
    )
    trial = _without_guesses(trial, faults)
    _once(trial, faults)
    _references(trial, faults)
    return _with_metrics(trial, file, faults)


def _without_guesses(trial: Trial, faults: TomlFile[TrialFile]) -> Trial:
    """Return the trial with guessed headings and sheets ('Kanal 1?') taken at their word, and ask for each."""
    loggers = []
    for place, logger in enumerate(trial.loggers):
        columns = {probe: heading.rstrip("? ") or heading for probe, heading in logger.columns.items()}
        for probe in (probe for probe in columns if columns[probe] != logger.columns[probe]):
            words = fault("guessed column", heading=shown(logger.columns[probe]))
            faults.note("ask", ("logger", place, "columns", probe), *words)
        sheet = logger.sheet and (logger.sheet.rstrip("? ") or logger.sheet)
        if sheet != logger.sheet:
            faults.note("ask", ("logger", place, "sheet"), *fault("guessed sheet", sheet=shown(logger.sheet)))
        told = {"columns": columns, "sheet": sheet}
        changed = {key: value for key, value in told.items() if value != getattr(logger, key)}
        loggers.append(logger.model_copy(update=changed))
    return replace(trial, loggers=tuple(loggers))


def repeats(words: Sequence[str]) -> list[tuple[int, int]]:
    """Return the place of each word that stands before it already, and where it stood first; blanks are none."""
    first: dict[str, int] = {}
    again = [place for place, word in enumerate(words) if first.setdefault(word, place) < place and word]
    return [(place, first[words[place]]) for place in again]


def _once(trial: Trial, faults: TomlFile[TrialFile]) -> None:
    """Refuse an id, a pair of fuels, a declared column and a threshold that stand there already."""
    for table in ARRAYS:
        key, items = "name" if table == "cook" else "id", getattr(trial, f"{table}s")
        names = [f"{each.id} of {each.fuel}" if table == "bag" else getattr(each, key) for each in items]
        for place, first in repeats(names):
            where = faults.where((table, first, key))
            faults.refuse((table, place, key), "id twice", name=names[place], where=where)
    for place, _ in repeats([" ".join(sorted(pair)) for pair in trial.pairs]):
        a, b = trial.pairs[place]
        faults.refuse(("trial", "pairs", place), "pair twice", a=a, b=b)
    columns, thresholds = [declared.column for declared in trial.declared], trial.threshold_ids
    for place, _ in repeats(columns):
        faults.refuse(("metrics", "declared", place, "column"), "declared twice", column=columns[place])
    for place, _ in repeats(thresholds):
        faults.refuse(("metrics", "thresholds", place), "threshold twice", threshold=thresholds[place])


def _references(trial: Trial, faults: TomlFile[TrialFile]) -> None:
    """Refuse every word that should be the id of a fuel, a probe or a cook and is none."""
    fuels: dict[KeyPath, str | None] = {("trial", "control_fuel"): trial.control_fuel}
    fuels |= {("bag", n, "fuel"): bag.fuel for n, bag in enumerate(trial.bags)}
    fuels |= {("trial", "pairs", n, k): pair[k] for n, pair in enumerate(trial.pairs) for k in (0, 1)}
    probes: dict[KeyPath, str | None] = {("trial", "probe"): trial.probe}
    probes |= {
        ("logger", n, "columns", id_): id_ for n, each in enumerate(trial.loggers) for id_ in each.columns
    }
    for table, named, items in (("fuel", fuels, trial.fuels), ("probe", probes, trial.probes)):
        known = [each.id for each in items]
        for loc, word in named.items() if known and table not in faults.lost else ():
            if word is not None and word not in known:
                before, hint = " before the =" * (loc[0] == "logger"), did_you_mean(word, known)
                faults.refuse(loc, "unknown id", word=shown(word), table=table, before=before, hint=hint)
    cooks = [cook.name for cook in trial.cooks]
    for place, setting in enumerate(trial.settings if "cook" not in faults.lost else ()):
        if setting.target and setting.target_c is None and setting.target not in cooks:
            hint = did_you_mean(setting.target, cooks) if cooks else "Write the temperature that was held."
            faults.refuse(
                ("setting", place, "target"), "unknown target", target=shown(setting.target), hint=hint
            )


def _with_metrics(trial: Trial, file: TrialFile, faults: TomlFile[TrialFile]) -> Trial:
    """Return the trial with its primary metrics and margins, thresholds in their ids in °C."""
    primary = ["peak"]
    primary += [f"time_above:{threshold_id(min(trial.thresholds))}"] if trial.thresholds else []
    if "primary" in file.metrics.model_fields_set:
        primary = []
        for place, word in enumerate(file.metrics.primary):
            with faults.noting(("metrics", "primary", place)):
                primary.append(_metric_of(trial, word, faults.lost).id)
    margins: dict[str, Margin] = {}
    for word, value in file.margins.items():
        with faults.noting(("margins", word)):
            margin = margin_as_written(_metric_of(trial, word, faults.lost), value)
            if margin.metric in margins:
                raise KitError.refuse(word, *fault("margin twice", metric=margin.metric))
            margins[margin.metric] = margin
    return replace(trial, primary=tuple(primary), margins=margins)


def _metric_of(trial: Trial, word: str, lost: frozenset[str]) -> Metric:
    """Return the metric of an id as written, its threshold in °C; what `lost` tables may hold is not called unknown."""
    stem, at, probe = word.partition("@")
    base, colon, argument = stem.partition(":")
    if argument and base in METRIC_BASES and METRIC_BASES[base].takes == "threshold":
        try:
            celsius = parse_threshold(argument)
        except QuantityError as error:
            raise KitError.refuse(word, error.found, error.expected, f"Write '{base}:110', say.") from None
        argument = threshold_id(celsius)
        if argument not in trial.threshold_ids and "metrics" not in lost:
            known = ", ".join(trial.threshold_ids) or "none"
            words = fault("unknown threshold", word=shown(word), known=known, threshold=argument)
            raise KitError.refuse(word, *words)
    spec = trial.metric(base + colon + argument + at + probe)
    probes, cooks = [each.id for each in trial.probes], [each.name for each in trial.cooks]
    if spec.base == "band" and spec.argument not in cooks and "cook" not in lost:
        hint = did_you_mean(spec.argument, cooks) if cooks else "Declare it: [[cook]] name, low, high."
        raise KitError.refuse(word, *fault("unknown cook", word=shown(spec.argument), hint=hint))
    if spec.probe and probes and spec.probe not in probes and "probe" not in lost:
        hint = did_you_mean(spec.probe, probes)
        raise KitError.refuse(word, *fault("unknown probe after", word=shown(spec.probe), hint=hint))
    return spec


def margin_as_written(spec: Metric, value: object) -> Margin:
    """Return a margin on the scale its metric is analysed on.

    Raises
    ------
    KitError
        Where it cannot be read, or is not above zero.
    """
    where = f"the margin of {spec.id}"
    try:
        if spec.scale == "log":
            size, unit = math.log1p(max(parse_percent(value), -0.5)), "ln"  # Δ = ln 1.10 for 10 %
        elif spec.unit not in ("°C", "K"):
            expected = f'a number of {spec.unit}, as "2 {spec.unit}"' if spec.unit else "a number"
            size, _ = quantity(value, lambda unit: "as is" * (unit in ("", spec.unit)), expected, "as is")
            unit = spec.unit
        elif isinstance(value, str):
            size, unit = parse_difference(value), spec.unit
        else:
            raise QuantityError(value, 'a difference with its unit, as "15 °C" or "27 °F"')
    except QuantityError as error:
        scale = "ratio" if spec.scale == "log" else "difference"
        words = fault("margin", found=error.found, expected=error.expected, metric=spec.id, scale=scale)
        raise KitError.refuse(where, *words) from None
    if not size > 0:
        raise KitError.refuse(where, *fault("no margin", value=shown(value)))
    return Margin(spec.id, value if isinstance(value, str) else f"{value} {spec.unit}".strip(), size, unit)
