"""The exact rank test against enumeration and published data, and Holm's correction by hand."""

from itertools import combinations
from math import comb

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import mannwhitneyu, rankdata

from trayvision.attention.rank_test import holm, rank_sum_p_value


def test_rotarod_whose_ties_packages_disagreed_on() -> None:
    # Bergmann, Ludbrook, Spooren, Am. Stat. 54 (2000) 72 (data and 0.0373 two-sided from memory):
    # of 24 rats on a turning rod 19 stayed the full 300 s, all twelve of one group among them.
    control = [300.0] * 12
    treated = [300.0] * 7 + [18.0, 22.0, 75.0, 163.0, 271.0]
    p_value = rank_sum_p_value(control, treated)
    # Closed form: all of the five low ones fall into one given half.
    assert p_value == pytest.approx(comb(19, 7) / comb(24, 12))
    assert 2 * p_value == pytest.approx(0.0373, abs=5e-5)


tied = st.lists(st.integers(0, 3), min_size=1, max_size=5)


@given(values=tied, others=tied)
def test_it_is_the_share_of_all_orders(values: list[int], others: list[int]) -> None:
    ranks = rankdata([*values, *others])
    sums = [sum(chosen) for chosen in combinations(ranks, len(values))]
    reached = ranks[: len(values)].sum()
    expected = np.mean([one >= reached - 1e-9 for one in sums])
    assert rank_sum_p_value(values, others) == pytest.approx(expected)


@pytest.mark.parametrize("counts", [(4, 9), (9, 4), (12, 60)])
def test_without_ties_it_is_the_exact_mann_whitney_test(counts: tuple[int, int]) -> None:
    drawn = np.random.default_rng(2).normal(size=sum(counts))
    values, others = drawn[: counts[0]], drawn[counts[0] :]
    expected = mannwhitneyu(values, others, alternative="greater", method="exact").pvalue
    assert rank_sum_p_value(list(values), list(others)) == pytest.approx(expected)


def test_of_large_groups_it_is_what_shuffling_gives() -> None:
    rng = np.random.default_rng(3)
    drawn = np.round(rng.normal(size=500), 1)
    drawn[:200] += 0.15
    p_value = rank_sum_p_value(list(drawn[:200]), list(drawn[200:]))
    ranks = rankdata(drawn)
    shuffled = [rng.permutation(ranks)[:200].sum() for _ in range(4000)]
    share = np.mean(np.array(shuffled) >= ranks[:200].sum())
    assert p_value == pytest.approx(share, abs=4 * np.sqrt(share * (1 - share) / 4000))


def test_no_group_is_no_question() -> None:
    with pytest.raises(ValueError, match="must not be empty, got 0 and 1"):
        rank_sum_p_value([], [1.0])


def test_holm_by_hand() -> None:
    # In order 0.005 x 4, 0.01 x 3, 0.03 x 2, 0.04 x 1, none below the one before it.
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx([0.03, 0.06, 0.06, 0.02])
    assert holm([0.7, 0.6]) == [1.0, 1.0]
    assert holm([]) == []
