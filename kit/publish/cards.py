"""Cards beside a report: say.md, what may be said of each finding; how-we-know.md, for a doubting reader."""

from __future__ import annotations

from typing import Any, Final

from kit.page.sentence_parts import told_each
from kit.page.text import anchor, escape_markdown
from kit.publish.claims import NOT_TO_SAY, Claim, all_claims, claims_of, counts_in, findings
from kit.publish.report_data import ReportData, report_data
from kit.publish.wording import Count, called, counts_of_two, paragraph_of, sentences_of, words

REPORT: Final = "report.html"


def cards(analysis: Any) -> dict[str, str]:
    """Return the cards by file name."""
    return {"say.md": say_card(analysis), "how-we-know.md": how_we_know(analysis)}


def say_card(analysis: Any) -> str:
    """Return say.md: for each settled finding a sentence, a caption, interval, n, figure, and what not to say."""
    data = report_data(analysis)
    pairs, best = claims_of(data), [claim for claim in all_claims(data) if claim.kind != "pair"]
    ordered = dict.fromkeys([*best, *findings(data, len(pairs)), *pairs])
    told = [claim for claim in ordered if claim.settled]
    head = f"# What may be said: {escape_markdown(data.trial.title or 'this trial')}"
    first = [f"**{escape_markdown(text)}**" for text in sentences_of("say_first", data=data)]
    left = 0 if data.bare else sum(not claim.settled for claim in pairs)
    rest = sentences_of("say_last", data=data, told=told, left=left, comparisons=len(pairs))
    return "\n\n".join([head, *first, *(_card(claim, data) for claim in told), *rest]) + "\n"


def _card(claim: Claim, data: ReportData) -> str:
    said = [f"'{word}'" for word in (*NOT_TO_SAY, *["another bag"] * bool(data.these_bags))]
    said.append(called("not_to_say", claim.verdict if claim.kind == "pair" else claim.kind, "'every bag'"))
    n, a, b = counts_in(claim, data), data.name(claim.a), data.name(claim.b)
    texts = {
        "say": claim.say,
        "caption": claim.caption,
        "verdict": claim.verdict,
        "interval": f"{claim.interval or 'none'} ({100 * claim.level:g} %)",
        "n": counts_of_two(a, b, n) if claim.kind == "pair" else n[0].of(a),
        "not_to_say": ", ".join(said),
    }
    file, page = anchor(claim.figure), "appendix.html" if claim.kind == "value" else REPORT
    figure = f"[{file}]({page}#{anchor('figure', claim.figure)}), figures/{file}-film-light.png"
    drawn = bool(claim.figure) and (claim.kind == "value" or claim.metric in data.primary)
    return paragraph_of(
        "card",
        id=claim.id,
        figure=figure if drawn else "none; see [the tables](appendix.html#comparison-tables)",
        **{name: escape_markdown(text) for name, text in texts.items()},
    )


def how_we_know(analysis: Any) -> str:
    """Return how-we-know.md: three sentences for a doubting reader, with links."""
    data = report_data(analysis)
    title = escape_markdown(data.trial.title or "this trial")
    sentences = " ".join(map(escape_markdown, three_sentences(data)))
    links = "\n".join(told_each(words()["know_links"], {"data": data}))
    return f"# How we know: {title}\n\n{sentences}\n\n{links}\n"


def three_sentences(data: ReportData) -> list[str]:
    """Return three sentences: what was done, how differences were judged, how anyone can check."""
    primary = [claim for claim in claims_of(data) if claim.primary]
    parts = {
        "burned": "simulated" if data.simulated else "burned",
        "n": Count(*(sum(each) for each in zip(Count(), *data.burned.values(), strict=True))),
        "where": f" (cooker: {data.trial.cooker})" if data.trial.cooker else "",
        "measures": [data.label(metric) for metric in data.primary] or "what was logged",
        "spread": f"burns of {data.these_bags}" if data.these_bags else "bags and burns of one fuel",
        "settled": sum(claim.settled for claim in primary),
        "comparisons": primary,
    }
    return sentences_of("know", data=data, **parts)
