"""The doors of ticket cards and credentials; of the public ones, everybody may look."""

from tests.doors.matrix import EVERYBODY, Row

ADMIN = frozenset({"site_admin"})
PRINTERS = frozenset({"trainer", "site_admin"})


def _of_card(world):
    return {"number": world.card.number}


def _of_operator(world):
    return {"number": world.operator.number}


def _of_ticket(world):
    return {"number": world.ticket.number}


def _of_credential(world):
    return {"key": world.credential.pk}


def _of_version(world):
    return {"category": world.category.code, "number": world.standard_version.number, "what": "full"}


def _this_card(world):
    return {"card": world.card.number}


ROWS: list[Row] = [
    Row("card-list", PRINTERS),
    Row("card-issue", PRINTERS, method="post"),
    Row(
        "card-issue",
        PRINTERS,
        method="post",
        data=lambda world: {"operator": world.operator.number},
        own_site_only=True,
    ),
    Row("card-stop", PRINTERS, _of_card, own_site_only=True),
    Row("card-stop", PRINTERS, _of_card, method="post", own_site_only=True),
    Row("card-print", PRINTERS, data=_this_card, own_site_only=True),
    Row("card-pdf", PRINTERS | {"operator"}, data=_this_card, own_site_only=True, owner_only=True),
    Row("card-code", PRINTERS | {"operator"}, _of_card, own_site_only=True, owner_only=True),
    Row("my-card", frozenset({"operator"})),
    Row("my-card", frozenset({"operator"}), method="post"),
    Row("operator-photograph", ADMIN, _of_operator, own_site_only=True),
    Row("operator-photograph", ADMIN, _of_operator, method="post", own_site_only=True),
    Row("operator-photograph-away", ADMIN, _of_operator, own_site_only=True),
    Row("operator-photograph-away", ADMIN, _of_operator, method="post", own_site_only=True),
    Row(
        "operator-photograph-file",
        EVERYBODY,
        lambda world: {"pk": world.operator_photograph.pk},
        own_site_only=True,
        owner_only=True,
    ),
    Row("ticket-credential", EVERYBODY, _of_ticket, own_site_only=True, owner_only=True),
    Row(
        "ticket-credential",
        PRINTERS | {"operator"},
        _of_ticket,
        method="post",
        own_site_only=True,
        owner_only=True,
    ),
    Row("credential-jwt", EVERYBODY, _of_credential, own_site_only=True, owner_only=True),
    Row("credential-json", EVERYBODY, _of_credential, own_site_only=True, owner_only=True),
    # They tell of nobody, and who checks a card has no account here.
    Row("card-check", EVERYBODY, is_public=True),
    Row("card-worker", EVERYBODY, is_public=True),
    Row("issuer", EVERYBODY, is_public=True),
    Row("issuer-keys", EVERYBODY, is_public=True),
    Row("issuer-stopped-cards", EVERYBODY, is_public=True),
    Row(
        "issuer-status", EVERYBODY, lambda world: {"list_number": 1, "purpose": "revocation"}, is_public=True
    ),
    Row("issuer-achievement", EVERYBODY, _of_version, is_public=True),
]
