"""How many bags and burns, in what order, on which sheets; simulated burns and whole simulated trials."""

from kit.plan import sentences
from kit.plan.burning import KINDS, Recipe
from kit.plan.planned import Planned, make_plan, plan_run
from kit.plan.power import Design, chance_of, power_of
from kit.plan.schedule import run_order
from kit.plan.simulated import rehearse, simulate_trial

__all__ = [
    "KINDS", "Design", "Planned", "Recipe", "chance_of", "make_plan", "plan_run", "power_of", "rehearse", "run_order",
    "sentences", "simulate_trial",
]  # fmt: skip
