"""What the database itself refuses, whoever writes to it: every constraint of a table has its bad rows.

A row is made good, then altered by one UPDATE that passes by every form, action and model method.
"""

from collections.abc import Callable
from datetime import date, timedelta
from decimal import Decimal
from itertools import count
from typing import Any

import pytest
from django.apps import apps
from django.db import IntegrityError, connection, models, transaction
from django.utils import timezone

from assessments.models import (
    Assessment,
    AssessmentCorrection,
    Booking,
    CalendarAddress,
    DigestLine,
    OutgoingMail,
    Plan,
)
from competence.models import AcceptedCategory, FittedFeature, Precedence
from tests import factories
from tests.factories import absences, cards, imports, keeping, questions
from tests.factories.assessments import AssessmentFactory, PointNoteFactory, TapFactory
from tests.factories.tickets import TicketEventFactory, TicketFactory

pytestmark = pytest.mark.django_db

DAY, SECOND = timedelta(days=1), timedelta(seconds=1)
Row = Any
Change = dict[str, Any]


CONSTRAINTS = {
    constraint.name: (model, constraint)
    for model in apps.get_models()
    if model._meta.app_label in ("competence", "assessments")
    for constraint in model._meta.constraints
}


def a_precedence() -> Precedence:
    first, second = factories.ChecklistVersionFactory(points=2).listed.order_by("position")
    return Precedence.objects.create(
        version=first.version, earlier=first, later=second, is_safety=True, why="Chock before crawling under."
    )


def a_fitted_feature() -> FittedFeature:
    machine = factories.MachineFactory(features=[factories.FeatureFactory()])
    return machine.state.fitted.get()


def an_accepted_category() -> AcceptedCategory:
    version = factories.StandardVersionFactory(accepts=[factories.CategoryFactory()])
    return version.accepted.get()


def an_event(kind: str) -> Callable[[], Row]:
    return lambda: TicketEventFactory(kind=kind, ticket=TicketFactory())


def a_correction() -> Row:
    issue = TicketFactory().events.get()
    return TicketEventFactory(ticket=issue.ticket, kind="corrected", corrects=issue)


def evidence(kind: str) -> Callable[[], Row]:
    return lambda: factories.EvidenceFactory(kind=kind)


def an_evidence_correction() -> Row:
    return factories.EvidenceFactory(corrects=factories.EvidenceFactory())


def a_submitted_check() -> Row:
    return factories.DailyCheckFactory(submitted=True)


def a_finding(**trait: Any) -> Callable[[], Row]:
    return lambda: factories.FindingFactory(**trait)


def a_closed_defect() -> Row:
    return factories.DefectFactory(closed=True)


def a_booking(**more: Any) -> Booking:
    machine = factories.MachineFactory()
    whole = {
        "on": date(2026, 5, 4),
        "site": machine.site,
        "machine": machine,
        "operator": factories.OperatorFactory(),
        "assessor": factories.AccountFactory(),
        "made_at": timezone.now(),
        "made_by": factories.AccountFactory(),
    }
    return Booking.objects.create(**whole | more)


def a_booking_called_off() -> Booking:
    return a_booking(called_off_at=timezone.now(), called_off_why="Rain.")


def an_unconfirmed_assessment() -> Assessment:
    assessment = AssessmentFactory(stage="confirmed")
    assessment.operator_confirmed_at, assessment.unconfirmed_at = None, timezone.now()
    assessment.unconfirmed_by, assessment.unconfirmed_why = assessment.assessor, "Left the firm."
    assessment.save()
    return assessment


def an_assessment_correction() -> AssessmentCorrection:
    return AssessmentCorrection.objects.create(
        assessment=AssessmentFactory(),
        is_competent=False,
        reason="Marked the wrong person.",
        evidence=factories.EvidenceFactory(),
        recorded_at=timezone.now(),
        recorded_by=factories.AccountFactory(),
    )


def a_mail(**more: Any) -> Callable[[], OutgoingMail]:
    def make() -> OutgoingMail:
        account = factories.AccountFactory()
        whole = {"account": account, "to": "pat@example.com", "subject": "News", "text": "News", "html": ""}
        return OutgoingMail.objects.create(composed_at=timezone.now(), **whole | more)

    return make


def a_digest_line() -> DigestLine:
    mail = a_mail()()
    return DigestLine.objects.create(
        account=mail.account, thing="booking 1", state="on 2026-05-04", told_at=timezone.now(), mail=mail
    )


def a_calendar_address() -> CalendarAddress:
    return CalendarAddress.objects.create(
        account=factories.AccountFactory(), token_sha256="ab" * 32, made_at=timezone.now()
    )


def a_finished_plan() -> Plan:
    return Plan.objects.create(
        made_by=factories.AccountFactory(),
        made_at=timezone.now(),
        asked={},
        status="finished",
        found={},
        finished_at=timezone.now(),
    )


# A good row of the constraint's table, and what makes it bad. A function takes the row.
BAD: dict[str, tuple[Callable[[], Row], list[Change]]] = {
    "operator_photograph_has_its_file_and_digest": (
        cards.OperatorPhotographFactory,
        [{"photograph": ""}, {"photograph_sha256": ""}],
    ),
    "status_place_is_within_its_list": (cards.StatusPlaceFactory, [{"place": 131_072}]),
    "card_has_its_signed_statement": (cards.CardFactory, [{"statement": ""}, {"key_id": ""}]),
    "card_stop_says_why": (cards.CardStopFactory, [{"reason": ""}]),
    "card_states_a_known_level": (cards.CardTicketFactory, [{"level": "owner"}, {"level": ""}]),
    "credential_has_its_token": (cards.CredentialFactory, [{"token": ""}]),
    "credential_is_of_one_thing": (
        cards.CredentialFactory,
        [
            {"ticket": None},
            {"kind": "assessment"},
            {"kind": "medal"},
            {"evidence": lambda row: factories.EvidenceFactory()},
        ],
    ),
    "role_is_one_of_the_four": (factories.RoleFactory, [{"name": "owner"}, {"name": ""}]),
    "point_weighs_one_to_three": (factories.PointFactory, [{"weight": 0}, {"weight": 4}]),
    "precedence_joins_two_points": (a_precedence, [{"later": lambda row: row.earlier}]),
    "submitted_check_is_whole": (
        a_submitted_check,
        [
            {"submitted_at": None},
            {"hour_meter": None},
            {"result": ""},
            {"result": "nearly"},
            {"status": "draft"},
            {"status": "set_aside"},
            {"status": "gone"},
        ],
    ),
    "nobody_supervises_themself": (factories.DailyCheckFactory, [{"supervisor": lambda row: row.operator}]),
    "hour_meter_is_not_negative": (a_submitted_check, [{"hour_meter": Decimal("-0.1")}]),
    "finding_says_what_its_answer_needs": (
        a_finding(defect=True),
        [
            {"grade": ""},
            {"grade": "bad"},
            {"note": ""},
            {"answer": "good"},
            {"answer": "not_reached", "grade": ""},
            {"answer": "perhaps", "grade": ""},
        ],
    ),
    "closed_defect_says_who_when_and_what": (
        a_closed_defect,
        [
            {"closed_at": None},
            {"closed_by": None},
            {"done": ""},
            {"closed_by": None, "done": ""},
            {"closed_at": None, "closed_by": None},
            {"closed_at": None, "done": ""},
            {"closed_at": lambda row: row.opened_at - SECOND},
        ],
    ),
    "evidence_ends_after_it_happened": (
        evidence("medical"),
        [{"counts_to": lambda row: row.occurred_on - DAY}],
    ),
    "induction_names_its_site": (evidence("induction"), [{"site": None}]),
    "familiarisation_names_its_model": (evidence("familiarisation"), [{"machine_model": ""}]),
    "assessment_evidence_names_its_category": (
        evidence("practical"),
        [
            {"category": None},
            {"category": None, "kind": "paper"},
            {"category": None, "kind": "recall", "counts_to": lambda row: row.occurred_on},
        ],
    ),
    "recall_evidence_states_its_last_day": (evidence("recall"), [{"counts_to": None}]),
    "evidence_strikes_out_a_row": (evidence("medical"), [{"strikes_out": True}]),
    "evidence_correction_has_a_reason": (an_evidence_correction, [{"reason": ""}]),
    "evidence_hours_are_positive": (evidence("medical"), [{"hours": 0}, {"hours": -1}]),
    "site_place_is_whole_and_on_earth": (
        factories.SiteFactory,
        [
            {"latitude": None},
            {"longitude": None},
            {"latitude": 90.1},
            {"latitude": -90.1},
            {"longitude": 180.1},
            {"longitude": -180.1},
        ],
    ),
    "minimum_cover_is_at_least_one": (factories.MinimumCoverFactory, [{"operators": 0}]),
    "operator_state_is_not_foretold": (
        factories.OperatorStateFactory,
        [{"effective_at": lambda row: row.recorded_at + SECOND}],
    ),
    "category_mass_bounds_in_order": (
        factories.CategoryFactory,
        [{"min_mass_kg": 6001, "max_mass_kg": 6000}],
    ),
    "feature_is_fitted_or_attachment": (factories.FeatureFactory, [{"kind": "painted"}]),
    "machine_state_is_not_foretold": (
        factories.MachineStateFactory,
        [{"effective_at": lambda row: row.recorded_at + SECOND}],
    ),
    "ticket_period_is_at_least_a_month": (factories.StandardVersionFactory, [{"months": 0}]),
    "pass_mark_is_a_share": (
        factories.StandardVersionFactory,
        [{"pass_mark": Decimal(0)}, {"pass_mark": Decimal("1.001")}],
    ),
    "period_end_is_known": (factories.StandardVersionFactory, [{"period_end": "never"}]),
    "requirement_months_at_least_one": (factories.RequirementFactory, [{"months": 0}]),
    "hours_requirement_states_hours": (
        lambda: factories.RequirementFactory(kind="training_hours"),
        [{"hours": None}, {"hours": 0}, {"hours": None, "kind": "supervised_hours"}],
    ),
    "recall_requirement_states_its_level": (
        lambda: factories.RequirementFactory(kind="recall"),
        [
            {"recall_level": None},
            {"recall_level": Decimal("0.499")},
            {"recall_level": Decimal("0.951")},
            {"kind": "refresher"},
        ],
    ),
    "ticket_ends_on_or_after_its_first_day": (
        TicketFactory,
        [
            {"last_day": lambda row: row.first_day - DAY},
            {"level": "owner"},
            {"level": None},
            {"first_day": None},
            {"last_day": None},
            {"first_day": None, "last_day": None},
            {"level": None, "first_day": None},
        ],
    ),
    "ticket_event_is_not_foretold": (
        an_event("suspended"),
        [{"effective_at": lambda row: row.recorded_at + SECOND}],
    ),
    "ticket_event_has_a_reason": (an_event("suspended"), [{"reason": ""}]),
    "ticket_event_ends_on_or_after_its_first_day": (
        an_event("issued"),
        [{"last_day": lambda row: row.first_day - DAY}],
    ),
    "issue_states_level_and_period": (
        an_event("issued"),
        [{"level": None}, {"first_day": None}, {"last_day": None}],
    ),
    "renewal_states_its_period": (
        lambda: TicketEventFactory(
            kind="renewed", first_day=factories.base.days_ago(0), last_day=factories.base.days_ago(-9)
        ),
        [{"first_day": None}, {"last_day": None}],
    ),
    "correction_names_what_it_corrects": (
        a_correction,
        [{"corrects": None}, {"kind": "varied"}, {"kind": "varied", "corrects": None, "strikes_out": True}],
    ),
    "appointment_ends_on_or_after_its_first_day": (
        factories.AppointmentFactory,
        [{"last_day": lambda row: row.first_day - DAY}],
    ),
    "appointment_states_its_duties": (factories.AppointmentFactory, [{"duties": ""}]),
    "called_off_booking_says_why": (
        a_booking_called_off,
        [{"called_off_why": ""}, {"called_off_at": None}],
    ),
    "assessment_is_as_whole_as_its_status": (
        lambda: AssessmentFactory(stage="confirmed"),
        [
            {"finished_at": None},
            {"outcome": None},
            {"is_competent": None},
            {"assessor_confirmed_at": None},
            {"operator_confirmed_at": None},
            {"status": "marking"},
            {"status": "abandoned"},
            {"status": "gone"},
            {"status": "finished", "finished_at": None},
            {"status": "finished", "outcome": None},
            {"status": "finished", "is_competent": None},
        ],
    ),
    "unconfirmed_assessment_says_by_whom_and_why": (
        an_unconfirmed_assessment,
        [
            {"unconfirmed_by": None},
            {"unconfirmed_why": ""},
            {"operator_confirmed_at": timezone.now()},
            {"status": "finished"},
            {"unconfirmed_at": None, "operator_confirmed_at": timezone.now()},
        ],
    ),
    "raising_takes_a_second_assessor": (AssessmentFactory, [{"raised_by": lambda row: row.assessor}]),
    "tap_gives_a_known_mark_or_takes_it_back": (TapFactory, [{"mark": "nearly"}]),
    "point_note_says_or_shows_something": (PointNoteFactory, [{"text": ""}]),
    "assessment_correction_has_a_reason": (an_assessment_correction, [{"reason": ""}]),
    "retired_question_says_why": (
        questions.QuestionFactory,
        [{"retired_at": timezone.now()}, {"retired_why": "It gave itself away."}],
    ),
    "question_kind_is_known": (questions.QuestionVersionFactory, [{"kind": "essay"}]),
    "picture_question_names_its_picture": (
        lambda: questions.QuestionVersionFactory(kind="picture", picture="dial", content={}),
        [{"picture": ""}],
    ),
    "question_explains_and_says_its_source": (
        questions.QuestionVersionFactory,
        [{"explanation": ""}, {"source": ""}],
    ),
    "panel_rating_is_a_share": (
        questions.PanelRatingFactory,
        [{"share": Decimal("-0.01")}, {"share": Decimal("1.01")}],
    ),
    "paper_allows_time_and_an_attempt": (
        questions.PaperVersionFactory,
        [{"minutes": 0}, {"attempts": 0}, {"cut": 0}],
    ),
    "cut_comes_from_a_panel_or_says_why": (questions.PaperVersionFactory, [{"cut_why": ""}]),
    "blueprint_asks_no_more_right_than_questions": (
        questions.BlueprintLineFactory,
        [{"questions": 0, "must_be_right": 0}, {"must_be_right": 3}],
    ),
    "finished_plan_has_what_was_found": (
        a_finished_plan,
        [{"found": None}, {"finished_at": None}, {"status": "running"}, {"status": "gone"}],
    ),
    "mail_is_as_far_as_its_status": (
        a_mail(status="sending", claimed_at=timezone.now()),
        [
            {"claimed_at": None},
            {"sent_at": timezone.now()},
            {"status": "waiting"},
            {"status": "sent"},
            {"status": "refused"},
            {"status": "gone"},
        ],
    ),
    "digest_line_says_how_the_thing_stands": (a_digest_line, [{"state": ""}]),
    "calendar_address_is_there_or_removed": (
        a_calendar_address,
        [{"token_sha256": None}, {"removed_at": timezone.now()}],
    ),
    "more_attempts_say_why": (questions.MoreAttemptsFactory, [{"reason": ""}]),
    "paper_sitting_has_its_paper_and_its_end": (
        lambda: questions.SittingFactory(is_paper=True),
        [{"paper": None}, {"category": None}, {"ends_at": None}, {"kind": "refresher"}, {"kind": "quiz"}],
    ),
    "imported_file_says_who_and_when": (
        lambda: imports.ImportFileFactory(imported=True),
        [
            {"imported_at": None},
            {"imported_by": None},
            {"status": "in_progress"},
            {"status": "given_up"},
            {"status": "lost"},
            {"file": "still-here.xlsx"},
        ],
    ),
    "ended_run_says_when": (
        imports.ImportRunFactory,
        [{"status": "finished"}, {"status": "gone"}, {"finished_at": timezone.now()}],
    ),
    "absence_is_of_one_person": (
        absences.AbsenceFactory,
        [{"operator": None}, {"account": lambda row: row.entered_by}],
    ),
    "absence_ends_no_sooner_than_it_begins": (
        absences.AbsenceFactory,
        [{"last_day": lambda row: row.first_day - DAY}],
    ),
    "absence_says_of_what_kind": (absences.AbsenceFactory, [{"kind": ""}]),
    "absence_called_off_says_by_whom_and_when": (
        absences.AbsenceFactory,
        [{"called_off_at": timezone.now()}, {"called_off_by": lambda row: row.entered_by}],
    ),
    "use_is_of_day_or_night": (factories.MachineUseFactory, [{"shift": "late"}]),
    "use_hours_fit_a_day": (factories.MachineUseFactory, [{"hours": "-0.1"}, {"hours": "24.1"}]),
    "keeping_rule_is_within_a_century": (keeping.KeepingRuleFactory, [{"months": 1201}]),
    "keeping_rule_counts_from_a_known_day": (keeping.KeepingRuleFactory, [{"anchor": "birth"}]),
    "keeping_rule_says_where_it_stands": (keeping.KeepingRuleFactory, [{"source": ""}]),
    "erasure_says_why": (keeping.ErasureFactory, [{"why": ""}]),
    "erasure_is_of_somebody_or_of_one_record": (
        keeping.ErasureFactory,
        [{"operator_id": None}, {"kind": "part"}],
    ),
    "look_is_of_a_known_kind": (factories.LookFactory, [{"kind": "glance"}]),
    "use_says_where_it_comes_from": (factories.MachineUseFactory, [{"source": ""}]),
    "sample_is_within_its_population": (factories.SampleFactory, [{"size": 0}, {"size": 4}]),
    "sample_confidence_is_between_half_and_all": (
        factories.SampleFactory,
        [{"confidence": "0.499"}, {"confidence": "1.000"}],
    ),
    "sample_says_what_its_size_rests_on": (
        factories.SampleFactory,
        [
            {"rate": None},
            {"rate": "0"},
            {"rate": "1"},
            {"level": "1.0"},
            {"letter": "H"},
            {"basis": "plan"},
            {"basis": "plan", "rate": None, "level": "1.0"},
            {"basis": "plan", "level": "1.0", "letter": "H"},
            {"basis": "none"},
        ],
    ),
    "sample_is_of_a_moment_or_a_time": (
        factories.SampleFactory,
        [
            {"at": None},
            {"before": lambda row: row.at},
            {"at": None, "first_moment": lambda row: row.drawn_at, "before": lambda row: row.drawn_at},
        ],
    ),
    "sample_states_its_seed": (factories.SampleFactory, [{"seed": ""}]),
    "sample_verdict_says_what_is_wrong": (
        factories.SampleVerdictFactory,
        [{"note": ""}, {"found": "cannot_tell", "note": ""}, {"found": "perhaps"}],
    ),
    "sample_result_says_what_it_shows": (factories.SampleResultFactory, [{"headline": ""}]),
    "imported_row_names_its_operator_or_why_not": (
        imports.ImportedRowFactory,
        [{"operator": None}, {"outcome": "left_out", "told": ""}, {"outcome": "lost"}],
    ),
    "remembered_word_means_one_thing_of_its_kind": (
        imports.RememberedWordFactory,
        [
            {"category": None},
            {"kind": "site"},
            {"kind": "machine"},
            {"site": lambda row: factories.SiteFactory()},
        ],
    ),
    "finished_sitting_has_its_outcome": (
        lambda: questions.SittingFactory(is_paper=True, finished=True),
        [
            {"finished_at": None},
            {"outcome": None},
            {"is_passed": None},
            {"status": "open"},
            {"status": "gone"},
        ],
    ),
}

DAYS, NUMBERS = (date(2020, 1, 1) + timedelta(days=n) for n in count()), count(1)

# Two good rows of the constraint's table; the second is made to repeat the first, and nothing more of it.
TWINS: dict[str, Callable[[], Row]] = {
    "role_once_per_site": lambda: factories.RoleFactory(site=factories.SiteFactory()),
    "role_once_for_every_site": factories.RoleFactory,
    "point_revision_once": factories.PointFactory,
    "checklist_version_number_once": lambda: factories.ChecklistVersionFactory(in_force_from=next(DAYS)),
    "one_checklist_version_per_start_day": lambda: factories.ChecklistVersionFactory(number=next(NUMBERS)),
    "listed_point_position_once": factories.ListedPointFactory,
    "point_listed_once": lambda: factories.ListedPointFactory(position=next(NUMBERS)),
    "precedence_once": a_precedence,
    "one_open_draft_per_machine_and_operator": factories.DailyCheckFactory,
    "point_answered_once_per_check": factories.FindingFactory,
    "one_open_defect_per_machine_and_point": factories.DefectFactory,
    "machine_use_recorded_once_per_shift": factories.MachineUseFactory,
    "record_drawn_once_per_sample": factories.SampledItemFactory,
    "one_record_per_place_of_a_sample": factories.SampledItemFactory,
    "one_minimum_per_site_and_category": factories.MinimumCoverFactory,
    "feature_fitted_once": a_fitted_feature,
    "standard_version_number_once_per_category": lambda: factories.StandardVersionFactory(
        in_force_from=next(DAYS)
    ),
    "one_standard_version_per_start_day": lambda: factories.StandardVersionFactory(number=next(NUMBERS)),
    "category_accepted_once": an_accepted_category,
    "requirement_kind_once_per_version": factories.RequirementFactory,
    "one_ticket_per_operator_and_category": TicketFactory,
    "ticket_event_in_sequence": an_event("suspended"),
    "operator_booked_once_a_day_on_a_machine": a_booking,
    "one_digest_line_a_thing": a_digest_line,
    "one_open_assessment_per_assessor_operator_machine": AssessmentFactory,
    "point_assessed_once": lambda: AssessmentFactory().points.order_by("pk").first(),
    "question_version_number_once": lambda: questions.QuestionVersionFactory(number=next(NUMBERS)),
    "one_open_panel_per_category": questions.PanelFactory,
    "panel_rates_a_question_once": questions.PanelQuestionFactory,
    "paper_version_number_once": lambda: questions.PaperVersionFactory(in_force_from=next(DAYS)),
    "one_paper_version_per_start_day": lambda: questions.PaperVersionFactory(number=next(NUMBERS)),
    "blueprint_names_a_topic_once": questions.BlueprintLineFactory,
    "one_open_sitting_per_operator": questions.SittingFactory,
    "status_place_is_given_once": cards.StatusPlaceFactory,
    "card_states_a_ticket_once": cards.CardTicketFactory,
    "word_remembered_once": imports.RememberedWordFactory,
    "row_erased_once_in_an_erasure": keeping.ErasedRowFactory,
    "one_run_of_a_file_at_a_time": imports.ImportRunFactory,
    "drawn_question_position_once": questions.DrawnQuestionFactory,
    "question_drawn_once_in_a_sitting": questions.DrawnQuestionFactory,
}

# Constraints on what a column amounts to, with what makes a second row amount to the same as the first.
SAME_IN_EFFECT: dict[str, tuple[Callable[[], Row], Callable[[Row], Change]]] = {
    "account_name_once_in_any_case": (
        factories.AccountFactory,
        lambda first: {"username": first.username.upper()},
    ),
}


def test_every_constraint_has_its_bad_rows() -> None:
    kinds = {name: type(constraint) for name, (_, constraint) in CONSTRAINTS.items()}
    assert {name for name, kind in kinds.items() if kind is models.CheckConstraint} == BAD.keys()
    assert {name for name, kind in kinds.items() if kind is models.UniqueConstraint} == (
        TWINS.keys() | SAME_IN_EFFECT.keys()
    )
    assert set(kinds.values()) == {models.CheckConstraint, models.UniqueConstraint}


def alter(row: Row, change: Change) -> None:
    """One UPDATE by Django's plain query set, which knows nothing of kept rows, choices or validators."""
    values = {column: value(row) if callable(value) else value for column, value in change.items()}
    with transaction.atomic():
        models.QuerySet(type(row)).filter(pk=row.pk).update(**values)


def names_it(error: IntegrityError, name: str) -> bool:
    """Whether the database says that it was this constraint: SQLite names the columns of a unique one."""
    model, constraint = CONSTRAINTS[name]
    if connection.vendor != "sqlite" or isinstance(constraint, models.CheckConstraint):
        return name in str(error)
    columns = [model._meta.get_field(field).column for field in constraint.fields]
    return ", ".join(f"{model._meta.db_table}.{column}" for column in columns) in str(error)


@pytest.mark.parametrize(
    ("name", "change"),
    [
        pytest.param(name, change, id=f"{name}-{number}")
        for name, (_, changes) in BAD.items()
        for number, change in enumerate(changes, start=1)
    ],
)
def test_the_database_refuses_a_row_that_breaks_the_rule(name: str, change: Change) -> None:
    row = BAD[name][0]()
    assert isinstance(row, CONSTRAINTS[name][0])
    with pytest.raises(IntegrityError) as refused:
        alter(row, change)
    assert names_it(refused.value, name), refused.value


@pytest.mark.parametrize("name", TWINS)
def test_the_database_refuses_a_row_that_is_there_already(name: str) -> None:
    first, second = TWINS[name](), TWINS[name]()
    assert isinstance(first, CONSTRAINTS[name][0])
    with pytest.raises(IntegrityError) as refused:
        alter(second, {field: getattr(first, field) for field in CONSTRAINTS[name][1].fields})
    assert names_it(refused.value, name), refused.value


@pytest.mark.parametrize("name", SAME_IN_EFFECT)
def test_the_database_refuses_a_row_that_amounts_to_one_that_is_there(name: str) -> None:
    make, repeats = SAME_IN_EFFECT[name]
    first, second = make(), make()
    with pytest.raises(IntegrityError, match=name):
        alter(second, repeats(first))
