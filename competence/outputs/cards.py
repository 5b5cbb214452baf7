"""Ticket cards on paper, as large as a bank card, single or eight to a sheet, set by Typst."""

import json
from base64 import b64encode
from collections.abc import Sequence
from datetime import datetime
from io import BytesIO
from typing import Any

import segno
import typst
from PIL import Image, ImageOps

from competence.models import Card, OperatorPhotograph
from competence.outputs.printable import printable
from competence.queries.cards import zone_of
from competence.queries.signing import statement_address
from competence.queries.ticket_lists import Names
from competence.rules.conditions import Conditions
from competence.rules.dates import day_at
from competence.rules.reasons import long_date
from competence.rules.standing import Level
from competence.rules.ticket_words import LEVEL_WORDS

PER_SHEET = 8
# A card is carried in a wallet: 15 of 100 parts of the code may be lost (ISO/IEC 18004, level M). A statement
# of very many tickets takes level L, so that its modules stay large enough for a phone.
ERROR_CORRECTION, WHEN_LONG = "m", "l"
# At 43 mm this many modules, with their quiet zone, are 0.32 mm wide each.
MOST_MODULES = 125
QUIET_ZONE = 4
# The picture's box is 20 by 25 mm: 300 dots an inch.
PICTURE_PIXELS = (236, 295)

# What was typed reaches the page as strings of the data, never as markup, so nothing in it is a command.
# Card: ID-1 of ISO/IEC 7810, 85.60 by 53.98 mm.
PAGE = """
#let sheet = json(bytes(sys.inputs.sheet))
#let (wide, high) = (85.60mm, 53.98mm)
#let (gap-x, gap-y) = (8mm, 9mm)
#let (ink, cloth, flash, soft) = (rgb("#13211e"), rgb("#14282f"), rgb("#dcec00"), rgb("#3b4845"))
#set document(title: sheet.title, author: "Competence register")
#set text(lang: "en", region: "gb", font: "Libertinus Serif", size: 7.5pt, fill: ink)
#set par(leading: 0.42em, spacing: 0.5em)
#show heading: set block(spacing: 0pt)

#let band(title, number) = {
  place(top + left, pdf.artifact(rect(width: wide, height: 7.6mm, fill: cloth)))
  place(top + left, dy: 7.6mm, pdf.artifact(rect(width: wide, height: 0.9mm, fill: flash)))
  place(top + left, dx: 4mm, dy: 2.2mm, text(size: 10pt, weight: "bold", fill: white, title))
  let number = text(size: 8pt, fill: white, number)
  place(top + left, dx: 4mm, dy: 2.75mm, box(width: wide - 8mm, align(right, number)))
}

#let ticket-lines(tickets, size) = {
  set text(size: size)
  for ticket in tickets {
    block(width: 100%, spacing: 0.8em, {
      grid(
        columns: (1fr, auto),
        column-gutter: 1.5mm,
        text(weight: "bold", ticket.category),
        [to #ticket.ends],
      )
      if ticket.said != "" {
        block(above: 0.42em, below: 0pt, text(size: size - 0.6pt, fill: soft, ticket.said))
      }
    })
  }
}

// The largest type in which all tickets fit; where none does, as many as fit, and how many more there are.
#let fitted(tickets, width, height) = context {
  let fits(body) = measure(block(width: width, body)).height <= height
  for size in (8.5pt, 8pt, 7.5pt, 7pt, 6.5pt, 6pt, 5.5pt) {
    if fits(ticket-lines(tickets, size)) { return block(width: width, ticket-lines(tickets, size)) }
  }
  let shown = tickets.len() - 1
  let more(shown) = {
    ticket-lines(tickets.slice(0, shown), 5.5pt)
    text(size: 6pt, weight: "bold")[and #(tickets.len() - shown) more: read the code]
  }
  while shown > 0 and not fits(more(shown)) { shown = shown - 1 }
  block(width: width, more(shown))
}

#let front(card) = block(width: wide, height: high, clip: true, {
  band([Ticket card], card.number)
  place(top + left, dx: 4mm, dy: 11mm, {
    if card.picture != "" {
      image(card.picture, width: 20mm, height: 25mm, fit: "cover", alt: "Photograph of " + card.name)
    } else {
      let none-there = align(center + horizon, text(fill: soft)[No photo\\ on record])
      box(width: 20mm, height: 25mm, stroke: 0.5pt + soft, none-there)
    }
  })
  place(top + left, dx: 4mm, dy: 38mm, block(width: 20mm, {
    set text(size: 6pt, fill: soft)
    set par(leading: 0.5em)
    [Issued\\ ]
    text(fill: ink, weight: "bold", card.issued)
    v(1mm, weak: true)
    [Nothing counts after\\ ]
    text(fill: ink, weight: "bold", card.ends)
  }))
  place(top + left, dx: 27mm, dy: 11mm, block(width: wide - 31mm, {
    heading(level: 1, outlined: false, text(size: card.name-size * 1pt, weight: "bold", card.name))
    v(1.8mm)
    block(spacing: 0pt, text(size: 7.5pt)[#text(weight: "bold", card.operator), #card.employer])
  }))
  place(top + left, dx: 27mm, dy: 20.8mm, pdf.artifact(line(length: wide - 31mm, stroke: 0.5pt + ink)))
  place(top + left, dx: 27mm, dy: 22.8mm, fitted(card.tickets, wide - 31mm, 28.6mm))
})

#let back(card) = block(width: wide, height: high, clip: true, {
  place(top + left, dx: 3mm, dy: 5.49mm, image(
    card.code, width: 43mm, height: 43mm,
    alt: "Code: the address of the page that checks this card, with the card's signed statement",
  ))
  place(top + left, dx: 48.5mm, dy: 6.5mm, block(width: wide - 52.5mm, {
    set text(size: 7pt)
    heading(level: 2, outlined: false, text(size: 10pt, weight: "bold")[Check this card])
    v(2mm)
    [Point a phone's camera at the code. The page says whether the card is genuine and in date and, with a
     signal, whether it was stopped since. Compare the face.]
    v(1mm)
    text(weight: "bold")[This card is not the gate. The register's answer at the machine stands.]
    v(1mm)
    [The machine's own operator's manual comes first; local law and the site's rules stand over this card.]
    v(1mm)
    text(fill: soft)[Card #card.number, #card.operator]
  }))
})

// Short lines outside each corner: cut from one to the next.
#let cut-marks(x, y) = {
  let mark(start, end) = place(top + left, pdf.artifact(line(start: start, end: end, stroke: 0.3pt)))
  for (dx, way) in ((x, -1), (x + wide, 1)) {
    for (dy, turn) in ((y, -1), (y + high, 1)) {
      mark((dx + way * 1mm, dy), (dx + way * 3.5mm, dy))
      mark((dx, dy + turn * 1mm), (dx, dy + turn * 3.5mm))
    }
  }
}

#let side(cards, face, is-back) = {
  let (left-x, top-y) = ((210mm - 2 * wide - gap-x) / 2, (297mm - 4 * high - 3 * gap-y) / 2)
  for (place-of, card) in cards.enumerate() {
    // The sheet is turned on its long edge, so left and right change places.
    let column = if is-back { 1 - calc.rem(place-of, 2) } else { calc.rem(place-of, 2) }
    let (x, y) = (left-x + column * (wide + gap-x), top-y + calc.quo(place-of, 2) * (high + gap-y))
    cut-marks(x, y)
    place(top + left, dx: x, dy: y, face(card))
  }
  place(bottom + center, dy: -8mm, text(size: 7.5pt, fill: soft, if is-back {
    "Backs. Print this page on the back of the one before, turned on the long edge, at its true size."
  } else {
    "Fronts. Print at true size (100 %), then cut from mark to mark: 85.60 by 53.98 mm each."
  }))
}

#if sheet.is-single {
  set page(width: wide, height: high, margin: 0pt)
  for (number, card) in sheet.cards.enumerate() {
    if number > 0 { pagebreak() }
    front(card)
    pagebreak()
    back(card)
  }
} else {
  set page(paper: "a4", margin: 0pt)
  for (number, cards) in sheet.cards.chunks(sheet.per-sheet).enumerate() {
    if number > 0 { pagebreak() }
    side(cards, front, false)
    pagebreak()
    side(cards, back, true)
  }
}
"""


def cards_pdf(cards: Sequence[Card], *, is_single: bool, named: Names, printed_at: datetime) -> bytes:
    """Cards of ``queries.cards.with_content`` as a tagged PDF (PDF/UA-1): ``is_single`` one face to a page of
    the card's own size, as card printers take it; else eight to an A4 sheet, their backs on the next page."""
    files, told = cards_document(cards, is_single=is_single, named=named)
    return typst.compile(
        files,
        format="pdf",
        pdf_standards=["ua-1"],
        ignore_system_fonts=True,
        timestamp=int(printed_at.timestamp()),
        sys_inputs=told,
    )


def cards_document(
    cards: Sequence[Card], *, is_single: bool, named: Names
) -> tuple[dict[str, bytes], dict[str, str]]:
    """What the compiler is given: its files, and what they say."""
    files: dict[str, bytes] = {"main.typ": PAGE.encode()}
    contents = []
    for number, card in enumerate(cards):
        picture = picture_of(card.photograph)
        if picture:
            files[f"face-{number}.svg"] = _as_svg(picture)
        files[f"code-{number}.svg"] = code_as_svg(card.statement)
        drawn = {"picture": f"face-{number}.svg" if picture else "", "code": f"code-{number}.svg"}
        contents.append(_content(card, named) | drawn)
    title = f"Ticket card of {cards[0].name}" if len(cards) == 1 else f"{len(cards)} ticket cards"
    sheet = {"title": title, "is-single": is_single, "per-sheet": PER_SHEET, "cards": contents}
    return files, {"sheet": json.dumps(printable(sheet))}


def code_of(statement: str) -> segno.QRCode:
    """The QR code of a card: the address of the verifying page, with the statement after the #."""
    address = statement_address(statement)
    code = segno.make_qr(address, error=ERROR_CORRECTION)
    if code.symbol_size(border=0)[0] > MOST_MODULES:
        code = segno.make_qr(address, error=WHEN_LONG)
    return code


def code_as_svg(statement: str) -> bytes:
    """The code as a drawing that scales; black on white in every theme."""
    drawing = BytesIO()
    code_of(statement).save(
        drawing, kind="svg", border=QUIET_ZONE, dark="#000", light="#fff", omitsize=True, nl=False
    )
    return drawing.getvalue()


def picture_of(photograph: OperatorPhotograph | None) -> bytes:
    """The photograph cut to the card's box and no larger than it prints; empty where there is none, or its
    file is gone."""
    if photograph is None or not photograph.photograph:
        return b""
    try:
        with photograph.photograph.open("rb") as file, Image.open(file) as whole:
            # A face stands above the middle of a picture.
            cut = ImageOps.fit(whole.convert("RGB"), PICTURE_PIXELS, centering=(0.5, 0.35))
    except OSError:
        return b""
    kept = BytesIO()
    cut.save(kept, "JPEG", quality=88)
    return kept.getvalue()


def _as_svg(jpeg: bytes) -> bytes:
    """The picture inside a drawing: the compiler takes files of text only."""
    wide, high = PICTURE_PIXELS
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {wide} {high}"><image width="{wide}" '
        f'height="{high}" href="data:image/jpeg;base64,{b64encode(jpeg).decode()}"/></svg>'
    ).encode()


def ticket_words(card: Card, named: Names) -> list[dict[str, str]]:
    """Each ticket on a card in plain words: its category, its last day, its level and conditions."""
    return [
        {
            "category": stated.ticket.category.name,
            "ends": long_date(stated.last_day),
            "said": " ".join(_said(stated.level, stated.conditions, named)),
        }
        for stated in card.stated.all()
    ]


def _said(level: str, conditions: dict[str, Any], named: Names) -> list[str]:
    words = [f"{LEVEL_WORDS[Level(level)]}."] if level != Level.FULL else []
    return words + named.of(Conditions.from_plain(conditions))


def _content(card: Card, named: Names) -> dict[str, Any]:
    return {
        "number": f"{card.number[:4]} {card.number[4:]}",
        "name": card.name,
        # A long name takes smaller type rather than a second line.
        "name-size": 13 if len(card.name) <= 24 else 10 if len(card.name) <= 34 else 7.5,
        "operator": card.operator.number,
        "employer": card.employer_name,
        "issued": long_date(day_at(card.issued_at, zone_of(card.operator))),
        "ends": long_date(card.last_day),
        "tickets": ticket_words(card, named),
    }
