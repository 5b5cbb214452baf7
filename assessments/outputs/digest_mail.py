"""A digest as a mail: the same lines as plain text and as HTML, and the message that carries both."""

from dataclasses import dataclass
from email.utils import format_datetime, parseaddr

from django.conf import settings
from django.core.mail import EmailMultiAlternatives
from django.template.loader import render_to_string
from django.urls import reverse

from assessments.actions.mail import Written
from assessments.models import OutgoingMail
from assessments.rules.digest import Line, Section
from competence.models import Account

# As many of one section as somebody reads; the rest are told as a number, and stand on the page.
MOST_SHOWN = 25
# Where a section's lines stand in full.
WHOLE_LIST = {
    Section.STOPPED: "defect-list",
    Section.SHORT: "cover-list",
    Section.BOOKED_WITH: "booking-list",
    Section.UNCONFIRMED: "assessment-list",
    Section.DUE: "end-list",
}


@dataclass(frozen=True)
class _ShownLine:
    title: str
    words: str
    url: str


@dataclass(frozen=True)
class _ShownSection:
    title: str
    lines: list[_ShownLine]
    more: int
    url: str


def address_of(door: str, *arguments: object) -> str:
    return settings.REGISTER_ADDRESS + reverse(door, args=arguments)


def write_digest(account: Account, lines: list[Line]) -> Written:
    """``lines`` in the order of their sections. No statement."""
    by_section: dict[Section, list[Line]] = {}
    for line in lines:
        by_section.setdefault(line.section, []).append(line)
    sections = [_shown(section, found) for section, found in by_section.items()]
    told = "One thing" if len(lines) == 1 else f"{len(lines)} things"
    context = {
        "name": account.name,
        "told": told,
        "sections": sections,
        "start": address_of("home"),
        "choice": address_of("my-calendar"),
    }
    return Written(
        f"{told} for you from the competence register",
        render_to_string("assessments/digest/mail.txt", context),
        render_to_string("assessments/digest/mail.html", context),
    )


def _shown(section: Section, lines: list[Line]) -> _ShownSection:
    return _ShownSection(
        section.value,
        [
            _ShownLine(
                _on_one_line(line.title), _on_one_line(line.words), address_of(line.door, *line.arguments)
            )
            for line in lines[:MOST_SHOWN]
        ],
        max(0, len(lines) - MOST_SHOWN),
        address_of(WHOLE_LIST.get(section, "home")),
    )


def _on_one_line(text: str) -> str:
    """What somebody wrote may hold line breaks."""
    return " ".join(text.split())


def message_of(mail: OutgoingMail, connection: object) -> EmailMultiAlternatives:
    """The message; a second copy has the same Message-ID and date (RFC 5322 section 3.6.4), so that a reader
    can tell it for one. Auto-Submitted keeps holiday notes from answering it (RFC 3834 section 5)."""
    domain = parseaddr(settings.DEFAULT_FROM_EMAIL)[1].partition("@")[2] or "localhost"
    message = EmailMultiAlternatives(
        mail.subject,
        mail.text,
        settings.DEFAULT_FROM_EMAIL,
        [mail.to],
        connection=connection,
        headers={
            "Message-ID": f"<{mail.pk}@{domain}>",
            "Date": format_datetime(mail.composed_at),
            "Auto-Submitted": "auto-generated",
        },
    )
    message.attach_alternative(mail.html, "text/html")
    return message
