"""How it was measured, in words, from the trial file and what the logs showed."""

from __future__ import annotations

from kit.page.numbers import plain
from kit.publish.facts import Facts
from kit.publish.wording import counted, threshold_words

ZERO = {"lit": "the fuel was lit", "tipped": "the lit fuel was tipped in", "lid on": "the lid was put on"}
BASIS = {
    "mass": "equal mass",
    "volume": "equal volume",
    "full starter": "one full starter",
}


def measured_lines(facts: Facts) -> list[str]:
    """Return paragraphs on fuels, charges, burns, probes, time zero and stop rule."""
    return [_burns(facts), _charge(facts), _probes(facts), _timing(facts), _smoothing(facts)]


def _burns(facts: Facts) -> str:
    trial = facts.trial
    where = f" in {trial.cooker}" if trial.cooker else ""
    who = f" by {trial.operator}" if trial.operator else ""
    days = facts.table("metrics")["day"].replace("", None).nunique()
    on = f" on {counted(int(days), 'day')}" if days else ""
    made = "were simulated" if facts.simulated else "were made"
    return (
        f"{counted(facts.done, 'burn').capitalize()} of {counted(len(facts.cast), 'fuel')} from "
        f"{counted(facts.bags, 'bag')} "
        f"{made}{where}{who}{on}. A burn is one charge, lit, logged and left to burn down; it is what is "
        "counted, not the reading."
    )


def _charge(facts: Facts) -> str:
    charge = facts.trial.charge
    if not charge.model_fields_set:
        return "The trial file does not say what was equal between charges, so no basis of comparison is claimed."
    amount = ""
    if charge.grams:
        amount = f", {plain(charge.grams, 0)} g"
        amount += f" within {plain(charge.tolerance_g, 0)} g" if charge.tolerance_g else ""
    elif charge.litres:
        amount = f", {plain(charge.litres, 1)} L"
    return (
        f"Fuels were compared at {BASIS[charge.by]}{amount}. The result holds for this basis: dense and "
        "light fuels fill a "
        "starter differently, and charges of another basis, other settings and other cookers are never pooled."
    )


def _probes(facts: Facts) -> str:
    trial = facts.trial
    spans = facts.table("spans")
    told = []
    for probe in dict.fromkeys(spans["probe"]) if len(spans) else []:
        found = trial.find_probe(str(probe))
        place = f" {found.place}" if found and found.place else ""
        grade = f", class {found.tolerance_class}" if found and found.tolerance_class else ""
        every = spans.loc[spans["probe"] == probe, "interval_s"].astype(float).median()
        step = f", read every {plain(every, 0 if every >= 2 else 1)} s" if every == every else ""
        told.append(f"{probe}{place}{grade}{step}")
    if not told:
        return "Temperatures were not logged."
    main = f" The main probe is {trial.main_probe}." if trial.main_probe and len(told) > 1 else ""
    return f"Temperature was logged by {counted(len(told), 'probe')}: {'; '.join(told)}.{main}"


def _timing(facts: Facts) -> str:
    trial = facts.trial
    stop = f" The stop rule: {trial.stop_rule}." if trial.stop_rule else " No stop rule was written down."
    levels = [threshold_words(level, facts.units) for level in trial.thresholds]
    listed = f" Thresholds: {', '.join(levels)}." if levels else ""
    return f"Time is counted from when {ZERO[trial.time_zero]}.{stop}{listed}"


def _smoothing(facts: Facts) -> str:
    how = facts.trial.measuring
    return (
        f"The peak is the highest value of the curve after a running median over {plain(how.median_s, 0)} "
        "s and a running mean over "
        f"{plain(how.mean_s, 0)} s. A threshold counts as reached once it is held for "
        f"{plain(how.hold_min, 0)} min. Times above a "
        "threshold are summed along straight lines between readings; dips under "
        f"{plain(how.bridge_min, 0)} min do not end a "
        "spell. What a burn did not reach, or what its log does not show, is never replaced by a number: "
        "it is a bound."
    )
