"""From fitted models to judgements: means, differences, verdicts, ladders, next bag, odd burns, curves."""
