from typing import Any

from django.apps import AppConfig


class AssessmentsConfig(AppConfig):
    name = "assessments"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        """Fill the lists by which the lower app is told of this one; each is described where it stands."""
        _tell_of_drafts()
        _tell_of_records()
        _tell_of_pages()
        _tell_of_what_follows()
        _tell_of_content()


def _add(told: list[Any], *more: Any) -> None:
    """Once each, however often an app is made ready."""
    told.extend(one for one in more if one not in told)


def _tell_of_drafts() -> None:
    from django.db.models import BooleanField, Exists, ExpressionWrapper, OuterRef, Q

    from assessments.models import Assessment, Sitting
    from competence.queries.journal_rows import DRAFTS

    # A plan is a working paper; what is accepted of it are bookings.
    DRAFTS["assessments.plan"] = ExpressionWrapper(Q(pk__isnull=False), BooleanField())
    # A digest is no record: what it speaks of is.
    for kind in ("assessments.outgoingmail", "assessments.digestline"):
        DRAFTS[kind] = ExpressionWrapper(Q(pk__isnull=False), BooleanField())
    being_marked = Exists(Assessment.objects.filter(pk=OuterRef("assessment_id"), status="marking"))
    DRAFTS["assessments.assessment"] = ExpressionWrapper(Q(status="marking"), BooleanField())
    DRAFTS["assessments.tap"] = DRAFTS["assessments.pointnote"] = being_marked
    DRAFTS["assessments.answer"] = Exists(Sitting.objects.filter(drawn=OuterRef("drawn_id"), status="open"))


def _tell_of_records() -> None:
    from assessments.models.personal import PERSONAL_HERE
    from assessments.outputs.workbook_sheets import ASSESSMENTS, SITTINGS
    from assessments.queries.record_kinds import KINDS
    from assessments.queries.record_sources import sources_of
    from assessments.queries.samples import CONFIRMED
    from competence.models.personal import PERSONAL
    from competence.outputs.workbook import MORE_SHEETS
    from competence.queries.record_chain import CHAIN_LINKS
    from competence.queries.record_entries import RECORD_KINDS
    from competence.queries.sample_populations import POPULATIONS

    PERSONAL.update(PERSONAL_HERE)
    RECORD_KINDS.update(KINDS)
    _add(CHAIN_LINKS, sources_of)
    _add(POPULATIONS, CONFIRMED)
    _add(MORE_SHEETS, ASSESSMENTS, SITTINGS)


def _tell_of_pages() -> None:
    from assessments.queries.waiting_mail import waiting_mail
    from assessments.views.assessment_records import own_parts
    from assessments.views.bookings import start_parts
    from assessments.views.ends import monday_parts
    from assessments.views.sitting_records import own_parts as sitting_parts
    from competence.views.front import PART_PROVIDERS
    from competence.views.watching import GAUGES

    _add(PART_PROVIDERS, sitting_parts, own_parts, start_parts, monday_parts)
    _add(GAUGES, waiting_mail)


def _tell_of_what_follows() -> None:
    from assessments.actions.refreshers import after_check
    from assessments.queries.bookings import bookings_while_away
    from competence.actions.absences import ON_ABSENCE
    from competence.actions.checks import ON_SUBMITTED

    _add(ON_ABSENCE, bookings_while_away)
    _add(ON_SUBMITTED, after_check)


def _tell_of_content() -> None:
    """Of the reference content, and of the demo's history and its cases."""
    from assessments.inputs.question_bank import load_question_bank
    from assessments.inputs.scenario import plan_assessments
    from assessments.inputs.scenario_sittings import plan_sittings
    from assessments.management.main_job import faded
    from competence.inputs.reference import CONTENT_PROVIDERS
    from competence.inputs.scenario_history import PLANNERS
    from competence.management.main_job import MORE_PARTS

    _add(CONTENT_PROVIDERS, load_question_bank)
    _add(PLANNERS, plan_assessments, plan_sittings)
    _add(MORE_PARTS, faded)
