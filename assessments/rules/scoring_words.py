"""An outcome in sentences that an operator and an assessor can both check."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from decimal import ROUND_HALF_UP, Decimal, localcontext
from fractions import Fraction
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from .scoring import Breach, Outcome, SeenPoint


def reasons_for(outcome: Outcome) -> tuple[str, ...]:
    """What made the result, in sentences: what decided it, then the score, then what is only shown."""
    return (
        *_what_decided(outcome),
        *_the_score(outcome),
        *_what_held(outcome),
        *_what_is_only_shown(outcome),
    )


def percents(first: Fraction, second: Fraction) -> tuple[str, str]:
    """Two shares as percentages, with as many decimals as it takes to tell them apart, and at least one
    unless both are whole: a score just under the pass mark never reads as the pass mark."""
    for places in range(1, 40):
        told = _percent(first, places), _percent(second, places)
        if first == second or told[0] != told[1]:
            return told
    return str(first), str(second)


def _percent(share: Fraction, places: int) -> str:
    with localcontext(prec=60):
        hundredths = Decimal(share.numerator) * 100 / Decimal(share.denominator)
        told = f"{hundredths.quantize(Decimal(1).scaleb(-places), rounding=ROUND_HALF_UP):f}"
    return told.rstrip("0").rstrip(".") + " %"


def _what_decided(outcome: Outcome) -> Iterator[str]:
    if not outcome.lines:
        yield "No point applies to this machine, so nothing was assessed."
    if outcome.unmarked:
        titles = ", ".join(point.title for point in outcome.unmarked)
        yield f"Not finished: without a mark are {titles}."
    for point in outcome.failed_criticals:
        yield f"{point.title}: a critical point that was {_how_failed(point)}. It fails, whatever the score."
    meaning = "The order is a matter of safety: it fails, whatever the score."
    yield from _breaches(outcome.safety_breaches, meaning)


def _the_score(outcome: Outcome) -> Iterator[str]:
    if outcome.score is None:
        return
    scored, needed = percents(outcome.score, outcome.pass_mark)
    so_far = "" if outcome.is_final else " so far"
    verb = "reaches" if outcome.reaches_pass_mark else "is under"
    yield (
        f"The score{so_far} is {scored} ({_plain(outcome.earned)} of {outcome.weighed} by weight), "
        f"which {verb} the pass mark of {needed}."
    )


def _what_held(outcome: Outcome) -> Iterator[str]:
    """Said only of a competent outcome, so that nobody reads half a failure as praise."""
    if not outcome.is_competent:
        return
    if any(line.point.is_critical for line in outcome.lines):
        yield "Every critical point was done, and done safely."
    yield "No safety order was broken."


def _what_is_only_shown(outcome: Outcome) -> Iterator[str]:
    for line in outcome.lines:
        if line.point.mark == "unsafe" and not line.point.is_critical:
            yield f"{line.point.title}: done unsafely, and earns nothing. Not a critical point."
    others = [breach for breach in outcome.breaches if not breach.pair.is_safety]
    yield from _breaches(others, "The order is good practice: it does not fail.")


def _how_failed(point: SeenPoint) -> str:
    return "missed" if point.mark == "missed" else "done unsafely"


def _breaches(breaches: Iterable[Breach], meaning: str) -> Iterator[str]:
    """One sentence for each, and one for all that hang on the same earlier point for the same reason."""
    alike: dict[tuple[str, str, str], list[Breach]] = {}
    for breach in breaches:
        alike.setdefault((breach.earlier.title, breach.how, breach.pair.why.strip()), []).append(breach)
    for (earlier, how, why), same in alike.items():
        later = [breach.later.title for breach in same]
        yield _breach(earlier, later, how == "out_of_order", why, meaning)


def _breach(earlier: str, later: list[str], is_out_of_order: bool, why: str, meaning: str) -> str:
    # Titles hold commas of their own.
    titles = "; ".join(later)
    how = (
        f"{titles}: done before {earlier}."
        if is_out_of_order
        else f"{titles}: done, but {earlier} was never done."
    )
    return " ".join(filter(None, (how, why if not why or why[-1] in ".!?" else f"{why}.", meaning)))


def _plain(number: Fraction) -> str:
    """Halves at most, so a decimal says it exactly."""
    return f"{float(number):g}"
