"""An evidence pack: all that the record holds of one person, or of one incident, as a tagged PDF (PDF/UA-1),
with the proof of it attached."""

import json
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import typst

from assessments.outputs.evidence_pack_day import checks_parts, day_parts
from assessments.outputs.evidence_pack_page import PAGE, WITHOUT_BUNDLE
from assessments.outputs.evidence_pack_parts import (
    Part,
    box,
    bullets,
    code,
    facts,
    grouped,
    heading,
    par,
    small,
    table,
)
from assessments.outputs.evidence_pack_person import person_parts, standings
from assessments.queries.evidence_pack import PackAsked, PackRows, pack_rows
from assessments.queries.evidence_pack_proof import PackProof, pack_proof
from competence.actions.journal import seal
from competence.actions.looks import note_look
from competence.models import Account, Checkpoint, Look
from competence.outputs.printable import printable
from competence.outputs.proof_bundle import bundle, bundle_file
from competence.queries.checkpoints import checkpoint_as_json, latest_checkpoint, octets
from competence.queries.journal_pages import in_words
from competence.queries.record import KnownAnswer, RecordAnswer
from competence.queries.timeline import moment_words

CAUTIONS = (
    "The machine's own operator's manual comes first: where this pack or a checklist and the manual differ, "
    "the manual is right.",
    "Local law, the site's rules and licensed practice stand over this register. It records who was found "
    "competent; it does not make anybody competent, and it is no legal advice.",
    "Names of people, sites and categories are those of the day on which the pack was taken out.",
    "What is told of people here is personal. Hand it on with the same care as the record itself.",
)
BUNDLE_NAME = "proof.zip"


@dataclass(frozen=True)
class Pack:
    """A pack as it is handed over. ``bundle``: the proof that the PDF has attached; empty without one."""

    pdf: bytes
    bundle: bytes
    name: str
    entries: int


def take_out_pack(asked: PackAsked, *, by: Account, noted_site: Any) -> Pack:
    """The pack, noted before it is handed over; what is not sealed yet is sealed, so that all can be proven.

    ``noted_site``: the site by whose rights it is taken out. Raises what ``note_look`` and ``bundle`` do:
    ``NotAllowed``, ``CannotProve``, ``JournalBroken``.
    """
    moments = {"at": asked.at.isoformat(), "known_at": asked.known_at.isoformat()}
    note_look(
        by=by,
        kind=Look.Kind.PACK,
        operator=asked.operator,
        machine=asked.machine,
        site=noted_site,
        asked=moments,
    )
    rows = pack_rows(asked, by=by)
    proof = pack_proof(rows)
    if any(entry.position is None for entry in proof.entries):
        seal()
        proof = pack_proof(rows)
    checkpoint = latest_checkpoint()
    proven = proof.provable
    file = bundle_file(bundle(proven, shown=proof.shown)) if proven else b""
    pdf = pack_pdf(rows, proof, checkpoint, file, by=by)
    return Pack(pdf, file, f"{file_name(asked)}.pdf", len(proof.entries))


def file_name(asked: PackAsked) -> str:
    machine = f"-{asked.machine.fleet_number}" if asked.machine else ""
    return (
        f"evidence-{asked.operator.number}{machine}-{asked.at.astimezone(asked.zone):%Y-%m-%d-%H%M}".lower()
    )


def pack_pdf(
    rows: PackRows, proof: PackProof, checkpoint: Checkpoint | None, attached: bytes, *, by: Account
) -> bytes:
    """The pack on paper. No statement."""
    content = printable(_content(rows, proof, checkpoint, by, bool(attached)))
    says = f"Proof of {len(proof.provable)} entries of the journal, with the program that checks them"
    content["bundle"] = {"name": BUNDLE_NAME, "octets": list(attached), "says": says}
    return typst.compile(
        (PAGE if attached else WITHOUT_BUNDLE).encode(),
        format="pdf",
        pdf_standards=["ua-1"],
        ignore_system_fonts=True,
        timestamp=int(rows.asked.asked_at.timestamp()),
        sys_inputs={"pack": json.dumps(content, separators=(",", ":"))},
    )


def _content(
    rows: PackRows, proof: PackProof, checkpoint: Checkpoint | None, by: Account, has_bundle: bool
) -> dict[str, Any]:
    asked = rows.asked
    about = f" on {asked.machine.fleet_number}" if asked.machine else ""
    taken = f"{moment_words(asked.asked_at, asked.zone)} ({asked.zone.key})"
    return {
        "title": f"Evidence pack: {asked.operator.name}{about}",
        "footer": f"{asked.operator.number}{about}, taken out {taken}",
        "front": list(_front(rows, checkpoint, by)),
        "parts": [
            *_answer(rows),
            *(person_parts(rows, proof) if asked.with_person else _not_told(rows)),
            *(day_parts(rows, proof) if asked.machine else checks_parts(rows, proof)),
            *_proofs(proof, has_bundle),
        ],
    }


def _front(rows: PackRows, checkpoint: Checkpoint | None, by: Account) -> Iterable[Part]:
    asked = rows.asked
    who = f"{asked.operator.name}, operator number {asked.operator.number}"
    clock = f"{asked.site.name} ({asked.site.zone})"
    told: list[tuple[str, Any]] = [("Person", who)]
    if asked.machine:
        told += [
            ("Machine", f"{asked.machine.fleet_number}, {asked.machine.state.make_and_model}"),
            ("Site", f"{asked.site.name}, where the machine stood then"),
        ]
    told += [
        ("Moment asked about", moment_words(asked.at, asked.zone)),
        ("As the register knew it at", moment_words(asked.known_at, asked.zone)),
        ("Clock of all moments", f"{clock}; of a check or an assessment elsewhere, that site's own"),
        ("Taken out by", f"{by.name} ({by.username}), which is noted in the journal"),
        ("Taken out", moment_words(asked.asked_at, asked.zone)),
    ]
    yield facts(told)
    yield small(
        "What took effect after the moment asked about, and what was written down after the moment of "
        "knowledge, is not in this pack. "
        + ("Of the day of the incident, the whole day is told." if asked.machine else "")
    )
    if rows.left_out:
        yield par(
            f"{rows.left_out} checks, refusals or assessments are left out: they belong to sites of which "
            f"{by.name} may take nothing out, or to a walk-around that {by.name} is still marking."
        )
    yield heading(2, "The journal when it was taken out")
    if checkpoint:
        stated = checkpoint_as_json(checkpoint)
        yield facts(
            [
                ("Signed checkpoint", f"{checkpoint.size:,} entries, {stated['at']}"),
                ("Root", grouped(stated["root"])),
                ("Signature (Ed25519)", grouped(stated["signature"])),
                ("Public key", grouped(stated["public_key"])),
            ],
            fixed="Recorded",
        )
        yield small(
            "Ask the firm, or whoever kept it, for the register's public key, and compare it with the one "
            "printed here: a pack that was made up whole could name a key of its own."
        )
    else:
        yield par("Nothing has been sealed yet.")
    yield heading(2, "Cautions")
    yield bullets(CAUTIONS)


def _not_told(rows: PackRows) -> Iterable[Part]:
    operator = rows.asked.operator
    yield heading(2, "The person's own records")
    yield par(
        f"{operator.name} belongs to {operator.site.name}. Tickets, evidence, assessments and sittings are "
        "for those who may take the records of that site out, so they are not in this pack."
    )


def _answer(rows: PackRows) -> Iterable[Part]:
    yield heading(2, "What the record says")
    if rows.answer is not None:
        yield from _incident(rows, rows.answer)
        return
    moment = moment_words(rows.asked.at, rows.asked.zone)
    yield par(f"The tickets of {rows.asked.operator.name} as they stood on {moment}.")
    found = [
        (
            events[0].ticket.category.name,
            events[0].ticket.number,
            [f"{words.word} {words.detail}".strip(), *said],
        )
        for events, words, said in standings(rows)
    ]
    if found:
        yield table((("Category", 4), ("Ticket", 2.2), ("Then", 7)), found)
    else:
        yield par("No ticket was on record by then, so the gate refuses every machine.")


def _incident(rows: PackRows, answer: RecordAnswer) -> Iterable[Part]:
    asked = rows.asked
    yield par(
        f"May {asked.operator.name} take {asked.machine.fleet_number} out on "
        f"{moment_words(asked.at, asked.zone)}?"
    )
    if answer.supervisor:
        confirmed = "" if answer.is_confirmed else ", who had not confirmed"
        yield par(
            f"With {answer.supervisor.name} ({answer.supervisor.number}) as supervising operator{confirmed}."
        )
    # A note on a moment to come is about now, and a pack may be told as of before its moment.
    for note in answer.notes if not answer.is_to_come else ():
        yield par(note)
    yield heading(3, "By everything known when the pack was asked to know it")
    yield from _known(answer.now, rows)
    if answer.then.known_at != answer.now.known_at:
        yield heading(3, "As the register knew it at the moment itself")
        yield from _known(answer.then, rows)
    yield heading(3, "What changed the register's mind")
    if not answer.turns:
        since = (
            f"Nothing, though {answer.later_rows} of the rows about this person, this machine or its "
            "standard were written down since: with none of them did the answer or a reason change."
        )
        unchanged = "Nothing about this person, this machine or its standard was written down since."
        yield par(since if answer.later_rows else unchanged)
    for number, turn in enumerate(answer.turns, start=1):
        said = [
            f"{sentence} {' '.join(link.worded.details)}"
            + (f" Why: “{link.worded.why}”" if link.worded.why else "")
            + (f" (entry {link.place.entry})" if link.place else "")
            for link, sentence in turn.rows
        ]
        yield par(f"{number}. {turn.turned}")
        yield bullets(said)


def _known(known: KnownAnswer, rows: PackRows) -> Iterable[Part]:
    verdict = known.verdict
    lines = [f"By what was written down until {moment_words(known.known_at, rows.asked.zone)}."]
    if known.gap:
        lines.append(known.gap)
    if verdict.ticket and not known.reasons:
        lines.append(f"On ticket {verdict.ticket}, {verdict.level} level; no reason against.")
    lines += [
        f"{reason.sentence}{f' Since {reason.since}.' if reason.since else ''}" for reason in known.reasons
    ]
    word = "Not known: the gate refuses" if known.is_blank else "Allowed" if verdict.is_allowed else "Refused"
    yield box(word, lines)


def _proofs(proof: PackProof, has_bundle: bool) -> Iterable[Part]:
    yield heading(2, "Proofs")
    if not proof.entries:
        yield par("The journal holds no entry about what is told here, so nothing of it can be proven.")
        return
    yield par(
        f"These {len(proof.entries)} entries of the journal wrote down what this pack tells. The position is "
        "the entry's place in the signed journal; the leaf is its SHA-256 hash as RFC 6962 has it, which the "
        "root on the first page commits to."
    )
    if has_bundle:
        yield heading(3, "How to check them")
        yield par(
            f"This file has {BUNDLE_NAME} attached: open the attachments of this document in a PDF reader "
            "and save it. It holds the entries, what they say of this pack's records, and a program of one "
            "file that checks them and needs nothing but Python. Unpack it, and in its folder run:"
        )
        yield code("python3 verify_bundle.py bundle.json --key THE-KEY")
        yield par(
            "where THE-KEY is the register's public key without spaces, as you got it from somewhere else "
            "than this pack. It ends with 0 when everything holds, and names what does not. With --show it "
            "prints what each row says, to be held against these pages."
        )
    yield heading(3, "The entries")
    yield table(
        (("Entry", 1.3), ("Position", 1.5), ("Written down (UTC)", 3), ("What", 3.6), ("Leaf", 5)),
        [
            (
                str(entry.pk),
                "not sealed" if entry.position is None else str(entry.position),
                f"{entry.at:%Y-%m-%d %H:%M:%S}",
                in_words(entry.action)
                + (" (its reason was erased; its place stands)" if entry.pk in proof.unprovable else ""),
                grouped(octets(entry.leaf).hex()),
            )
            for entry in proof.entries
        ],
        fixed="Leaf",
    )
