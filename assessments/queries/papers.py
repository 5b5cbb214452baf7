"""Papers in time, what the bank has for them, and what panels came to."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from django.db.models import Prefetch, QuerySet, prefetch_related_objects

from assessments.models import BlueprintLine, Panel, PanelQuestion, PanelRating, PaperVersion
from assessments.queries.questions import bank_for, bank_items, versions_in_use
from assessments.rules.papers import Line, PanelCut, Shortfall, angoff, shortfalls
from competence.models import Account, Category
from competence.queries.versions import (
    CategoryRow,
    VersionInTime,
    category_rows,
    in_time,
    version_on,
    version_shown,
)

Ratings = dict[int, dict[int, PanelRating]]


def papers_to_show() -> QuerySet[PaperVersion]:
    """Papers with their blueprints. No statement yet."""
    return PaperVersion.objects.select_related("category", "recorded_by").prefetch_related("lines__topic")


def paper_on(category: Category, on: date) -> PaperVersion | None:
    """The paper in force for a category on a day. One statement."""
    return version_on(PaperVersion.objects.select_related("category"), category, on)


def lines_in_order(version: PaperVersion) -> list[BlueprintLine]:
    """A blueprint by its topics' names; no statement where the lines were fetched."""
    return sorted(version.lines.all(), key=lambda line: line.topic.name)


def lines_of(version: PaperVersion) -> list[Line]:
    """A blueprint as the rules take it, by its topics' codes. One statement, none where the lines were
    fetched."""
    prefetch_related_objects([version], Prefetch("lines", BlueprintLine.objects.select_related("topic")))
    lines = sorted(version.lines.all(), key=lambda line: line.topic.code)
    return [Line(line.topic.code, line.questions, line.must_be_right) for line in lines]


@dataclass(frozen=True)
class PaperRow:
    """One category of the list of papers. ``short``: topics of which the bank holds too few today."""

    row: CategoryRow
    short: list[Shortfall]
    open_panel: Panel | None

    @property
    def category(self) -> Category:
        return self.row.category

    @property
    def in_force(self) -> PaperVersion | None:
        return self.row.in_force

    @property
    def following(self) -> PaperVersion | None:
        return self.row.following

    @property
    def asked(self) -> int:
        return sum(line.questions for line in self.row.in_force.lines.all()) if self.row.in_force else 0


def paper_rows(on: date) -> list[PaperRow]:
    """One row a category, by name. Six statements, however many papers and questions."""
    bank = list(versions_in_use())
    panels = {panel.category_id: panel for panel in Panel.objects.filter(closed_at__isnull=True)}
    rows = []
    for row in category_rows(papers_to_show(), on):
        short: list[Shortfall] = []
        if row.in_force:
            of_category = [one for one in bank if not one.categories or row.category.code in one.categories]
            short = shortfalls(bank_items(of_category), lines_of(row.in_force))
        rows.append(PaperRow(row, short, panels.get(row.category.pk)))
    return rows


@dataclass(frozen=True)
class PaperLineRow:
    """One line of a blueprint beside what the bank has for it today."""

    line: BlueprintLine
    in_use: int

    @property
    def missing(self) -> int:
        return max(0, self.line.questions - self.in_use)


@dataclass(frozen=True)
class PaperSheet:
    """A category's paper: its versions, the one shown with its lines, and the panels of the category."""

    versions: list[VersionInTime]
    shown: VersionInTime | None
    lines: list[PaperLineRow]
    cut: PanelCut | None
    panels: list[Panel]

    @property
    def asked(self) -> int:
        return sum(row.line.questions for row in self.lines)

    @property
    def short(self) -> list[PaperLineRow]:
        return [row for row in self.lines if row.missing]

    @property
    def open_panel(self) -> Panel | None:
        return next((panel for panel in self.panels if panel.closed_at is None), None)


def paper_sheet(category: Category, on: date, number: int | None = None) -> PaperSheet:
    """A category's paper and the panels of the category. Seven statements at most, however many versions."""
    versions = list(
        papers_to_show().filter(category=category).select_related("panel").order_by("-in_force_from")
    )
    rows = in_time(versions, on)
    shown = version_shown(rows, number)
    held: dict[str, int] = defaultdict(int)
    for version in bank_for(category):
        held[version.question.topic.code] += 1
    lines, cut = [], None
    if shown:
        lines = [PaperLineRow(line, held[line.topic.code]) for line in lines_in_order(shown.version)]
        cut = panel_cut(shown.version.panel, lines_of(shown.version)) if shown.version.panel else None
    panels = Panel.objects.filter(category=category).select_related("opened_by").order_by("-opened_at")
    return PaperSheet(rows, shown, lines, cut, list(panels))


def held_by_topic(category: Category) -> dict[int, int]:
    """How many questions are in use for a category, by the key of their topic. One statement."""
    held: dict[int, int] = defaultdict(int)
    for version in bank_for(category):
        held[version.question.topic_id] += 1
    return held


def questions_of_panel(panel: Panel) -> list[PanelQuestion]:
    """What a panel rates, topic by topic. One statement."""
    return list(
        panel.questions.select_related("version__question__topic").order_by(
            "version__question__topic__name", "version__question__code"
        )
    )


def newest_ratings(panel: Panel) -> Ratings:
    """What counts: each judge's newest rating of each question, by judge and question. One statement."""
    found: Ratings = defaultdict(dict)
    for rating in PanelRating.objects.filter(question__panel=panel).select_related("judge").order_by("pk"):
        found[rating.judge_id][rating.question_id] = rating
    return dict(found)


def whole_ratings(ratings: Ratings, questions: Sequence[PanelQuestion]) -> Ratings:
    """Those of judges who rated everything; what is rated in part is kept, and not counted."""
    return {judge: rated for judge, rated in ratings.items() if len(rated) == len(questions)}


def panel_cut(panel: Panel, lines: Sequence[Line]) -> PanelCut:
    """What a panel's judges come to for a paper drawn by ``lines``. Two statements. Raises ``ValueError``
    where they are too few, or a topic was not before them."""
    questions = questions_of_panel(panel)
    return cut_of(questions, newest_ratings(panel), lines)


def cut_of(questions: Sequence[PanelQuestion], ratings: Ratings, lines: Sequence[Line]) -> PanelCut:
    """The same of what was read already. Judges are called by name and sign-in, which tells them apart."""
    topics = {row.pk: row.version.question.topic for row in questions}
    names = {topic.code: topic.name for topic in topics.values()}
    if unrated := [line.topic for line in lines if line.topic not in names]:
        raise ValueError(f"This panel rated nothing of {', '.join(unrated)}.")
    shares: dict[str, dict[str, list[float]]] = {}
    for rated in whole_ratings(ratings, questions).values():
        by_topic: dict[str, list[float]] = defaultdict(list)
        for key, rating in rated.items():
            by_topic[topics[key].code].append(float(rating.share))
        judge = next(iter(rated.values())).judge
        shares[judge_name(judge)] = by_topic
    return angoff(shares, lines)


def judge_name(judge: Account) -> str:
    return f"{judge.name} ({judge.username})"


@dataclass(frozen=True)
class JudgeRow:
    """How far one judge is. ``score``: questions of the paper that they expect to be right, once closed."""

    judge: Account
    rated: int
    asked: int
    score: float | None = None

    @property
    def is_whole(self) -> bool:
        return self.rated == self.asked


@dataclass(frozen=True)
class PanelRow:
    """One question before a panel, what this judge gave it, and once closed what each gave, by judge."""

    row: PanelQuestion
    own: PanelRating | None
    given: list[PanelRating | None]

    @property
    def mean(self) -> float | None:
        shares = [float(rating.share) for rating in self.given if rating is not None]
        return sum(shares) / len(shares) if shares else None


@dataclass(frozen=True)
class PanelSheet:
    """A panel as one judge may see it: others' ratings only once it is closed.

    ``cut`` is for ``lines``: those of the paper in force where the panel rated every topic of it, else a
    paper of the rated questions themselves.
    """

    panel: Panel
    rows: list[PanelRow]
    judges: list[JudgeRow]
    lines: list[Line]
    is_for_paper: bool
    cut: PanelCut | None

    @property
    def own_rated(self) -> int:
        return sum(1 for row in self.rows if row.own is not None)


def panel_sheet(panel: Panel, judge: Account, on: date) -> PanelSheet:
    """Five statements, however many questions and judges."""
    questions, ratings = questions_of_panel(panel), newest_ratings(panel)
    paper = version_on(papers_to_show(), panel.category, on)
    lines, is_for_paper = _lines_to_judge(questions, lines_of(paper) if paper else [])
    cut = None
    if panel.closed_at is not None and len(whole_ratings(ratings, questions)) > 1:
        cut = cut_of(questions, ratings, lines)
    judges = sorted((_judge_row(rated, len(questions), cut) for rated in ratings.values()), key=_by_name)
    shown = [one for one in judges if one.is_whole] if panel.closed_at is not None else []
    own = ratings.get(judge.pk, {})
    rows = [
        PanelRow(row, own.get(row.pk), [ratings[one.judge.pk].get(row.pk) for one in shown])
        for row in questions
    ]
    return PanelSheet(panel, rows, judges, lines, is_for_paper, cut)


def _by_name(row: JudgeRow) -> tuple[str, int]:
    return (row.judge.name, row.judge.pk)


def _judge_row(rated: dict[int, PanelRating], asked: int, cut: PanelCut | None) -> JudgeRow:
    judge = next(iter(rated.values())).judge
    return JudgeRow(judge, len(rated), asked, cut.judges.get(judge_name(judge)) if cut else None)


def _lines_to_judge(questions: Sequence[PanelQuestion], lines: list[Line]) -> tuple[list[Line], bool]:
    counted: dict[str, int] = defaultdict(int)
    for row in questions:
        counted[row.version.question.topic.code] += 1
    if lines and all(line.topic in counted for line in lines):
        return lines, True
    return [Line(topic, count) for topic, count in sorted(counted.items())], False
