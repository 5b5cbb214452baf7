"""Harsh and lenient assessors, from marks made in bulk whose severities are known."""

import numpy as np
import pytest
from django.urls import reverse

from assessments.models import Assessment, Tap
from assessments.queries.severity import severities
from assessments.views.severity import chart_of
from tests.doors.check_yard import signed_in
from tests.doors.marked_walks import Ground, trainer
from tests.factories import AccountFactory, SiteFactory

pytestmark = pytest.mark.django_db

Status = Assessment.Status
MARKS = ("missed", "prompted", "unprompted")
POINTS = 20


def simulate(ground, assessors, operators, rng, logits):
    """Everybody assesses everybody; ``logits`` gives each assessor's severity."""
    ability = rng.normal(1.0, 0.5, len(operators))
    difficulty = rng.normal(0.0, 0.5, len(ground.listed))
    walks, taps = [], []
    for assessor, severity in zip(assessors, logits, strict=True):
        for operator, able in zip(operators, ability, strict=True):
            walk = ground.unsaved(assessor, operator)
            walks.append(walk)
            chance = 1 / (1 + np.exp(difficulty + severity - able))
            taps += ground.taps(walk, enumerate(MARKS[given] for given in rng.binomial(2, chance)))
    Assessment.objects.bulk_create(walks)
    Tap.objects.bulk_create(taps)
    return walks


@pytest.fixture
def ground():
    return Ground.of(POINTS)


@pytest.fixture
def simulated(ground):
    assessors = [trainer("Hard", "Ashworth"), trainer("Middling", "Bellamy"), trainer("Easy", "Carrow")]
    operators = [ground.operator() for _ in range(12)]
    simulate(ground, assessors, operators, np.random.default_rng(7), (1.0, 0.0, -1.0))
    return assessors


def page_of(account=None):
    return signed_in(account or AccountFactory(roles=["auditor"])).get(reverse("severity"))


def test_assessors_stand_from_harsh_to_lenient_each_with_a_sentence(simulated):
    response = page_of()
    page = response.content.decode()
    bars = response.context["chart"].bars
    assert [bar.severity.assessor for bar in bars] == ["Hard Ashworth", "Middling Bellamy", "Easy Carrow"]
    assert [bar.tone for bar in bars] == ["harsh", bars[1].tone, "lenient"]
    assert bars[0].score < bars[1].score < bars[2].score
    for bar in bars:
        assert bar.severity.sentence in page
    assert "Few marks say little" in page
    assert f"From {3 * 12 * POINTS} marks" in page


def test_the_chart_draws_the_same_figures_as_the_table(simulated):
    chart = page_of().context["chart"]
    first, last = chart.ticks[0][0], chart.ticks[-1][0]
    others = float(chart.others_at.rstrip("%"))
    for bar in chart.bars:
        at, start, width = (float(share.rstrip("%")) for share in (bar.at, bar.start, bar.width))
        assert 0 <= start <= at <= start + width <= 100
        assert (at < others) == (bar.score < 80)
    assert first <= min(bar.worst for bar in chart.bars)
    assert last >= max(bar.best for bar in chart.bars)


def test_with_nobody_to_compare_the_chart_is_empty_and_has_its_scale():
    chart = chart_of(())
    assert chart.bars == ()
    assert (chart.ticks[0][0], chart.ticks[-1][0]) == (60, 100)


def test_who_shares_nothing_with_others_cannot_be_compared_and_is_told_why(simulated):
    lone = trainer("Lone", "Dunmore")
    elsewhere = Ground.of(POINTS)
    elsewhere.walk(lone, elsewhere.operator(), ["unprompted"] * POINTS)
    response = page_of()
    assert [each.assessor for each in response.context["found"].apart] == ["Lone Dunmore"]
    assert "No operator and no point is shared with another assessor." in response.content.decode()


def test_few_marks_are_said_to_say_little(ground):
    operator = ground.operator()
    for name in ("One", "Two"):
        ground.walk(trainer(name, "Ellery"), operator, ["unprompted", "missed"] * 10)
    response = page_of()
    assert {bar.tone for bar in response.context["chart"].bars} == {"unknown"}
    assert "Cannot tell yet. Few marks say little: 20 so far" in response.content.decode()


def test_only_finished_and_confirmed_assessments_count(ground):
    assessor, operator = trainer("Ada", "Carrow"), ground.operator()
    for status, marks in (
        (Status.CONFIRMED, 1),
        (Status.FINISHED, 2),
        (Status.MARKING, 4),
        (Status.ABANDONED, 8),
    ):
        ground.walk(assessor, operator, ["missed"] * marks, status=status)
    assert severities().marks == 3


def test_the_last_tap_counts_and_a_mark_taken_back_does_not(ground):
    first, second = trainer("Ada", "Carrow"), trainer("Bram", "Dunmore")
    operator = ground.operator()
    walk = ground.walk(first, operator, ["missed"] * POINTS)
    ground.walk(second, operator, ["unprompted"] * POINTS)
    harsh = severities().compared[0]
    assert (harsh.assessor, harsh.marks) == ("Ada Carrow", POINTS)
    corrected = [(place, "unprompted") for place in range(1, POINTS)]
    Tap.objects.bulk_create(ground.taps(walk, [(0, ""), *corrected]))
    found = severities()
    assert found.marks == 2 * POINTS - 1
    assert all(abs(each.logits) < 0.1 for each in found.compared)


def test_a_walk_around_that_is_still_marked_blind_does_not_count_yet(ground):
    first, second = trainer("Ada", "Carrow"), trainer("Bram", "Dunmore")
    operator = ground.operator()
    one = ground.walk(first, operator, ["missed"] * POINTS, status=Status.FINISHED)
    other = ground.walk(second, operator, ["missed"], status=Status.MARKING, alongside=one)
    assert severities().marks == 0
    assert "Ada Carrow" not in page_of().content.decode()
    ground.walk(trainer("Carys", "Ellery"), operator, ["missed"], status=Status.FINISHED, alongside=one)
    assert severities().marks == 0
    other.status, other.abandoned_why = Status.ABANDONED, "Rain."
    other.save()
    assert severities().marks == POINTS + 1


def test_before_anything_is_finished_the_page_says_so():
    assert "No assessment is finished yet" in page_of().content.decode()


def test_it_takes_a_role_for_every_site(simulated):
    assert page_of(trainer("Dilip", "Fenwick", SiteFactory())).status_code == 403
    assert page_of(AccountFactory(roles=["site_admin"])).status_code == 403
    assert page_of(trainer("Dilip", "Garside")).status_code == 200


def test_two_statements_however_many_marks(ground, simulated, django_assert_num_queries):
    with django_assert_num_queries(2):
        before = severities().marks
    more = [trainer(f"Person{number}", "Garside") for number in range(4)]
    simulate(ground, more, [ground.operator() for _ in range(9)], np.random.default_rng(8), (0, 0, 0, 0))
    with django_assert_num_queries(2):
        assert severities().marks == before + 4 * 9 * POINTS
