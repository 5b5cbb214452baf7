"""Two assessors of one walk-around: blind until both have finished, then how alike they marked."""

from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from assessments.models import Assessment, Tap
from assessments.queries.agreement import (
    comparisons,
    double_markings,
    double_markings_at,
    points_differed,
)
from tests.doors.check_yard import signed_in
from tests.doors.marked_walks import Ground, trainer
from tests.factories import AccountFactory, PointFactory, SiteFactory

pytestmark = pytest.mark.django_db

UNPROMPTED, PROMPTED, MISSED, UNSAFE = "unprompted", "prompted", "missed", "unsafe"
Status = Assessment.Status
FIRST_MARKS = [UNPROMPTED, UNPROMPTED, PROMPTED, MISSED, UNSAFE, UNPROMPTED]
# Differs at the second point by one step, at the fourth by two, at the fifth by three.
SECOND_MARKS = [UNPROMPTED, PROMPTED, PROMPTED, UNPROMPTED, UNPROMPTED, UNPROMPTED]
MARKS_IN_PAGE = ("Unsafe", "Missed", "After a prompt", "Unprompted", "step apart", "steps apart", "%")


@pytest.fixture
def ground():
    titles = ("Tyres", "Mirrors", "Belt", "Horn", "Brake", "Wipers")
    points = [PointFactory(title=title, is_critical=title == "Brake") for title in titles]
    return Ground.of(points)


@pytest.fixture
def pair(ground):
    return trainer("Ada", "Carrow", ground.machine.site), trainer("Bram", "Dunmore", ground.machine.site)


def twice(ground, pair, *, first=Status.CONFIRMED, second=Status.CONFIRMED, operator=None, **more):
    operator = operator or ground.operator()
    one = ground.walk(pair[0], operator, FIRST_MARKS, status=first, **more)
    other = ground.walk(pair[1], operator, SECOND_MARKS, status=second, alongside=one, **more)
    return one, other


def page_of(account, assessment):
    return signed_in(account).get(reverse("assessment-agreement", args=[assessment.pk]))


def words_of(account, url):
    return signed_in(account).get(url).content.decode()


@pytest.mark.parametrize(
    ("first", "second", "to_finish", "done"),
    [
        (Status.FINISHED, Status.MARKING, "Bram Dunmore", "Ada Carrow"),
        (Status.MARKING, Status.FINISHED, "Ada Carrow", "Bram Dunmore"),
    ],
)
def test_until_both_have_finished_the_page_says_who_has_not_and_nothing_of_the_marks(
    ground, pair, first, second, to_finish, done
):
    one, _ = twice(ground, pair, first=first, second=second)
    auditor = AccountFactory(roles=["auditor"])
    for account in (*pair, auditor):
        response = page_of(account, one)
        # The index around it names rooms, "Missed checks" among them.
        page = response.content.decode().split("<main")[1].split("</main>")[0]
        assert response.status_code == 200
        for words in (*MARKS_IN_PAGE, "Tyres", "Brake", "competent"):
            assert words not in page, words
        markings = response.context["double"].markings
        states = {marking.assessor.name: marking.status == "marking" for marking in markings}
        assert states == {to_finish: True, done: False}


def test_a_third_who_is_still_marking_keeps_it_closed_for_all(ground, pair):
    one, _ = twice(ground, pair)
    third = trainer("Carys", "Ellery", ground.machine.site)
    ground.walk(third, one.operator, [UNSAFE], status=Status.MARKING, alongside=one)
    assert "Tyres" not in page_of(pair[0], one).content.decode()
    listed = words_of(pair[0], reverse("agreement-list"))
    assert "Brake" not in listed
    assert "Carys Ellery still to finish" in listed


def test_an_abandoned_marking_holds_nobody_up_and_is_compared_with_nothing(ground, pair):
    one, _ = twice(ground, pair)
    third = trainer("Carys", "Ellery", ground.machine.site)
    ground.walk(third, one.operator, [UNSAFE] * 6, status=Status.ABANDONED, alongside=one)
    response = page_of(pair[0], one)
    assert "Tyres" not in response.content.decode()
    assert "Brake" in response.content.decode()
    assert len(response.context["found"]) == 1


def test_with_one_marking_there_is_nothing_to_compare(ground, pair):
    alone = ground.walk(pair[0], ground.operator(), FIRST_MARKS)
    page = page_of(pair[0], alone).content.decode()
    assert "no two markings to compare" in page
    assert "Brake" not in page


def test_once_both_have_finished_they_read_how_alike_they_marked(ground, pair):
    one, _ = twice(ground, pair, second=Status.FINISHED)
    response = page_of(pair[1], one)
    page = response.content.decode()
    (found,) = response.context["found"]
    assert (found["percent"], found["agreed"], found["compared"]) == (50, 3, 6)
    assert "Few points say little: 6 points so far" in page
    assert "Cohen&#x27;s kappa" in page
    assert "On the ground" in page


def test_the_table_counts_who_gave_what_least_first(ground, pair):
    one, _ = twice(ground, pair)
    (found,) = page_of(pair[0], one).context["found"]
    counts = [[cell for cell, _ in cells] for _, cells in found["table"]]
    assert counts == [[0, 0, 0, 1], [0, 0, 0, 1], [0, 0, 1, 0], [0, 0, 1, 2]]
    assert (found["first"], found["second"]) == ("Ada Carrow", "Bram Dunmore")


def test_the_points_that_they_marked_differently_come_worst_first(ground, pair):
    one, _ = twice(ground, pair)
    (found,) = page_of(pair[0], one).context["found"]
    told = [(each["title"], each["first"], each["second"], each["steps"]) for each in found["differences"]]
    assert told == [
        ("Brake", "Unsafe", "Unprompted", "3 steps apart"),
        ("Horn", "Missed", "Unprompted", "2 steps apart"),
        ("Mirrors", "Unprompted", "After a prompt", "1 step apart"),
    ]


def test_of_points_equally_far_apart_the_critical_one_comes_first(ground, pair):
    operator = ground.operator()
    one = ground.walk(pair[0], operator, [MISSED, *[UNPROMPTED] * 3, MISSED, UNPROMPTED])
    ground.walk(pair[1], operator, [UNPROMPTED] * 6, alongside=one)
    (found,) = page_of(pair[0], one).context["found"]
    assert [each["title"] for each in found["differences"]] == ["Brake", "Tyres"]


def test_the_last_tap_counts_and_a_mark_taken_back_is_not_compared(ground, pair):
    operator = ground.operator()
    one = ground.walk(pair[0], operator, [UNSAFE] * 6)
    other = ground.walk(pair[1], operator, [UNPROMPTED] * 6, alongside=one)
    Tap.objects.bulk_create(ground.taps(one, [(0, UNPROMPTED), (1, PROMPTED), (1, "")]))
    (found,) = page_of(pair[0], other.alongside).context["found"]
    assert (found["agreed"], found["compared"], found["left_out"]) == (1, 5, 1)


def test_the_address_of_the_second_marking_leads_to_the_first(ground, pair):
    one, other = twice(ground, pair)
    response = page_of(pair[1], other)
    assert response["Location"] == reverse("assessment-agreement", args=[one.pk])


def test_who_may_open_it(ground, pair):
    one, _ = twice(ground, pair)
    elsewhere = trainer("Dilip", "Fenwick", SiteFactory())
    assert page_of(elsewhere, one).status_code == 403
    assert page_of(AccountFactory(operator=one.operator), one).status_code == 403
    # Who marked it may read it, though no longer a trainer at this site.
    pair[1].roles.update(ended_at=timezone.now())
    assert page_of(pair[1], one).status_code == 200


def test_three_markings_are_compared_two_by_two(ground, pair):
    one, _ = twice(ground, pair)
    third = trainer("Carys", "Ellery", ground.machine.site)
    ground.walk(third, one.operator, FIRST_MARKS, alongside=one)
    found = page_of(pair[0], one).context["found"]
    assert {(each["first"], each["second"], each["agreed"]) for each in found} == {
        ("Ada Carrow", "Bram Dunmore", 3),
        ("Ada Carrow", "Carys Ellery", 6),
        ("Bram Dunmore", "Carys Ellery", 3),
    }


def test_a_pair_is_pooled_over_its_walk_arounds_whoever_marked_first(ground, pair):
    twice(ground, pair)
    twice(ground, (pair[1], pair[0]))
    (found,) = comparisons(double_markings_at(None))
    assert found.walk_arounds == 2
    assert (found.whole.agreed, found.whole.compared) == (6, 12)
    # Ada's marks of the first walk and Bram's of the second went opposite ways: so does the table.
    three_apart = found.whole.table[0][3] + found.whole.table[3][0]
    assert (found.whole.table[0][3], three_apart) == (1, 2)


def test_the_points_most_often_marked_differently_come_first(ground, pair):
    twice(ground, pair)
    operator = ground.operator()
    one = ground.walk(pair[0], operator, [UNPROMPTED, UNPROMPTED, *[UNPROMPTED] * 4])
    ground.walk(pair[1], operator, [UNPROMPTED, PROMPTED, *[UNPROMPTED] * 4], alongside=one)
    found = points_differed(comparisons(double_markings_at(None)))
    assert [(each.title, each.differed, each.compared, each.steps) for each in found] == [
        ("Mirrors", 2, 2, 2),
        ("Brake", 1, 2, 3),
        ("Horn", 1, 2, 2),
    ]


def test_the_list_leaves_out_what_is_still_marked_blind(ground, pair):
    twice(ground, pair, first=Status.FINISHED, second=Status.MARKING)
    for account in pair:
        response = signed_in(account).get(reverse("agreement-list"))
        page = response.content.decode()
        assert response.context["pairs"] == []
        assert "Bram Dunmore still to finish" in page
        for title in ("Tyres", "Mirrors", "Horn", "Brake"):
            assert title not in page


def test_the_list_is_of_the_sites_that_one_may_see(ground, pair):
    twice(ground, pair)
    url = reverse("agreement-list")
    assert "Ada Carrow and Bram Dunmore" in words_of(AccountFactory(roles=["auditor"]), url)
    elsewhere = words_of(trainer("Dilip", "Fenwick", SiteFactory()), url)
    assert "Nothing was marked twice yet" in elsewhere
    assert "Ada Carrow" not in elsewhere


def test_the_list_narrows_to_a_pair_a_site_and_a_category(ground, pair):
    twice(ground, pair)
    third = trainer("Carys", "Ellery", ground.machine.site)
    twice(ground, (pair[0], third))
    client = signed_in(AccountFactory(roles=["auditor"]))
    url = reverse("agreement-list")
    every = client.get(url).context
    assert [line.name for line in every["pairs"]] == [
        "Ada Carrow and Bram Dunmore",
        "Ada Carrow and Carys Ellery",
    ]
    key = "-".join(map(str, sorted((pair[0].pk, third.pk))))
    narrowed = client.get(url, {"pair": key}).context
    assert [line.name for line in narrowed["pairs"]] == ["Ada Carrow and Carys Ellery"]
    assert sum(line.compared for line in narrowed["zones"]) == 6
    assert client.get(url, {"site": "no-such"}).context["pairs"] == []
    assert client.get(url, {"category": "no-such"}).context["pairs"] == []
    assert len(client.get(url, {"pair": "no-such"}).context["pairs"]) == 2


def statements(client, url):
    with CaptureQueriesContext(
        connection,
    ) as asked:
        assert client.get(url).status_code == 200
    return len(asked)


def test_reading_the_pairs_takes_three_statements_however_many(ground, pair, django_assert_num_queries):
    for _ in range(2):
        twice(ground, pair)
    with django_assert_num_queries(3):
        comparisons(double_markings_at(None))
    for day in range(12):
        twice(ground, pair, at=timezone.now() - timedelta(days=day))
    with django_assert_num_queries(3):
        comparisons(double_markings_at(None))


def test_neither_page_asks_more_for_more_rows(ground, pair):
    one, _ = twice(ground, pair)
    client = signed_in(pair[0])
    urls = [reverse("agreement-list"), reverse("assessment-agreement", args=[one.pk])]
    before = [statements(client, url) for url in urls]
    for _ in range(6):
        twice(ground, pair)
    assert [statements(client, url) for url in urls] == before
    assert max(before) <= 12


def test_a_double_marking_is_read_in_two_statements(ground, pair, django_assert_num_queries):
    one, _ = twice(ground, pair)
    with django_assert_num_queries(2):
        (double,) = double_markings(Assessment.objects.filter(pk=one.pk))
        assert [account.name for account in double.assessors] == ["Ada Carrow", "Bram Dunmore"]
