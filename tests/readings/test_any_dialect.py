"""Any table in any mixture of dialects reads back, or is asked about; broken files end in the kit's own error alone.

A short run of what `make fuzz` does at length.
"""

import pytest

from tests.fuzz import mutate, roundtrip
from tests.sampled import sampled


@pytest.mark.parametrize("first", sampled([0], [100, 200, 300]))
def test_what_was_written_is_read_back(first):
    counts = roundtrip.run(100, 5_000_000 + first)
    assert counts[roundtrip.WRONG] == counts[roundtrip.CRASHED] == 0
    assert counts[roundtrip.RIGHT] + counts[roundtrip.ASKED] >= 98


@pytest.mark.parametrize("first", sampled([0], [200, 400]))
def test_broken_files_are_read_or_refused_in_words(first):
    counts = mutate.run(200, 6_000_000 + first)
    assert set(counts) <= {"read", "refused or asked", "TOO MUCH MEMORY"} and not counts["TOO MUCH MEMORY"]
