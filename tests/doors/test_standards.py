"""The standards' pages: what is in force, every version in time, and publishing the next whole one."""

from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils import timezone

from competence.models import Requirement, StandardVersion
from competence.queries.standards import in_time, standard_rows, terms_in_words
from tests.factories import AccountFactory, CategoryFactory, StandardVersionFactory, plain_standard
from tests.factories.base import days_ago

pytestmark = pytest.mark.django_db
KINDS = list(Requirement.Kind)


@pytest.fixture
def trainer(client):
    account = AccountFactory(roles=["trainer"])
    client.force_login(account)
    return account


def today():
    return timezone.now().date()


def test_the_list_tells_what_is_in_force_what_comes_and_where_nothing_is():
    none, dumper = CategoryFactory(name="A"), CategoryFactory(name="B")
    StandardVersionFactory(category=dumper, in_force_from=days_ago(400))
    now = StandardVersionFactory(category=dumper, in_force_from=today())
    later = StandardVersionFactory(category=dumper, in_force_from=days_ago(-30))
    rows = [(row.category, row.in_force, row.following) for row in standard_rows(today())]
    assert rows == [(none, None, None), (dumper, now, later)]


def test_each_version_is_past_in_force_or_to_come_on_the_day():
    category = CategoryFactory()
    for days in (400, 0, -30):
        StandardVersionFactory(category=category, in_force_from=days_ago(days))
    versions = list(category.standard_versions.order_by("-in_force_from"))
    assert [row.state for row in in_time(versions, today())] == ["To come", "In force", "Past"]
    assert [row.state for row in in_time(versions, days_ago(1))] == ["To come", "To come", "In force"]
    assert [row.state for row in in_time(versions, days_ago(-30))] == ["In force", "Past", "Past"]


@pytest.mark.parametrize(
    ("terms", "said"),
    [
        ({"months": 1}, "counts for 1 month and"),
        ({"period_end": "month_end"}, "at the end of the month of the anniversary"),
        ({"pass_mark": "0.825"}, "82.5 %"),
        ({"pass_mark": "1"}, "passed at 100 % or more"),
        ({"lapse_limit_days": 1}, "more than 1 day,"),
        ({"issue_by_another": True}, "by another person than the assessor"),
    ],
)
def test_the_terms_are_said_in_words(terms, said):
    version = StandardVersionFactory(**terms)
    version.refresh_from_db()
    assert said in " ".join(terms_in_words(version))


def test_a_standard_says_whose_ticket_covers_it_and_whom_its_ticket_covers(client, trainer):
    loader, dumper = CategoryFactory(name="Wheeled loader"), CategoryFactory(name="Articulated dumper")
    plain_standard(category=loader)
    plain_standard(category=dumper, accepts=[loader])
    text = client.get(reverse("standard", args=[dumper.code])).content.decode()
    assert "also covers Articulated dumper. This is never passed on." in text
    sheet = client.get(reverse("standard", args=[loader.code])).context["sheet"]
    assert sheet.covers == [dumper]


def test_cover_that_a_later_version_dropped_is_not_shown(client, trainer):
    loader, dumper = CategoryFactory(), CategoryFactory()
    plain_standard(category=dumper, accepts=[loader])
    plain_standard(category=dumper)
    assert client.get(reverse("standard", args=[loader.code])).context["sheet"].covers == []


def test_an_older_version_is_shown_on_request_and_one_that_never_was_is_not_found(client, trainer):
    category = CategoryFactory()
    StandardVersionFactory(category=category, months=12)
    StandardVersionFactory(category=category, months=36)
    url = reverse("standard", args=[category.code])
    assert client.get(url).context["sheet"].shown.version.months == 36
    assert client.get(url, {"version": "1"}).context["sheet"].shown.version.months == 12
    for missing in ("3", "0", "x", "²", "99999999999999999999"):
        assert client.get(url, {"version": missing}).status_code == 404


def test_the_pages_take_as_many_questions_for_many_versions(client, trainer, django_assert_num_queries):
    category = CategoryFactory()
    plain_standard(category=category)
    plain_standard(category=CategoryFactory(), accepts=[category])
    urls = [reverse("standard-list"), reverse("standard", args=[category.code])]
    counted = []
    for _ in range(2):
        for url, questions in zip(urls, (6, 9), strict=True):
            client.get(url)
            with django_assert_num_queries(questions):
                client.get(url)
            counted.append(url)
        for _ in range(4):
            plain_standard(category=category)
            plain_standard(category=CategoryFactory(), accepts=[category])
    assert len(counted) == 4


def as_typed(answer):
    """What a browser would send of the page as it stands."""
    fields = {}
    rows = answer.context["rows"]
    for form in [answer.context["form"], rows.management_form, *rows]:
        for field in form:
            value = field.value()
            if value is None or value is False:
                continue
            fields[field.html_name] = "on" if value is True else value
    return fields


def test_the_next_version_starts_from_the_latest_and_is_published_whole(client, trainer):
    dumper, loader = CategoryFactory(), CategoryFactory()
    old = plain_standard(category=dumper, accepts=[loader], pass_mark="0.825")
    url = reverse("standard-new", args=[dumper.code])
    fields = as_typed(client.get(url))
    fields["in_force_from"] = today().isoformat()
    fields["requirements-4-months"] = "12"
    del fields["requirements-1-is_asked"]
    answer = client.post(url, fields)
    assert answer["Location"] == reverse("standard", args=[dumper.code])
    new = StandardVersion.objects.get(number=2)
    assert (str(new.pass_mark), new.months, list(new.accepts.all())) == ("0.825", old.months, [loader])
    assert {row.kind: row.months for row in new.requirements.all()} == {
        "practical": None,
        "medical": 12,
        "induction": None,
        "familiarisation": None,
    }
    assert old.requirements.count() == 5


def test_refresher_questions_are_asked_for_by_the_recall_needed(client, trainer):
    dumper = CategoryFactory()
    plain_standard(category=dumper)
    url = reverse("standard-new", args=[dumper.code])
    fields = as_typed(client.get(url)) | {"in_force_from": today().isoformat()}
    client.post(
        url,
        fields
        | {
            "requirements-8-is_asked": "on",
            "requirements-8-recall_level": "82.5",
            "requirements-8-months": "12",
        },
    )
    line = StandardVersion.objects.get(number=2).requirements.get(kind="recall")
    assert (str(line.recall_level), line.months, line.title) == ("0.825", 12, "Refresher questions")
    page = client.get(reverse("standard", args=[dumper.code])).content.decode()
    assert "as long as recall of every critical topic is 82.5&nbsp;% or more, at most 12 months" in page
    assert as_typed(client.get(url))["requirements-8-recall_level"] == "82.5"


@pytest.mark.parametrize(
    ("change", "form", "field"),
    [
        ({"in_force_from": "2020-01-01"}, "form", "in_force_from"),
        ({"in_force_from": "soon"}, "form", "in_force_from"),
        ({"pass_mark": "0"}, "form", "pass_mark"),
        ({"months": "-1"}, "form", "months"),
        ({"requirements-0-title": ""}, "rows", "title"),
        ({"requirements-2-is_asked": "on", "requirements-2-hours": ""}, "rows", "hours"),
        ({"requirements-4-months": "0"}, "rows", "months"),
        ({"requirements-8-is_asked": "on", "requirements-8-recall_level": ""}, "rows", "recall_level"),
        ({"requirements-8-is_asked": "on", "requirements-8-recall_level": "96"}, "rows", "recall_level"),
    ],
)
def test_bad_input_is_told_and_what_was_typed_stays(client, trainer, change, form, field):
    dumper = CategoryFactory()
    plain_standard(category=dumper)
    url = reverse("standard-new", args=[dumper.code])
    fields = as_typed(client.get(url)) | {"in_force_from": today().isoformat(), "note": "Typed with care."}
    answer = client.post(url, fields | change)
    assert answer.status_code == 200
    wrong = answer.context[form].errors
    assert field in (wrong if form == "form" else {name for row in wrong for name in row})
    assert "Typed with care." in answer.content.decode()
    assert StandardVersion.objects.count() == 1


def test_a_form_cut_short_is_an_error_page_and_no_version(client, trainer):
    dumper = CategoryFactory()
    answer = client.post(
        reverse("standard-new", args=[dumper.code]),
        {"in_force_from": (today() + timedelta(days=1)).isoformat(), "requirements-TOTAL_FORMS": "900"},
    )
    assert answer.status_code == 200
    assert len(answer.context["rows"].forms) == len(KINDS)
    assert not StandardVersion.objects.exists()
