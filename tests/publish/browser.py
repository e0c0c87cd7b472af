"""Opens pages in Chromium with the network off and says everything that is wrong with one."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

ARGUMENTS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip
VIEWS = [(width, scheme) for width in (1280, 320) for scheme in ("light", "dark")]
RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}

LOOK = """() => {
  const wrong = [];
  const all = (what) => [...document.querySelectorAll(what)];
  if (all('h1').length !== 1) wrong.push(`${all('h1').length} h1`);
  let last = 0;
  for (const h of all('h1,h2,h3,h4,h5,h6')) {
    const level = Number(h.tagName[1]);
    if (level > last + 1) wrong.push(`h${last} is followed by h${level}: ${h.textContent.slice(0, 40)}`);
    last = level;
  }
  for (const t of all('table')) {
    const name = t.caption ? t.caption.textContent.trim() : '';
    if (!name) wrong.push('a table without a caption');
    for (const th of t.querySelectorAll('th')) if (!th.scope) wrong.push(`a heading without scope in ${name}`);
  }
  for (const svg of all('figure svg')) {
    const words = (svg.getAttribute('aria-labelledby') || '').split(' ').map(i => document.getElementById(i));
    if (svg.getAttribute('role') !== 'img' || words.length !== 2 || words.some(w => !w || w.textContent.length < 3))
      wrong.push(`a drawing without a name and a description: ${svg.outerHTML.slice(0, 80)}`);
    if (!svg.closest('figure').querySelector('figcaption')) wrong.push('a figure without a caption');
  }
  for (const img of all('img')) if (!img.alt) wrong.push('a picture without words');
  const ids = all('[id]').map(e => e.id);
  for (const id of new Set(ids)) if (ids.filter(x => x === id).length > 1) wrong.push(`the id ${id} twice`);
  for (const a of all('a[href^="#"]'))
    if (!document.getElementById(decodeURIComponent(a.hash.slice(1)))) wrong.push(`a link to nowhere: ${a.hash}`);
  if (all('script').length) wrong.push('a script');
  if (document.documentElement.scrollWidth > innerWidth + 1) {
    const wide = all('body *').filter(e => e.getBoundingClientRect().right > innerWidth + 1
      && !e.closest('.scroll, .drawing, pre, .skip, math'));
    wrong.push(`wider than the window (${document.documentElement.scrollWidth} of ${innerWidth}): `
      + wide.slice(0, 3).map(e => e.outerHTML.slice(0, 90)).join(' | '));
  }
  const measure = all('main p').filter(p => p.getClientRects().length).map(p =>
    p.getBoundingClientRect().width / parseFloat(getComputedStyle(p).fontSize));
  if (Math.max(0, ...measure) > 42) wrong.push(`a line of ${Math.max(...measure).toFixed(0)} em`);
  return wrong;
}"""

FOCUS = """() => {
  const style = getComputedStyle(document.activeElement);
  return [document.activeElement.tagName, style.outlineStyle, parseFloat(style.outlineWidth)];
}"""

FOLDED = """() => [...document.querySelectorAll('details')].filter(d => {
  const inside = [...d.children].filter(e => e.tagName !== 'SUMMARY');
  return !d.closest('nav') && inside.some(e => !e.checkVisibility());
}).length"""


PHONE = """() => {
  const box = (e) => e.getBoundingClientRect(), seen = (e) => e.checkVisibility();
  const drawings = [...document.querySelectorAll('#figure-overlay .drawing')].filter(seen);
  const beyond = [...document.querySelectorAll('.scroll caption > span')].filter(
    e => box(e).right > box(e.closest('.scroll')).right + 1);
  return {
    room: document.documentElement.clientWidth, narrow: drawings.map(e => e.classList.contains('narrow')),
    scrolls: drawings.map(e => e.scrollWidth > e.clientWidth), beyond: beyond.map(e => e.textContent),
    type: drawings.map(e => box(e.querySelector('text')).height),
  };
}"""


@contextmanager
def chromium() -> Iterator[Any]:
    """Start a browser whose scrollbars take room, as on most desks."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(
            executable_path="/usr/bin/chromium",
            args=list(ARGUMENTS),
            ignore_default_args=["--hide-scrollbars"],
        )
        yield browser
        browser.close()


def faults_of(browser: Any, path: Path, width: int, scheme: str) -> list[str]:
    """Return everything wrong with a page in one view, in words; empty where nothing is."""
    context = browser.new_context(viewport={"width": width, "height": 900}, color_scheme=scheme, offline=True)
    page = context.new_page()
    page.set_default_timeout(120_000)
    asked: list[str] = []
    said: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: said.append(f"console: {message.text}"))
    page.on("pageerror", lambda error: said.append(f"error: {error}"))
    page.on("dialog", lambda dialog: (said.append("a dialog"), dialog.dismiss()))
    try:
        page.goto(path.as_uri())
        wrong = [*said, *page.evaluate(LOOK), *_axe(page), *_focus(page)]
        page.emulate_media(media="print")
        folded = page.evaluate(FOLDED)
        wrong += [f"{folded} folds closed in print"] if folded else []
        wrong += [f"asked for {url}" for url in asked if url != path.as_uri()]
    finally:
        context.close()
    return wrong


def _axe(page: Any) -> list[str]:
    from axe_playwright_python.sync_playwright import Axe

    found = Axe().run(page, options=RULES).response["violations"]
    return [
        f"axe {each['id']} ({each['impact']}): {each['nodes'][0]['html'][:160]} and {len(each['nodes']) - 1} more"
        for each in found
    ]


def _focus(page: Any) -> list[str]:
    page.keyboard.press("Tab")
    tag, style, width = page.evaluate(FOCUS)
    return [] if tag == "BODY" or (style != "none" and width >= 2) else [f"focus on {tag} cannot be seen"]
