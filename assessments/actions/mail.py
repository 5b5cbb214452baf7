"""The post: a mail is written together with what it tells, claimed by one sender, and marked when it is sent.

Written and told are one transaction, so nothing is told twice and nothing is lost between. Between handing a
mail to the server and marking it sent a crash cannot be seen: the mail is then handed over again, with the
same Message-ID and the same date, by a run at least ``LEASE`` later. That is at least once, by choice: a
second copy annoys, and a warning that never came can leave somebody on a machine without a ticket.
"""

from collections.abc import Callable, Collection
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db import transaction
from django.db.models import F, Q, QuerySet

from assessments.models import DigestLine, OutgoingMail
from assessments.rules.digest import Line, news, over
from competence.actions.clock import now
from competence.models import Account

Status = OutgoingMail.Status
# Longer than any server keeps a sender waiting: after it, whoever claimed the mail is gone.
LEASE = timedelta(minutes=30)


@dataclass(frozen=True)
class Written:
    subject: str
    text: str
    html: str


@transaction.atomic
def compose_digest(
    *,
    account: Account,
    lines: Collection[Line],
    moment: datetime,
    write: Callable[[Account, list[Line]], Written],
) -> OutgoingMail | None:
    """Write down what of ``lines`` is news to the account, and that it was told; ``None`` where nothing is.

    The account's row is the lock: of two runs at once the second finds everything told. Nothing is
    journalled: a digest is no record.
    """
    account = Account.objects.select_for_update(of=("self",)).get(pk=account.pk)
    told = dict(DigestLine.objects.filter(account=account).values_list("thing", "state"))
    if gone := over(lines, told):
        DigestLine.objects.filter(account=account, thing__in=gone).delete()
    new = news(lines, told)
    if not new or not account.email:
        return None
    written = write(account, new)
    mail = OutgoingMail.objects.create(
        account=account,
        to=account.email,
        subject=written.subject,
        text=written.text,
        html=written.html,
        composed_at=moment,
    )
    DigestLine.objects.bulk_create(
        [
            DigestLine(account=account, thing=line.thing, state=line.state, told_at=moment, mail=mail)
            for line in new
        ],
        update_conflicts=True,
        unique_fields=["account", "thing"],
        update_fields=["state", "told_at", "mail"],
    )
    return mail


def to_send() -> list[OutgoingMail]:
    """What waits, what a sender that is gone left in the middle, and what was refused at an address that has
    been changed since; the oldest first. One statement."""
    unsent = (
        Q(status=Status.WAITING)
        | Q(status=Status.SENDING, claimed_at__lt=now() - LEASE)
        | (Q(status=Status.REFUSED) & ~Q(to=F("account__email")))
    )
    return list(OutgoingMail.objects.filter(unsent).order_by("composed_at", "pk"))


def claim(mail: OutgoingMail, *, to: str) -> bool:
    """Take a mail of ``to_send`` for sending to this address; ``False`` where another run has it."""
    moment = now()
    still = OutgoingMail.objects.filter(pk=mail.pk, status=mail.status, claimed_at=mail.claimed_at)
    if mail.claimed_at is None:
        still = OutgoingMail.objects.filter(pk=mail.pk, status=mail.status, claimed_at__isnull=True)
    taken = still.update(status=Status.SENDING, claimed_at=moment, to=to, problem="")
    if taken:
        mail.status, mail.claimed_at, mail.to = Status.SENDING, moment, to
    return bool(taken)


def mark_sent(mail: OutgoingMail) -> None:
    _own(mail).update(status=Status.SENT, sent_at=now())


def give_back(mail: OutgoingMail, problem: str) -> None:
    """It was not sent, and is tried again in the next run."""
    _own(mail).update(status=Status.WAITING, claimed_at=None, problem=problem[:300])


def mark_refused(mail: OutgoingMail, problem: str) -> None:
    """The server will not take it for this address. It is kept, and tried again at another address."""
    _own(mail).update(status=Status.REFUSED, claimed_at=None, problem=problem[:300] or "refused")


@transaction.atomic
def drop(mail: OutgoingMail) -> None:
    """Nobody wants it any more. What it would have told counts as not told."""
    if claim(mail, to=mail.to):
        _own(mail).update(status=Status.DROPPED)
        DigestLine.objects.filter(mail=mail).delete()


def _own(mail: OutgoingMail) -> QuerySet[OutgoingMail]:
    # Only while the claim is still this sender's: after the lease another may have sent it meanwhile.
    return OutgoingMail.objects.filter(pk=mail.pk, status=Status.SENDING, claimed_at=mail.claimed_at)
