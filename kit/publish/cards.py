"""Cards beside a report: say.md, what may be said of each finding; how-we-know.md, for a doubting reader."""

from __future__ import annotations

from typing import Any, Final

from kit.page.text import anchor, escape_markdown
from kit.publish.claims import NOT_TO_SAY, Claim, all_claims, claims_of, findings
from kit.publish.report_data import ReportData, report_data
from kit.publish.wording import capital, counted, counts, listed

SAY: Final = "say.md"
KNOW: Final = "how-we-know.md"
REPORT: Final = "report.html"
NOT_ALSO: Final = {
    "the same within the margin": ("'identical'", "'no difference at all'"),
    "different, but too little to matter": ("'you will notice it'",),
    "different, size not settled": ("'much'",),
    "different": ("'much'",),
}
"""What no sentence may add to a verdict; to the others 'every bag'."""


def cards(analysis: Any) -> dict[str, str]:
    """Return the cards by file name."""
    return {SAY: say_card(analysis), KNOW: how_we_know(analysis)}


def say_card(analysis: Any) -> str:
    """Return say.md: for each settled finding a sentence, a caption, interval, n, figure, and what not to say."""
    data = report_data(analysis)
    claims = [claim for claim in all_claims(data) if claim.kind != "pair" and claim.settled]
    pairs = [claim for claim in findings(data, len(claims_of(data))) if claim.settled]
    others = [claim for claim in claims_of(data) if claim.settled and claim not in pairs]
    told = [*claims, *pairs, *others]
    head = f"# What may be said: {escape_markdown(data.trial.title or 'this trial')}"
    warnings = {
        "Simulated: no fuel was burned. Say so first.": data.simulated,
        f"Interim: {data.done} of {data.planned} burns. Say nothing yet.": data.interim,
        "Single burns: no fuel may be put before another.": data.bare,
    }
    first = [f"**{escape_markdown(text)}**" for text, holds in warnings.items() if holds]
    blocks = [_card(claim, data) for claim in told] or [
        "There is no finding to say: these burns do not support one."
    ]
    left = sum(not claim.settled for claim in claims_of(data))
    comparisons = counted(len(claims_of(data)), "comparison")
    rest = [f"Not settled, so nothing to say of them: {left} of {comparisons}."] if left else []
    return "\n\n".join([head, *first, *blocks, *rest]) + "\n"


def _card(claim: Claim, data: ReportData) -> str:
    n = (
        counts(data.name(claim.a), data.name(claim.b), claim.n, claim.bags)
        if claim.b
        else f"{counted(claim.n[0], 'burn')} of {data.name(claim.a)}"
        + (f" from {counted(claim.bags[0], 'bag')}" if claim.bags[0] else "")
    )
    figure, place = anchor(claim.figure), anchor("figure", claim.figure)
    page = "appendix.html" if claim.kind == "value" else REPORT
    drawn = bool(claim.figure) and (claim.kind == "value" or claim.metric in data.primary)
    lines = {
        "Say": escape_markdown(claim.say),
        "Caption": escape_markdown(claim.caption),
        "Verdict": escape_markdown(claim.verdict),
        "Interval": escape_markdown(f"{claim.interval or 'none'} ({100 * claim.level:g} %)"),
        "n": escape_markdown(n),
        "Figure": f"[{figure}]({page}#{place}), figures/{figure}-film-light.png"
        if drawn
        else "none; see [the tables](appendix.html#comparison-tables)",
        "Do not say": escape_markdown(", ".join(_not_to_say(claim, data))),
    }
    return "\n".join([f"## {claim.id}", "", *(f"- {name}: {text}" for name, text in lines.items())])


def _not_to_say(claim: Claim, data: ReportData) -> list[str]:
    words = [f"'{word}'" for word in (*NOT_TO_SAY, *(["another bag"] if data.these_bags else []))]
    if claim.kind != "pair":
        return [*words, "'the best of all'", "'every bag'"]
    return [*words, *NOT_ALSO.get(claim.verdict, ("'every bag'",))]


def how_we_know(analysis: Any) -> str:
    """Return how-we-know.md: three sentences for a doubting reader, with links."""
    data = report_data(analysis)
    title = escape_markdown(data.trial.title or "this trial")
    links = [
        f"- [The report]({REPORT}), with [every burn drawn]({REPORT}#curves), [the "
        f"comparisons]({REPORT}#comparisons) and [what it cannot say]({REPORT}#limitations)",
        "- [Every number](results.json), and [every table](appendix.html)",
        f"- [How it was computed, and the self-check]({REPORT}#method)",
        f"- [How to run it again]({REPORT}#recheck)",
    ]
    sentences = " ".join(map(escape_markdown, three_sentences(data)))
    return f"# How we know: {title}\n\n{sentences}\n\n" + "\n".join(links) + "\n"


def three_sentences(data: ReportData) -> tuple[str, str, str]:
    """Return three sentences: what was done, how differences were judged, how anyone can check."""
    burned = "simulated" if data.simulated else "burned"
    labels = listed([data.label(metric) for metric in data.primary]) or "what was logged"
    bags = f" from {counted(data.bags, 'bag')}" if data.bags else ""
    where = f" (cooker: {data.trial.cooker})" if data.trial.cooker else ""
    first = (
        f"We {burned} {counted(len(data.cast), 'fuel')}{bags}, {counted(data.done, 'burn')} in all{where}, and "
        "measured "
        f"{labels}."
    )
    if data.bare:
        second = "Each fuel was burned once, so we show what we saw and claim no difference."
    elif data.interim:
        second = "Burns are still to come, so we claim nothing yet."
    else:
        primary = [claim for claim in claims_of(data) if claim.primary]
        settled = sum(claim.settled for claim in primary)
        spread = f"burns of {data.these_bags}" if data.these_bags else "bags and burns of one fuel"
        second = (
            f"A difference counts only where it is larger than what {spread} differ by; "
            f"{settled} of {counted(len(primary), 'comparison')} of primary measures "
            f"{'is' if settled == 1 else 'are'} settled that way."
        )
    third = "Raw logs, every number and the program are there to run again, and the report says what it cannot tell."
    return capital(first), second, third
