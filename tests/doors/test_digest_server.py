"""The digest through a mail server of other make (aiosmtpd), over the wire."""

import email
import socket
from datetime import UTC, datetime, timedelta
from email import policy
from io import StringIO

import pytest
import time_machine
from aiosmtpd.controller import Controller
from django.core.management import call_command

from assessments.models import OutgoingMail
from competence.settings import mail_settings
from tests.factories import AccountFactory, OperatorFactory, SiteFactory, TicketFactory

pytestmark = pytest.mark.django_db

MONDAY = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)


class Postbox:
    """Takes every mail but those to ``refuses``."""

    refuses = "gone@example.com"

    def __init__(self):
        self.mails = []

    async def handle_RCPT(self, server, session, envelope, address, options):
        if address == self.refuses:
            return "550 5.1.1 No such mailbox"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server, session, envelope):
        self.mails.append(
            (envelope.rcpt_tos, email.message_from_bytes(envelope.content, policy=policy.default))
        )
        return "250 Kept"


@pytest.fixture
def server(settings):
    """A server that listens, and its postbox; the settings are those that its address gives."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    controller = Controller(Postbox(), hostname="127.0.0.1", port=port)
    controller.start()
    for name, value in mail_settings(f"smtp://127.0.0.1:{port}").items():
        setattr(settings, name, value)
    settings.MAIL_IS_SET = True
    yield controller
    if controller.server is not None:
        controller.stop()


@pytest.fixture(autouse=True)
def people():
    site = SiteFactory(name="Böhmfell Pit")
    with time_machine.travel(MONDAY, tick=True):
        for name in ("ada", "gone", "zoë"):
            operator = OperatorFactory(site=site)
            TicketFactory(operator=operator, last_day=MONDAY.date() + timedelta(days=40))
            AccountFactory(operator=operator, email=f"{name}@example.com".replace("ë", "e"))
        yield


def digest():
    out = StringIO()
    try:
        call_command("digest", stdout=out)
    except SystemExit as end:
        return end.code
    return 0


def test_what_arrives_is_what_was_written_and_one_refusal_holds_up_nobody(server):
    assert digest() == 1
    taken = {to[0]: mail for to, mail in server.handler.mails}
    assert sorted(taken) == ["ada@example.com", "zoe@example.com"]
    mail = taken["ada@example.com"]
    assert mail["Message-ID"]
    assert mail.get_body(("plain",)).get_content().count("11 April 2026") == 1
    assert "11 April 2026" in mail.get_body(("html",)).get_content()
    assert sorted(OutgoingMail.objects.values_list("status", flat=True)) == ["refused", "sent", "sent"]
    digest()
    assert len(server.handler.mails) == 2


def test_a_server_that_is_not_there_loses_nothing_and_is_written_to_later(server):
    server.stop()
    assert digest() == 1
    assert set(OutgoingMail.objects.values_list("status", flat=True)) == {"waiting"}
    back = Controller(Postbox(), hostname="127.0.0.1", port=server.port)
    back.start()
    try:
        digest()
        assert len(back.handler.mails) == 2
    finally:
        back.stop()
