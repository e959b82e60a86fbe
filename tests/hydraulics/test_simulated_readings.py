"""Bands after readings, held against simulated owners: how often does the truth lie in what is printed?"""

import pytest
from owners import Answer, answer, owner


def _answers(seeds: range, dial_known: bool | None = None) -> list[tuple[Answer, str]]:
    """Return the answers to owners of every kind in turn: dial stated or not, kinds of parts erring apart or not."""
    found = []
    for seed in seeds:
        known = seed % 2 == 0 if dial_known is None else dial_known
        one = owner(seed, dial_known=known, families_err=seed % 4 < 2)
        if (told := answer(one)) is not None:  # nothing plausible explains the readings: no factors, no band from them
            found.append((told, one.kind))
    return found


@pytest.mark.slow
def test_the_truth_of_a_few_owners_mostly_lies_in_the_band() -> None:
    covered = [held for told, _ in _answers(range(400, 405)) for held in told.covered]

    assert len(covered) >= 4
    assert sum(covered) >= len(covered) // 2  # 8 of 10 expected: fewer than half come by chance once in a hundred


@pytest.mark.slow
def test_the_80_percent_band_of_200_owners_holds_the_truth_in_75_to_88_of_100_and_no_wrong_dial_is_settled() -> None:
    answers = _answers(range(200))
    covered = [held for told, _ in answers for held in told.covered]
    wrong = [told for told, kind in answers if told.settled and told.told not in (None, kind)]

    assert len(answers) >= 170
    assert 0.75 <= sum(covered) / len(covered) <= 0.88
    assert len(wrong) <= 0.01 * len(answers)


@pytest.mark.slow
def test_where_the_dial_is_not_stated_the_band_holds_the_truth_as_often_and_no_wrong_dial_is_settled() -> None:
    # 250 of them: by chance the share of bands that hold is off by 2.6 in 100
    answers = _answers(range(250), dial_known=False)
    covered = [told.covered[0] for told, _ in answers]
    wrong = [told for told, kind in answers if told.settled and told.told not in (None, kind)]

    assert len(answers) >= 220
    assert 0.75 <= sum(covered) / len(covered) <= 0.88
    assert len(wrong) <= 0.01 * len(answers)
