"""That the measuring of pages at weight notices what it is there for."""

import random
from contextlib import nullcontext
from types import SimpleNamespace

import pytest
from django.http import HttpRequest, HttpResponse
from django.test import override_settings
from django.urls import URLPattern, URLResolver, path

from competence.models import Operator, Site
from competence.urls import urlpatterns as register_urls
from tests.bench.weight.pages import Page, Read, Visit, measure
from tests.bench.weight.posts import p99
from tests.factories import OperatorFactory

pytestmark = pytest.mark.django_db


def row_by_row(request: HttpRequest) -> HttpResponse:
    states = Operator.objects.values_list("state__site_id", flat=True)
    return HttpResponse(", ".join(str(list(Site.objects.filter(pk=pk).values_list("name"))) for pk in states))


def at_once(request: HttpRequest) -> HttpResponse:
    return HttpResponse(", ".join(Operator.objects.values_list("state__site__name", flat=True)))


row_by_row.login_required = at_once.login_required = False  # type: ignore[attr-defined]
urlpatterns: list[URLPattern | URLResolver] = [
    *register_urls,
    path("bench/row-by-row/", row_by_row),
    path("bench/at-once/", at_once),
]


def page_as_people_come(name: str) -> Page:
    """The page with two operators on the register, and with six more."""
    people = iter((2, 6))

    def use() -> nullcontext:
        OperatorFactory.create_batch(next(people, 0))
        return nullcontext()

    with override_settings(ROOT_URLCONF=__name__, ZEAL_RAISE=False):
        return measure(Visit(name, "nobody", None, lambda: f"/bench/{name}/"), [use, use], rounds=1, tries=0)


def test_a_page_that_reads_row_by_row_is_noticed() -> None:
    page = page_as_people_come("row-by-row")
    assert [len(read.statements) for read in page.reads] == [3, 9]
    assert page.asks_more
    assert page.misses


def test_a_page_that_reads_at_once_asks_the_same_of_any_number() -> None:
    page = page_as_people_come("at-once")
    assert [len(read.statements) for read in page.reads] == [1, 1]
    assert not page.asks_more


@pytest.mark.parametrize(
    ("least", "most", "slower"), [(0.010, 0.016, True), (0.010, 0.014, False), (0.001, 0.003, False)]
)
def test_a_page_is_slower_by_half_and_by_more_than_the_clock_can_tell(
    least: float, most: float, slower: bool
) -> None:
    page = Page(SimpleNamespace(), [Read(200, 0, [], [seconds]) for seconds in (least, most)])
    assert page.is_slower is slower


def test_one_slow_answer_in_a_hundred_is_the_99th_percentile() -> None:
    spent = [0.01] * 99 + [1.0]
    random.Random(1).shuffle(spent)  # noqa: S311
    assert p99(spent) == 1.0
    assert p99([0.01] * 200 + [1.0]) == 0.01
