"""How many bags and burns, in what order, on which sheets; simulated burns and whole simulated trials."""

from kit.plan.choosing import Costs, cheapest_split, smallest_design, what_burns_settle
from kit.plan.order import run_order
from kit.plan.planned import Planned, make_plan
from kit.plan.power import Design, chance_of, power_of
from kit.plan.recipes import KINDS, Recipe
from kit.plan.rehearsal import rehearse
from kit.plan.simulated import simulate_trial
from kit.plan.words import plan_words
from kit.plan.writing import plan_run

__all__ = [
    "KINDS",
    "Costs",
    "Design",
    "Planned",
    "Recipe",
    "chance_of",
    "cheapest_split",
    "make_plan",
    "plan_run",
    "plan_words",
    "power_of",
    "rehearse",
    "run_order",
    "simulate_trial",
    "smallest_design",
    "what_burns_settle",
]
