"""The rows of a workbook that are about machines at work: daily checks, refusals, defects.

Each function is one statement, read in chunks; its rows stand in the order of the sheet's columns.
"""

from collections.abc import Iterator
from typing import Any

from django.db.models import Case, CharField, Count, Exists, F, OuterRef, Q, QuerySet, Subquery, Value, When

from competence.models import DailyCheck, Defect, DefectSighting, Finding, Grade, MachineState, Refusal
from competence.queries.workbook import CHUNK, Names, Slice, employed_then
from competence.queries.workbook_people import ACCOUNT, PERSON, account_name, person_name
from competence.rules.reasons import Move

RESULTS = dict(DailyCheck.Result.choices)
GRADES = dict(Grade.choices)
WHOSE_MOVE = {
    Move.OPERATOR: "the operator",
    Move.SUPERVISING_OPERATOR: "the supervising operator",
    Move.TRAINER: "a trainer",
    Move.SITE_ADMIN: "the site admin",
}


def checks_then(asked: Slice) -> QuerySet[DailyCheck]:
    found = DailyCheck.objects.filter(
        asked.happened("submitted_at"), asked.at_sites("site_id"), status=DailyCheck.Status.SUBMITTED
    )
    if asked.category is not None:
        found = found.filter(checklist__category=asked.category)
    return employed_then(found, asked)


def check_rows(asked: Slice, named: Names) -> Iterator[tuple[Any, ...]]:
    found = checks_then(asked).annotate(
        defects=_count(Finding.objects.filter(answer=Finding.Answer.DEFECT), "daily_check"),
        not_reached=_count(Finding.objects.filter(answer=Finding.Answer.NOT_REACHED), "daily_check"),
    )
    columns = (
        "submitted_at",
        "started_at",
        "site_id",
        "machine__fleet_number",
        "checklist__category_id",
        "checklist__number",
        *PERSON,
        "supervisor__number",
        "verdict__ticket",
        "hour_meter",
        "hour_meter_note",
        "result",
        "result_reasons",
        "defects",
        "not_reached",
        "pk",
    )
    read = found.order_by("submitted_at", "pk").values_list(*columns)
    for row in read.iterator(chunk_size=CHUNK):
        submitted, started, site, machine, category, version, number, family, given, *rest = row
        supervisor, ticket, hours, note, result, reasons, defects, not_reached, pk = rest
        yield (
            submitted,
            started,
            named.site(site),
            machine,
            named.categories[category],
            version,
            number,
            person_name(family, given),
            supervisor or "",
            ticket or "",
            hours,
            note,
            RESULTS[result],
            " ".join(str(reason) for reason in reasons),
            defects or 0,
            not_reached or 0,
            str(pk),
        )


def refusals_then(asked: Slice) -> QuerySet[Refusal]:
    """With a category, those of machines that were of that category when the gate said no."""
    found = Refusal.objects.filter(asked.happened("at"), asked.at_sites("site_id"))
    if asked.category is not None:
        found = found.annotate(of_category=_category_at("at")).filter(of_category=asked.category)
    return employed_then(found, asked)


def refusal_rows(asked: Slice, named: Names) -> Iterator[tuple[Any, ...]]:
    columns = (
        "at",
        "site_id",
        "machine__fleet_number",
        *PERSON,
        "supervisor__number",
        "verdict__reasons",
        "pk",
    )
    read = refusals_then(asked).order_by("at", "pk").values_list(*columns)
    for row in read.iterator(chunk_size=CHUNK):
        at, site, machine, number, family, given, supervisor, reasons, pk = row
        reasons = reasons or []
        yield (
            at,
            named.site(site),
            machine,
            number,
            person_name(family, given),
            supervisor or "",
            len(reasons),
            "\n".join(_numbered(one["sentence"], n, len(reasons)) for n, one in enumerate(reasons, 1)),
            "\n".join(
                _numbered(f"{one['remedy']} (Move: {WHOSE_MOVE[one['move']]}.)", n, len(reasons))
                for n, one in enumerate(reasons, 1)
            ),
            str(pk),
        )


def _numbered(sentence: str, number: int, of: int) -> str:
    return sentence if of == 1 else f"{number}. {sentence}"


def defects_then(asked: Slice) -> QuerySet[Defect]:
    """Defects that had been found by then, by where they were found. With an employer, those that a person
    of that employer found."""
    found = Defect.objects.filter(asked.happened("opened_at"), asked.at_sites("site_id"))
    if asked.category is not None:
        found = found.filter(opened_by__daily_check__checklist__category=asked.category)
    return employed_then(found, asked, "opened_by__daily_check__operator")


def defect_rows(asked: Slice, named: Names) -> Iterator[tuple[Any, ...]]:
    seen = DefectSighting.objects.filter(finding__daily_check__submitted_at__lte=asked.both)
    worse = seen.filter(defect=OuterRef("pk"), finding__grade=Grade.STOP_USE)
    is_closed = Q(closed_at__lte=asked.both)
    found = defects_then(asked).annotate(
        # A defect is graded up by the check that saw it worse, so its grade then is the worst seen by then.
        grade_then=Case(
            When(Q(opened_by__grade=Grade.STOP_USE) | Exists(worse), then=Value(Grade.STOP_USE)),
            default=F("opened_by__grade"),
            output_field=CharField(),
        ),
        again=_count(seen, "defect"),
        was_closed=Case(When(is_closed, then=F("closed_at"))),
    )
    by = (f"closed_by__{column}" for column in ACCOUNT)
    finder = (f"opened_by__daily_check__{column}" for column in PERSON)
    columns = (
        "opened_at",
        "site_id",
        "machine__fleet_number",
        "opened_by__daily_check__checklist__category_id",
        "point_title",
        "grade_then",
        "note",
        "again",
        "was_closed",
        "done",
        "pk",
    )
    read = found.order_by("opened_at", "pk").values_list(*finder, *by, *columns)
    for row in read.iterator(chunk_size=CHUNK):
        number, family, given, first, last, username, *rest = row
        opened, site, machine, category, point, grade, note, again, closed, done, pk = rest
        yield (
            opened,
            named.site(site),
            machine,
            named.categories[category],
            point,
            GRADES[grade],
            note,
            number,
            person_name(family, given),
            again or 0,
            "Open" if closed is None else "Closed",
            closed,
            "" if closed is None else account_name(first, last, username),
            "" if closed is None else done,
            str(pk),
        )


def _count(rows: QuerySet, of: str) -> Subquery:
    counted = rows.filter((of, OuterRef("pk"))).order_by().values(of).annotate(number=Count("pk"))
    return Subquery(counted.values("number"))


def _category_at(moment: str) -> Subquery:
    states = MachineState.objects.filter(machine=OuterRef("machine"), effective_at__lte=OuterRef(moment))
    return Subquery(states.order_by("-effective_at", "-recorded_at", "-pk").values("category_id")[:1])
