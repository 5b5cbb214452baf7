"""Publishing papers that the bank can meet, and panels that set their cut."""

from datetime import timedelta
from decimal import Decimal

import pytest
from django.core.exceptions import ValidationError
from django.utils import timezone

from assessments.actions.papers import PaperLine, close_panel, open_panel, publish_paper, rate_panel
from assessments.models import Panel, PanelRating, PaperVersion
from assessments.queries.papers import panel_cut, panel_sheet, paper_on
from assessments.rules.papers import Line
from competence.actions.errors import ActionRefused
from competence.permissions import NotAllowed
from tests.actions.journalled import journals
from tests.factories import AccountFactory, CategoryFactory, MachineFactory, SiteFactory
from tests.factories.questions import QuestionVersionFactory, TopicFactory

pytestmark = pytest.mark.django_db


@pytest.fixture
def trainer():
    return AccountFactory(roles=["trainer"])


@pytest.fixture
def category():
    return CategoryFactory()


@pytest.fixture
def topics():
    """Brakes with five questions in use, access with three."""
    brakes, access = TopicFactory(code="brakes", name="Brakes"), TopicFactory(code="access", name="Access")
    QuestionVersionFactory.create_batch(5, question__topic=brakes)
    QuestionVersionFactory.create_batch(3, question__topic=access)
    return brakes, access


def today():
    return timezone.now().date()


def publish(by, category, lines, **changed):
    terms = {
        "in_force_from": today(),
        "minutes": 30,
        "attempts": 3,
        "wait_days": 1,
        "cut": 3,
        "cut_why": "Common practice.",
        **changed,
    }
    return publish_paper(by=by, category=category, lines=lines, **terms)


def test_a_paper_is_published_with_its_blueprint(trainer, category, topics):
    brakes, access = topics
    with journals("paper.published", rows={"assessments.paperversion", "assessments.blueprintline"}):
        version = publish(trainer, category, [PaperLine(brakes, 3, 2), PaperLine(access, 2)])
    assert version.number == 1
    assert paper_on(category, today()) == version
    assert {(line.topic, line.questions, line.is_critical) for line in version.lines.all()} == {
        (brakes, 3, True),
        (access, 2, False),
    }


def test_a_blueprint_that_the_bank_cannot_meet_names_each_topic_and_how_many_it_holds(
    trainer, category, topics
):
    brakes, access = topics
    with journals(None), pytest.raises(ActionRefused) as refused:
        publish(trainer, category, [PaperLine(brakes, 7), PaperLine(access, 4)])
    said = refused.value.sentence
    assert "3 questions short" in said
    assert "Brakes: 7 asked, 5 in use; Access: 4 asked, 3 in use" in said
    assert not PaperVersion.objects.exists()


def test_questions_of_another_category_do_not_fill_a_blueprint(trainer, category):
    topic = TopicFactory()
    QuestionVersionFactory(question__topic=topic, categories=[CategoryFactory().code])
    with pytest.raises(ActionRefused, match="1 question short"):
        publish(trainer, category, [PaperLine(topic, 1)], cut=1)


def test_the_next_paper_starts_later_and_not_in_the_past_of_who_sits_it(trainer, category, topics):
    line = [PaperLine(topics[0], 3)]
    publish(trainer, category, line, in_force_from=today() - timedelta(days=30))
    assert publish(trainer, category, line, in_force_from=today() - timedelta(days=9)).number == 2
    MachineFactory(category=category)
    with pytest.raises(ActionRefused, match="today or later"):
        publish(trainer, category, line, in_force_from=today() - timedelta(days=8))
    with pytest.raises(ActionRefused, match="starts later"):
        publish(trainer, category, line, in_force_from=today() - timedelta(days=9))


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"cut": 4}, "asks 3; no more can be right"),
        ({"cut": None}, "how many have to be right"),
        ({"lines": []}, "at least one question"),
    ],
)
def test_a_cut_that_means_nothing_is_refused(trainer, category, topics, changed, said):
    lines = changed.pop("lines", [PaperLine(topics[0], 3)])
    with journals(None), pytest.raises(ActionRefused, match=said):
        publish(trainer, category, lines, **changed)


def test_a_cut_without_a_panel_says_where_it_comes_from(trainer, category, topics):
    with journals(None), pytest.raises(ValidationError, match="Say where the cut comes from"):
        publish(trainer, category, [PaperLine(topics[0], 3)], cut_why="")


def test_no_more_must_be_right_than_are_asked(trainer, category, topics):
    with journals(None), pytest.raises(ValidationError, match="No more can be right"):
        publish(trainer, category, [PaperLine(topics[0], 3, 4)])


# Panels -------------------------------------------------------------------------------------------------


def judged(panel, *shares, whole=True):
    """One new judge for each share, who gives it to every question (or to the first only)."""
    keys = list(panel.questions.order_by("pk").values_list("pk", flat=True))
    judges = []
    for share in shares:
        judge = AccountFactory(roles=[("trainer", SiteFactory())])
        rate_panel(by=judge, panel=panel, ratings=dict.fromkeys(keys if whole else keys[:1], Decimal(share)))
        judges.append(judge)
    return judges


def test_a_panel_gets_up_to_so_many_questions_of_each_topic_by_its_seed(trainer, category, topics):
    with journals("panel.opened", rows={"assessments.panel", "assessments.panelquestion"}):
        panel = open_panel(by=trainer, category=category, topics=topics, of_each=4, seed=1)
    chosen = list(panel.questions.order_by("pk").values_list("version", flat=True))
    held = [row.version.question.topic.code for row in panel.questions.all()]
    assert sorted(held) == ["access"] * 3 + ["brakes"] * 4
    with pytest.raises(ActionRefused, match="open already"):
        open_panel(by=trainer, category=category, topics=topics, of_each=4)
    again = open_panel(by=trainer, category=CategoryFactory(), topics=topics, of_each=4, seed=1)
    assert list(again.questions.order_by("pk").values_list("version", flat=True)) == chosen
    seeds = {
        tuple(
            open_panel(by=trainer, category=CategoryFactory(), topics=topics, of_each=1, seed=seed)
            .questions.order_by("pk")
            .values_list("version", flat=True)
        )
        for seed in range(12)
    }
    assert len(seeds) > 1


def test_a_panel_without_a_question_to_rate_is_not_opened(trainer, category, topics):
    with pytest.raises(ActionRefused, match="No question is in use of Empty"):
        open_panel(by=trainer, category=category, topics=[TopicFactory(name="Empty")], of_each=2)
    with pytest.raises(ActionRefused, match="at least one topic"):
        open_panel(by=trainer, category=category, topics=[], of_each=2)
    assert not Panel.objects.exists()


def test_a_judge_may_think_again_and_only_what_changed_is_added(trainer, category, topics):
    panel = open_panel(by=trainer, category=category, topics=topics, of_each=2)
    first, second, *_ = panel.questions.order_by("pk").values_list("pk", flat=True)
    rate_panel(by=trainer, panel=panel, ratings={first: Decimal("0.5"), second: Decimal("0.5")})
    with journals("panel.rated", rows={"assessments.panelrating"}):
        rate_panel(by=trainer, panel=panel, ratings={first: Decimal("0.5"), second: Decimal("0.6")})
    assert list(PanelRating.objects.order_by("pk").values_list("share", flat=True)) == [
        Decimal("0.50"),
        Decimal("0.50"),
        Decimal("0.60"),
    ]
    with journals(None), pytest.raises(ActionRefused, match="says already"):
        rate_panel(by=trainer, panel=panel, ratings={first: Decimal("0.50")})


@pytest.mark.parametrize("share", ["1.01", "-0.1"])
def test_a_rating_is_a_share(trainer, category, topics, share):
    panel = open_panel(by=trainer, category=category, topics=topics, of_each=1)
    with journals(None), pytest.raises(ValidationError):
        rate_panel(by=trainer, panel=panel, ratings={panel.questions.first().pk: Decimal(share)})


def test_a_panel_of_one_judge_is_not_closed_and_keeps_its_ratings(trainer, category, topics):
    panel = open_panel(by=trainer, category=category, topics=topics, of_each=2)
    judged(panel, "0.6")
    judged(panel, "0.8", whole=False)
    with journals(None), pytest.raises(ActionRefused, match=r"One judge has rated every question so far"):
        close_panel(by=trainer, panel=panel)
    panel.refresh_from_db()
    assert panel.closed_at is None
    assert PanelRating.objects.count() == 5


def test_a_closed_panel_says_its_cut_and_takes_no_more_ratings(trainer, category, topics):
    panel = open_panel(by=trainer, category=category, topics=topics, of_each=2)
    judged(panel, "0.6", "0.8")
    (late,) = judged(panel, "0.1", whole=False)
    with journals("panel.closed", rows={"assessments.panel"}):
        panel = close_panel(by=trainer, panel=panel)
    found = panel_cut(panel, [Line("brakes", 5), Line("access", 3)])
    # Eight questions at .6 and at .8: 4.8 and 6.4, whose mean is 5.6; who rated in part is not counted.
    assert (round(found.mean, 9), found.cut, len(found.judges)) == (5.6, 6, 2)
    assert round(found.se, 9) == 0.8
    with journals(None), pytest.raises(ActionRefused, match="closed"):
        rate_panel(by=late, panel=panel, ratings={panel.questions.first().pk: Decimal("0.2")})


def test_a_paper_takes_its_cut_from_its_panel_and_says_why_where_it_does_not(trainer, category, topics):
    brakes, access = topics
    panel = open_panel(by=trainer, category=category, topics=[brakes], of_each=2)
    lines = [PaperLine(brakes, 5)]
    with pytest.raises(ActionRefused, match="closed"):
        publish(trainer, category, lines, panel=panel, cut=None, cut_why="")
    judged(panel, "0.6", "0.7")
    panel = close_panel(by=trainer, panel=panel)
    assert publish(trainer, category, lines, panel=panel, cut=None, cut_why="").cut == 4
    tomorrow = today() + timedelta(days=1)
    with pytest.raises(ActionRefused, match="came to 4 for these lines"):
        publish(trainer, category, lines, panel=panel, cut=5, cut_why="", in_force_from=tomorrow)
    assert publish(trainer, category, lines, panel=panel, cut=5, in_force_from=tomorrow).cut == 5
    later = tomorrow + timedelta(days=1)
    with pytest.raises(ActionRefused, match="rated nothing of Access"):
        publish(trainer, category, [PaperLine(access, 2)], panel=panel, cut=None, in_force_from=later)
    with pytest.raises(ActionRefused, match="of this category"):
        publish(trainer, CategoryFactory(), lines, panel=panel, cut=None)


def test_a_judge_sees_only_their_own_ratings_until_the_panel_is_closed(trainer, category, topics):
    panel = open_panel(by=trainer, category=category, topics=topics, of_each=1)
    first, _ = judged(panel, "0.6", "0.8")
    sheet = panel_sheet(panel, first, today())
    assert {row.own.share for row in sheet.rows} == {Decimal("0.60")}
    assert all(row.given == [] for row in sheet.rows)
    assert sheet.cut is None
    assert all(judge.score is None for judge in sheet.judges)
    sheet = panel_sheet(close_panel(by=trainer, panel=panel), first, today())
    assert {round(row.mean, 9) for row in sheet.rows} == {0.7}
    assert sheet.cut.cut == 2


def test_judging_takes_the_right_anywhere_and_all_else_everywhere(category, topics):
    at_one_site = AccountFactory(roles=[("trainer", SiteFactory())])
    panel = open_panel(by=AccountFactory(roles=["trainer"]), category=category, topics=topics, of_each=1)
    for act in (
        lambda: publish(at_one_site, category, [PaperLine(topics[0], 3)]),
        lambda: open_panel(by=at_one_site, category=CategoryFactory(), topics=topics, of_each=1),
        lambda: close_panel(by=at_one_site, panel=panel),
    ):
        with journals(None), pytest.raises(NotAllowed):
            act()
    ratings = {panel.questions.first().pk: Decimal("0.5")}
    with journals("panel.rated"):
        rate_panel(by=at_one_site, panel=panel, ratings=ratings)
    with journals(None), pytest.raises(NotAllowed):
        rate_panel(by=AccountFactory(roles=["auditor"]), panel=panel, ratings=ratings)
