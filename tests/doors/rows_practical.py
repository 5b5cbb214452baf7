"""The doors of the practical assessment."""

from tests.doors.matrix import EVERYBODY, STAFF, Row

TRAINER = frozenset({"trainer"})
BOTH = frozenset({"trainer", "operator"})


def _of_open(world):
    return {"assessment_id": world.assessment.pk}


def _of_finished(world):
    return {"assessment_id": world.finished_assessment.pk}


def _of_confirmed(world):
    return {"assessment_id": world.confirmed_assessment.pk}


def _of_passed(world):
    return {"assessment_id": world.passed_assessment.pk}


ROWS: list[Row] = [
    Row("assessment-start", TRAINER),
    Row("assessment-start", TRAINER, method="post"),
    # Others than the assessor are shown the record instead.
    Row("assessment", STAFF, kwargs=_of_open, own_site_only=True),
    Row(
        "assessment",
        TRAINER,
        kwargs=_of_open,
        method="post",
        data=lambda w: {"zone": "1"},
        assessor_only=True,
    ),
    Row("assessment-marks", TRAINER, kwargs=_of_open, assessor_only=True),
    Row("assessment-marks", TRAINER, kwargs=_of_open, method="post", assessor_only=True),
    Row("assessment-note", TRAINER, kwargs=_of_open, method="post", assessor_only=True),
    Row("assessment-finish", TRAINER, kwargs=_of_open, assessor_only=True),
    Row("assessment-finish", TRAINER, kwargs=_of_open, method="post", assessor_only=True),
    Row("assessment-abandon", TRAINER, kwargs=_of_open, assessor_only=True),
    Row("assessment-abandon", TRAINER, kwargs=_of_open, method="post", assessor_only=True),
    Row("assessment-confirm", BOTH, kwargs=_of_finished, assessor_only=True, owner_only=True),
    Row("assessment-confirm", BOTH, kwargs=_of_finished, method="post", assessor_only=True, owner_only=True),
    Row("assessment-lower", TRAINER, kwargs=_of_finished, assessor_only=True),
    Row("assessment-lower", TRAINER, kwargs=_of_finished, method="post", assessor_only=True),
    Row("assessment-raise", TRAINER, kwargs=_of_finished, assessor_only=True),
    Row("assessment-raise", TRAINER, kwargs=_of_finished, method="post", assessor_only=True),
    Row("assessment-unconfirmed", TRAINER, kwargs=_of_finished, own_site_only=True),
    Row("assessment-unconfirmed", TRAINER, kwargs=_of_finished, method="post", own_site_only=True),
    Row("assessment-correct", TRAINER, kwargs=_of_confirmed, own_site_only=True),
    Row("assessment-correct", TRAINER, kwargs=_of_confirmed, method="post", own_site_only=True),
    Row("assessment-record", EVERYBODY, kwargs=_of_confirmed, own_site_only=True, owner_only=True),
    Row("assessment-pdf", EVERYBODY, kwargs=_of_confirmed, own_site_only=True, owner_only=True),
    Row(
        "assessment-photograph",
        EVERYBODY,
        kwargs=lambda world: {"pk": world.point_note.pk},
        own_site_only=True,
        owner_only=True,
    ),
    Row("assessment-list", STAFF),
    Row("assessment-credential", EVERYBODY, kwargs=_of_passed, own_site_only=True, owner_only=True),
    Row(
        "assessment-credential",
        frozenset({"trainer", "site_admin", "operator"}),
        kwargs=_of_passed,
        method="post",
        own_site_only=True,
        owner_only=True,
    ),
]
