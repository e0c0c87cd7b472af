"""Cautions for people who burn charcoal: data with an edition, for reports, plans, sheets and the README."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from kit.page.text import Html, element

EDITION: Final = "Cautions, edition 2026-1"


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
        "Burning and cooling charcoal gives off carbon monoxide, which has neither smell nor colour: a "
        "fire without smoke is not a safe one. Never burn it, or put away a cooker that is still warm, "
        "in a house, garage, tent, vehicle or caravan. An open window or a fan does not make that safe.",
        "Outdoors only. Carbon monoxide has no smell; a cooling cooker still gives it off.",
    ),
    Caution(
        "feeling-ill",
        "Feeling ill near a burn",
        "Headache, dizziness or somebody collapsing: get into fresh air at once and call the emergency "
        "services.",
        "Headache or dizziness: into fresh air, call for help.",
    ),
    Caution(
        "place",
        "Where to burn",
        "In the open, on level ground that cannot burn, clear of buildings, roofs, branches and anything "
        "that catches fire (one fire code in force asks for 3 m). Keep children and animals 1 m away at "
        "the very least, and farther from a fuel that throws sparks. Somebody stays with the fire all "
        "the time.",
        "Level bare ground, clear all round; children and animals well away; never unattended.",
    ),
    Caution(
        "lighting",
        "Lighting",
        "No petrol (gasoline), paraffin (kerosene) or spirits. Starter fluid never goes on fuel that is "
        "lit or warm. Do not light in strong wind, and keep to fire bans.",
        "No petrol, paraffin or spirits; no starter fluid on warm fuel; not in strong wind.",
    ),
    Caution(
        "water-and-fat",
        "Water, fat and hot lids",
        "Keep water, sand or a hose ready for what stands around the cooker. Never put water on burning "
        "fat or into a hot cooker: the steam scalds. If fat burns, close the lid and the vents. Open a "
        "sealed hot cooker slowly. Some dense charcoal bursts: warm it slowly and keep your face turned "
        "away.",
        "Water, sand or a hose at hand, never on fat or into the hot cooker. Open lids slowly.",
    ),
    Caution(
        "ash",
        "Ash and leftovers",
        "Treat ash as hot for days. Weigh leftovers and ash only when they are cold right through, and "
        "leave the cell blank if they are not: a schedule is no reason to empty a hot cooker, and a plan "
        "keeps the cooling time free. Then wet the ash in a metal container that stands outdoors.",
        "Ash stays hot for days: weigh it cold or leave the cell blank.",
    ),
    Caution(
        "storage",
        "Storing fuel",
        "Fresh or damp charcoal can heat up by itself. Store it dry, cool and away from buildings.",
    ),
    Caution(
        "hands",
        "Hands, eyes and feet",
        "Gloves, eye protection, closed shoes: probe wires and chimney handles burn too. Cool burned "
        "skin under running water for 20 minutes, and get help if the burn is large, deep, or on face or "
        "hands.",
        "Gloves, eye protection, closed shoes. Burned skin: cool running water, 20 minutes.",
    ),
    Caution(
        "dust-and-food",
        "Dust, additives and food",
        "Sample and sieve outdoors with the wind behind you and a dust mask on. Never burn treated or "
        "painted wood. Fuels with additives must be ashed over in full before food goes on. Eat nothing "
        "that was cooked on a coded charge or touched by a probe not made for food.",
        "Dust mask when sieving. Eat nothing cooked on a coded charge.",
    ),
    Caution(
        "rules",
        "Rules that come first",
        "Local fire codes, fire bans and licensed practice come before anything written here. This "
        "report is no safety certificate and no compliance test.",
        "Local fire rules come first.",
    ),
)


def cautions_html(level: int = 2, title: str = "Cautions") -> Html:
    """Return all cautions as a section with a heading of the given level, edition named."""
    items = (
        element("li", element("strong", f"{each.about}. "), each.text, id=f"caution-{each.key}")
        for each in CAUTIONS
    )
    return element(
        "section",
        element(f"h{level}", title, id="cautions"),
        element("ol", *items, class_="cautions"),
        element("p", f"{EDITION}.", class_="label"),
        aria_labelledby="cautions",
    )


def cautions_markdown(level: int = 2, title: str = "Cautions") -> str:
    """Return all cautions as Markdown, edition named."""
    items = "\n".join(f"{place}. **{each.about}.** {each.text}" for place, each in enumerate(CAUTIONS, 1))
    return f"{'#' * level} {title}\n\n{items}\n\n{EDITION}.\n"


def cautions_short() -> tuple[str, ...]:
    """Return the lines for a burn sheet, one a caution that has one."""
    return tuple(each.short for each in CAUTIONS if each.short)
