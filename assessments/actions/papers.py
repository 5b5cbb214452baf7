"""Papers: published whole from a date on, and the panels whose ratings set their cut."""

import random
import secrets
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from django.db import transaction

from assessments.models import (
    BlueprintLine,
    Panel,
    PanelQuestion,
    PanelRating,
    PaperVersion,
    QuestionVersion,
    Sitting,
    Topic,
)
from assessments.queries.papers import newest_ratings, panel_cut, questions_of_panel, whole_ratings
from assessments.queries.questions import bank_for, bank_items
from assessments.rules.papers import FEWEST_JUDGES, Line, Shortfall, shortfalls
from competence.actions.clock import now
from competence.actions.errors import SAYS_SO_ALREADY, ActionRefused
from competence.actions.journal import record
from competence.actions.standards import judges_somebody, next_number
from competence.models import Account, Category
from competence.permissions import Right, require, require_everywhere


@dataclass(frozen=True)
class PaperLine:
    """How many questions of a topic a paper asks, and how many of these must be right."""

    topic: Topic
    questions: int
    must_be_right: int = 0

    @property
    def rule(self) -> Line:
        return Line(self.topic.code, self.questions, self.must_be_right)


@transaction.atomic
def publish_paper(
    *,
    by: Account,
    category: Category,
    in_force_from: date,
    lines: Sequence[PaperLine],
    minutes: int,
    attempts: int,
    wait_days: int,
    cut: int | None = None,
    cut_why: str = "",
    panel: Panel | None = None,
    note: str = "",
) -> PaperVersion:
    """Publish the next version of a category's paper.

    Without ``cut`` it is what the ``panel`` came to for these lines; another than that says why.
    """
    require_everywhere(by, Right.KEEP_QUESTIONS)
    number = next_number(PaperVersion, category, in_force_from, is_in_use=_is_in_use)
    _refuse_lines(category, lines)
    cut = _cut(category, lines, cut, cut_why, panel)
    version = PaperVersion(
        category=category,
        number=number,
        in_force_from=in_force_from,
        recorded_at=now(),
        recorded_by=by,
        minutes=minutes,
        cut=cut,
        cut_why=cut_why,
        panel=panel,
        attempts=attempts,
        wait_days=wait_days,
        note=note,
    )
    version.full_clean()
    version.save()
    kept = []
    for line in lines:
        row = BlueprintLine(
            version=version, topic=line.topic, questions=line.questions, must_be_right=line.must_be_right
        )
        row.full_clean()
        row.save()
        kept.append(row)
    record(by=by, action="paper.published", rows=[version, *kept])
    return version


def _is_in_use(category: Category) -> bool:
    return judges_somebody(category) or Sitting.objects.filter(category=category).exists()


def _refuse_lines(category: Category, lines: Sequence[PaperLine]) -> None:
    """Refuse a blueprint that asks nothing, or more than the bank holds; every topic that is short is
    named."""
    if not lines:
        raise ActionRefused("A paper asks at least one question: give a topic a number.")
    if short := shortfalls_in(category, lines):
        names = {line.topic.code: line.topic.name for line in lines}
        told = "; ".join(f"{names[one.topic]}: {one.needed} asked, {one.held} in use" for one in short)
        missing = sum(one.missing for one in short)
        raise ActionRefused(
            f"The bank is {missing} question{'s' if missing > 1 else ''} short for {category.name}. {told}. "
            "Ask fewer of these, or put more into use first."
        )


def shortfalls_in(category: Category, lines: Sequence[PaperLine]) -> list[Shortfall]:
    """The topics of which fewer questions are in use for a category than the lines ask."""
    return shortfalls(bank_items(bank_for(category)), [line.rule for line in lines])


def _cut(
    category: Category, lines: Sequence[PaperLine], cut: int | None, cut_why: str, panel: Panel | None
) -> int:
    """The cut as it is to be kept, refused where nothing stands behind it."""
    asked = sum(line.questions for line in lines)
    if panel is None:
        if cut is None:
            raise ActionRefused(
                "Say how many have to be right, or choose the panel that says it.", field="cut"
            )
    else:
        if panel.category_id != category.pk or panel.closed_at is None:
            raise ActionRefused("Choose a panel of this category that is closed.", field="panel")
        rated = {row.version.question.topic_id for row in questions_of_panel(panel)}
        if unrated := [line.topic.name for line in lines if line.topic.pk not in rated]:
            raise ActionRefused(f"This panel rated nothing of {', '.join(unrated)}.", field="panel")
        found = panel_cut(panel, [line.rule for line in lines])
        if cut is None:
            cut = found.cut
        elif cut != found.cut and not cut_why:
            raise ActionRefused(
                f"The panel came to {found.cut} for these lines. Say why the cut is {cut} instead.",
                field="cut_why",
            )
    if cut > asked:
        raise ActionRefused(f"The paper asks {asked}; no more can be right.", field="cut")
    return cut


@transaction.atomic
def open_panel(
    *,
    by: Account,
    category: Category,
    topics: Sequence[Topic],
    of_each: int,
    note: str = "",
    seed: int | None = None,
) -> Panel:
    """Put up to ``of_each`` questions in use of each topic before a panel, as they read now.

    The seed decides which; a panel that is to be repeated gives its own.
    """
    require_everywhere(by, Right.KEEP_QUESTIONS)
    Category.objects.select_for_update().get(pk=category.pk)
    if Panel.objects.filter(category=category, closed_at__isnull=True).exists():
        raise ActionRefused(f"A panel for {category.name} is open already. Close that one first.")
    of_topic: dict[int, list[QuestionVersion]] = defaultdict(list)
    for version in bank_for(category):
        of_topic[version.question.topic_id].append(version)
    if empty := [topic.name for topic in topics if not of_topic[topic.pk]]:
        raise ActionRefused(f"No question is in use of {', '.join(empty)}.", field="topics")
    if not topics or of_each < 1:
        raise ActionRefused("Choose at least one topic, and one question of each.", field="topics")
    rng = random.Random(secrets.randbits(62) if seed is None else seed)  # noqa: S311 -- which, not a secret
    panel = Panel(category=category, opened_at=now(), opened_by=by, note=note)
    panel.full_clean()
    panel.save()
    rated = [
        PanelQuestion.objects.create(panel=panel, version=version)
        for topic in topics
        for version in rng.sample(of_topic[topic.pk], min(of_each, len(of_topic[topic.pk])))
    ]
    record(by=by, action="panel.opened", rows=[panel, *rated])
    return panel


@transaction.atomic
def rate_panel(*, by: Account, panel: Panel, ratings: Mapping[int, Decimal]) -> list[PanelRating]:
    """Keep one judge's ratings: the share, by the key of the panel's question. Only what is new or changed is
    added; a panel may be rated in several goes, and a judge may think again until it is closed."""
    require(by, Right.KEEP_QUESTIONS)
    panel = _open_one(panel)
    questions = {row.pk: row for row in panel.questions.all()}
    if set(ratings) - set(questions):
        raise ActionRefused("That question is not before this panel.")
    held = newest_ratings(panel).get(by.pk, {})
    moment, kept = now(), []
    for key, share in ratings.items():
        if key in held and held[key].share == share:
            continue
        rating = PanelRating(question=questions[key], judge=by, share=share, recorded_at=moment)
        rating.clean_fields()
        rating.save()
        kept.append(rating)
    if not kept:
        raise ActionRefused(SAYS_SO_ALREADY if ratings else "Give at least one question a rating.")
    record(by=by, action="panel.rated", rows=kept)
    return kept


@transaction.atomic
def close_panel(*, by: Account, panel: Panel) -> Panel:
    """Close a panel that enough judges have rated whole. What others rated in part is kept, not counted."""
    require_everywhere(by, Right.KEEP_QUESTIONS)
    panel = _open_one(panel)
    whole = whole_ratings(newest_ratings(panel), questions_of_panel(panel))
    if len(whole) < FEWEST_JUDGES:
        so_far = {0: "No judge has", 1: "One judge has"}[len(whole)]
        raise ActionRefused(
            f"{so_far} rated every question so far, and a panel needs at least {FEWEST_JUDGES}: one alone "
            "says nothing of how far judges differ. Every rating is kept; ask another trainer to rate, then "
            "close it."
        )
    panel.closed_at = now()
    panel.save()
    record(by=by, action="panel.closed", rows=[panel])
    return panel


def _open_one(panel: Panel) -> Panel:
    panel = Panel.objects.select_for_update().get(pk=panel.pk)
    if panel.closed_at is not None:
        raise ActionRefused("This panel is closed. Its ratings stand as they are; a new panel can be opened.")
    return panel
