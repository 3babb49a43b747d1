"""An exact rank test that takes ties as they are, and p-values of several questions at once."""

from collections.abc import Sequence

import numpy as np
from scipy.stats import mannwhitneyu, rankdata

# Additions beyond which all ways are no longer gone through: some 0.2 s, of groups of 60 and more.
_MOST_ADDITIONS = 10**8


def rank_sum_p_value(values: Sequence[float], others: Sequence[float]) -> float:
    """Probability by chance alone of ranks as high as these values have among all.

    Wilcoxon's rank sum with mid-ranks, one-sided, over all ways to share the ranks out: the
    distribution is that of the ranks at hand, ties included. Without ties it is the exact
    Mann-Whitney test. Worked out by the shift algorithm: B. Streitberg, J. Röhmel, Statistical
    Software Newsletter 12 (1986) 10 (from memory). Of groups too large for that, the normal
    distribution with the variance of tied ranks (`scipy.stats.mannwhitneyu`).

    Parameters
    ----------
    values : sequence of float
        Those asked about.
    others : sequence of float
        What they are compared with.

    Returns
    -------
    float

    Raises
    ------
    ValueError
        If either is empty.
    """
    counts = len(values), len(others)
    if not all(counts):
        raise ValueError(f"values and others must not be empty, got {counts[0]} and {counts[1]}")
    # Twice the mid-ranks are whole numbers. Few high ranks are as rare as the many low ones left.
    ranks = np.rint(2 * rankdata([*values, *others])).astype(int)
    if counts[0] > counts[1]:
        ranks = 2 * (len(ranks) + 1) - np.roll(ranks, counts[1])
    few = min(counts)
    most = int(np.sort(ranks)[-few:].sum())
    if few * most * len(ranks) > _MOST_ADDITIONS:
        asymptotic = mannwhitneyu(values, others, alternative="greater", method="asymptotic")
        return float(asymptotic.pvalue)
    # Of each number of ranks (rows) and each sum of theirs (columns): in how many ways.
    ways = np.zeros((few + 1, most + 1))
    ways[0, 0] = 1.0
    for rank in ranks:
        ways[1:, rank:] += ways[:-1, :-rank].copy()
    return float(ways[-1, ranks[:few].sum() :].sum() / ways[-1].sum())


def holm(p_values: Sequence[float]) -> list[float]:
    """P-values corrected for asking several questions, in their order, each at most 1.

    Which of them stay below some level is then right but for that share of all rooms, however
    many are asked and however they hang together. S. Holm, Scand. J. Statist. 6 (1979) 65.

    Parameters
    ----------
    p_values : sequence of float
        One per question.

    Returns
    -------
    list of float
    """
    corrected, largest = [0.0] * len(p_values), 0.0
    for place, index in enumerate(np.argsort(p_values, kind="stable")):
        largest = max(largest, min(1.0, (len(p_values) - place) * p_values[index]))
        corrected[index] = largest
    return corrected
