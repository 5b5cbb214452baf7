"""The credential of a passed practical assessment at the door."""

import jwt
import pytest
from django.test import Client
from django.urls import reverse

from competence.models import Credential
from tests.doors.people_world import people_world
from tests.factories import EvidenceFactory, MachineFactory
from tests.factories.assessments import AssessmentFactory

pytestmark = pytest.mark.django_db


@pytest.fixture
def world():
    return people_world()


def confirmed(world, **more):
    evidence = EvidenceFactory(
        operator=world.operator, kind="practical", category=world.category, recorded_by=world.trainer
    )
    return AssessmentFactory(
        operator=world.operator,
        assessor=world.trainer,
        machine=MachineFactory(site=world.site, category=world.category),
        standard_version=world.standard,
        stage="confirmed",
        evidence=evidence,
        **more,
    )


def test_its_holder_takes_it_along_with_what_was_seen(world):
    assessment, client = confirmed(world), Client()
    client.force_login(world.operator_account)
    address = reverse("assessment-credential", args=[assessment.pk])
    assert (
        "Credential to take along"
        in client.get(reverse("assessment-record", args=[assessment.pk])).content.decode()
    )
    page = client.post(address, follow=True).content.decode()
    kept = Credential.objects.get()
    assert "Holds" in page
    body = jwt.decode(kept.token, options={"verify_signature": False})
    assert body["credentialSubject"]["achievement"]["name"] == "Practical assessment: Dumper"
    assert "watched at Home Quarry" in body["evidence"][0]["narrative"]
    assert "validUntil" not in body


def test_of_one_that_was_not_passed_there_is_none(world):
    assessment = confirmed(world, stage__marks=dict.fromkeys(range(1, 30), "missed"))
    client = Client()
    client.force_login(world.site_admin)
    page = client.get(reverse("assessment-credential", args=[assessment.pk])).content.decode()
    assert "Issue a credential" not in page
