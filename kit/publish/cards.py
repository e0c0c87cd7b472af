"""Cards beside a report: say.md, what may be said of each finding; how-we-know.md, for a doubting viewer."""

from __future__ import annotations

import re
from typing import Any, Final

from kit.page.text import anchor, visible
from kit.publish.claims import Claim, claims_of, findings
from kit.publish.facts import Facts, facts_of
from kit.publish.sayings import NOT_TO_SAY
from kit.publish.wording import counted, counts, label_of

SAY: Final = "say.md"
KNOW: Final = "how-we-know.md"
REPORT: Final = "report.html"


_SIGNS: Final = re.compile(r"([\\`*_\[\]<>#|~$&@]|:(?=//))")


def in_markdown(text: object) -> str:
    """Return text on one line, safe within a line of Markdown and still easy to read aloud as it stands."""
    kept = " ".join(visible(text).splitlines())
    named = {"<": "&lt;", ">": "&gt;", "&": "&amp;"}
    return _SIGNS.sub(lambda sign: named.get(sign[0], f"\\{sign[0]}"), kept)


def cards(analysis: Any) -> dict[str, str]:
    """Return the cards by file name."""
    return {SAY: say_card(analysis), KNOW: how_we_know(analysis)}


def say_card(analysis: Any) -> str:
    """Return say.md: for each finding a sentence, a caption, interval, n, figure, and what not to say."""
    facts = facts_of(analysis)
    told = findings(facts, most=len(facts.table("comparisons")))
    head = f"# What may be said: {in_markdown(facts.trial.title or 'this trial')}"
    warnings = [f"**{in_markdown(text)}**" for text in _warnings(facts)]
    if not told:
        nothing = "There is no finding to say: these burns do not support one."
        return "\n\n".join([head, *warnings, nothing]) + "\n"
    return "\n\n".join([head, *warnings, *(_card(claim, facts) for claim in told)]) + "\n"


def _warnings(facts: Facts) -> list[str]:
    found = []
    if facts.simulated:
        found.append("Simulated: no fuel was burned. Say so first.")
    if facts.interim:
        found.append(f"Interim: {facts.done} of {facts.planned} burns. Say nothing yet.")
    if facts.bare:
        found.append("Single burns: no fuel may be put before another.")
    return found


def _card(claim: Claim, facts: Facts) -> str:
    n = counts(facts.name(claim.a), facts.name(claim.b), claim.n, claim.bags)
    figure, place = anchor(claim.figure), anchor("figure", claim.figure)
    lines = [
        f"## {claim.id}",
        "",
        f"- Say: {in_markdown(claim.say)}",
        f"- Caption: {in_markdown(claim.caption)}",
        f"- Verdict: {in_markdown(claim.verdict)}",
        f"- Interval: {in_markdown(_interval(claim))}",
        f"- n: {in_markdown(n)}",
        f"- Figure: [{figure}]({REPORT}#{place}), figures/{figure}-film-light.png",
        f"- Do not say: {in_markdown(_not_to_say(claim, facts))}",
    ]
    return "\n".join(lines)


def _interval(claim: Claim) -> str:
    percent = f"{100 * claim.level:g} %"
    return f"{claim.interval or claim.number} ({percent})" if claim.interval or claim.number else "none"


def _not_to_say(claim: Claim, facts: Facts) -> str:
    words = [f"'{word}'" for word in NOT_TO_SAY]
    a, b = facts.name(claim.a), facts.name(claim.b)
    if not claim.settled:
        words += [f"'{a} and {b} are the same'", f"'{a} is better'"]
    elif claim.verdict == "the same within the margin":
        words += ["'identical'", "'no difference at all'"]
    elif claim.verdict == "different, but too little to matter":
        words.append("'you will notice it'")
    elif claim.verdict in ("different, size not settled", "different"):
        words.append("'much'")
    else:
        words.append("'every bag'")
    return ", ".join(words)


def how_we_know(analysis: Any) -> str:
    """Return how-we-know.md: three sentences for a doubting viewer, with links."""
    facts = facts_of(analysis)
    title = in_markdown(facts.trial.title or "this trial")
    links = [
        f"- [The report]({REPORT}), with [every burn drawn]({REPORT}#curves), [the "
        f"comparisons]({REPORT}#comparisons) and "
        f"[what it cannot say]({REPORT}#limitations)",
        "- [Every number](results.json)",
        f"- [How it was computed, and the self-check]({REPORT}#method)",
        f"- [How to run it again]({REPORT}#recheck)",
    ]
    sentences = " ".join(map(in_markdown, three_sentences(facts)))
    return f"# How we know: {title}\n\n{sentences}\n\n" + "\n".join(links) + "\n"


def three_sentences(facts: Facts) -> tuple[str, str, str]:
    """Return three sentences: what was done, how differences were judged, how anyone can check."""
    burned = "simulated" if facts.simulated else "burned"
    where = f" in {facts.trial.cooker}" if facts.trial.cooker else ""
    labels = (
        " and ".join(label_of(facts.spec(metric), facts.units) for metric in facts.primary)
        or "what was measured"
    )
    first = (
        f"We {burned} {counted(len(facts.cast), 'fuel')} from {counted(facts.bags, 'bag')}, "
        f"{counted(facts.done, 'burn')} in all{where}, "
        f"and logged {labels}."
    )
    if facts.bare:
        second = "Each fuel was burned once, so we show what we saw and claim no difference."
    elif facts.interim:
        second = "Burns are still to come, so we claim nothing yet."
    else:
        settled = sum(claim.settled for claim in claims_of(facts) if claim.primary)
        second = (
            "A difference counts only where it is larger than what bags and burns of one fuel differ by; "
            f"{counted(settled, 'comparison')} of "
            f"the main measures {'is' if settled == 1 else 'are'} settled that way."
        )
    third = "Raw logs, every number and the program are there to run again, and the report says what it cannot tell."
    return first, second, third
