"""Cards at the door: choosing and printing, what is on the paper, one's own, and what strangers are told."""

import io
import json

import jwt
import pytest
import typst
import zxingcpp
from django.core.cache import cache
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse
from PIL import Image
from pypdf import PdfReader

from competence.actions.cards import issue_cards
from competence.actions.tickets import suspend_ticket
from competence.models import Card, Credential, OperatorPhotograph
from competence.outputs.cards import PER_SHEET, cards_document
from competence.queries.cards import with_content
from competence.queries.signing import public_jwk
from competence.queries.ticket_lists import names
from competence.rules.status_lists import decoded_list, is_set
from tests.doors.people_world import people_world
from tests.factories import AccountFactory, CategoryFactory, OperatorFactory, TicketFactory

pytestmark = pytest.mark.django_db
MM = 72 / 25.4


@pytest.fixture
def world():
    cache.clear()
    return people_world()


def signed_in(account):
    client = Client()
    client.force_login(account)
    return client


def fully(cards):
    return list(with_content(Card.objects.filter(pk__in=[card.pk for card in cards])).order_by("pk"))


def pages_as_drawn(cards, *, is_single):
    """Each page as the printer puts it on paper, at 300 dots an inch."""
    files, told = cards_document(cards, is_single=is_single, named=names())
    pages = typst.compile(files, format="png", ppi=300, ignore_system_fonts=True, sys_inputs=told)
    return [Image.open(io.BytesIO(page)) for page in (pages if isinstance(pages, list) else [pages])]


def codes_on(page):
    """What a camera reads, from the top of the page to its foot and from left to right."""
    found = zxingcpp.read_barcodes(page)
    in_order = sorted(found, key=lambda one: (one.position.top_left.y // 300, one.position.top_left.x))
    return [one.text for one in in_order]


def test_the_code_on_the_paper_is_the_statement_and_verifies(world):
    card = issue_cards(by=world.site_admin, operators=[world.operator])[0]
    front, back = pages_as_drawn(fully([card]), is_single=True)
    assert codes_on(front) == []
    (address,) = codes_on(back)
    page, _, statement = address.partition("#")
    assert (page, statement) == ("http://127.0.0.1:8000/card/", card.statement)
    said = jwt.decode(statement, jwt.PyJWK(public_jwk()), algorithms=["EdDSA"])
    assert (said["n"], said["jti"]) == ("Ada Ashworth", card.number)


@pytest.mark.slow
def test_a_sheet_holds_eight_and_each_back_lies_behind_its_front(world):
    people = [world.operator]
    for number in range(PER_SHEET):
        person = OperatorFactory(site=world.site, number=f"OP{number + 10}")
        TicketFactory(operator=person, category=world.category)
        people.append(person)
    cards = fully(issue_cards(by=world.site_admin, operators=people))
    pages = pages_as_drawn(cards, is_single=False)
    assert len(pages) == 4
    wanted = [card.statement for card in cards[:PER_SHEET]]
    mirrored = [wanted[place ^ 1] for place in range(PER_SHEET)]
    assert [code.partition("#")[2] for code in codes_on(pages[1])] == mirrored
    assert [code.partition("#")[2] for code in codes_on(pages[3])] == [cards[-1].statement]


def test_the_pdf_is_tagged_titled_and_of_the_cards_size(world):
    """ID-1 of ISO/IEC 7810: 85.60 by 53.98 mm; A4 of ISO 216: 210 by 297 mm."""
    card = issue_cards(by=world.site_admin, operators=[world.operator])[0]
    client = signed_in(world.site_admin)
    for query, size in (("&single=yes", (85.60, 53.98)), ("", (210, 297))):
        answer = client.get(f"{reverse('card-pdf')}?card={card.number}{query}")
        assert answer["Content-Type"] == "application/pdf"
        pdf = PdfReader(io.BytesIO(answer.content))
        assert len(pdf.pages) == 2
        box = pdf.pages[0].mediabox
        assert (float(box.width) / MM, float(box.height) / MM) == pytest.approx(size, abs=0.01)
        assert pdf.metadata.title == "Ticket card of Ada Ashworth"
        assert pdf.trailer["/Root"]["/MarkInfo"]["/Marked"]
        assert str(pdf.trailer["/Root"]["/Lang"]).lower() == "en-gb"
        front = " ".join(pdf.pages[0].extract_text().split())
        for words in ("Ada Ashworth", "OP1", "Dumper", world.operator.state.employer.name):
            assert words in front


def test_a_name_in_letters_that_the_type_lacks_is_printed_by_their_names(world):
    person = OperatorFactory(site=world.site, number="OP9", given_name="Ada 张", family_name="Ash 😀")
    TicketFactory(operator=person, category=world.category)
    card = issue_cards(by=world.site_admin, operators=[person])[0]
    answer = signed_in(world.site_admin).get(f"{reverse('card-pdf')}?card={card.number}")
    front = " ".join(PdfReader(io.BytesIO(answer.content)).pages[0].extract_text().split())
    assert "[grinning face]" in front


def test_ticked_people_get_a_card_and_who_has_one_up_to_date_gets_it_again(world):
    client = signed_in(world.site_admin)
    client.post(reverse("card-issue"), {"operator": "OP1"})
    answer = client.post(reverse("card-issue"), {"operator": "OP1"}, follow=True)
    card = Card.objects.get()
    assert card.number in answer.content.decode()
    assert f"card={card.number}" in answer.content.decode()


def test_nobody_ticked_is_told_so(world):
    answer = signed_in(world.site_admin).post(reverse("card-issue"), follow=True)
    assert "Nobody was chosen" in answer.content.decode()


def test_the_list_says_who_has_no_card_and_why_one_is_out_of_date(world):
    client = signed_in(world.trainer)
    assert "No card" in client.get(reverse("card-list")).content.decode()
    issue_cards(by=world.site_admin, operators=[world.operator])
    TicketFactory(operator=world.operator, category=CategoryFactory(name="Roller"))
    for state, is_there in (("", True), ("old", True), ("wanted", True), ("none", False)):
        page = client.get(reverse("card-list"), {"state": state}).content.decode()
        assert ("a ticket is not on it" in page) is is_there


def test_an_operator_makes_and_shows_their_own_card(world):
    client = signed_in(world.operator_account)
    assert "No card yet" in client.get(reverse("my-card")).content.decode()
    page = client.post(reverse("my-card"), follow=True).content.decode()
    card = Card.objects.get()
    assert (card.issued_by, card.number in page) == (world.operator_account, True)
    code = client.get(reverse("card-code", args=[card.number]))
    assert code["Content-Type"] == "image/svg+xml"


def test_a_lost_card_is_stopped_listed_so_never_printed_again_and_replaced(world):
    card = issue_cards(by=world.site_admin, operators=[world.operator])[0]
    client = signed_in(world.trainer)
    assert reverse("card-stop", args=[card.number]) in client.get(reverse("card-list")).content.decode()
    page = client.post(reverse("card-stop", args=[card.number]), {"reason": ""})
    assert "This field is required" in page.content.decode()
    page = client.post(reverse("card-stop", args=[card.number]), {"reason": "Lost"}, follow=True)
    assert f"Card {card.number} is stopped" in page.content.decode()
    assert "Stopped" in page.content.decode()
    assert client.get(reverse("card-pdf"), {"card": card.number}).status_code == 404
    own = signed_in(world.operator_account).get(reverse("my-card")).content.decode()
    assert "does not count any more" in own
    assert reverse("card-code", args=[card.number]) not in own
    client.post(reverse("card-issue"), {"operator": "OP1"})
    newest = Card.objects.latest("issued_at")
    assert newest != card
    assert "Up to date" in client.get(reverse("card-list")).content.decode()


def a_picture():
    made = io.BytesIO()
    Image.new("RGB", (900, 1200), "grey").save(made, "JPEG", comment=b"taken at home")
    return SimpleUploadedFile("face.jpg", made.getvalue(), "image/jpeg")


def test_a_photograph_is_drawn_anew_and_shown_to_its_person(world):
    page = signed_in(world.site_admin).post(
        reverse("operator-photograph", args=["OP1"]), {"photo": a_picture()}, follow=True
    )
    kept = OperatorPhotograph.objects.get()
    assert "The photograph is kept" in page.content.decode()
    assert b"taken at home" not in kept.photograph.read()
    answer = signed_in(world.operator_account).get(reverse("operator-photograph-file", args=[kept.pk]))
    assert answer["Cache-Control"].startswith("private")


def test_a_photograph_is_taken_away_and_nothing_shows_it_any_more(world, photographs):
    client = signed_in(world.site_admin)
    client.post(reverse("operator-photograph", args=["OP1"]), {"photo": a_picture()})
    kept, away = OperatorPhotograph.objects.get(), reverse("operator-photograph-away", args=["OP1"])
    issue_cards(by=world.site_admin, operators=[world.operator])
    assert away in client.get(reverse("operator-photograph", args=["OP1"])).content.decode()
    named = client.post(away, {"why": "Ada Ashworth asked"}).content.decode()
    assert "names the person" in named
    page = client.post(away, {"why": "Asked for it"}, follow=True).content.decode()
    assert "The photograph is erased" in page
    assert away not in client.get(reverse("operator-photograph", args=["OP1"])).content.decode()
    own = signed_in(world.operator_account)
    file = reverse("operator-photograph-file", args=[kept.pk])
    assert own.get(file).status_code == 404
    page = own.get(reverse("my-card")).content.decode()
    assert "the photograph was taken away" in page
    assert file not in page
    assert "the photograph was taken away" in client.get(reverse("card-list")).content.decode()
    page = own.post(reverse("my-card"), follow=True).content.decode()
    assert "out of date" not in page
    assert "no photograph on record" in client.post(away, {"why": "Again"}).content.decode()


def test_what_is_no_picture_is_refused_at_its_field(world):
    file = SimpleUploadedFile("face.jpg", b"%PDF-1.7", "image/jpeg")
    page = signed_in(world.site_admin).post(reverse("operator-photograph", args=["OP1"]), {"photo": file})
    assert "not a picture that can be read" in page.content.decode()
    assert not OperatorPhotograph.objects.exists()


def test_the_verifying_page_is_the_same_for_everybody_and_names_nobody(world):
    issue_cards(by=world.site_admin, operators=[world.operator])
    public = Client().get(reverse("card-check"))
    private = signed_in(world.site_admin).get(reverse("card-check"))
    assert public.content == private.content
    assert not public.cookies
    for word in ("Ashworth", "OP1", world.site_admin.name, world.site.name):
        assert word not in public.content.decode()


def test_strangers_find_the_key_the_issuer_and_what_a_credential_stands_for(world):
    keys = Client().get(reverse("issuer-keys"))
    assert keys.json()["keys"] == [public_jwk()]
    assert "d" not in keys.json()["keys"][0]
    assert keys["Access-Control-Allow-Origin"] == "*"
    profile = Client().get(reverse("issuer")).json()
    assert (profile["id"], profile["type"]) == ("http://127.0.0.1:8000/issuer/", ["Profile"])
    address = reverse("issuer-achievement", args=["dumper", 1, "full"])
    achievement = Client().get(address).json()
    assert achievement["id"].endswith(address)
    assert {"type", "name", "description", "criteria"} <= achievement.keys()


def test_a_suspended_ticket_is_stopped_in_the_published_list_of_everybody(world):
    card = issue_cards(by=world.site_admin, operators=[world.operator])[0]
    place = card.stated.get().status.place

    def is_stopped():
        cache.clear()
        token = Client().get(reverse("issuer-status", args=[1, "suspension"])).content.decode()
        said = jwt.decode(token, jwt.PyJWK(public_jwk()), algorithms=["EdDSA"])
        return is_set(decoded_list(said["credentialSubject"]["encodedList"]), place)

    assert not is_stopped()
    suspend_ticket(by=world.trainer, ticket=world.ticket, reason="Seen without a belt.")
    assert is_stopped()


@pytest.mark.parametrize(("number", "purpose"), [(2, "suspension"), (0, "suspension"), (1, "medal")])
def test_a_list_that_is_not_there_is_not_an_empty_one(world, number, purpose):
    assert Client().get(reverse("issuer-status", args=[number, purpose])).status_code == 404


def test_a_credential_is_saved_signed_or_to_read(world):
    client = signed_in(world.operator_account)
    page = client.post(reverse("ticket-credential", args=["OP1-1"]), follow=True).content.decode()
    kept = Credential.objects.get()
    assert "Holds" in page
    assert client.get(reverse("credential-jwt", args=[kept.pk])).content.decode() == kept.token
    body = json.loads(client.get(reverse("credential-json", args=[kept.pk])).content)
    assert body["id"] == f"urn:uuid:{kept.pk}"
    suspend_ticket(by=world.trainer, ticket=world.ticket, reason="Seen without a belt.")
    assert "Suspended" in client.get(reverse("ticket-credential", args=["OP1-1"])).content.decode()


@pytest.mark.parametrize(
    ("address", "is_warned"), [("http://127.0.0.1:8000", True), ("https://register.example", False)]
)
def test_cards_that_no_phone_could_check_are_warned_of_before_they_are_printed(settings, address, is_warned):
    settings.REGISTER_ADDRESS = address
    TicketFactory()
    page = signed_in(AccountFactory(roles=["trainer"])).get(reverse("card-list")).content.decode()
    assert ("which no phone can open" in page) == is_warned
