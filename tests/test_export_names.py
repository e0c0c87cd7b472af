"""What names of exports tell of burns, and names for what is made of them."""

import pytest

from kit.export_names import Guess, burn_ids, guessed, listed_fuels, safe_names


@pytest.mark.parametrize(
    ("names", "guesses"),
    [
        (["OliveBag2-run3.csv"], [Guess("olive", "2", "3")]),
        (["alder b1 r2.csv", "oak b1 r2.csv"], [Guess("alder", "1", "2"), Guess("oak", "1", "2")]),
        (["2026-05-14.csv"], [Guess()]),
        (["oak_bag2_run1.txt", "coco_bag1_run2.txt"], [Guess("oak", "2", "1"), Guess("coco", "1", "2")]),
        (["Oak Bag-3.csv", "Coco Bag-1.csv"], [Guess("oak", "3", ""), Guess("coco", "1", "")]),
        (["oak-bagA-1.csv", "coco_bag_B.csv"], [Guess("oak", "A", ""), Guess("coco", "B", "")]),
        (
            ["oak 400g bag 1.csv", "coco_bag2_1200 gram.csv"],
            [Guess("oak", "1", "", "400"), Guess("coco", "2", "", "1200")],
        ),
        (["oak 5kg 24 g.csv", "coco 10 kg 1,5 g.csv"], [Guess("oak"), Guess("coco")]),
    ],
)
def test_bags_and_burns_are_told_by_the_number_behind_their_word(names, guesses):
    assert guessed(names) == guesses


def test_a_name_lists_fuels_only_where_there_are_as_many_as_fires():
    assert listed_fuels("day 1 alder_olive oak.csv", 3) == ["alder", "olive", "oak"]
    assert listed_fuels("day 1 alder olive.csv", 3) == []


def test_names_that_collide_or_part_cells_are_changed():
    assert safe_names(["a.csv", "A.csv", "b;c.csv", "", "x\ny.csv"]) == [
        "a.csv",
        "A-2.csv",
        "b-c.csv",
        "log",
        "x-y.csv",
    ]
    assert burn_ids(["a.csv", "a.txt"]) == ["a", "a-2"]


@pytest.mark.parametrize(
    ("names", "fuels"),
    [
        (["alder1.csv", "alder2.csv", "oak1.csv"], ["alder", "alder", "oak"]),
        (["grill_alder.csv", "grill_oak.csv"], ["alder", "oak"]),
        (["log1.csv", "log2.csv"], ["", ""]),
        (["alder_1.csv", "alder_2.csv"], ["alder", "alder"]),
        (["OliveBriquette-run3.csv"], ["olive-briquette"]),
        (["Bûche n°2.csv", "chêne.csv"], ["bûche", "chêne"]),
        ([], []),
    ],
)
def test_fuels_are_guessed_from_what_tells_files_apart(names, fuels):
    assert [guess.fuel for guess in guessed(names)] == fuels
