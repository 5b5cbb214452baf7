"""This app's other part of the invented scenario: papers sat, refreshers answered, and who asks for them."""

import uuid
from collections.abc import Callable, Collection
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any

from assessments.actions.sittings import answer_question, finish_sitting, start_paper, start_refresher
from assessments.models import DrawnQuestion, PaperVersion, Sitting
from assessments.queries.sittings import content_of, sheet_of
from assessments.rules.questions import Content, Kind
from competence.actions.standards import publish_standard
from competence.inputs.scenario import Scenario
from competence.models import Account, Category, StandardVersion

# People take this long over a question, more or less.
SECONDS = range(9, 70)


def plan_sittings(scenario: Scenario) -> None:
    """Add the new version of a standard and every sitting of the scenario to its timetable."""
    for line in scenario.content["recall_asked"]:
        moment = scenario.almanac.moment(line["published"], "UTC")
        what = f"The standard of {line['category']} asks for recall"
        scenario.timetable.add(moment, what, lambda line=line: _ask_for_recall(scenario, line))
    for line in scenario.content["refresher"]:
        for at in line["at"]:
            _plan_one(
                scenario,
                line["operator"],
                at,
                timedelta(0),
                lambda by, key, line=line: _refresh(by, key, line),
            )
    for line in scenario.content["paper_sat"]:
        for place, number in enumerate(line["operators"]):
            later = timedelta(days=line["days_apart"] * place)
            _plan_one(scenario, number, line["at"], later, lambda by, key, line=line: _sit(by, key, line))


def _plan_one(
    scenario: Scenario, number: str, at: str, later: timedelta, sit: Callable[[Account, uuid.UUID], None]
) -> None:
    site = next(line["site"] for line in scenario.content["operator"] if line["number"] == number)
    moment: datetime = scenario.almanac.moment(at, scenario.zone_of(site)) + later
    key = uuid.uuid5(uuid.NAMESPACE_OID, f"{number} {at}")
    scenario.timetable.add(
        moment, f"{number} answers", lambda: sit(scenario.register.accounts[number.lower()], key)
    )


def _ask_for_recall(scenario: Scenario, line: dict[str, Any]) -> None:
    """The newest version of the standard once more, with a line that asks for refresher questions."""
    category = Category.objects.get(code=line["category"])
    held = StandardVersion.objects.filter(category=category).order_by("-number")[0]
    columns = ("kind", "title", "detail", "months", "hours", "recall_level", "source")
    terms = (
        "months",
        "period_end",
        "renewal_window_days",
        "lapse_limit_days",
        "pass_mark",
        "issue_by_another",
    )
    recall = {
        "kind": "recall",
        "title": "Refresher questions",
        "detail": "A few questions on a phone before what is known has faded.",
        "months": line["months"],
        "recall_level": Decimal(line["level"]),
        "source": "common practice",
    }
    publish_standard(
        by=scenario.register.accounts[line["by"]],
        category=category,
        in_force_from=scenario.almanac.day(line["in_force"], "UTC"),
        requirements=[*held.requirements.order_by("pk").values(*columns), recall],
        accepts=held.accepts.all(),
        note="Asks that what is known of the critical topics has not faded.",
        **{name: getattr(held, name) for name in terms},
    )


def _refresh(by: Account, key: uuid.UUID, line: dict[str, Any]) -> None:
    answer_all_of(by, start_refresher(by=by, sitting_id=key), wrong=line.get("wrong", ()))


def _sit(by: Account, key: uuid.UUID, line: dict[str, Any]) -> None:
    category = Category.objects.get(code=line["category"])
    sitting = start_paper(by=by, sitting_id=key, category=category)
    answer_all_of(by, sitting, wrong=line.get("wrong", ()), careless=line["careless"])


def answer_all_of(
    by: Account, sitting: Sitting, *, wrong: Collection[str] = (), careless: float = 0.0
) -> Sitting:
    """Answer every question, those that a refresher adds too, and finish. ``wrong``: topics to get wrong;
    ``careless``: how often one of a topic that is not critical goes wrong, the same for the same person."""
    critical = _critical_topics(sitting.paper)
    position = 1
    while position <= sitting.drawn.count():
        drawn = sheet_of(sitting).questions[position - 1].drawn
        topic = drawn.version.question.topic.code
        chance = uuid.uuid5(sitting.pk, drawn.version.question.code).int
        slips = topic not in critical and chance % 1000 < careless * 1000
        answer_question(
            by=by,
            sitting_id=sitting.pk,
            position=position,
            given=given_for(drawn, is_right=not (slips or topic in wrong)),
            sent_as=uuid.uuid5(sitting.pk, f"answer {position}"),
            seconds=SECONDS[chance % len(SECONDS)],
        )
        position += 1
    return finish_sitting(by=by, sitting_id=sitting.pk)


def _critical_topics(paper: PaperVersion | None) -> set[str]:
    lines = paper.lines.filter(must_be_right__gt=0) if paper else []
    return {line.topic.code for line in lines}


def given_for(drawn: DrawnQuestion, *, is_right: bool) -> dict[str, Any]:
    """What somebody who knows, or does not, would press."""
    content = content_of(drawn.version, drawn.shown)
    return (_right if is_right else _wrong)(content)


def _right(content: Content) -> dict[str, Any]:
    right = [place for place, choice in enumerate(content.choices) if choice.is_right]
    return {
        Kind.ONE: lambda: {"choice": right[0]},
        Kind.SEVERAL: lambda: {"choices": right},
        Kind.ORDER: lambda: {"order": list(range(len(content.steps)))},
        Kind.NUMBER: lambda: {"number": str(content.answer)},
        Kind.PICTURE: lambda: {"choice": content.truth},
    }[content.kind]()


def _wrong(content: Content) -> dict[str, Any]:
    wrong = [place for place, choice in enumerate(content.choices) if not choice.is_right]
    return {
        Kind.ONE: lambda: {"choice": wrong[0]},
        Kind.SEVERAL: lambda: {"choices": wrong[:1]},
        Kind.ORDER: lambda: {"order": list(reversed(range(len(content.steps))))},
        Kind.NUMBER: lambda: {"number": str(content.answer + content.tolerance + 1)},
        Kind.PICTURE: lambda: {"choice": next(key for key in content.keys if key != content.truth)},
    }[content.kind]()
