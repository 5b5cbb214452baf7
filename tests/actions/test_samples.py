"""Drawing a sample, filling it in, and closing it."""

import uuid
from datetime import timedelta
from decimal import Decimal

import pytest
from django.core.exceptions import ValidationError
from django.utils import timezone

from competence.actions.errors import ActionRefused
from competence.actions.samples import close_sample, draw_sample, note_verdict
from competence.models import AlteringKeptRow, Refusal, Sample, SampledItem, SampleVerdict
from competence.permissions import NotAllowed
from competence.queries.sample_populations import SampleAsked
from competence.queries.samples import plan_sample, sheet_of
from competence.rules.sampling import CannotSample
from tests.actions.journalled import journals
from tests.factories import (
    AccountFactory,
    DailyCheckFactory,
    EvidenceFactory,
    MachineFactory,
    OperatorFactory,
    RefusalFactory,
    SampledItemFactory,
    SiteFactory,
    TicketEventFactory,
    TicketFactory,
)
from tests.factories.assessments import AssessmentFactory

pytestmark = pytest.mark.django_db

HOUR = timedelta(hours=1)


@pytest.fixture
def sites():
    return SiteFactory(name="Bell Pit", zone="UTC"), SiteFactory(name="Far Pit", zone="UTC")


@pytest.fixture
def tickets(sites):
    """Eight at one site, four at the other."""
    homes = [sites[0]] * 8 + [sites[1]] * 4
    return [TicketFactory(operator__site=home) for home in homes]


@pytest.fixture
def auditor():
    return AccountFactory(roles=["auditor"])


def asked(**more):
    return SampleAsked(**{"of": "tickets", "rate": Decimal("0.25"), "seed": "4711", **more})


def keys(sample):
    return list(sample.items.order_by("position").values_list("key", flat=True))


def test_a_draw_keeps_the_population_the_seed_and_what_was_drawn(tickets, auditor):
    with journals(
        "sample.drawn", rows={"competence.sample", "competence.sampleditem"}, reason="Seed 4711"
    ) as entry:
        sample = draw_sample(by=auditor, asked=asked())
    assert entry().rows.count() == 1 + sample.size
    assert sample.population_size == 12
    kept = [key for of_site in sample.population.values() for key in of_site]
    assert sorted(kept) == sorted(ticket.number for ticket in tickets)
    assert len(keys(sample)) == sample.size == 7
    assert set(keys(sample)) <= {ticket.number for ticket in tickets}


def test_the_same_seed_gives_the_same_records_and_another_others(tickets, auditor):
    first, again = (draw_sample(by=auditor, asked=asked()) for _ in range(2))
    assert keys(first) == keys(again)
    assert keys(draw_sample(by=auditor, asked=asked(seed="4712"))) != keys(first)


def test_without_a_seed_the_register_makes_one_up_and_shows_it(tickets, auditor):
    first, second = (draw_sample(by=auditor, asked=asked(seed="")) for _ in range(2))
    assert first.seed
    assert first.seed != second.seed


def test_a_sample_never_changes_whatever_is_written_down_after(tickets, auditor):
    sample = draw_sample(by=auditor, asked=asked())
    drawn = keys(sample)
    TicketFactory(operator__site=tickets[0].operator.site)
    TicketEventFactory(ticket=tickets[0], kind="withdrawn")
    sample.refresh_from_db()
    assert (keys(sample), sample.population_size) == (drawn, 12)
    with pytest.raises(AlteringKeptRow):
        sample.save()
    with pytest.raises(AlteringKeptRow):
        SampledItem.objects.update(key="T0")


def test_by_site_each_is_drawn_from_and_the_first_keys_of_each_are_taken(tickets, sites, auditor):
    sample = draw_sample(by=auditor, asked=asked(is_by_site=True))
    by_site = [item.stratum for item in sample.items.order_by("position")]
    assert by_site.count("Bell Pit") > by_site.count("Far Pit") >= 1
    assert by_site == sorted(by_site)


def test_only_tickets_in_force_then_are_drawn_from(tickets, auditor):
    TicketEventFactory(ticket=tickets[0], kind="suspended", effective_at=timezone.now() - HOUR)
    past = TicketFactory(
        first_day=timezone.now().date() - timedelta(days=900),
        last_day=timezone.now().date() - timedelta(days=10),
    )
    now = timezone.now()
    held = {one.key for rows in plan_sample(asked(at=now), now).by_site.values() for one in rows}
    assert tickets[0].number not in held
    assert past.number not in held
    before = now - timedelta(days=20)
    then = {one.key for rows in plan_sample(asked(at=before), now).by_site.values() for one in rows}
    assert {tickets[0].number, past.number} <= then


def test_a_population_is_narrowed_by_site_and_category(tickets, sites):
    now = timezone.now()
    assert plan_sample(asked(site=sites[1]), now).aim.population == 4
    category = tickets[3].category
    assert plan_sample(asked(category=category, rate=Decimal("0.5")), now).aim.population == 1
    people = plan_sample(asked(of="operators", category=category, rate=Decimal("0.5")), now)
    assert [one.key for one in people.by_site["Bell Pit"]] == [tickets[3].operator.number]


def test_each_population_holds_what_it_says(sites):
    site, now = sites[0], timezone.now()
    machine, operator = MachineFactory(site=site), OperatorFactory(site=site)
    about = {"machine": machine, "operator": operator}
    submitted = DailyCheckFactory(**about, submitted=True, started_at=now - HOUR)
    DailyCheckFactory(**about)
    refusal = RefusalFactory(**about, at=now - HOUR)
    evidence = EvidenceFactory(operator=operator, recorded_at=now - HOUR)
    corrected = EvidenceFactory(operator=operator, recorded_at=now - HOUR)
    correction = EvidenceFactory(
        operator=operator, corrects=corrected, reason="A slip.", recorded_at=now - HOUR / 2
    )
    confirmed = AssessmentFactory(**about, stage="confirmed")
    AssessmentFactory(**about, stage="finished")
    span = {"first_moment": now - 3 * HOUR, "before": now + 3 * HOUR, "rate": Decimal("0.9")}
    expected = {
        "operators": {operator.number},
        "checks": {str(submitted.pk)},
        "refusals": {str(refusal.pk)},
        "evidence": {str(evidence.pk), str(correction.pk)},
        "assessments": {str(confirmed.pk)},
    }
    for code, held in expected.items():
        planned = plan_sample(asked(of=code, **span), now)
        assert {one.key for rows in planned.by_site.values() for one in rows} >= held, code
        if code != "operators":
            assert planned.aim.population == len(held), code
        long_ago = {"first_moment": now - 900 * HOUR, "before": now - 800 * HOUR}
        if code != "operators":
            with pytest.raises(CannotSample, match="nothing to draw"):
                plan_sample(asked(of=code, **long_ago), now)


def test_a_population_takes_as_many_statements_for_many_as_for_few(tickets, django_assert_num_queries):
    for one in ("tickets", "operators"):
        with django_assert_num_queries(1 if one == "operators" else 2):
            plan_sample(asked(of=one), timezone.now())


@pytest.mark.parametrize(
    ("ask", "told"),
    [
        (
            {"of": "refusals", "first_moment": timezone.now() - HOUR, "before": timezone.now()},
            "nothing to draw",
        ),
        ({"allowed": 3}, "cannot be allowed"),
        ({"confidence": Decimal("0.4")}, "between 50 % and 99.9 %"),
        ({"rate": Decimal("1")}, "less than 100 %"),
        ({"basis": "plan", "rate": None, "level": Decimal("1.0")}, "51 to 10000"),
        ({"at": timezone.now() + timedelta(days=9)}, "still to come"),
    ],
)
def test_what_cannot_be_drawn_is_said_and_nothing_is_kept(tickets, auditor, ask, told):
    with journals(None), pytest.raises(ActionRefused, match=told):
        draw_sample(by=auditor, asked=asked(**ask))
    assert not Sample.objects.exists()


def test_an_auditor_of_one_site_draws_from_it_and_from_nowhere_else(tickets, sites):
    account = AccountFactory(roles=[("auditor", sites[1])])
    assert draw_sample(by=account, asked=asked(site=sites[1])).population_size == 4
    for site in (None, sites[0]):
        with pytest.raises(NotAllowed):
            draw_sample(by=account, asked=asked(site=site))
    with pytest.raises(NotAllowed):
        draw_sample(by=AccountFactory(roles=["site_admin"]), asked=asked())


def test_verdicts_are_added_and_the_last_counts(auditor):
    item = SampledItemFactory()
    with journals("sample.filled_in", rows={"competence.sampleverdict"}):
        note_verdict(by=auditor, item=item, found="met")
    note_verdict(by=auditor, item=item, found="fault", note="No assessment behind it.")
    with journals(None):
        note_verdict(by=auditor, item=item, found="fault", note="No assessment behind it.")
    assert SampleVerdict.objects.count() == 2
    assert sheet_of(item.sample)[0].verdict.found == "fault"


@pytest.mark.parametrize(
    ("found", "note"), [("fault", ""), ("cannot_tell", ""), ("perhaps", "So."), ("", "")]
)
def test_a_fault_without_a_word_is_not_kept(auditor, found, note):
    item = SampledItemFactory()
    with journals(None), pytest.raises(ValidationError):
        note_verdict(by=auditor, item=item, found=found, note=note)


def test_closing_keeps_both_readings_and_nothing_is_added_after(tickets, auditor):
    sample = draw_sample(by=auditor, asked=asked())
    items = list(sample.items.order_by("position"))
    for item in items[2:]:
        note_verdict(by=auditor, item=item, found="met")
    note_verdict(by=auditor, item=items[0], found="cannot_tell", note="The file is gone.")
    with journals("sample.closed", rows={"competence.sampleresult"}):
        result = close_sample(by=auditor, sample=sample, remarks="Two files were at the other office.")
    assert (result.met, result.fault, result.cannot_tell, result.unanswered) == (5, 0, 1, 1)
    assert result.headline.startswith("Not settled: it hangs on 1 that could not be told and 1 not answered.")
    plain, cautious = result.sentences
    assert plain[1][:2] == [
        "No fault among the 7 looked at.",
        "With 95 % confidence, at most 2 of the 12 tickets in force have a fault (16.7 % at most).",
    ]
    assert cautious[1][0] == "2 faults among the 7 looked at."
    for late in (
        lambda: note_verdict(by=auditor, item=items[0], found="met"),
        lambda: close_sample(by=auditor, sample=sample),
    ):
        with journals(None), pytest.raises(ActionRefused, match="closed this sample"):
            late()


def test_a_plan_of_iso_2859_1_says_with_how_many_faults_it_is_accepted(auditor):
    one = RefusalFactory()
    more = Refusal(at=one.at, operator=one.operator, machine=one.machine, site=one.site, verdict=one.verdict)
    Refusal.objects.bulk_create(copy_of(more) for _ in range(280))
    ask = {"of": "refusals", "first_moment": one.at - HOUR, "before": one.at + HOUR}
    sample = draw_sample(by=auditor, asked=asked(**ask, basis="plan", rate=None, level=Decimal("2.5")))
    assert (sample.population_size, sample.letter, sample.size, sample.allowed) == (281, "H", 50, 3)
    found = ["fault"] * 3 + ["met"] * 47
    SampleVerdict.objects.bulk_create(
        SampleVerdict(item=item, found=verdict, note="Seen.", at=one.at, by=auditor)
        for item, verdict in zip(sample.items.order_by("position"), found, strict=True)
    )
    assert close_sample(by=auditor, sample=sample).headline == (
        "Accepted by the plan: 3 faults, where up to 3 are accepted and 4 are not."
    )


def copy_of(refusal):
    fields = {field.attname: getattr(refusal, field.attname) for field in Refusal._meta.concrete_fields}
    return Refusal(**{**fields, "id": uuid.uuid4()})
