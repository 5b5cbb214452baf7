"""The plan of a draw, and a sample as its pages show it."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from zoneinfo import ZoneInfo

from django.db.models import Count, Q, QuerySet

from competence.models import Sample, SampledItem, SampleVerdict
from competence.queries.sample_populations import Drawable, Population, SampleAsked, population_named
from competence.queries.timeline import moment_words
from competence.rules.reasons import long_date
from competence.rules.sampling import (
    CannotSample,
    Stratum,
    Tally,
    allocate,
    smallest_sample,
    smallest_sample_by_site,
    tolerable_faults,
)
from competence.rules.sampling_plans import plan_for
from competence.rules.sampling_words import Aim, percent

# Every key is kept with the sample: beyond this a population is narrowed first.
MOST = 100_000


@dataclass(frozen=True)
class Planned:
    """What a draw would be: its aim, how many from each site, and the records by site."""

    aim: Aim
    shares: dict[str, int]
    by_site: dict[str, list[Drawable]]


def plan_sample(asked: SampleAsked, known_at: datetime) -> Planned:
    """Read the population as known and work out the size. Two statements at most. Raises ``CannotSample``."""
    population = population_named(asked.of)
    by_site: dict[str, list[Drawable]] = defaultdict(list)
    found = population.read(asked, known_at)
    if len(found) > MOST:
        raise CannotSample(f"{len(found)} records are more than {MOST}. Narrow it by site, category or time.")
    for one in found:
        by_site[one.site].append(one)
    sizes = {name: len(by_site[name]) for name in sorted(by_site)}
    aim = _aim(asked, population, sizes)
    shares = allocate(aim.size, sizes) if asked.is_by_site else {"": aim.size}
    return Planned(aim, shares, dict(by_site))


def _aim(asked: SampleAsked, population: Population, sizes: dict[str, int]) -> Aim:
    whole, confidence = sum(sizes.values()), Fraction(asked.confidence)
    if not whole:
        raise CannotSample(f"There are no {population.noun.many} of that kind, so there is nothing to draw.")
    aim = Aim(population.noun, whole, 0, asked.allowed, confidence, by_site=asked.is_by_site)
    if asked.basis == Sample.Basis.PLAN:
        plan = plan_for(whole, asked.level or Decimal(0))
        if asked.is_by_site and plan.size < len(sizes):
            raise CannotSample(f"The plan's {plan.size} cannot be shared out over {len(sizes)} sites.")
        return replace(
            aim, size=plan.size, allowed=plan.accept, letter=plan.letter, level=f"{asked.level:.1f}"
        )
    rate = Fraction(asked.rate or 0)
    tolerable = tolerable_faults(whole, rate)
    if asked.is_by_site:
        size = smallest_sample_by_site(sizes, tolerable, confidence, asked.allowed)
    else:
        size = smallest_sample(whole, tolerable, confidence, asked.allowed)
    return replace(aim, size=size, rate=rate, tolerable=tolerable)


@dataclass(frozen=True)
class SheetRow:
    """One record drawn, with the verdict that counts, if there is one."""

    item: SampledItem
    verdict: SampleVerdict | None


def samples_to_show() -> QuerySet[Sample]:
    """Samples with what their pages name beside them; without their populations' keys."""
    return Sample.objects.select_related("site", "category", "drawn_by", "result__closed_by").defer(
        "population"
    )


def samples_listed(site_ids: frozenset[int] | None) -> QuerySet[Sample]:
    """The samples of these sites (``None``: of every site, and of all at once), the newest first, each with
    ``answered``. One statement, and one more for a page's count."""
    found = samples_to_show().annotate(
        answered=Count("items", filter=Q(items__verdicts__isnull=False), distinct=True)
    )
    if site_ids is not None:
        found = found.filter(site_id__in=site_ids)
    return found.order_by("-drawn_at", "-pk")


def sheet_of(sample: Sample) -> list[SheetRow]:
    """Every record drawn, in order, with its last verdict. Two statements."""
    verdicts = SampleVerdict.objects.filter(item__sample=sample).select_related("by").order_by("pk")
    last = {verdict.item_id: verdict for verdict in verdicts}
    return [SheetRow(item, last.get(item.pk)) for item in sample.items.order_by("position")]


def tally_of(rows: Sequence[SheetRow]) -> Tally:
    """How many of each verdict. No statement."""
    found = [row.verdict.found if row.verdict else "" for row in rows]
    return Tally(
        found.count(SampleVerdict.Found.MET),
        found.count(SampleVerdict.Found.FAULT),
        found.count(SampleVerdict.Found.CANNOT_TELL),
        found.count(""),
    )


def aim_of(sample: Sample) -> Aim:
    """What the sample was drawn to show. No statement."""
    rate = None if sample.rate is None else Fraction(sample.rate)
    return Aim(
        population_named(sample.of).noun,
        sample.population_size,
        sample.size,
        sample.allowed,
        Fraction(sample.confidence),
        rate,
        tolerable_faults(sample.population_size, rate) if rate else 0,
        sample.letter,
        "" if sample.level is None else f"{sample.level:.1f}",
        sample.is_by_site,
    )


def strata_of(sample: Sample, rows: Sequence[SheetRow]) -> list[Stratum]:
    """What was drawn from what: each site by itself where it was. One statement where that needs the keys."""
    if not sample.is_by_site:
        return [Stratum(sample.population_size, sample.size)]
    drawn = [row.item.stratum for row in rows]
    return [Stratum(len(keys), drawn.count(site)) for site, keys in sorted(sample.population.items())]


def what_words(sample: Sample, zone: ZoneInfo) -> str:
    """What a sample is of, on the clock of its site, or else of the page. No statement."""
    clock = ZoneInfo(sample.site.zone) if sample.site else zone
    many = population_named(sample.of).noun.many
    if sample.at:
        when = f"at {moment_words(sample.at, clock)}"
    else:
        last = (sample.before - timedelta(microseconds=1)).astimezone(clock).date()
        when = f"from {long_date(sample.first_moment.astimezone(clock).date())} to {long_date(last)}"
    where = sample.site.name if sample.site else "every site"
    narrowed = f", {sample.category.name}" if sample.category else ""
    return f"{many[0].upper()}{many[1:]} {when} ({clock.key}), {where}{narrowed}"


def basis_words(sample: Sample) -> str:
    """What a sample's size rests on. No statement."""
    confidence = f"{percent(Fraction(sample.confidence))} confidence"
    if sample.basis == Sample.Basis.PLAN:
        return f"ISO 2859-1, letter {sample.letter}, limit {sample.level:.1f} %; {confidence}"
    allowed = (
        f"{sample.allowed} faults" if sample.allowed > 1 else ("one fault" if sample.allowed else "no fault")
    )
    return f"Fewer than {percent(Fraction(sample.rate))}, with {allowed} allowed; {confidence}"
