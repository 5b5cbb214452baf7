"""An evidence pack's parts about checks: those of one day on one machine, or all of one person's."""

from collections.abc import Iterable
from itertools import chain
from typing import Any

from assessments.outputs.evidence_pack_parts import (
    Part,
    bullets,
    facts,
    heading,
    par,
    picture,
    pictures,
    small,
    table,
)
from assessments.queries.evidence_pack import PackRows, was_submitted
from assessments.queries.evidence_pack_proof import PackProof
from competence.models import DailyCheck, Finding, Grade, Refusal
from competence.queries.gate_answers import facts_in_words, sentence_with_names
from competence.queries.record_rows import moment_of
from competence.queries.timeline import moment_words
from competence.rules.gate import Snapshot, zone_named
from competence.rules.plain import from_plain
from competence.rules.reasons import Reason, long_date


def checks_parts(rows: PackRows, proof: PackProof) -> Iterable[Part]:
    """Every check that the person made, a line each, and every refusal with its reasons."""
    yield heading(2, "Daily checks")
    if rows.checks:
        yield table(
            (
                ("Submitted", 3.2),
                ("Machine", 2),
                ("Site", 3),
                ("Result", 2.4),
                ("Defects", 1.4),
                ("Entry", 1.2),
            ),
            [
                (
                    moment_words(one.submitted_at, zone_named(one.site.zone)),
                    one.machine.fleet_number,
                    one.site.name,
                    one.get_result_display(),
                    str(one.defect_count or ""),
                    proof.number_of(one),
                )
                for one in rows.checks
            ],
        )
    else:
        yield par("No daily check was submitted by then.")
    yield heading(2, "Refusals")
    if not rows.refusals:
        yield par("The gate had refused this person no daily check by then.")
        return
    yield table(
        (("When", 3), ("Machine", 2), ("Why", 7.2), ("Entry", 1.2)),
        [
            (
                moment_words(one.at, zone_named(one.site.zone)),
                [one.machine.fleet_number, one.site.name],
                reasons_of(one, rows),
                proof.number_of(one),
            )
            for one in rows.refusals
        ],
    )


def reasons_of(row: DailyCheck | Refusal, rows: PackRows) -> list[str]:
    reasons = [Reason.from_plain(plain) for plain in row.verdict.get("reasons", [])]
    return [sentence_with_names(reason.sentence, rows.named) for reason in reasons]


def day_parts(rows: PackRows, proof: PackProof) -> Iterable[Part]:
    """The machine, and what happened on it that day, on its site's calendar."""
    yield from _machine(rows, proof)
    day = long_date(rows.asked.day)
    yield heading(2, f"Daily checks of {day}")
    if not rows.checks:
        yield par("No daily check was started on this machine that day.")
    for one in rows.checks:
        yield from _check(one, rows, proof)
    yield heading(2, f"Refusals of {day}")
    if rows.refusals:
        yield table(
            (("When", 3), ("Who", 3), ("Why", 6.2), ("Entry", 1.2)),
            [
                (
                    moment_words(one.at, rows.asked.zone),
                    f"{one.operator.name} ({one.operator.number})",
                    reasons_of(one, rows),
                    proof.number_of(one),
                )
                for one in rows.refusals
            ],
        )
    else:
        yield par("Nobody was refused on this machine that day.")
    yield from _verdicts(rows, proof)


def _machine(rows: PackRows, proof: PackProof) -> Iterable[Part]:
    asked, machine = rows.asked, rows.asked.machine
    yield heading(2, f"The machine {machine.fleet_number}")
    yield table(
        (("From", 3), ("What was recorded", 5.5), ("Why, written down when", 4), ("Entry", 1.2)),
        [
            (
                moment_words(state.effective_at, asked.zone),
                [
                    f"{state.make_and_model}, {state.category.name}",
                    f"At {state.site.name}, {'in' if state.is_in_service else 'out of'} service",
                    f"{state.operating_mass_kg:,} kg" if state.operating_mass_kg else "Mass not recorded",
                ],
                [state.reason, moment_words(state.recorded_at, asked.zone)],
                proof.number_of(state),
            )
            for state in rows.machine_states
        ],
    )
    yield heading(3, f"Defects open on {long_date(asked.day)}")
    if not rows.defects:
        yield par("No defect was open on this machine that day.")
        return
    yield table(
        (("Opened", 3), ("What", 4.5), ("Grade", 1.6), ("Closed", 4), ("Entry", 1.2)),
        [
            (
                [moment_words(one.opened_at, asked.zone), f"by {one.opened_by.daily_check.operator.name}"],
                [one.point_title, one.note],
                one.get_grade_display(),
                _closed(one, rows),
                proof.number_of(one),
            )
            for one in rows.defects
        ],
    )


def _closed(one: Any, rows: PackRows) -> list[str]:
    if one.closed_at is None or one.closed_at > rows.asked.known_at:
        return ["not by then"]
    return [moment_words(one.closed_at, rows.asked.zone), f"by {one.closed_by.name}: {one.done}"]


def _check(one: DailyCheck, rows: PackRows, proof: PackProof) -> Iterable[Part]:
    zone = rows.asked.zone
    yield heading(3, f"Check by {one.operator.name}, {one.started_at.astimezone(zone):%H:%M}")
    is_whole = was_submitted(one, rows.asked)
    told = [
        ("Operator", f"{one.operator.name} ({one.operator.number})"),
        ("Started", moment_words(one.started_at, zone)),
        ("Submitted", moment_words(one.submitted_at, zone) if is_whole else "not by then"),
        ("Checklist", f"{one.checklist.category.name}, version {one.checklist.number}"),
    ]
    if one.supervisor:
        told.append(("Supervising operator", f"{one.supervisor.name} ({one.supervisor.number})"))
    if is_whole:
        told += [("Result", one.get_result_display()), ("Hour meter", f"{one.hour_meter} h")]
    yield facts([*told, ("Journal entry", proof.number_of(one))])
    if not is_whole:
        yield par("It was not submitted, so what was answered in it is no record.")
        return
    findings = rows.findings.get(one.pk, [])
    yield from _found(findings)
    yield heading(4, "Every finding")
    yield table(
        (("Point", 5), ("Zone", 3), ("Finding", 2.2), ("Note", 5)),
        [
            (
                f"{each.listed.point.title}{' (critical)' if each.listed.point.is_critical else ''}",
                each.listed.zone_name,
                finding_words(each),
                each.note or each.not_reached_reason,
            )
            for each in findings
        ],
    )


def _found(findings: list[Finding]) -> Iterable[Part]:
    defects = [each for each in findings if each.answer == Finding.Answer.DEFECT]
    if not defects:
        return
    yield heading(4, "Defects found")
    yield bullets(
        f"{each.listed.point.title}, {Grade(each.grade).label.lower()}: {each.note}" for each in defects
    )
    yield from pictures(
        picture(
            each.photograph,
            f"Photograph of a defect at {each.listed.point.title}: {each.note}",
            each.listed.point.title,
        )
        for each in defects
        if each.photograph
    )


def finding_words(finding: Finding) -> str:
    grade = f", {Grade(finding.grade).label.lower()}" if finding.grade else ""
    return f"{finding.get_answer_display()}{grade}"


def _verdicts(rows: PackRows, proof: PackProof) -> Iterable[Part]:
    """What the gate said to this person that day, as it was kept with the check or the refusal."""
    asked = rows.asked
    kept = [row for row in chain(rows.checks, rows.refusals) if row.operator_id == asked.operator.pk]
    yield heading(2, "What the gate said that day, and on what")
    if not kept:
        yield par(f"The gate was not asked by {asked.operator.name} on this machine that day.")
        return
    yield small("Kept with the check or the refusal when it was given, and not worked out again since.")
    for row in sorted(kept, key=moment_of):
        at = moment_of(row)
        reasons = reasons_of(row, rows)
        word = "Allowed" if isinstance(row, DailyCheck) and not reasons else "Refused"
        yield heading(3, f"{word} at {at.astimezone(asked.zone):%H:%M} (entry {proof.number_of(row)})")
        if reasons:
            yield bullets(reasons)
        try:
            snapshot = from_plain(Snapshot, row.verdict["facts"])
        except (KeyError, TypeError, ValueError):
            yield par("The facts kept with it cannot be read.")
            continue
        for title, told in facts_in_words(snapshot, at, asked.site.zone, rows.named):
            yield heading(4, title)
            yield facts((fact.label, fact.value) for fact in told)
