"""The record of an assessment as a tagged PDF (PDF/UA-1), set by Typst."""

import json
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import typst

from assessments.queries.assessment_records import Record, outcome_word
from competence.outputs.printable import printable
from competence.queries.timeline import moment_words

# What was typed reaches the page as strings of the data, never as markup, so nothing in it is a command.
PAGE = """
#let record = json(bytes(sys.inputs.record))
#set document(title: record.title, author: "Competence register")
#set text(lang: "en", region: "gb", font: "Libertinus Serif", size: 10pt)
#set page(
  paper: "a4",
  margin: (x: 18mm, top: 16mm, bottom: 20mm),
  footer: context [
    #set text(size: 8.5pt)
    #record.footer #h(1fr) Page #counter(page).display("1 of 1", both: true)
  ],
)
#show heading.where(level: 1): set text(size: 20pt)
#show heading.where(level: 2): set text(size: 13pt)
#set table(stroke: (x, y) => (bottom: 0.5pt + rgb("#777")), inset: (x: 3pt, y: 4pt))

= #record.title
#text(size: 11pt)[#record.subtitle]

#block(stroke: 1.5pt, inset: 10pt, width: 100%, breakable: false)[
  #text(size: 22pt, weight: "bold")[#record.word]
  #if record.score != "" [ \\ #record.score ]
]

#for line in record.decisions [ #par(line) ]

== Who, what, when
#table(
  columns: (34%, 1fr),
  table.header([*What*], [*Recorded*]),
  ..record.facts.map(fact => (fact.at(0), fact.at(1))).flatten(),
)

#if record.reasons.len() > 0 [
  == What made it so
  #list(..record.reasons)
]

== Point by point
#for zone in record.zones [
  === #zone.name
  #table(
    columns: (1fr, 27mm, 14mm, 18mm, 16mm),
    table.header([*Point*], [*Mark*], [*Seen*], [*Earned*], [*Cost*]),
    ..zone.points.map(point => (point.title, point.mark, point.place, point.earned, point.cost)).flatten(),
  )
]

#if record.notes.len() > 0 [
  == Notes
  #list(..record.notes)
]

#par[
  The machine's own operator's manual comes first. Local law and the site's rules stand over this register.
]
"""


def assessment_pdf(record: Record, *, printed_at: datetime) -> bytes:
    """The whole record on paper. ``printed_at`` is the moment at which it was asked for."""
    zone = ZoneInfo(record.assessment.site.zone)
    return typst.compile(
        PAGE.encode(),
        format="pdf",
        pdf_standards=["ua-1"],
        ignore_system_fonts=True,
        timestamp=int(printed_at.timestamp()),
        sys_inputs={"record": json.dumps(printable(_content(record, zone, printed_at)))},
    )


def _content(record: Record, zone: ZoneInfo, printed_at: datetime) -> dict[str, Any]:
    one = record.assessment
    score = f"{record.score} scored, pass mark {record.pass_mark}: {record.margin}." if record.score else ""
    return {
        "title": f"Practical assessment {one.number}",
        "subtitle": f"{one.operator.name} ({one.operator.number}) on {one.machine.fleet_number}",
        "footer": f"Assessment {one.id}, printed {moment_words(printed_at, zone)} ({zone.key})",
        "word": record.word if record.score else one.get_status_display(),
        "score": score,
        "decisions": _decisions(record, zone),
        "facts": _facts(record, zone),
        "reasons": list(record.reasons),
        "zones": [
            {
                "name": part.name,
                "points": [
                    {
                        "title": f"{point.title} (critical)" if point.is_critical else point.title,
                        "mark": point.mark or "Not marked",
                        "place": str(point.place or ""),
                        "earned": point.earned,
                        "cost": point.cost,
                    }
                    for point in part.points
                ],
            }
            for part in record.zones
        ],
        "notes": [
            f"{point.title}: {note.text or 'a photograph is kept with the record'}"
            for part in record.zones
            for point in part.points
            for note in point.notes
        ],
    }


def _decisions(record: Record, zone: ZoneInfo) -> list[str]:
    one = record.assessment
    said = []
    if record.is_decided_otherwise:
        verb = f"raised by {one.raised_by.name}" if one.raised_by else f"lowered by {one.assessor.name}"
        said.append(f"By the marks: {record.by_marks}. The outcome was {verb}: {one.decided_why}")
    said += [
        f"Corrected on {moment_words(each.recorded_at, zone)} by {each.recorded_by.name} to "
        f"{outcome_word(each.is_competent)}: {each.reason}"
        for each in record.corrections
    ]
    if one.unconfirmed_at:
        said.append(f"The operator did not confirm this assessment: {one.unconfirmed_why}")
    if one.abandoned_why:
        said.append(f"Abandoned: {one.abandoned_why}")
    return said


def _facts(record: Record, zone: ZoneInfo) -> list[list[str]]:
    one = record.assessment

    def at(moment: datetime | None) -> str:
        return moment_words(moment, zone) if moment else "not yet"

    by_operator = at(one.operator_confirmed_at)
    if one.unconfirmed_at:
        by_operator = f"no; recorded as not confirmed {at(one.unconfirmed_at)} by {one.unconfirmed_by.name}"
    facts = [
        ("Operator", f"{one.operator.name} ({one.operator.number})"),
        ("Assessor", one.assessor.name),
        ("Machine", f"{one.machine.fleet_number}, {one.machine.state.make_and_model}"),
        ("Category", one.category.name),
        ("Site", one.site.name),
        ("Standard", f"version {one.standard_version.number}"),
        ("Checklist", f"version {one.checklist.number}"),
        ("Started", at(one.started_at)),
        ("Finished", at(one.finished_at)),
        ("Confirmed by the assessor", at(one.assessor_confirmed_at)),
        ("Confirmed by the operator", by_operator),
    ]
    if one.alongside:
        facts.append(("Second marking of", f"{one.alongside.number}, by {one.alongside.assessor.name}"))
    return [list(fact) for fact in facts]
