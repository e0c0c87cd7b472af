"""How each metric is talked about: its record's phrases (`kit.metrics`)."""

from __future__ import annotations

from kit.metrics import Metric, Phrases


def possessed(text: str, *names: str) -> str:
    """Return text in which a name that ends in s takes its apostrophe alone."""
    for name in names:
        if name.endswith("s"):
            text = text.replace(f"{name}'s", f"{name}'")
    return text


def phrase_of(spec: Metric) -> Phrases:
    """Return the phrases of a metric."""
    return spec.phrases
