"""Who may do what, and at whose site. One table, one question; it raises, and never answers no quietly."""

from enum import StrEnum

from django.core.exceptions import PermissionDenied

from competence.models import Account, Operator, Role, Site

TRAINER, OPERATOR = Role.Name.TRAINER, Role.Name.OPERATOR
SITE_ADMIN, AUDITOR = Role.Name.SITE_ADMIN, Role.Name.AUDITOR


class Right(StrEnum):
    """Something that a person may do."""

    CHECK_MACHINE = "check_machine"
    SEE_RECORDS = "see_records"
    SEE_CHECKS = "see_checks"
    ASK_GATE = "ask_gate"
    SEE_PLANT = "see_plant"
    SEE_STANDARDS = "see_standards"
    SEE_JOURNAL = "see_journal"
    KEEP_PEOPLE = "keep_people"
    KEEP_PLANT = "keep_plant"
    KEEP_STANDARDS = "keep_standards"
    KEEP_SETUP = "keep_setup"
    APPOINT = "appoint"
    RECORD_EVIDENCE = "record_evidence"
    RECORD_ASSESSMENT = "record_assessment"
    DECIDE_TICKET = "decide_ticket"
    ASSESS = "assess"
    BOOK = "book"
    SEE_ASSESSMENTS = "see_assessments"
    SEE_SEVERITY = "see_severity"
    SIT = "sit"
    SEE_SITTINGS = "see_sittings"
    SEE_QUESTIONS = "see_questions"
    KEEP_QUESTIONS = "keep_questions"
    ALLOW_ATTEMPTS = "allow_attempts"
    SUSPEND_TICKET = "suspend_ticket"
    CLOSE_DEFECT = "close_defect"
    ASK_RECORD = "ask_record"
    SEE_LOOKS = "see_looks"
    TAKE_OUT = "take_out"
    SAMPLE = "sample"
    PRINT_CARD = "print_card"
    ERASE = "erase"


ROLES: dict[Right, tuple[Role.Name, ...]] = {
    Right.CHECK_MACHINE: (OPERATOR,),
    Right.SEE_RECORDS: (TRAINER, SITE_ADMIN, AUDITOR),
    Right.SEE_CHECKS: (TRAINER, SITE_ADMIN, AUDITOR),
    Right.ASK_GATE: (TRAINER, SITE_ADMIN, AUDITOR),
    Right.SEE_PLANT: (TRAINER, SITE_ADMIN, AUDITOR),
    Right.SEE_STANDARDS: (TRAINER, OPERATOR, SITE_ADMIN, AUDITOR),
    Right.SEE_JOURNAL: (TRAINER, SITE_ADMIN, AUDITOR),
    Right.KEEP_PEOPLE: (SITE_ADMIN,),
    Right.KEEP_PLANT: (SITE_ADMIN,),
    Right.KEEP_STANDARDS: (TRAINER,),
    Right.KEEP_SETUP: (SITE_ADMIN,),
    Right.APPOINT: (SITE_ADMIN,),
    Right.RECORD_EVIDENCE: (TRAINER, SITE_ADMIN),
    Right.RECORD_ASSESSMENT: (TRAINER,),
    Right.DECIDE_TICKET: (TRAINER,),
    Right.ASSESS: (TRAINER,),
    Right.BOOK: (TRAINER, SITE_ADMIN),
    Right.SEE_ASSESSMENTS: (TRAINER, SITE_ADMIN, AUDITOR),
    Right.SEE_SEVERITY: (TRAINER, AUDITOR),
    Right.SIT: (OPERATOR,),
    Right.SEE_SITTINGS: (TRAINER, SITE_ADMIN, AUDITOR),
    # A question that people may have read beforehand shows nothing: the bank is for those who keep it.
    Right.SEE_QUESTIONS: (TRAINER, AUDITOR),
    Right.KEEP_QUESTIONS: (TRAINER,),
    Right.ALLOW_ATTEMPTS: (TRAINER,),
    Right.SUSPEND_TICKET: (TRAINER, SITE_ADMIN),
    Right.CLOSE_DEFECT: (SITE_ADMIN,),
    Right.ASK_RECORD: (TRAINER, SITE_ADMIN, AUDITOR),
    Right.SEE_LOOKS: (SITE_ADMIN, AUDITOR),
    Right.TAKE_OUT: (SITE_ADMIN, AUDITOR),
    Right.SAMPLE: (AUDITOR,),
    Right.PRINT_CARD: (TRAINER, SITE_ADMIN),
    Right.ERASE: (SITE_ADMIN,),
}


class NotAllowed(PermissionDenied):
    """The account holds no role that may do this here; its text is fit for the screen."""


def sites_with(account: Account, right: Right) -> frozenset[int] | None:
    """Ids of the sites where the account holds ``right``; ``None`` for every site."""
    held = [role for role in account.held_roles if role.name in ROLES[right]]
    if any(role.site_id is None for role in held):
        return None
    return frozenset(role.site_id for role in held)


def may(account: Account | None, right: Right, *, site: Site | None = None) -> bool:
    """Whether the account holds the right at ``site``; without one, whether it holds it anywhere."""
    if account is None or not account.is_authenticated or not account.is_active:
        return False
    sites = sites_with(account, right)
    if sites is None:
        return True
    return bool(sites) if site is None else site.pk in sites


def may_everywhere(account: Account | None, right: Right) -> bool:
    """Whether the account holds the right at every site, as what no one site owns takes."""
    return may(account, right) and sites_with(account, right) is None


def may_about(account: Account, right: Right, operator: Operator) -> bool:
    """Whether the account holds the right at the operator's home site, and is somebody else's: nobody decides
    or records anything about themself."""
    return account.operator_id != operator.pk and may(account, right, site=operator.site)


def require(account: Account | None, right: Right, *, site: Site | None = None) -> None:
    """Raise ``NotAllowed`` unless the account holds the right (at that site)."""
    if may(account, right, site=site):
        return
    roles = " or ".join(sorted(Role.Name(role).label.lower() for role in ROLES[right]))
    where = f" at {site.name}" if site else ""
    raise NotAllowed(f"This needs the role {roles}{where}. A site admin can say who holds it.")


def require_everywhere(account: Account | None, right: Right) -> None:
    """Raise ``NotAllowed`` unless the account holds the right at every site: for what no one site owns."""
    if not may_everywhere(account, right):
        raise NotAllowed("This concerns every site, so it needs a role that is held for every site.")


def require_where(account: Account | None, right: Right, site: Site | None) -> None:
    """Raise ``NotAllowed`` unless the account holds the right where a role does: at its site, or with none,
    everywhere."""
    if site is None:
        require_everywhere(account, right)
    else:
        require(account, right, site=site)
