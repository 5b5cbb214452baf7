"""What is held on a person is all told to them, and no secret; every column of the register is classified."""

import json
import zipfile
from io import BytesIO

import pytest
from django.apps import apps
from django.core.files.base import ContentFile
from django.utils import timezone

from competence.models import Account, Operator
from competence.models.personal import PERSONAL
from competence.outputs.subject_access import subject_access_zip
from competence.queries.erasing import Subject
from competence.queries.journal_rows import journalled_models
from competence.queries.keeping import sources
from competence.queries.subject_access import held_on
from competence.rules.retention import FLOORS
from tests import factories
from tests.actions.journalled_register import PHOTOGRAPH, write_journal
from tests.factories.assessments import AssessmentFactory, PointNoteFactory, TapFactory

EVERY_MODEL = [
    model for name in ("competence", "assessments") for model in apps.get_app_config(name).get_models()
]
# Rows that hang on somebody's and are not exported, with why not.
NOT_EXPORTED = {
    "competence.defect": "it is the machine's; who found it is in the finding, which is exported",
    "competence.defectsighting": "it joins a finding, which is exported, to the machine's defect",
    "competence.erasedrow": "it says which columns an erasure overwrote, and nothing of the person",
}


@pytest.mark.parametrize("model", EVERY_MODEL, ids=lambda model: model._meta.label_lower)
def test_every_column_is_told_of_once(model):
    told = PERSONAL[model._meta.label_lower]
    assert sorted(told.columns) == sorted(field.name for field in model._meta.concrete_fields)
    assert told.why


@pytest.mark.parametrize("model", EVERY_MODEL, ids=lambda model: model._meta.label_lower)
def test_every_link_to_a_person_is_followed_or_is_an_act(model):
    told = PERSONAL[model._meta.label_lower]
    followed = {lookup.split("__")[0] for lookup in (*told.to_operator, *told.to_account)}
    for field in model._meta.concrete_fields:
        if field.related_model in (Operator, Account):
            # What an account did is exported as the entries of the journal that it made.
            assert field.name in followed or field.name in told.acts.split(), f"{field} is not exported"
        elif field.related_model and PERSONAL[field.related_model._meta.label_lower].to_operator:
            assert told.is_personal or model._meta.label_lower in NOT_EXPORTED, f"{field} is not exported"


def test_only_rows_of_the_register_are_classified():
    assert set(PERSONAL) == {model._meta.label_lower for model in EVERY_MODEL}
    assert {model._meta.label_lower for model in journalled_models()} <= set(PERSONAL)


def test_every_kind_that_is_counted_has_a_rule_and_an_anchor():
    for kind, model, told, which in sources():
        assert kind in FLOORS
        assert told.made, model
        model._base_manager.filter(which).query  # noqa: B018  the lookups exist


@pytest.fixture
def person(db):
    machine = factories.MachineFactory()
    person = factories.authorised_operator(machine)
    account = factories.AccountFactory(operator=person, phone="0123 456")
    account.set_password("walk-round-first")
    account.save()
    check = factories.DailyCheckFactory(machine=machine, operator=person, submitted=True)
    finding = factories.FindingFactory(daily_check=check, defect=True, photograph_sha256="1" * 64)
    finding.photograph.save("seen.jpg", ContentFile(PHOTOGRAPH))
    factories.RefusalFactory(machine=machine, operator=person)
    assessment = AssessmentFactory(machine=machine, operator=person, stage="confirmed")
    TapFactory(assessment=assessment)
    PointNoteFactory(assessment=assessment, text="Looked twice")
    factories.LookFactory(operator=person)
    write_journal()
    return person


def exported(person):
    subject = Subject.of_operator(person)
    folder = zipfile.ZipFile(BytesIO(subject_access_zip(subject, held_on(subject), timezone.now())))
    return folder, json.loads(folder.read("record.json"))


def test_every_row_of_theirs_is_in_it(person):
    _, told = exported(person)
    for label, classified in PERSONAL.items():
        for lookup in classified.to_operator:
            rows = apps.get_model(label)._base_manager.filter(**{lookup: person.pk})
            known = {str(row["id"]) for row in told["rows"].get(label, [])}
            assert {str(pk) for pk in rows.values_list("pk", flat=True)} <= known, label
    assert told["rows"]["competence.account"][0]["phone"] == "0123 456"
    assert len(told["journal"]) > 5


def test_its_photographs_are_in_it_and_the_page_names_them(person):
    folder, told = exported(person)
    [name] = told["photographs_in_this_file"]
    assert folder.read(name) == PHOTOGRAPH
    assert name in folder.read("record.html").decode()


def test_no_secret_is_in_it(person):
    folder, _ = exported(person)
    everything = " ".join(folder.read(name).decode(errors="ignore") for name in folder.namelist())
    assert person.account.password not in everything
    assert "token_sha256" not in everything
    assert '"password"' not in everything


def test_of_a_check_that_they_supervised_nothing_of_whoever_made_it(person):
    other = factories.OperatorFactory(given_name="Wilma", family_name="Stays")
    verdict = {"reasons": [], "facts": {"person": {"number": other.number, "name": "Wilma Stays"}}}
    factories.DailyCheckFactory(operator=other, supervisor=person, verdict=verdict, submitted=True)
    folder, told = exported(person)
    supervised = [row for row in told["rows"]["competence.dailycheck"] if row["operator_id"] != person.pk]
    assert [row["operator_id"] for row in supervised] == ["somebody else"]
    assert "Wilma" not in folder.read("record.json").decode()


def test_of_whoever_supervised_them_only_the_name(person):
    verdict = {
        "reasons": [],
        "facts": {
            "supervision": {"person": {"number": "QX-1", "name": "Wilma Stays", "evidence": ["medical"]}}
        },
    }
    factories.RefusalFactory(operator=person, verdict=verdict)
    folder, _ = exported(person)
    text = folder.read("record.json").decode()
    assert "Wilma Stays" in text
    assert "QX-1" not in text


def test_staff_read_what_is_held_on_them_and_what_they_did_without_whom_they_did_it_to(person):
    trainer = factories.AccountFactory(roles=["trainer"])
    factories.AppointmentFactory(account=trainer)
    subject = Subject.of_account(trainer)
    held = held_on(subject)
    assert {one.label for one in held.sections} == {
        "competence.account",
        "competence.role",
        "competence.appointment",
    }
