"""What this app's models hold of a person; see ``competence.models.personal``."""

from django.db.models import Q

from competence.models.personal import PSEUDONYM, Personal, Way
from competence.rules.retention import RecordKind

MARK = Way.MARK


def _of_questions(stays: str, **more: object) -> Personal:
    return Personal(why="it speaks of questions and papers, and of nobody", stays=stays, **more)  # type: ignore[arg-type]


PERSONAL_HERE: dict[str, Personal] = {
    "assessments.booking": Personal(
        why=PSEUDONYM,
        stays="id on starts_at site machine made_at called_off_at",
        about="operator",
        acts="assessor made_by",
        to_operator=("operator",),
        kinds=((RecordKind.BOOKING, Q()),),
        made="on",
        site="site__code",
        erases={"note": MARK, "called_off_why": MARK},
    ),
    "assessments.assessment": Personal(
        why="marks and what they amount to are what agreement and severity rest on; " + PSEUDONYM,
        stays="id machine site category checklist standard_version booking alongside status started_at "
        "finished_at outcome is_competent assessor_confirmed_at operator_confirmed_at unconfirmed_at "
        "evidence",
        about="operator",
        acts="assessor raised_by unconfirmed_by",
        to_operator=("operator",),
        kinds=((RecordKind.ASSESSMENT, Q()),),
        made="started_at",
        site="site__code",
        erases={"decided_why": MARK, "unconfirmed_why": MARK, "abandoned_why": MARK},
    ),
    "assessments.assessedpoint": Personal(
        why=PSEUDONYM, stays="id assessment listed", to_operator=("assessment__operator",)
    ),
    "assessments.tap": Personal(
        why=PSEUDONYM,
        stays="id assessment listed mark sent_as device tapped_at recorded_at",
        to_operator=("assessment__operator",),
    ),
    "assessments.pointnote": Personal(
        why="that something was noted on a point; the words and the picture are gone",
        stays="id assessment listed photograph_sha256 sent_as recorded_at",
        to_operator=("assessment__operator",),
        made="recorded_at",
        site="assessment__site__code",
        erases={"text": MARK, "photograph": Way.PHOTOGRAPH},
        by_hand={"text": RecordKind.ASSESSMENT, "photograph": RecordKind.PHOTOGRAPH},
    ),
    "assessments.assessmentcorrection": Personal(
        why=PSEUDONYM,
        stays="id assessment is_competent evidence recorded_at",
        acts="recorded_by",
        to_operator=("assessment__operator",),
        erases={"reason": MARK},
    ),
    "assessments.sitting": Personal(
        why="how questions are answered is what their analysis rests on; " + PSEUDONYM,
        stays="id kind paper category seed status started_at ends_at finished_at outcome is_passed",
        about="operator",
        to_operator=("operator",),
        kinds=((RecordKind.SITTING, Q(kind="paper")), (RecordKind.REFRESHER, Q(kind="refresher"))),
        made="started_at",
    ),
    "assessments.drawnquestion": Personal(
        why=PSEUDONYM, stays="id sitting position version shown", to_operator=("sitting__operator",)
    ),
    "assessments.answer": Personal(
        why=PSEUDONYM,
        stays="id drawn given is_right is_late seconds sent_as answered_at",
        to_operator=("drawn__sitting__operator",),
    ),
    "assessments.sittingevidence": Personal(
        why=PSEUDONYM, stays="id sitting evidence", to_operator=("sitting__operator",)
    ),
    "assessments.moreattempts": Personal(
        why=PSEUDONYM,
        stays="id category recorded_at",
        about="operator",
        acts="recorded_by",
        to_operator=("operator",),
        kinds=((RecordKind.SITTING, Q()),),
        made="recorded_at",
        erases={"reason": MARK},
    ),
    "assessments.calendaraddress": Personal(
        why="that there was an address; it leads nowhere any more",
        stays="id feed made_at",
        about="account",
        to_account=("account",),
        to_operator=("account__operator",),
        secrets="token_sha256",
        erases={"token_sha256": Way.NONE, "removed_at": Way.SINCE},
    ),
    "assessments.outgoingmail": Personal(
        why="that a mail was sent, and when",
        stays="id composed_at claimed_at sent_at",
        about="account",
        to_account=("account",),
        to_operator=("account__operator",),
        kinds=((RecordKind.MAIL, Q()),),
        made="composed_at",
        erases={
            "to": Way.BLANK,
            "subject": MARK,
            "text": MARK,
            "html": MARK,
            "problem": MARK,
            "status": Way.DROPPED,
        },
        mentions=("subject", "text", "html"),
    ),
    "assessments.digestline": Personal(
        why="what was told last is what keeps it from being told twice; it names things by number",
        stays="id told_at mail",
        about="account",
        to_account=("account",),
        to_operator=("account__operator",),
        erases={"thing": Way.NUMBER, "state": MARK},
    ),
    "assessments.plan": Personal(
        why="a working paper of the office",
        stays="id made_at asked status progress is_to_stop found finished_at",
        acts="made_by",
        mentions=("found", "progress"),
    ),
    "assessments.topic": _of_questions("id code name about"),
    "assessments.question": _of_questions("id code topic retired_at retired_why"),
    "assessments.questionversion": _of_questions(
        "id question number kind categories is_critical scenario ask content picture picture_fixed "
        "explanation source recorded_at",
        acts="author",
    ),
    "assessments.questionreview": _of_questions("id version reviewed_at remark", acts="reviewed_by"),
    "assessments.panel": _of_questions("id category opened_at closed_at note", acts="opened_by"),
    "assessments.panelquestion": _of_questions("id panel version"),
    "assessments.panelrating": _of_questions("id question share recorded_at", acts="judge"),
    "assessments.paperversion": _of_questions(
        "id category number in_force_from recorded_at minutes cut cut_why panel attempts wait_days note",
        acts="recorded_by",
    ),
    "assessments.blueprintline": _of_questions("id version topic questions must_be_right"),
}
