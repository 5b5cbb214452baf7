"""How many records to look at, which ones, and what the faults found among them say of all of them.

A population of ``N`` records holds an unknown number of faults. ``n`` of them are drawn without putting any
back, so that the number of faults found follows the hypergeometric distribution. Where each site is drawn
from by itself, it is a sum of such numbers, and how the faults lie among the sites is unknown too: whatever
is said then holds for the worst way in which they can lie.

Sources: C. J. Clopper & E. S. Pearson, Biometrika 26:404 (1934). W. Hoeffding, Ann Math Stat 27:713 (1956),
theorem 4, on sums of unlike trials; V. A. Vatutin & V. G. Mikhailov, Theory Probab Appl 27:734 (1982), that a
hypergeometric number is such a sum (both from memory; the tests count every case of small registers).
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from heapq import heapify, heapreplace

from scipy.special import bdtr, bdtrc, betaincinv

LEAST_CONFIDENCE, MOST_CONFIDENCE = Fraction(1, 2), Fraction(999, 1000)
# Chances nearer to the limit than this are compared in whole numbers.
_NEAR = 1e-7
# Where whole numbers are not at hand, a chance this near to the limit is taken for one that misses it.
_ROUNDING = 1e-12


class CannotSample(ValueError):
    """There is no such sample; its text is a sentence for the screen."""


@dataclass(frozen=True, slots=True)
class Stratum:
    """A part of the population that is drawn from by itself."""

    size: int
    drawn: int


@dataclass(frozen=True, slots=True)
class Reading:
    """What ``found`` faults say. ``at_most``: no more faults than these in the whole population, at the
    stated confidence. ``low`` to ``high``: the range that holds at the same confidence on both sides. The
    shares are Clopper and Pearson's range for the work that such records come from, of which these are only
    some."""

    found: int
    at_most: int
    low: int
    high: int
    share_low: float
    share_high: float


# How many -------------------------------------------------------------------------------------------------


def tolerable_faults(population: int, rate: Fraction) -> int:
    """The smallest number of faults that is at least the tolerable rate: ``rate`` of ``population``, rounded
    up. A sample that shows fewer than these shows a rate under the tolerable one.

    ``rate`` is an exact fraction: in binary, 0.07 of 100 is a little more than 7. Raises ``CannotSample``.
    """
    if population < 1:
        raise CannotSample("There are no records to draw from. Ask for another site, category or time.")
    if not 0 < rate < 1:
        raise CannotSample("The tolerable rate is more than 0 % and less than 100 %.")
    return math.ceil(rate * population)


def smallest_sample(population: int, tolerable: int, confidence: Fraction, allowed: int = 0) -> int:
    """The smallest sample in which ``allowed`` faults or fewer turn up with a chance of at most one less
    ``confidence``, when ``tolerable`` of the ``population`` are faults: P(X <= allowed | N, K, n) <= 1 - c,
    hypergeometric, compared exactly. Raises ``CannotSample``."""
    _refuse_confidence(confidence)
    if allowed >= tolerable:
        raise CannotSample(
            f"Of {population}, {tolerable} would be too many already, so {allowed} cannot be allowed. "
            "Allow fewer faults, or name a higher tolerable rate."
        )
    doubt = 1 - confidence
    return _first_where(
        lambda n: _is_at_most(allowed, population, tolerable, n, doubt), allowed + 1, population
    )


def smallest_sample_by_site(
    sizes: Mapping[str, int], tolerable: int, confidence: Fraction, allowed: int = 0
) -> int:
    """The same where every site is drawn from by itself, shared out as ``allocate`` does: never smaller,
    since it must hold however the faults lie among the sites."""
    population, doubt = sum(sizes.values()), 1 - confidence
    size = max(smallest_sample(population, tolerable, confidence, allowed), _filled(sizes))
    while size < population and not _holds(allowed, _strata(size, sizes), tolerable, doubt):
        size += 1
    return size


def _refuse_confidence(confidence: Fraction) -> None:
    if not LEAST_CONFIDENCE <= confidence <= MOST_CONFIDENCE:
        raise CannotSample("The confidence is between 50 % and 99.9 %; 95 % is usual.")


def _strata(size: int, sizes: Mapping[str, int]) -> list[Stratum]:
    return [Stratum(sizes[name], drawn) for name, drawn in allocate(size, sizes).items()]


def _filled(sizes: Mapping[str, int]) -> int:
    return sum(size > 0 for size in sizes.values())


# Which ones -----------------------------------------------------------------------------------------------


def allocate(total: int, sizes: Mapping[str, int]) -> dict[str, int]:
    """Share ``total`` out by size: each stratum the whole part of its due, the rest to the largest remainders
    (of equals, to the first name), and one at least for each stratum that holds anything: taken from the
    stratum that is most above its due. Strata that hold nothing get nothing. Raises ``CannotSample``."""
    population = sum(sizes.values())
    if not 0 <= total <= population:
        raise CannotSample(f"{total} cannot be drawn from {population}: a record is drawn only once.")
    if total < _filled(sizes):
        raise CannotSample(f"{total} cannot be shared out over {_filled(sizes)} sites, one each at least.")
    due = {name: Fraction(total * size, population) for name, size in sizes.items()} if population else {}
    shares = {name: int(part) for name, part in due.items()}
    by_remainder = sorted(due, key=lambda name: (shares[name] - due[name], name))
    for name in by_remainder[: total - sum(shares.values())]:
        shares[name] += 1
    for name in sorted(name for name, share in shares.items() if sizes[name] and not share):
        giver = min(
            (other for other in shares if shares[other] > 1), key=lambda it: (due[it] - shares[it], it)
        )
        shares[giver] -= 1
        shares[name] = 1
    return shares


def rank(seed: str, key: str) -> str:
    """Where a key stands in the draw: SHA-256, in small hexadecimal digits, of the seed, a vertical bar and
    the key, as UTF-8."""
    return hashlib.sha256(f"{seed}|{key}".encode()).hexdigest()


def draw(keys: Iterable[str], size: int, seed: str) -> list[str]:
    """The ``size`` keys whose rank comes first, in order of rank: the same for the same keys and seed, in
    whatever order the keys come. Raises ``CannotSample``."""
    known = list(keys)
    if len(set(known)) != len(known):
        raise ValueError("a key names one record only")
    if not 0 <= size <= len(known):
        raise CannotSample(f"{size} cannot be drawn from {len(known)}: a record is drawn only once.")
    return sorted(known, key=lambda key: (rank(seed, key), key))[:size]


# What it says ---------------------------------------------------------------------------------------------


def read(found: int, strata: Sequence[Stratum], confidence: Fraction) -> Reading:
    """What ``found`` faults in the sample say of the whole population, and of the work behind it.

    The ranges hold with at least the stated confidence. ``ValueError`` where more were found than drawn.
    """
    _refuse_confidence(confidence)
    drawn, population = sum(one.drawn for one in strata), sum(one.size for one in strata)
    if not 0 <= found <= drawn <= population or not drawn:
        raise ValueError(f"{found} found of {drawn} drawn from {population}")
    doubt = 1 - confidence
    share_low, share_high = clopper_pearson(found, drawn, confidence)
    return Reading(
        found,
        most_faults(found, strata, doubt),
        _least_faults(found, strata, doubt / 2),
        most_faults(found, strata, doubt / 2),
        share_low,
        share_high,
    )


def clopper_pearson(found: int, drawn: int, confidence: Fraction) -> tuple[float, float]:
    """The exact range of a share of which ``found`` of ``drawn`` independent trials were seen."""
    half = float(1 - confidence) / 2
    low = 0.0 if found == 0 else float(betaincinv(found, drawn - found + 1, half))
    high = 1.0 if found == drawn else float(betaincinv(found + 1, drawn - found, 1 - half))
    return low, high


def most_faults(found: int, strata: Sequence[Stratum], doubt: Fraction) -> int:
    """The largest number of faults in the population under which so few as ``found`` turn up with a chance of
    more than ``doubt``."""
    unseen = sum(one.size - one.drawn for one in strata)
    return (
        found
        + unseen
        - _first_where(lambda fewer: not _holds(found, strata, found + unseen - fewer, doubt), 0, unseen)
    )


def _least_faults(found: int, strata: Sequence[Stratum], doubt: Fraction) -> int:
    """The smallest number under which so many as ``found`` turn up with a chance of more than ``doubt``."""
    drawn, population = sum(one.drawn for one in strata), sum(one.size for one in strata)
    if len(strata) == 1:
        # Faults and good records change places: few good ones found are many faults found.
        return population - most_faults(drawn - found, strata, doubt)
    most = max(Fraction(one.drawn, one.size) for one in strata if one.size)

    def is_possible(faults: int) -> bool:
        if found < faults * most + 1:
            return True
        return float(bdtrc(found - 1, faults, float(most))) > float(doubt) - _ROUNDING

    return _first_where(is_possible, found, population - drawn + found) if found else 0


def _holds(found: int, strata: Sequence[Stratum], faults: int, doubt: Fraction) -> bool:
    """Whether, with ``faults`` in the population however they lie, ``found`` or fewer turn up with a chance
    of at most ``doubt``."""
    strata = [one for one in strata if one.size]
    if len(strata) == 1:
        return _is_at_most(found, strata[0].size, faults, strata[0].drawn, doubt)
    if found == 0:
        return _chance_of_none(strata, faults) <= float(doubt) - _ROUNDING
    least = min(Fraction(one.drawn, one.size) for one in strata)
    # Hoeffding's bound: as for like trials with the least mean, once that mean is one above what was found.
    if found > faults * least - 1:
        return False
    return float(bdtr(found, faults, float(least))) <= float(doubt) - _ROUNDING


def _chance_of_none(strata: Sequence[Stratum], faults: int) -> float:
    """The greatest chance that none of the faults is drawn. One more fault in a stratum multiplies the chance
    by the undrawn over the faultless there, less with each: so each is put where it costs least."""
    chance = 1.0
    left = [(-(one.size - one.drawn) / one.size, one.size - one.drawn, one.size) for one in strata]
    heapify(left)
    for _ in range(faults):
        cost, undrawn, faultless = left[0]
        chance *= -cost
        if not chance:
            return 0.0
        undrawn, faultless = undrawn - 1, faultless - 1
        heapreplace(left, (-undrawn / faultless if undrawn else 0.0, undrawn, faultless))
    return chance


def _is_at_most(found: int, population: int, faults: int, drawn: int, doubt: Fraction) -> bool:
    """Whether P(X <= found) <= doubt, hypergeometric; where the two are near, in whole numbers."""
    chance = chance_of_at_most(found, population, faults, drawn)
    if abs(chance - doubt) > _NEAR:
        return chance < doubt
    ways = sum(
        math.comb(faults, one) * math.comb(population - faults, drawn - one)
        for one in _turning_up(found, population, faults, drawn)
    )
    return ways * doubt.denominator <= doubt.numerator * math.comb(population, drawn)


def chance_of_at_most(found: int, population: int, faults: int, drawn: int) -> float:
    """P(X <= found) where ``drawn`` of a ``population`` with so many ``faults`` are looked at."""
    whole = _log_ways(population, drawn)
    chances = (
        math.exp(_log_ways(faults, one) + _log_ways(population - faults, drawn - one) - whole)
        for one in _turning_up(found, population, faults, drawn)
    )
    return min(1.0, math.fsum(chances))


def _turning_up(found: int, population: int, faults: int, drawn: int) -> range:
    """The numbers of faults up to ``found`` that can turn up."""
    return range(max(0, drawn - (population - faults)), min(found, faults, drawn) + 1)


def _log_ways(of: int, take: int) -> float:
    return math.lgamma(of + 1) - math.lgamma(take + 1) - math.lgamma(of - take + 1)


def _first_where(holds: Callable[[int], bool], first: int, last: int) -> int:
    """The first number for which it holds, where it holds from some number on; at ``last`` it does."""
    while first < last:
        middle = (first + last) // 2
        if holds(middle):
            last = middle
        else:
            first = middle + 1
    return first


# Where it stands ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Tally:
    """What has been found of the records drawn so far."""

    met: int = 0
    fault: int = 0
    cannot_tell: int = 0
    unanswered: int = 0

    @property
    def drawn(self) -> int:
        return self.met + self.fault + self.cannot_tell + self.unanswered

    @property
    def without_verdict(self) -> int:
        return self.cannot_tell + self.unanswered

    @property
    def cautious(self) -> int:
        """Faults in the cautious reading: what is not known to be good counts as one."""
        return self.fault + self.without_verdict


class Outcome(StrEnum):
    """What the sample shows, given how many faults were allowed in it."""

    SHOWN = "shown"
    NOT_SHOWN = "not_shown"
    UNSETTLED = "unsettled"


def outcome(tally: Tally, allowed: int) -> Outcome:
    """Shown only if the cautious reading shows it; unsettled while it hangs on what has no verdict."""
    if tally.fault > allowed:
        return Outcome.NOT_SHOWN
    return Outcome.SHOWN if tally.cautious <= allowed else Outcome.UNSETTLED
