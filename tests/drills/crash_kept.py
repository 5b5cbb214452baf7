"""Whether the register still holds everything that it acknowledged, once each and nothing by halves.

``python -m tests.drills.crash_kept LEDGER`` prints a JSON list of what is amiss, a sentence each.
"""

import json
import os
import sys
from collections import Counter
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import django


def amiss(kept: dict[str, dict[str, Any]]) -> Iterator[str]:
    yield from _checks(kept)
    yield from _assessments(kept)
    yield from _sittings(kept)
    yield from _journal(kept)
    yield from _database()


def _compare(what: str, acknowledged: dict[str, Any], held: Iterable[tuple[str, Any]]) -> Iterator[str]:
    """Each acknowledged thing is there once with what was said, and nothing is there that nobody sent.

    All phones have repeated until they were answered, so that nothing is still on its way.
    """
    rows = list(held)
    said, times = dict(rows), Counter(key for key, _ in rows)
    for key, words in acknowledged.items():
        if key not in said:
            yield f"lost: {what} {key} was acknowledged and is not there"
        elif words is not None and said[key] != words:
            yield f"lost: {what} {key} was acknowledged as {words} and is there as {said[key]}"
    for key, count in times.items():
        if count > 1:
            yield f"doubled: {what} {key} is there {count} times"
        if key not in acknowledged:
            yield f"doubled: {what} {key} is there and was never acknowledged under that id"


def _checks(kept: dict[str, dict[str, Any]]) -> Iterator[str]:
    from competence.models import DailyCheck, Defect, DefectSighting, Finding

    checks = list(DailyCheck.objects.select_related("machine"))
    yield from _compare("check", kept["check"], ((str(one.pk), one.machine.fleet_number) for one in checks))
    handed_in = [one for one in checks if one.status == DailyCheck.Status.SUBMITTED]
    hours = ((str(one.pk), f"{one.hour_meter:.1f}") for one in handed_in)
    yield from _compare("submission", kept["submission"], hours)
    findings = list(Finding.objects.all())
    yield from _compare(
        "finding",
        kept["finding"],
        (
            (f"{one.daily_check_id}/{one.listed_id}", [one.answer, one.note or one.not_reached_reason])
            for one in findings
        ),
    )
    # A defect found is one that was opened, or that was seen again: exactly one of the two.
    seen = Counter(Defect.objects.values_list("opened_by", flat=True))
    seen.update(DefectSighting.objects.values_list("finding", flat=True))
    submitted = {one.pk for one in handed_in}
    for one in findings:
        expected = int(one.answer == Finding.Answer.DEFECT and one.daily_check_id in submitted)
        if seen[one.pk] != expected:
            yield f"half-written: finding {one} stands in {seen[one.pk]} defects instead of {expected}"


def _assessments(kept: dict[str, dict[str, Any]]) -> Iterator[str]:
    from assessments.models import Assessment, Tap

    rows = list(Assessment.objects.select_related("machine"))
    yield from _compare(
        "assessment", kept["assessment"], ((str(one.pk), one.machine.fleet_number) for one in rows)
    )
    taps = list(Tap.objects.all())
    counts = Counter(str(tap.assessment_id) for tap in taps)
    finished = ((str(one.pk), counts[str(one.pk)]) for one in rows if one.finished_at)
    yield from _compare("assessment finished", kept["assessment_finish"], finished)
    held = ((str(tap.sent_as), [str(tap.assessment_id), tap.listed_id, tap.mark]) for tap in taps)
    yield from _compare("tap", kept["tap"], held)
    for one in rows:
        if one.points.count() != one.checklist.listed.count():
            yield f"half-written: assessment {one.pk} has only some of its points"


def _sittings(kept: dict[str, dict[str, Any]]) -> Iterator[str]:
    from assessments.models import Answer, Sitting

    rows = list(Sitting.objects.all())
    yield from _compare("sitting", kept["sitting"], ((str(one.pk), "") for one in rows))
    answers = list(Answer.objects.select_related("drawn"))
    counts = Counter(str(answer.drawn.sitting_id) for answer in answers)
    finished = ((str(one.pk), counts[str(one.pk)]) for one in rows if one.finished_at)
    yield from _compare("sitting finished", kept["sitting_finish"], finished)
    held = (
        (str(one.sent_as), [str(one.drawn.sitting_id), one.drawn.position, one.given["choice"]])
        for one in answers
    )
    yield from _compare("answer", kept["answer"], held)


# What is journalled once, and under which name, for each thing that was acknowledged.
ENTRIES = {
    "check": ("check.started", "competence.dailycheck"),
    "submission": ("check.submitted", "competence.dailycheck"),
    "assessment": ("assessment.started", "assessments.assessment"),
    "assessment_finish": ("assessment.finished", "assessments.assessment"),
    "sitting": ("sitting.started", "assessments.sitting"),
    "sitting_finish": ("sitting.finished", "assessments.sitting"),
}


def _journal(kept: dict[str, dict[str, Any]]) -> Iterator[str]:
    from competence.models import JournalEntry, JournalledRow

    for kind, (action, model) in ENTRIES.items():
        rows = JournalledRow.objects.filter(entry__action=action, kind=model)
        held = ((key, None) for key in rows.values_list("key", flat=True))
        yield from _compare(f"entry {action} of", dict.fromkeys(kept[kind]), held)
    empty = JournalEntry.objects.filter(rows__isnull=True).count()
    if empty:
        yield f"half-written: {empty} entries of the journal have no row"
    homeless = JournalledRow.objects.filter(entry__isnull=True).count()
    if homeless:
        yield f"half-written: {homeless} rows of the journal have no entry"


def _database() -> Iterator[str]:
    from django.db import connection

    if connection.vendor != "sqlite":
        return
    with connection.cursor() as cursor:
        cursor.execute("PRAGMA integrity_check")
        yield from (f"integrity_check: {line}" for (line,) in cursor.fetchall() if line != "ok")
        cursor.execute("PRAGMA foreign_key_check")
        yield from (f"foreign_key_check: {line}" for line in cursor.fetchall())


if __name__ == "__main__":
    os.environ["DJANGO_SETTINGS_MODULE"] = "competence.settings"
    django.setup()
    print(json.dumps(list(amiss(json.loads(Path(sys.argv[1]).read_text())))))
