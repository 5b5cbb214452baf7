"""Samples: drawn once and for good, filled in verdict by verdict, closed with what they came to.

The draw has its journal entry, which says who drew what; it needs no look beside it. Taking the sheet out of
the register is a look, and is noted as one.
"""

import secrets

from django.db import transaction

from competence.actions.clock import now
from competence.actions.errors import ActionRefused
from competence.actions.journal import record
from competence.models import Account, Sample, SampledItem, SampleResult, SampleVerdict
from competence.permissions import Right, require_where
from competence.queries.sample_populations import SampleAsked
from competence.queries.samples import (
    Planned,
    aim_of,
    plan_sample,
    samples_to_show,
    sheet_of,
    strata_of,
    tally_of,
)
from competence.rules.sampling import CannotSample, draw
from competence.rules.sampling_words import result_words

# Room for words that name a record; more of them is on its page.
_MOST_WORDS = 300


@transaction.atomic
def draw_sample(*, by: Account, asked: SampleAsked) -> Sample:
    """Freeze the population as the register knows it now, and draw from it by the seed; without one, the
    register makes one up. The same population and seed give the same records."""
    require_where(by, Right.SAMPLE, asked.site)
    moment = now()
    if (asked.at or asked.first_moment or moment) > moment:
        raise ActionRefused("That is still to come.", field="at" if asked.at else "first_day")
    try:
        planned = plan_sample(asked, moment)
    except CannotSample as cannot:
        raise ActionRefused(str(cannot)) from cannot
    sample = Sample(
        of=asked.of,
        site=asked.site,
        category=asked.category,
        at=None if asked.first_moment else asked.at or moment,
        first_moment=asked.first_moment,
        before=asked.before,
        basis=asked.basis,
        confidence=asked.confidence,
        rate=asked.rate if asked.basis == Sample.Basis.RATE else None,
        level=asked.level if asked.basis == Sample.Basis.PLAN else None,
        letter=planned.aim.letter,
        allowed=planned.aim.allowed,
        is_by_site=asked.is_by_site,
        seed=asked.seed or secrets.token_hex(4),
        size=planned.aim.size,
        population_size=planned.aim.population,
        population={site: sorted(one.key for one in rows) for site, rows in sorted(planned.by_site.items())},
        drawn_at=moment,
        drawn_by=by,
    )
    sample.full_clean(exclude=["site", "category", "drawn_by", "population"])
    sample.save()
    items = SampledItem.objects.bulk_create(_items(sample, planned))
    record(by=by, action="sample.drawn", rows=[sample, *items], reason=f"Seed {sample.seed}")
    return sample


def _items(sample: Sample, planned: Planned) -> list[SampledItem]:
    known = {one.key: one for rows in planned.by_site.values() for one in rows}
    drawn = [
        key
        for site, share in planned.shares.items()
        for key in draw([one.key for one in planned.by_site[site]] if site else known, share, sample.seed)
    ]
    return [
        SampledItem(
            sample=sample,
            position=position,
            key=key,
            stratum=known[key].site,
            words=known[key].words[:_MOST_WORDS],
            about=known[key].about,
        )
        for position, key in enumerate(drawn, start=1)
    ]


@transaction.atomic
def note_verdict(*, by: Account, item: SampledItem, found: str, note: str = "") -> SampleVerdict:
    """Add what was found of one record; the last verdict counts. Said again unchanged, nothing is added."""
    sample = _open_sample(by, item.sample_id)
    last = item.verdicts.order_by("-pk").first()
    if last is not None and (last.found, last.note) == (found, note):
        return last
    verdict = SampleVerdict(item=item, found=found, note=note, at=now(), by=by)
    verdict.full_clean(exclude=["item", "by"])
    verdict.save()
    record(by=by, action="sample.filled_in", rows=[verdict], reason=f"Sample {sample.pk}, record {item.key}")
    return verdict


@transaction.atomic
def close_sample(*, by: Account, sample: Sample, remarks: str = "") -> SampleResult:
    """Keep what the sample came to, word for word. What has no verdict is told of in both readings."""
    sample = _open_sample(by, sample.pk)
    rows = sheet_of(sample)
    tally = tally_of(rows)
    words = result_words(aim_of(sample), tally, strata_of(sample, rows))
    result = SampleResult(
        sample=sample,
        met=tally.met,
        fault=tally.fault,
        cannot_tell=tally.cannot_tell,
        unanswered=tally.unanswered,
        headline=words.headline,
        sentences=[[one.counting, list(one.sentences)] for one in words.readings],
        remarks=remarks,
        closed_at=now(),
        closed_by=by,
    )
    result.full_clean(exclude=["sample", "closed_by", "sentences"])
    result.save()
    record(by=by, action="sample.closed", rows=[result], reason=words.headline[:300])
    return result


def _open_sample(by: Account, pk: int) -> Sample:
    """The sample, locked so that nobody fills it in while another closes it."""
    Sample.objects.select_for_update(of=("self",)).defer("population").get(pk=pk)
    sample = samples_to_show().get(pk=pk)
    require_where(by, Right.SAMPLE, sample.site)
    if hasattr(sample, "result"):
        raise ActionRefused(
            f"{sample.result.closed_by.name} closed this sample; no verdict is added after that."
        )
    return sample
