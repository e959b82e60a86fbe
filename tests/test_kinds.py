"""The table of the kinds of part: one row each, nothing left open, every name in it known where it is used."""

import pytest

from optimizer.documents.drawing.symbols import DRAWN
from optimizer.model.kinds import BRANCHES, KINDS, MACHINES, STOPS, Kind, Reuse, Trait, spoken
from optimizer.read.words import kind_at_start


def test_every_kind_has_its_row() -> None:
    assert set(KINDS) == set(Kind)


@pytest.mark.parametrize("kind", list(Kind))
def test_no_cell_of_a_row_is_left_open(kind: Kind) -> None:
    row = KINDS[kind]

    assert row.kind is kind
    assert row.words
    assert row.legend
    assert row.symbol in DRAWN
    assert isinstance(row.reuse, Reuse)
    assert (row.ends > 0) != (kind is Kind.CONSUMABLE)


@pytest.mark.parametrize("kind", list(Kind))
def test_a_part_of_a_run_is_understood_by_each_of_its_words(kind: Kind) -> None:
    synonyms = KINDS[kind].synonyms
    if synonyms is None:
        assert kind_at_start(str(kind)) is None or kind_at_start(str(kind))[0] is not kind  # type: ignore[index]
        return
    for word in (str(kind), *synonyms):
        assert kind_at_start(word) == (kind, "")


def test_no_word_means_two_kinds() -> None:
    words = [word for row in KINDS.values() for word in (str(row.kind), *(row.synonyms or ()))]
    assert len(set(words)) == len(words)
    assert set(spoken()) <= set(words)


@pytest.mark.parametrize("kind", [kind for kind in Kind if KINDS[kind].substitutes])
def test_like_for_like_comes_first_and_what_stands_in_does_the_same_work(kind: Kind) -> None:
    row = KINDS[kind]
    work = {Trait.PIPE, Trait.BEND, Trait.THROTTLE, Trait.CHECK}

    assert row.substitutes[0] is kind
    for other in row.substitutes:
        assert KINDS[other].traits & work == row.traits & work


@pytest.mark.parametrize("kind", list(Kind))
def test_what_stands_in_one_place_is_neither_left_out_nor_kept_by_force_without_a_word(kind: Kind) -> None:
    # a pump, a device, a tee, a cap, a plug stay where they are; a joiner goes with the joint; all else has a stand-in
    row = KINDS[kind]
    stays = kind in MACHINES | BRANCHES | STOPS | {Kind.CONSUMABLE}
    assert stays != bool(row.substitutes or Trait.REMOVABLE in row.traits)
