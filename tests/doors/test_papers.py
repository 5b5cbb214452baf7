"""The papers' pages: what is in force, publishing the next version, and the panels."""

from datetime import timedelta
from decimal import Decimal

import pytest
from django.urls import reverse
from django.utils import timezone

from assessments.actions.papers import close_panel, rate_panel
from assessments.models import Panel, PanelRating, PaperVersion
from tests.factories import AccountFactory, CategoryFactory, SiteFactory
from tests.factories.questions import (
    PanelFactory,
    PanelQuestionFactory,
    PaperVersionFactory,
    QuestionVersionFactory,
    TopicFactory,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def trainer(client):
    account = AccountFactory(roles=["trainer"])
    client.force_login(account)
    return account


@pytest.fixture
def category():
    return CategoryFactory()


@pytest.fixture
def brakes():
    """A topic with three questions in use."""
    topic = TopicFactory(code="brakes", name="Brakes")
    QuestionVersionFactory.create_batch(3, question__topic=topic)
    return topic


def terms(**changed):
    return {
        "in_force_from": timezone.now().date().isoformat(),
        "minutes": "40",
        "attempts": "3",
        "wait_days": "1",
        "cut": "2",
        "cut_why": "Common practice.",
        "questions-brakes": "3",
        "must-brakes": "2",
        **changed,
    }


def test_the_list_says_what_is_in_force_and_where_the_bank_is_too_small(client, trainer, category, brakes):
    PaperVersionFactory(category=category, lines={brakes: (3, 1)})
    short = PaperVersionFactory(lines={brakes: (4, 1)}).category
    none = CategoryFactory()
    rows = {row.category: row for row in client.get(reverse("paper-list")).context["rows"]}
    assert (rows[category].short, rows[category].asked) == ([], 3)
    assert [(one.topic, one.missing) for one in rows[short].short] == [("brakes", 1)]
    assert rows[none].in_force is None


def test_a_paper_names_each_topic_that_is_short(client, trainer, category, brakes):
    PaperVersionFactory(category=category, lines={brakes: (4, 1), TopicFactory(name="Access"): (2, 0)})
    page = client.get(reverse("paper", args=[category.code])).content.decode()
    assert "Brakes: 1 short (4 asked, 3 in use)" in page
    assert "Access: 2 short (2 asked, 0 in use)" in page


def test_an_older_paper_is_shown_on_request_and_one_that_never_was_is_not_found(client, trainer, category):
    url = reverse("paper", args=[category.code])
    assert client.get(url).status_code == 200
    PaperVersionFactory(category=category, minutes=20)
    PaperVersionFactory(category=category, number=2, in_force_from=timezone.now().date(), minutes=50)
    assert client.get(url).context["sheet"].shown.version.minutes == 50
    assert client.get(url, {"version": "1"}).context["sheet"].shown.version.minutes == 20
    assert client.get(url, {"version": "3"}).status_code == 404


def test_a_paper_is_published_in_the_browser(client, trainer, category, brakes):
    url = reverse("paper-new", args=[category.code])
    assert client.post(url, terms()).status_code == 302
    version = PaperVersion.objects.get()
    assert (version.cut, version.lines.get().must_be_right) == (2, 2)
    form = client.get(url).context["form"]
    assert (form["questions-brakes"].value(), form["cut"].value()) == (3, 2)


@pytest.mark.parametrize(
    ("changed", "field", "said"),
    [
        ({"questions-brakes": "8"}, "questions-brakes", "5 short: 8 asked, 3 in use."),
        ({"must-brakes": "4"}, "must-brakes", "no more than 3 can be right"),
        ({"cut": "9"}, "cut", "The paper asks 3"),
        ({"cut": ""}, "cut", "how many have to be right"),
        ({"cut_why": ""}, "__all__", "Say where the cut comes from"),
        ({"questions-brakes": "", "must-brakes": ""}, "__all__", "at least one question"),
        ({"questions-brakes": "many"}, "questions-brakes", "whole number"),
    ],
)
def test_a_fault_stands_at_its_field_and_nothing_typed_is_lost(
    client, trainer, category, brakes, changed, field, said
):
    sent = terms(**changed)
    form = client.post(reverse("paper-new", args=[category.code]), sent).context["form"]
    assert said in " ".join(form.errors[field])
    assert {name: form[name].value() for name in sent} == sent
    assert not PaperVersion.objects.exists()


def test_the_pages_take_as_many_statements_for_much(
    client, trainer, category, brakes, django_assert_num_queries
):
    PaperVersionFactory(category=category, lines={brakes: (3, 1)})
    panel = PanelQuestionFactory(panel__category=category, version__question__topic=brakes).panel
    urls = {
        reverse("paper-list"): 9,
        reverse("paper", args=[category.code]): 9,
        reverse("panel", args=[panel.pk]): 9,
        reverse("panel-rate", args=[panel.pk]): 9,
    }
    for _ in range(2):
        for url, statements in urls.items():
            client.get(url)
            with django_assert_num_queries(statements):
                client.get(url)
        for _ in range(2):
            number = category.paper_versions.count() + 1
            PaperVersionFactory(
                category=category,
                number=number,
                in_force_from=timezone.now().date() + timedelta(days=number),
                lines={brakes: (3, 1), TopicFactory(): (1, 0)},
            )
            PanelFactory(category=category, closed_at=timezone.now())
            PaperVersionFactory(lines={brakes: (1, 1)})
        for _ in range(3):
            row = PanelQuestionFactory(panel=panel)
            rate_panel(by=AccountFactory(roles=["trainer"]), panel=panel, ratings={row.pk: Decimal("0.5")})


def test_a_panel_is_opened_rated_and_closed_in_the_browser(client, trainer, category, brakes):
    url = reverse("panel-open", args=[category.code])
    refused = client.post(url, {"of_each": "2", "note": "Spring"}).context["panel_form"]
    assert (list(refused.errors), refused["note"].value()) == (["topics"], "Spring")
    client.post(url, {"topics": [brakes.pk], "of_each": "2", "note": "Spring"})
    panel = Panel.objects.get()
    rate, close = reverse("panel-rate", args=[panel.pk]), reverse("panel-close", args=[panel.pk])
    first, second = panel.questions.order_by("pk")
    assert client.post(rate, {f"rating-{first.pk}": "60"}).status_code == 302
    assert client.get(rate).context["form"][f"rating-{first.pk}"].value() == 60
    client.post(rate, {f"rating-{first.pk}": "60", f"rating-{second.pk}": "70"})
    assert PanelRating.objects.count() == 2
    told = client.post(close, follow=True).content.decode()
    assert "One judge has rated every question so far" in told
    keys = {first.pk: Decimal("0.8"), second.pk: Decimal("0.9")}
    rate_panel(by=AccountFactory(roles=["trainer"]), panel=panel, ratings=keys)
    client.post(close)
    sheet = client.get(reverse("panel", args=[panel.pk])).context["sheet"]
    assert (sheet.cut.cut, round(sheet.cut.mean, 9), len(sheet.judges)) == (2, 1.5, 2)
    assert client.get(rate).status_code == 302


@pytest.mark.parametrize("given", ["101", "-1", "half", "0.5"])
def test_a_rating_that_is_no_percentage_is_refused_at_its_box_and_the_others_stay(client, trainer, given):
    panel = PanelFactory()
    first, second = PanelQuestionFactory.create_batch(2, panel=panel)
    answer = client.post(
        reverse("panel-rate", args=[panel.pk]), {f"rating-{first.pk}": given, f"rating-{second.pk}": "70"}
    )
    form = answer.context["form"]
    assert list(form.errors) == [f"rating-{first.pk}"]
    assert (form[f"rating-{first.pk}"].value(), form[f"rating-{second.pk}"].value()) == (given, "70")
    assert not PanelRating.objects.exists()


def test_nobody_reads_another_judges_ratings_before_the_panel_is_closed(client, trainer):
    panel = PanelFactory(opened_by=trainer)
    row = PanelQuestionFactory(panel=panel)
    one, two = (AccountFactory(roles=[("trainer", SiteFactory())]) for _ in range(2))
    rate_panel(by=one, panel=panel, ratings={row.pk: Decimal("0.37")})
    rate_panel(by=two, panel=panel, ratings={row.pk: Decimal("0.83")})
    client.force_login(one)
    pages = [client.get(reverse(name, args=[panel.pk])).content.decode() for name in ("panel", "panel-rate")]
    assert "37 %" in pages[0]
    assert not any("83 %" in page or 'value="83"' in page for page in pages)
    close_panel(by=trainer, panel=panel)
    assert "83 %" in client.get(reverse("panel", args=[panel.pk])).content.decode()
