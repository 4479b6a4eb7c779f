"""How sure a restore test makes one: sample sizes, and upper bounds on what is bad, all exact and one-sided.

Two kinds of sample, two statements, and each covers what it says and no more.

**Files, each counting once.** ``n`` of ``N`` files are drawn without replacement, every set of ``n`` as likely as any
other. With ``K`` bad ones among the ``N``, the number found is hypergeometric:

    P(0 found) = C(N - K, n) / C(N, n)

``sample_size`` is the smallest ``n`` for which that is at most 5 % with the fewest bad files that the statement denies,
``K = ceil(share * N)``. ``most_bad`` is the largest ``K`` that a result does not reject: P(at most k found | K) > 5 %
(Wright, *Exact Confidence Bounds when Sampling from Small Finite Universes*, Springer 1991). For zero found in ``n`` of
very many it comes to about ``3 / n`` (Hanley and Lippman-Hand, "If nothing goes wrong, is everything all right?", JAMA
1983;249:1743-1745).

**Bytes.** Drawn are single bytes, each draw independent and any byte of the drive as likely as any other; the whole
file that holds it is restored. So a file is drawn with a probability proportional to its size, and a file that fails
counts with all of its bytes, whatever few of them are wrong: with the share ``p`` of bytes lying in bad files, the
number of draws that meet one is binomial,

    P(0 met) = (1 - p) ** n

and ``upper_share`` is the bound of Clopper and Pearson (Biometrika 1934;26:404-413). Auditors know this as
monetary-unit sampling with a tainting of 100 % (Leslie, Teitlebaum and Anderson, *Dollar-Unit Sampling*, 1979).

**Cut short.** What is drawn is restored in the order of the draw, nothing is passed over, and the first that is not
finished ends the sample. Then a statement after zero failures stays right wherever the time ran out: it is wrong only
if the first ``m`` draws were all good, where ``m`` is the fewest for which that is said, and that has a probability of
at most 5 % whenever one stops. With a failure among them that argument does not hold; the bound then takes every
planned draw that was not finished for a failure, which can only make it larger.

**What was not drawn blindly** (the largest file, some of last night's, some of every kind) takes no part in either.
"""

from __future__ import annotations

import math
from fractions import Fraction

CONFIDENCE = 0.95

# Halvings of [0, 1] down to the last bit of a float.
_HALVINGS = 60


def fewest_denied(population: int, share: float) -> int:
    """The fewest bad files that "fewer than ``share`` of ``population``" denies: ceil(share * population), at least 1.

    In whole numbers: in floats, 7 % of 100 is more than 7.
    """
    return max(1, math.ceil(Fraction(share).limit_denominator(10**9) * population))


def chance_of_none(population: int, bad: int, drawn: int) -> float:
    """P(0 bad among ``drawn`` of ``population`` without replacement, ``bad`` of which are bad)."""
    return math.exp(_log_none(population, bad, drawn))


def _log_none(population: int, bad: int, drawn: int) -> float:
    if drawn > population - bad:
        return -math.inf
    # C(N - K, n) / C(N, n) is symmetric in K and n: the fewer factors.
    fewer, more = sorted((bad, drawn))
    return math.fsum(math.log1p(-more / (population - at)) for at in range(fewer))


def sample_size(population: int, share: float, confidence: float = CONFIDENCE) -> int:
    """How many of ``population`` files to draw, so that none bad among them denies ``share`` of bad ones and more.

    Args:
        population: how many there are; 0 gives 0.
        share: above 0.0, up to 1.0.
        confidence: above 0.0, below 1.0.
    """
    if population <= 0:
        return 0
    bad = fewest_denied(population, share)
    allowed = 1 - confidence
    # So many and one more cannot miss them; and with replacement it would take more.
    low, high = 1, min(population - bad + 1, draws(bad / population, confidence))
    while low < high:
        middle = (low + high) // 2
        if chance_of_none(population, bad, middle) <= allowed:
            high = middle
        else:
            low = middle + 1
    return low


def draws(share: float, confidence: float = CONFIDENCE) -> int:
    """How many independent draws deny ``share`` after no failure: the smallest n with (1 - share) ** n <= 5 %."""
    if share >= 1:
        return 1
    allowed = math.log(1 - confidence)
    # Rounded at the ninth decimal: a quotient that is a whole number may come out a trifle above it.
    return max(1, math.ceil(round(allowed / math.log1p(-share), 9)))


def most_bad(population: int, drawn: int, found: int, confidence: float = CONFIDENCE) -> int:
    """The most bad files there can be, at this confidence, after ``found`` bad ones among ``drawn``.

    With probability ``confidence`` or more, no more than that are bad. Raises ``ValueError`` for counts that cannot be.
    """
    if not 0 <= found <= drawn <= population:
        raise ValueError(f"{found} bad of {drawn} drawn of {population} cannot be")
    allowed = 1 - confidence
    low, high = found, population - (drawn - found)
    while low < high:  # the chance of so few falls as there are more
        middle = (low + high + 1) // 2
        if _chance_of_at_most(population, middle, drawn, found) > allowed:
            low = middle
        else:
            high = middle - 1
    return low


def _chance_of_at_most(population: int, bad: int, drawn: int, found: int) -> float:
    """P(at most ``found`` bad ones are among the drawn). In logarithms: single terms can be far below a float."""
    good = population - bad
    least = max(0, drawn - good)
    if found < least:
        return 0.0
    if least == 0:
        log_term = _log_none(population, bad, drawn)
    else:  # every good one is among the drawn
        log_term = math.fsum(math.log((drawn - at) / (population - at)) for at in range(good))
    terms = [log_term]
    for at in range(least, min(found, bad, drawn)):
        log_term += math.log((bad - at) * (drawn - at)) - math.log((at + 1) * (good - drawn + at + 1))
        terms.append(log_term)
    return min(1.0, _sum_of_logs(terms))


def upper_share(drawn: int, found: int, confidence: float = CONFIDENCE) -> float:
    """The largest share, at this confidence, after ``found`` failures in ``drawn`` independent draws.

    Clopper and Pearson's exact bound, one-sided: the share at which so few failures have a chance of 5 %. 1.0 where
    nothing was drawn.
    """
    if not 0 <= found <= drawn:
        raise ValueError(f"{found} failures in {drawn} draws cannot be")
    if found == drawn:
        return 1.0
    if found == 0:
        return -math.expm1(math.log(1 - confidence) / drawn)
    low, high = found / drawn, 1.0
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        if _binomial_at_most(drawn, middle, found) > 1 - confidence:
            low = middle
        else:
            high = middle
    return high


def _binomial_at_most(drawn: int, share: float, found: int) -> float:
    if share >= 1:
        return 0.0
    odds = math.log(share) - math.log1p(-share)
    log_term = drawn * math.log1p(-share)
    terms = [log_term]
    for at in range(found):
        log_term += math.log((drawn - at) / (at + 1)) + odds
        terms.append(log_term)
    return min(1.0, _sum_of_logs(terms))


def _sum_of_logs(terms: list[float]) -> float:
    largest = max(terms)
    if largest == -math.inf:
        return 0.0
    return math.exp(largest) * math.fsum(math.exp(term - largest) for term in terms)
