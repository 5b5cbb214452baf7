from django.apps import AppConfig


class AssessmentsConfig(AppConfig):
    name = "assessments"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        """Tell the journal which of this app's rows are drafts: those of an assessment still being marked,
        and of a sitting still open. Tell the start page which parts this app has for it, and the loading of
        the reference content that the bank of questions is part of it. Tell the demo's scenario
        which walk-arounds were marked in it."""
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
        DRAFTS["assessments.answer"] = Exists(
            Sitting.objects.filter(drawn=OuterRef("drawn_id"), status="open")
        )

        from assessments.models.personal import PERSONAL_HERE
        from competence.models.personal import PERSONAL

        PERSONAL.update(PERSONAL_HERE)

        from assessments.views.assessment_records import own_parts
        from assessments.views.bookings import start_parts
        from assessments.views.ends import monday_parts
        from assessments.views.sitting_records import own_parts as sitting_parts
        from competence.views.front import PART_PROVIDERS

        for provider in (sitting_parts, own_parts, start_parts, monday_parts):
            if provider not in PART_PROVIDERS:
                PART_PROVIDERS.append(provider)

        from assessments.queries.record_kinds import KINDS
        from competence.queries.record_entries import RECORD_KINDS

        RECORD_KINDS.update(KINDS)

        from assessments.queries.bookings import bookings_while_away
        from competence.actions.absences import ON_ABSENCE

        if bookings_while_away not in ON_ABSENCE:
            ON_ABSENCE.append(bookings_while_away)

        from assessments.actions.refreshers import after_check
        from competence.actions.checks import ON_SUBMITTED

        if after_check not in ON_SUBMITTED:
            ON_SUBMITTED.append(after_check)

        from assessments.queries.samples import CONFIRMED
        from competence.queries.sample_populations import POPULATIONS

        if CONFIRMED not in POPULATIONS:
            POPULATIONS.append(CONFIRMED)

        from assessments.inputs.question_bank import load_question_bank
        from competence.inputs.reference import CONTENT_PROVIDERS

        if load_question_bank not in CONTENT_PROVIDERS:
            CONTENT_PROVIDERS.append(load_question_bank)

        from assessments.inputs.scenario import plan_assessments
        from assessments.inputs.scenario_sittings import plan_sittings
        from competence.inputs.scenario_history import PLANNERS

        for planner in (plan_assessments, plan_sittings):
            if planner not in PLANNERS:
                PLANNERS.append(planner)

        from assessments.outputs.workbook_sheets import ASSESSMENTS, SITTINGS
        from competence.outputs.workbook import MORE_SHEETS

        for sheet in (ASSESSMENTS, SITTINGS):
            if sheet not in MORE_SHEETS:
                MORE_SHEETS.append(sheet)

        from assessments.queries.record_sources import sources_of
        from competence.queries.record_chain import CHAIN_LINKS

        if sources_of not in CHAIN_LINKS:
            CHAIN_LINKS.append(sources_of)

        from assessments.queries.waiting_mail import waiting_mail
        from competence.views.watching import GAUGES

        if waiting_mail not in GAUGES:
            GAUGES.append(waiting_mail)

        from assessments.management.main_job import faded
        from competence.management.main_job import MORE_PARTS

        if faded not in MORE_PARTS:
            MORE_PARTS.append(faded)
