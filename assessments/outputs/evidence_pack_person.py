"""An evidence pack's parts about the person: particulars, tickets, evidence, assessments, sittings."""

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from assessments.outputs.evidence_pack_parts import (
    Cell,
    Part,
    bullets,
    facts,
    heading,
    par,
    picture,
    pictures,
    table,
)
from assessments.queries.assessment_records import Record, outcome_word
from assessments.queries.evidence_pack import PackRows
from assessments.queries.evidence_pack_proof import PackProof
from assessments.queries.sittings import SittingSheet, result_of
from assessments.rules.paper_words import paper_words, refresher_words
from competence.models import Evidence, TicketEvent
from competence.queries.record_rows import event_of
from competence.queries.timeline import evidence_happenings, moment_words, ticket_happenings
from competence.rules.dates import day_at
from competence.rules.gate import zone_named
from competence.rules.reasons import long_date
from competence.rules.standing import standing
from competence.rules.ticket_words import LEVEL_WORDS, StateWords, state_words


def person_parts(rows: PackRows, proof: PackProof) -> Iterable[Part]:
    yield from _particulars(rows, proof)
    yield from _tickets(rows, proof)
    yield from _evidence(rows, proof)
    yield from _assessments(rows, proof)
    yield from _sittings(rows, proof)


def standings(rows: PackRows) -> Iterable[tuple[list[TicketEvent], StateWords, list[str]]]:
    """Each ticket's events, its state at the moment asked about, and its level and conditions then."""
    asked = rows.asked
    for events in rows.events.values():
        held = standing(map(event_of, events), at=asked.at, known_at=asked.known_at)
        said = [LEVEL_WORDS[held.level], *rows.named.of(held.conditions)] if held else []
        yield events, state_words(held, asked.day), said


def _particulars(rows: PackRows, proof: PackProof) -> Iterable[Part]:
    asked, operator = rows.asked, rows.asked.operator
    yield heading(2, "The person")
    latest = rows.states[-1] if rows.states else None
    told = [
        ("Name", operator.name),
        ("Operator number", operator.number),
        ("First day at work", long_date(operator.started_on)),
    ]
    if latest:
        told += [
            ("Employer then", latest.employer.name),
            ("Home site then", latest.site.name),
            ("Active then", "yes" if latest.is_active else "no"),
        ]
    yield facts(told)
    if not rows.states:
        yield par("Nothing else was written down of this person by then.")
        return
    yield heading(3, "Where they belonged")
    yield table(
        (("From", 3), ("Belonged to", 4), ("Why", 4), ("Written down", 3), ("Entry", 1.2)),
        [
            (
                moment_words(state.effective_at, asked.zone),
                [
                    f"{state.site.name}, employed by {state.employer.name}",
                    *([] if state.is_active else ["Not active"]),
                ],
                state.reason,
                moment_words(state.recorded_at, asked.zone),
                proof.number_of(state),
            )
            for state in rows.states
        ],
    )


def _tickets(rows: PackRows, proof: PackProof) -> Iterable[Part]:
    asked = rows.asked
    yield heading(2, "Tickets")
    if not rows.events:
        yield par("No ticket was on record by then.")
    for events, words, said in standings(rows):
        ticket = events[0].ticket
        yield heading(3, f"Ticket {ticket.number}, {ticket.category.name}")
        yield par(
            f"{'. '.join(filter(None, [f'{words.word} {words.detail}'.strip(), *said]))}".rstrip(".") + "."
        )
        happenings = ticket_happenings(events, asked.zone, rows.named, with_ticket=False)
        yield table(
            (("Took effect", 3), ("What", 5), ("By whom, when, why", 5.5), ("Entry", 1.2)),
            [
                (
                    one.when,
                    [f"{one.what}{' (corrected below)' if one.is_corrected else ''}", *one.says],
                    _who_when_why(one.who, one.recorded, one.why),
                    proof.number_of(event),
                )
                for event, one in zip(events, happenings, strict=True)
            ],
        )


def _who_when_why(who: str, when: str, why: str) -> list[str]:
    return list(filter(None, [who, when, f"“{why}”" if why else ""]))


def _evidence(rows: PackRows, proof: PackProof) -> Iterable[Part]:
    zone = rows.asked.zone
    yield heading(2, "Evidence")
    if not rows.evidence:
        yield par("No evidence was on record by then.")
        return
    corrected = {row.corrects_id for row in rows.evidence if row.corrects_id}
    shown = []
    for row, one in zip(rows.evidence, evidence_happenings(rows.evidence, zone), strict=True):
        shown.append(
            (
                one.when,
                [
                    one.what,
                    *one.says,
                    *([f"Counts to {long_date(row.counts_to)}."] if row.counts_to else []),
                    *_correction(row, corrected),
                ],
                _who_when_why(one.who, moment_words(row.recorded_at, zone), one.why),
                proof.number_of(row),
            )
        )
    yield table(
        (
            ("Happened", 2.4),
            ("What", 5.4),
            ("By whom, when, from what", 5.7),
            ("Entry", 1.2),
        ),
        shown,
    )


def _correction(row: Evidence, corrected: set[Any]) -> list[str]:
    said = []
    if row.corrects is not None:
        said.append(f"In place of that of {long_date(row.corrects.occurred_on)}.")
    if row.pk in corrected:
        said.append("No longer counts: it was corrected.")
    return said


# Practical assessments ------------------------------------------------------------------------------------


def _assessments(rows: PackRows, proof: PackProof) -> Iterable[Part]:
    yield heading(2, "Practical assessments")
    if not rows.records:
        yield par("No practical assessment was finished by then.")
    for record in rows.records:
        yield from _assessment(record, rows, proof)


def _assessment(record: Record, rows: PackRows, proof: PackProof) -> Iterable[Part]:
    one = record.assessment
    yield heading(3, f"Assessment {one.number}, {one.category.name}")
    yield facts(_assessment_facts(record, rows, proof))
    if record.reasons:
        yield heading(4, "What made it so")
        yield bullets(record.reasons)
    yield heading(4, "Point by point")
    yield table(
        (("Point", 6.5), ("Zone", 3.5), ("Mark", 2.6), ("Seen", 1.2), ("Earned", 1.7), ("Cost", 1.6)),
        [
            (
                f"{point.title} (critical)" if point.is_critical else point.title,
                zone.name,
                point.mark or "Not marked",
                str(point.place or ""),
                point.earned,
                point.cost,
            )
            for zone in record.zones
            for point in zone.points
        ],
    )
    noted = [(point, note) for zone in record.zones for point in zone.points for note in point.notes]
    if noted:
        yield heading(4, "Notes of the assessor")
        yield bullets(f"{point.title}: {note.text or 'a photograph'}" for point, note in noted)
        yield from pictures(
            picture(note.photograph, f"Photograph of {point.title}. {note.text}".strip(), point.title)
            for point, note in noted
            if note.photograph
        )


def _assessment_facts(record: Record, rows: PackRows, proof: PackProof) -> list[tuple[str, Cell]]:
    one, known_at = record.assessment, rows.asked.known_at
    zone = zone_named(one.site.zone)

    def at(moment: datetime | None) -> str:
        return moment_words(moment, zone) if moment and moment <= known_at else "not by then"

    told: list[tuple[str, Cell]] = [
        ("Found", outcome_word(one.is_competent)),
        ("Score", f"{record.score}, pass mark {record.pass_mark}: {record.margin}"),
        ("Assessed by", [one.assessor.name, _appointment(record, rows)]),
        ("Machine", one.machine.fleet_number),
        ("Site", one.site.name),
        ("By", f"standard version {one.standard_version.number}, checklist version {one.checklist.number}"),
        ("Started", at(one.started_at)),
        ("Finished", at(one.finished_at)),
        ("Confirmed by the assessor", at(one.assessor_confirmed_at)),
        ("Confirmed by the operator", at(one.operator_confirmed_at)),
    ]
    if one.unconfirmed_by and one.unconfirmed_at and one.unconfirmed_at <= known_at:
        when = moment_words(one.unconfirmed_at, zone)
        told[-1] = (
            "Confirmed by the operator",
            [
                f"no; recorded as not confirmed on {when} by {one.unconfirmed_by.name}",
                f"“{one.unconfirmed_why}”",
            ],
        )
    if record.is_decided_otherwise:
        who = f"raised by {one.raised_by.name}" if one.raised_by else f"lowered by {one.assessor.name}"
        told.append(
            (
                "Found otherwise than the marks",
                f"By the marks {record.by_marks.lower()}; {who}: {one.decided_why}",
            )
        )
    told += [
        (
            f"Corrected on {moment_words(correction.recorded_at, zone)}",
            f"{outcome_word(correction.is_competent)}, by {correction.recorded_by.name}: {correction.reason} "
            f"(entry {proof.number_of(correction)})",
        )
        for correction in record.corrections
    ]
    if one.alongside:
        told.append(
            ("Second marking of", f"assessment {one.alongside.number}, by {one.alongside.assessor.name}")
        )
    return [*told, ("Journal entry", proof.number_of(one))]


def _appointment(record: Record, rows: PackRows) -> str:
    """The newest appointment written down by then decides, as where an assessment is started."""
    one = record.assessment
    on = day_at(one.started_at, zone_named(one.site.zone))
    newest = [
        each
        for each in rows.appointments
        if each.account_id == one.assessor_id
        and each.category_id == one.category_id
        and each.recorded_at <= one.started_at
    ]
    if newest and newest[-1].first_day <= on <= newest[-1].last_day:
        held = newest[-1]
        return f"Appointed for this category from {long_date(held.first_day)} to {long_date(held.last_day)}"
    return "No appointment for this category on that day is on record"


# Sittings -------------------------------------------------------------------------------------------------


def _sittings(rows: PackRows, proof: PackProof) -> Iterable[Part]:
    yield heading(2, "Question papers and refreshers")
    if not rows.sittings:
        yield par("No sitting was finished by then.")
    for sheet in rows.sittings:
        yield from _sitting(sheet, rows, proof)


def _sitting(sheet: SittingSheet, rows: PackRows, proof: PackProof) -> Iterable[Part]:
    one, zone = sheet.sitting, rows.asked.zone
    names = {question.topic.code: question.topic.name for question in sheet.questions}
    result = result_of(one)
    is_paper = one.paper is not None
    words = paper_words(result, names) if is_paper else refresher_words(result)
    about = f", {one.category.name}" if one.category else ""
    yield heading(3, f"{one.get_kind_display()} {one.number}{about}")
    yield facts(
        [
            ("Result", [words.word, f"{result.right} of {result.asked} right"]),
            *([("Against passing", list(words.reasons))] if words.reasons else []),
            *([("Paper", f"version {one.paper.number}; {result.cut} right to pass")] if one.paper else []),
            ("Started", moment_words(one.started_at, zone)),
            ("Finished", moment_words(one.finished_at, zone)),
            ("Journal entry", proof.number_of(one)),
        ]
    )
    yield heading(4, "By topic")
    yield table(
        (("Topic", 6), ("Right", 2), ("Needed", 3)),
        [
            (
                names.get(topic.topic, topic.topic),
                f"{topic.right} of {topic.asked}",
                f"{topic.must_be_right} (critical)" if topic.must_be_right else "no number",
            )
            for topic in result.topics
        ],
    )
    yield heading(4, "Question by question")
    yield table(
        (("Number", 1.2), ("Topic", 4.5), ("Question", 6), ("Answered", 2.2)),
        [
            (
                str(question.position),
                question.topic.name,
                f"{question.version.question.code}, version {question.version.number}",
                "Not answered" if question.counted is None else "Right" if question.is_right else "Not right",
            )
            for question in sheet.questions
        ],
    )
