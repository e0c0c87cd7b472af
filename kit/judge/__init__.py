"""From fitted models to judgements: means, differences, verdicts, ladders, next bag, odd burns, curves."""

from kit.judge.comparisons import best_fuels, compare_fuels, fuel_means, fuels_differ
from kit.judge.next_bag import Chance, chance_better, next_bag

__all__ = ["Chance", "best_fuels", "chance_better", "compare_fuels", "fuel_means", "fuels_differ", "next_bag"]
