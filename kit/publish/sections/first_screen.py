"""Section 1: what was asked, and the answer in at most six sentences."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from kit.page.text import Html, anchor, element, escape
from kit.publish.claims import MOST, Claim, claims_of, findings
from kit.publish.drawings.of_values import ladder_drawing, ladder_table, ladder_words
from kit.publish.facts import Facts, facts_of
from kit.publish.looks import earlier_looks
from kit.publish.sections.section import Section, heading, paragraph, section, shown
from kit.publish.wording import counted, label_of, number_word

CHARGES = {"mass": "equal mass", "volume": "equal volume", "full starter": "a full starter each"}


def answer(analysis: Any) -> Section:
    """Return what was asked and the answer: findings with direction, number, interval and n; the ladder."""
    facts = facts_of(analysis)
    ladders = [ladder_drawing(facts, metric) for metric in facts.primary]
    told = answer_sentences(facts)
    parts: list[object] = [
        *warnings(facts),
        paragraph(element("strong", "Asked: "), facts.trial.question or _question(facts)),
        paragraph(_burned(facts)),
        heading("The answer", "the-answer"),
        *(finding_html(claim) for claim in told if isinstance(claim, Claim)),
        *(paragraph(text, kind="finding open") for text in told if isinstance(text, str)),
        paragraph(_key(facts), kind="label") if claims_of(facts) and not facts.bare else None,
    ]
    if any(ladders):
        parts.append(heading("The ladder", "the-ladder"))
        parts.extend(
            _rungs(facts, metric, each) for metric, each in zip(facts.primary, ladders, strict=True) if each
        )
    return section("answer", "What was asked, and the answer", parts, ladders)


def answer_sentences(facts: Facts) -> list[Claim | str]:
    """Return the answer: claims, or bare sentences where no claim can be made; at most six in all."""
    if facts.interim:
        return [_interim(facts)]
    if facts.bare:
        return _single_burns(facts)
    everything = [claim for claim in claims_of(facts) if claim.primary] or claims_of(facts)
    if not everything:
        return [
            "Only one fuel was burned, so there is nothing to compare; its values stand under 'Fuel by fuel'."
        ]
    if len(everything) <= MOST:
        return list(findings(facts, MOST))
    told = findings(facts, MOST - 1)
    return [*told, _rest(everything, told)]


def _interim(facts: Facts) -> str:
    return (
        f"Interim: {facts.done} of {facts.planned} burns are done; verdicts are given when all planned burns are, "
        "since looking early and often finds differences that are not there."
    )


def _single_burns(facts: Facts) -> list[Claim | str]:
    fuels = len(facts.cast)
    each = "Each fuel was burned once" if fuels > 1 else "The fuel was burned once"
    return [
        f"{each}, so nothing here has an error bar.",
        "A difference between two fuels cannot be told from a difference between two burns of one fuel: "
        "these burns put no fuel before another.",
        "The curves and values below are what was seen, once; a second bag and a second burn of each would begin "
        "to show what repeats.",
    ]


def _rest(everything: Sequence[Claim], told: Sequence[Claim]) -> str:
    left = [claim for claim in everything if claim not in told]
    settled = sum(claim.settled for claim in left)
    if settled == len(left):
        verdict = "all are settled"
    elif settled == 0:
        verdict = "none is settled"
    else:
        verb = "is" if settled == 1 else "are"
        verdict = f"{number_word(settled)} {verb} settled, {number_word(len(left) - settled)} not"
    others = counted(len(left), "other comparison")
    return f"Of the {others} of the main measures {verdict}; they stand under 'Comparisons'."


def finding_html(claim: Claim, figure: str = "") -> Html:
    """Return a finding with its number set off, its id as anchor, and a link to its figure or the one named."""
    before, number, after = (
        claim.sentence.partition(claim.number) if claim.number else (claim.sentence, "", "")
    )
    marked = element("span", number, class_="number") if number else None
    kind = "finding" if claim.settled else "finding open"
    link = element(
        "a",
        "figure",
        href=f"#{anchor('figure', figure or claim.figure)}",
        aria_label=f"Figure of: {claim.caption}",
    )
    return element("p", before, marked, after, " ", link, class_=kind, id=claim.id)


def _key(facts: Facts) -> str:
    table = facts.table("comparisons")
    several = int(table.groupby("metric").size().max()) > 1
    over = "They are wide enough to hold for all comparisons of one measure at once. " if several else ""
    counts, of = ("burns and bags", "these bags") if facts.bags else ("burns", "these burns")
    return (
        f"Numbers after a colon are {facts.percent} intervals: what differences these burns fit. {over}"
        f"n counts {counts}, never readings. The answer holds for this cooker, {of} and these days."
    )


def _question(facts: Facts) -> str:
    labels = [label_of(facts.spec(metric), facts.units) for metric in facts.primary]
    names = [player.name for player in facts.cast]
    of = f" of {', '.join(names[:-1])} and {names[-1]}" if len(names) > 1 else ""
    return f"how {' and '.join(labels) or 'the burns'}{of} compare (the trial file asks nothing in words)."


def _burned(facts: Facts) -> str:
    trial = facts.trial
    days = int(facts.table("metrics")["day"].replace("", None).nunique())
    counts = (
        f"{counted(len(facts.cast), 'fuel')}, {counted(facts.bags, 'bag')}, {counted(facts.done, 'burn')}"
    )
    parts = [counts[:1].upper() + counts[1:] + (f" on {counted(days, 'day')}" if days else "")]
    if facts.setting:
        parts.append(f"Compared are the {counted(len(facts.compared), 'burn')} at setting '{facts.setting}'")
    if trial.cooker:
        parts.append(f"Cooker: {trial.cooker}")
    if trial.charge.model_fields_set:
        parts.append(f"Charges of {CHARGES[trial.charge.by]}")
    if trial.control_fuel:
        parts.append(f"Control fuel: {facts.name(trial.control_fuel)}")
    return ". ".join(parts) + "."


def warnings(facts: Facts) -> list[Html]:
    """Return what must be known before anything is read: simulated, interim, single burns, earlier looks."""
    found = []
    if facts.simulated:
        found.append("Simulated: no fuel was burned for this report; every reading comes from a computer.")
    if facts.interim:
        found.append(f"Interim: {facts.done} of {facts.planned} burns. No verdicts are given yet.")
    if facts.bare:
        found.append(
            "Single burns: no fuel was burned twice. This report can show what was seen; it cannot say which fuel is "
            "hotter, longer or steadier, nor by how much, nor what another bag would do."
        )
    elif facts.borrowed:
        found.append(
            "Error bars here rest on repeatability borrowed from elsewhere, not on these burns alone."
        )
    found.extend(_looks(facts))
    return [element("div", element("p", text), class_="warning") for text in found]


def _looks(facts: Facts) -> list[str]:
    looks = earlier_looks(facts.analysis.run.folder)
    beyond = int((facts.table("deviations")["what"] == "burn beyond the plan").sum())
    if facts.interim or not looks + beyond:
        return []
    planned = len(facts.trial.plan.stages)
    again = (
        f"{counted(looks, 'earlier report').capitalize()} of this folder looked at other states of these data"
        if looks
        else "Burns were added beyond the plan"
    )
    extended = (
        f"; extended after looking by {counted(beyond, 'burn')} beyond the plan" if looks and beyond else ""
    )
    allowed = (
        " The looks were planned, and the intervals are wider for it."
        if planned > 1 and not beyond
        else (
            " Looking again after adding burns finds differences that are not there more often than the "
            "intervals say."
        )
    )
    return [f"{again}{extended}.{allowed}"]


def _rungs(facts: Facts, metric: str, drawing: Any) -> Html:
    words = ladder_words(facts, ladder_table(facts, metric))
    label = label_of(facts.spec(metric), facts.units)
    return Html(
        paragraph(element("strong", f"{label[:1].upper()}{label[1:]}. "), words) + escape(shown(drawing))
    )
