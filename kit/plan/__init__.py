"""How many bags and burns, in what order, on which sheets; simulated burns and whole simulated trials."""

from kit.plan.choosing import Costs, cheapest_split, smallest_design, what_burns_settle
from kit.plan.order import run_order
from kit.plan.planned import Planned, make_plan
from kit.plan.power import Design, chance_of, power_of
from kit.plan.recipes import KINDS, Recipe
from kit.plan.rehearsal import rehearse
from kit.plan.simulated import simulate_trial
from kit.plan.tables import alternatives_html, calendar_html, chances_html, lines_html, settles_html
from kit.plan.words import (
    alternative_lines,
    chance_lines,
    design_lines,
    plan_words,
    settles_lines,
    split_line,
)
from kit.plan.writing import plan_run

__all__ = [
    "KINDS",
    "Costs",
    "Design",
    "Planned",
    "Recipe",
    "alternative_lines",
    "alternatives_html",
    "calendar_html",
    "chance_lines",
    "chance_of",
    "chances_html",
    "cheapest_split",
    "design_lines",
    "lines_html",
    "make_plan",
    "plan_run",
    "plan_words",
    "power_of",
    "rehearse",
    "run_order",
    "settles_html",
    "settles_lines",
    "simulate_trial",
    "smallest_design",
    "split_line",
    "what_burns_settle",
]
