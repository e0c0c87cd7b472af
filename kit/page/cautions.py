"""Cautions for people who burn charcoal: data with an edition, for reports, plans, sheets and the README."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from kit.page.text import Html, element, join

EDITION: Final = "Cautions, edition 2026-2"


@dataclass(frozen=True)
class Caution:
    """One caution: a key, what it is about, the whole of it, and a line for a burn sheet ('' for none)."""

    key: str
    about: str
    text: str
    short: str = ""


CAUTIONS: Final = (
    Caution(
        "carbon-monoxide",
        "Carbon monoxide",
        "Burning and cooling charcoal gives off carbon monoxide, which has neither smell nor colour: smoke, "
        "or none, says nothing of it. Never burn it in a house, garage, shed, tent, awning, porch, balcony, "
        "boat, vehicle or caravan, or beside an open window, and never put a cooker away there that is still "
        "warm. Stay upwind. In rain the cooker is never moved under a roof. An open window or a fan does not "
        "make it safe.",
        "Outdoors only, upwind, never under a roof: carbon monoxide has no smell, and a cooling cooker gives it off.",
    ),
    Caution(
        "feeling-ill",
        "Feeling ill near a burn",
        "Headache, dizziness, nausea, confusion or somebody collapsing: get into fresh air at once and call "
        "the emergency services.",
        "Headache, dizziness, nausea: fresh air, emergency call.",
    ),
    Caution(
        "place",
        "Where to burn",
        "In the open, on level ground that cannot burn, at least 3 m (10 ft) clear of buildings, overhangs, "
        "branches and anything that burns, and more where local rules ask for it. Keep children and animals "
        "1 m away at the very least, farther from a fuel that throws sparks. Never leave the fire unattended.",
        "Level bare ground, 3 m (10 ft) clear; children and animals well away; never unattended.",
    ),
    Caution(
        "lighting",
        "Lighting",
        "No petrol (gasoline), paraffin (kerosene) or spirits. Starter fluid never goes on fuel that is lit or "
        "warm. Do not light in strong wind; obey fire bans. Tip a lit chimney slowly, away from you, with the "
        "wind behind you. No galvanised or unknown drum as a cooker. Keep cables and batteries clear of heat "
        "and rain.",
        "No petrol, paraffin or spirits; nothing on warm fuel; not in strong wind.",
    ),
    Caution(
        "water-and-fat",
        "Water, fat and hot lids",
        "Keep water, sand or a hose ready in case anything around the cooker catches fire: never water on fat "
        "or into a hot cooker, for the steam scalds. If fat burns, close the lid and the vents. Open a sealed "
        "hot cooker slowly. Some dense charcoal bursts: heat it slowly and face away.",
        "Water or sand for the surroundings, never on fat or into the hot cooker. Open lids slowly.",
    ),
    Caution(
        "ash",
        "Ash and leftovers",
        "Treat ash as hot for days. Weigh leftovers and ash only when they are cold right through, and leave "
        "the cell blank if they are not: hot ash is never emptied to keep a schedule, and a plan reserves the "
        "cooling time. Then a lidded metal container outdoors on stone, away from buildings, wetted; wet ash "
        "is caustic. Leftover fuel can light again: store it apart, outdoors.",
        "Ash stays hot for days: weigh it cold right through or leave the cell blank.",
    ),
    Caution(
        "storage",
        "Storing fuel",
        "Fresh or damp charcoal can heat up by itself. Store it dry, cool and away from buildings.",
    ),
    Caution(
        "hands",
        "Hands, eyes and feet",
        "Gloves, eye protection, closed shoes: probe wires and chimney handles burn too. Cool burned skin "
        "under cool running water for 20 minutes, and get help if the burn is large, deep, or on face or hands.",
        "Gloves, eye protection, closed shoes. Burned skin: cool running water, 20 minutes.",
    ),
    Caution(
        "dust-and-food",
        "Dust, additives, smoke and food",
        "Sample and sieve outdoors, upwind, in a dust mask. No treated or painted wood. Fuels with additives "
        "must be fully ashed over before food goes on. Eat nothing cooked on a coded charge or touched by a "
        "probe not made for food: taste is scored only of fuels sold for cooking, fully ashed over, by a cook "
        "who knows what burns. Smoke is scored from upwind.",
        "Dust mask when sieving. Score smoke from upwind. Eat nothing cooked on a coded charge.",
    ),
    Caution(
        "rules",
        "Rules that come first",
        "Local fire codes, fire bans and licensed practice come before anything written here. This report is "
        "not a safety certificate or a compliance test.",
        "Local fire rules come first.",
    ),
)


def cautions_html(level: int = 2, title: str = "Cautions") -> Html:
    """Return all cautions as a section with a heading of the given level, edition named."""
    key = "cautions"
    heading = element(f"h{level}", title, id=key)
    return element("section", heading, cautions_list(), aria_labelledby=key)


def cautions_list() -> Html:
    """Return all cautions as a numbered list, edition named."""
    items = (
        element("li", element("strong", f"{each.about}. "), each.text, id=f"caution-{each.key}")
        for each in CAUTIONS
    )
    return join([element("ol", *items, class_="cautions"), element("p", f"{EDITION}.", class_="label")])


def cautions_markdown(level: int = 2, title: str = "Cautions") -> str:
    """Return all cautions as Markdown, edition named."""
    items = "\n".join(f"{place}. **{each.about}.** {each.text}" for place, each in enumerate(CAUTIONS, 1))
    return f"{'#' * level} {title}\n\n{items}\n\n{EDITION}.\n"


def cautions_short() -> tuple[str, ...]:
    """Return the lines for a burn sheet, one a caution that has one."""
    return tuple(each.short for each in CAUTIONS if each.short)
