"""The doors of keeping and forgetting."""

from .matrix import EVERYBODY, Row

ADMIN = frozenset({"site_admin"})
LOOKS = frozenset({"site_admin", "auditor"})


def of_operator(world):
    return {"number": world.operator.number}


def of_staff(world):
    return {"username": world.trainer.username}


def of_photograph(world):
    return {"label": "competence.finding", "key": str(world.finding.pk), "column": "photograph"}


ROWS = [
    Row("keeping", LOOKS),
    Row("keeping-rule-new", ADMIN),
    Row("keeping-rule-new", ADMIN, method="post"),
    Row("keeping-person", LOOKS, of_operator, own_site_only=True),
    Row("keeping-person-file", LOOKS, of_operator, method="post", own_site_only=True),
    Row("keeping-person-erase", ADMIN, of_operator, everywhere_only=True),
    Row("keeping-person-erase", ADMIN, of_operator, method="post", everywhere_only=True),
    Row("keeping-staff", LOOKS, of_staff, everywhere_only=True),
    Row("keeping-staff-file", LOOKS, of_staff, method="post", everywhere_only=True),
    Row("keeping-staff-erase", ADMIN, of_staff, everywhere_only=True),
    Row("keeping-staff-erase", ADMIN, of_staff, method="post", everywhere_only=True),
    Row("keeping-record-erase", ADMIN, of_photograph, everywhere_only=True),
    Row("keeping-record-erase", ADMIN, of_photograph, method="post", everywhere_only=True),
    Row("account-close", ADMIN, of_staff, own_site_only=True),
    Row("account-close", ADMIN, of_staff, method="post", own_site_only=True),
    Row("account-reopen", ADMIN, of_staff, own_site_only=True),
    Row("account-reopen", ADMIN, of_staff, method="post", own_site_only=True),
    Row("my-held", EVERYBODY, method="post"),
]
