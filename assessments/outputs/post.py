"""Sending what is written: one mail at a time, each claimed first and marked after."""

import logging
import smtplib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from django.core.mail import get_connection

from assessments.actions import mail as post
from assessments.models import OutgoingMail
from assessments.outputs.digest_mail import message_of
from assessments.queries.receivers import Receiver
from assessments.rules.digest import QuietHours

log = logging.getLogger(__name__)

# From 500 on an answer is final; from 400 the server asks to be tried again (RFC 5321 section 4.2.1).
FINAL = 500


@dataclass
class Delivery:
    """What became of the mails. ``down``: why the server could not be used, where it could not."""

    sent: list[OutgoingMail] = field(default_factory=list)
    refused: list[tuple[OutgoingMail, str]] = field(default_factory=list)
    kept: list[OutgoingMail] = field(default_factory=list)
    asleep: int = 0
    dropped: int = 0
    down: str = ""

    @property
    def is_complete(self) -> bool:
        return not (self.refused or self.kept or self.down)


def deliver(people: Mapping[int, Receiver], moment: datetime, quiet: QuietHours | None) -> Delivery:
    """Send everything that waits for somebody awake. Once the server cannot be used the rest is not tried:
    all of it stays for the next run."""
    done, connection = Delivery(), get_connection()
    try:
        for mail in post.to_send():
            receiver = people.get(mail.account_id)
            if receiver is None:
                post.drop(mail)
                done.dropped += 1
            elif receiver.sleeps(moment, quiet):
                done.asleep += 1
            elif done.down:
                done.kept.append(mail)
            elif post.claim(mail, to=receiver.account.email):
                _send(mail, connection, done)
    finally:
        try:
            connection.close()
        except (OSError, smtplib.SMTPException):
            log.warning("The mail server did not say goodbye; what it took is sent.")
    return done


def _send(mail: OutgoingMail, connection: object, done: Delivery) -> None:
    try:
        message_of(mail, connection).send()
    except smtplib.SMTPRecipientsRefused as refused:
        code, said = next(iter(refused.recipients.values()))
        words = said.decode(errors="replace") if isinstance(said, bytes) else str(said)
        if code >= FINAL:
            _refuse(mail, f"{code} {words}", done)
        else:
            post.give_back(mail, f"{code} {words}")
            done.kept.append(mail)
    except (smtplib.SMTPNotSupportedError, ValueError) as unfit:
        # An address that this server cannot spell is the address's fault, not the server's.
        _refuse(mail, str(unfit), done)
    except (OSError, smtplib.SMTPException) as problem:
        done.down = f"{type(problem).__name__}: {problem}"
        post.give_back(mail, done.down)
        done.kept.append(mail)
    else:
        post.mark_sent(mail)
        done.sent.append(mail)


def _refuse(mail: OutgoingMail, why: str, done: Delivery) -> None:
    post.mark_refused(mail, why)
    done.refused.append((mail, why))
