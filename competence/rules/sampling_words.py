"""What a sample asks for and what it shows, in words that an auditor can read aloud."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

from .sampling import Outcome, Reading, Stratum, Tally, outcome, read


@dataclass(frozen=True, slots=True)
class Noun:
    """What a population is of: "ticket in force", "tickets in force"."""

    one: str
    many: str

    def counted(self, number: int) -> str:
        return f"{number} {self.one if number == 1 else self.many}"


@dataclass(frozen=True, slots=True)
class Aim:
    """What a sample was drawn to show. ``rate``: the tolerable rate, or ``None`` for a plan of ISO 2859-1;
    then ``letter`` and ``level`` (in percent) are its code letter and acceptable quality limit."""

    noun: Noun
    population: int
    size: int
    allowed: int
    confidence: Fraction
    rate: Fraction | None = None
    tolerable: int = 0
    letter: str = ""
    level: str = ""
    by_site: bool = False


@dataclass(frozen=True, slots=True)
class ReadAloud:
    """One way of counting the faults, with what it says."""

    counting: str
    reading: Reading
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ResultWords:
    """``headline``: what is shown; ``readings``: counting only plain faults, then with caution; one where
    they are the same."""

    outcome: Outcome
    headline: str
    readings: tuple[ReadAloud, ...]


def size_sentences(aim: Aim) -> list[str]:
    """How many are looked at, and what that will allow to be said."""
    of_all = f"{aim.size} of the {aim.noun.counted(aim.population)}"
    said = [f"{of_all} {'is' if aim.size == 1 else 'are'} drawn and looked at."]
    if aim.size == aim.population:
        said = [f"All {aim.noun.counted(aim.population)} are looked at: so few leave nothing out."]
    found = _at_most(aim.allowed)
    if aim.rate is None:
        said.append(
            f"By ISO 2859-1, normal inspection, general level II, code letter {aim.letter}, at an acceptable "
            f"quality limit of {aim.level} %: with {found} they are accepted, with {aim.allowed + 1} or more "
            "they are not. The figures are from secondary tables."
        )
    else:
        said.append(
            f"If they show {found}, you can say with {percent(aim.confidence)} confidence that fewer than "
            f"{percent(aim.rate)} of the {aim.population} have a fault, that is, fewer than {aim.tolerable}."
        )
    if aim.by_site:
        said.append("Each site is drawn from by itself, in proportion to what it holds and one at least.")
    return said


def draw_steps(seed: str, population: int, shares: Mapping[str, int], key_words: str) -> list[str]:
    """How the draw was done, so that a stranger with the list can do it again. ``shares``: how many from each
    site; under no name, how many from all at once."""
    each, take = "Sort", f"{shares.get('', 0)}"
    if "" not in shares:
        each = "Within each site, sort"
        take = ", ".join(f"{share} of {site}" for site, share in shares.items())
        take = (
            f"{take} (each site's share in proportion, whole parts first, the rest to the largest "
            "remainders, and one at least)"
        )
    return [
        f"Take the keys of all {population} records, as listed on the sheet ({key_words}).",
        f"For each, write the seed, a vertical bar and the key, with nothing between: {seed}|KEY. Take the "
        "SHA-256 of that text (UTF-8), in small hexadecimal digits.",
        f"{each} by those digits, 0 to 9 before a to f, and take the first: {take}.",
        "On a Linux or Mac terminal, for one key: printf '%s' '" + seed + "|KEY' | shasum -a 256",
    ]


def result_words(aim: Aim, tally: Tally, strata: Sequence[Stratum]) -> ResultWords:
    """What has been found, in both readings."""
    ways = [("Counting as a fault only what was found to be one", tally.fault)]
    if tally.without_verdict:
        ways.append(
            (f"With caution: {_without_verdict(tally)} counted as a fault too", tally.cautious),
        )
    return ResultWords(
        outcome(tally, aim.allowed),
        _headline(aim, tally),
        tuple(_aloud(aim, counting, read(found, strata, aim.confidence)) for counting, found in ways),
    )


def _aloud(aim: Aim, counting: str, reading: Reading) -> ReadAloud:
    found, whole = reading.found, aim.population
    seen = f"{_faults(found).capitalize()} among the {aim.size} looked at."
    if aim.size == whole:
        return ReadAloud(counting, reading, (seen, "All of them were looked at, so nothing is estimated."))
    sure, named = percent(aim.confidence), aim.noun.many
    most = f"With {sure} confidence, {_most(reading.at_most)} of the {whole} {named} {_has(reading.at_most)}"
    return ReadAloud(
        counting,
        reading,
        (
            seen,
            f"{most} a fault ({percent_up(reading.at_most, whole)} at most).",
            f"Said as a range, with the same confidence: between {reading.low} and {reading.high} of the "
            f"{whole} ({percent_down(reading.low, whole)} to {percent_up(reading.high, whole)}).",
            f"Of the work behind them, past and to come, of which these {whole} are only a part: between "
            f"{_share(reading.share_low, up=False)} and {_share(reading.share_high, up=True)}"
            f"{', as if drawn from all sites at once' if aim.by_site else ''}. "
            "(The exact range of Clopper and Pearson, 1934.)",
        ),
    )


def _headline(aim: Aim, tally: Tally) -> str:
    found = outcome(tally, aim.allowed)
    if found is Outcome.UNSETTLED:
        return (
            f"Not settled: it hangs on {_without_verdict(tally)}. Counted as good the aim is reached; "
            "counted as faults, as caution asks, it is not."
        )
    if aim.rate is None:
        number = tally.fault if found is Outcome.NOT_SHOWN else tally.cautious
        verb = "Accepted" if found is Outcome.SHOWN else "Not accepted"
        return (
            f"{verb} by the plan: {_faults(number)}, where up to {aim.allowed} {_is(aim.allowed)} accepted "
            f"and {aim.allowed + 1} {_is(aim.allowed + 1)} not."
        )
    claim = f"fewer than {percent(aim.rate)} of the {aim.noun.counted(aim.population)} have a fault"
    if found is Outcome.SHOWN:
        return f"Shown with {percent(aim.confidence)} confidence: {claim}."
    return (
        f"Not shown that {claim}: {_faults(tally.fault)} turned up, where {_at_most(aim.allowed)} "
        f"{_is(aim.allowed)} allowed. That does not prove that there are so many; this sample cannot rule "
        "it out."
    )


def _without_verdict(tally: Tally) -> str:
    parts = []
    if tally.cannot_tell:
        parts.append(f"{tally.cannot_tell} that could not be told")
    if tally.unanswered:
        parts.append(f"{tally.unanswered} not answered")
    return " and ".join(parts)


def _faults(number: int) -> str:
    return "no fault" if not number else "1 fault" if number == 1 else f"{number} faults"


def _at_most(number: int) -> str:
    return "no fault" if not number else f"at most {_faults(number)}"


def _most(number: int) -> str:
    return f"at most {number}" if number else "none"


def _has(number: int) -> str:
    return "has" if number == 1 else "have"


def _is(number: int) -> str:
    return "are" if number > 1 else "is"


def percent(share: Fraction) -> str:
    """A share that somebody named, as they named it: 2 %, 2.5 %."""
    return f"{float(share * 100):.10g} %"


def percent_up(number: int, of: int) -> str:
    """A share to a tenth of a percent, never less than it is."""
    return f"{math.ceil(Fraction(number * 1000, of)) / 10:.1f} %"


def percent_down(number: int, of: int) -> str:
    """A share to a tenth of a percent, never more than it is."""
    return f"{math.floor(Fraction(number * 1000, of)) / 10:.1f} %"


def _share(share: float, *, up: bool) -> str:
    tenths = share * 1000
    return f"{(math.ceil(tenths - 1e-9) if up else math.floor(tenths + 1e-9)) / 10:.1f} %"
