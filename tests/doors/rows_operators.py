"""The doors of the people rooms: operators, evidence, tickets, accounts, appointments, one's own password."""

from .matrix import EVERYBODY, STAFF, Row

ADMIN = frozenset({"site_admin"})
TRAINER = frozenset({"trainer"})
BOTH = ADMIN | TRAINER


def of_operator(world):
    return {"number": world.operator.number}


def of_ticket(world):
    return {"number": world.ticket.number}


def of_event(world):
    return {"number": world.ticket.number, "sequence": world.event.sequence}


def of_evidence(world):
    return {"pk": world.evidence.pk}


def of_account(world):
    return {"username": world.operator.account.username}


def of_role(world):
    account = world.operator.account
    return {"username": account.username, "pk": account.roles.get().pk}


ROWS = [
    Row("operator-list", STAFF),
    Row("operator-new", ADMIN),
    Row("operator-new", ADMIN, method="post"),
    Row("operator", STAFF, of_operator, own_site_only=True),
    Row("operator-change", ADMIN, of_operator, own_site_only=True),
    Row("operator-change", ADMIN, of_operator, method="post", own_site_only=True),
    Row("operator-correct", ADMIN, of_operator, own_site_only=True),
    Row("operator-correct", ADMIN, of_operator, method="post", own_site_only=True),
    Row("evidence-new", BOTH, of_operator, own_site_only=True),
    Row("evidence-new", BOTH, of_operator, method="post", own_site_only=True),
    # The world's evidence is a practical assessment, which a site admin does not put right.
    Row("evidence-correct", TRAINER, of_evidence, own_site_only=True),
    Row("evidence-correct", TRAINER, of_evidence, method="post", own_site_only=True),
    Row("evidence-strike-out", TRAINER, of_evidence, own_site_only=True),
    Row("evidence-strike-out", TRAINER, of_evidence, method="post", own_site_only=True),
    Row("ticket-list", STAFF),
    Row("ticket", STAFF, of_ticket, own_site_only=True),
    Row("ticket-issue", TRAINER, of_operator, own_site_only=True),
    Row("ticket-issue", TRAINER, of_operator, method="post", own_site_only=True),
    Row("ticket-renew", TRAINER, of_ticket, own_site_only=True),
    Row("ticket-renew", TRAINER, of_ticket, method="post", own_site_only=True),
    Row("ticket-vary", TRAINER, of_ticket, own_site_only=True),
    Row("ticket-vary", TRAINER, of_ticket, method="post", own_site_only=True),
    Row("ticket-suspend", BOTH, of_ticket, own_site_only=True),
    Row("ticket-suspend", BOTH, of_ticket, method="post", own_site_only=True),
    Row("ticket-reinstate", TRAINER, of_ticket, own_site_only=True),
    Row("ticket-reinstate", TRAINER, of_ticket, method="post", own_site_only=True),
    Row("ticket-withdraw", TRAINER, of_ticket, own_site_only=True),
    Row("ticket-withdraw", TRAINER, of_ticket, method="post", own_site_only=True),
    Row("event-correct", TRAINER, of_event, own_site_only=True),
    Row("event-correct", TRAINER, of_event, method="post", own_site_only=True),
    Row("account-new", ADMIN, of_operator, own_site_only=True),
    Row("account-new", ADMIN, of_operator, method="post", own_site_only=True),
    Row("account-list", ADMIN),
    Row("account-staff-new", ADMIN),
    Row("account-staff-new", ADMIN, method="post"),
    Row("account", ADMIN, of_account, own_site_only=True),
    Row("account", ADMIN, of_account, method="post", own_site_only=True),
    Row("role-end", ADMIN, of_role, own_site_only=True),
    Row("role-end", ADMIN, of_role, method="post", own_site_only=True),
    Row("appointment-list", STAFF),
    Row("password-change", EVERYBODY),
    Row("password-change", EVERYBODY, method="post"),
    Row("appointment-new", ADMIN, everywhere_only=True),
    Row("appointment-new", ADMIN, method="post", everywhere_only=True),
]
