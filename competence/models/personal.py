"""What each model holds of a person: how its rows reach them, by which rule they are kept, and what becomes
of every column when the person is erased. A test fails while a model or a column is not told of here."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum

from django.db.models import Q

from competence.rules.retention import RecordKind


class Way(Enum):
    """How a column is overwritten. Erasing never leaves a guess behind: each way says that it was erased, or
    leaves nothing."""

    MARK = "mark"
    BLANK = "blank"
    NONE = "none"
    NOTHING_IN_IT = "nothing_in_it"
    # The word by itself; beside it, in another column, the day on which it was erased.
    WORD = "word"
    # A number, or a name to sign in with: another that is unique and says nothing.
    NUMBER = "number"
    # A moment that is to say since when: that of the erasing, where there is none yet.
    SINCE = "since"
    # A day: the first of its year, so that it still stands in the right order.
    YEAR = "year"
    DAY_WORD = "day_word"
    PHOTOGRAPH = "photograph"
    # A stored verdict: what it says of the person goes, what it says of the machine stays.
    VERDICT = "verdict"
    # How far a mail is: one that was not sent is not sent any more.
    DROPPED = "dropped"
    NO = "no"
    PASSWORD = "password"  # noqa: S105  a way to overwrite one, and not one


@dataclass(frozen=True)
class Personal:
    """One model. Every column is told of once: in ``about`` or ``acts`` (links to a person: of whom the row
    speaks, and who wrote it), in ``erases``, ``by_hand`` or both, or in ``stays``.

    ``to_operator``, ``to_account``: lookups from a row to the person of whom it speaks; ``second``: those of
    them by which the row is first of all somebody else's. ``kinds``: by which rule of keeping, and for which
    rows; ``made``, ``closed``, ``site``: lookups to a row's anchor days and the code of its site.
    ``by_hand``: free text and pictures of machines, which are erased one by one and by which rule.
    ``secrets``, whatever else they are, are never handed to anybody. ``mentions``: columns in which somebody
    else's row may name the person; there the name and the number are replaced. ``why``: why what stays may
    stay.
    """

    why: str
    stays: str
    about: str = ""
    acts: str = ""
    to_operator: tuple[str, ...] = ()
    to_account: tuple[str, ...] = ()
    second: tuple[str, ...] = ()
    kinds: tuple[tuple[RecordKind, Q], ...] = ()
    made: str = ""
    closed: tuple[str, ...] = ()
    site: str = ""
    erases: Mapping[str, Way] = field(default_factory=dict)
    by_hand: Mapping[str, RecordKind] = field(default_factory=dict)
    secrets: str = ""
    mentions: tuple[str, ...] = ()

    @property
    def is_personal(self) -> bool:
        return bool(self.to_operator or self.to_account)

    @property
    def columns(self) -> list[str]:
        """Every column as often as it is told of."""
        told = (self.about, self.acts, self.stays)
        return [name for names in told for name in names.split()] + list({**self.erases, **self.by_hand})


def _of_machines(stays: str, **more: object) -> Personal:
    return Personal(why="it speaks of sites, machines and rules, and of nobody", stays=stays, **more)  # type: ignore[arg-type]


PSEUDONYM = "it names nobody any more: counts, and the history of the machine, hold"
MARK = Way.MARK
TRAINING = Q(
    kind__in=("training_hours", "supervised_hours", "induction", "familiarisation", "practical", "paper")
)
REFRESHING = Q(kind__in=("refresher", "recall"))

# By label. An app above this one adds its own when it is ready.
PERSONAL: dict[str, Personal] = {
    "competence.operator": Personal(
        why="the row holds the others together under a number that says nothing; of the first day the year "
        "stays",
        stays="id state",
        to_operator=("pk",),
        kinds=((RecordKind.PARTICULARS, Q()),),
        made="started_on",
        erases={
            "number": Way.NUMBER,
            "given_name": Way.WORD,
            "family_name": Way.DAY_WORD,
            "started_on": Way.YEAR,
        },
    ),
    "competence.operatorstate": Personal(
        why="where somebody worked, and from when to when, keeps the sites' counts; " + PSEUDONYM,
        stays="id effective_at recorded_at is_active employer site",
        about="operator",
        to_operator=("operator",),
        erases={"reason": MARK},
    ),
    "competence.account": Personal(
        why="the journal names accounts by number, so the number stays, without a name",
        stays="id is_superuser is_staff date_joined mail_declined_at",
        about="operator",
        to_operator=("operator",),
        to_account=("pk",),
        erases={
            "username": Way.NUMBER,
            "first_name": Way.WORD,
            "last_name": Way.DAY_WORD,
            "email": Way.BLANK,
            "phone": Way.BLANK,
            "is_active": Way.NO,
            "password": Way.PASSWORD,
            "last_login": Way.NONE,
        },
        secrets="password",
    ),
    "competence.role": Personal(
        why="which account held which right is what the journal's entries rest on",
        stays="id name site",
        about="account",
        erases={"ended_at": Way.SINCE},
        to_operator=("account__operator",),
        to_account=("account",),
    ),
    "competence.evidence": Personal(
        why=PSEUDONYM,
        stays="id kind category site machine_model occurred_on is_met counts_to hours recorded_at corrects "
        "strikes_out",
        about="operator",
        acts="recorded_by",
        to_operator=("operator",),
        kinds=(
            (RecordKind.TRAINING, TRAINING),
            (RecordKind.MEDICAL, Q(kind="medical")),
            (RecordKind.REFRESHER, REFRESHING),
        ),
        made="occurred_on",
        site="site__code",
        erases={"came_from": MARK, "reason": MARK},
    ),
    "competence.ticket": Personal(
        why=PSEUDONYM,
        stays="id category level first_day last_day conditions is_suspended is_withdrawn since",
        about="operator",
        to_operator=("operator",),
        kinds=((RecordKind.TICKET, Q(first_day__isnull=False)),),
        made="first_day",
        erases={"number": Way.NUMBER},
    ),
    "competence.ticketevent": Personal(
        why=PSEUDONYM,
        stays="id ticket sequence kind effective_at recorded_at level first_day last_day conditions "
        "standard_version corrects strikes_out",
        acts="recorded_by",
        to_operator=("ticket__operator",),
        erases={"reason": MARK},
    ),
    "competence.appointment": Personal(
        why="that somebody was appointed is what assessments rest on",
        stays="id category first_day last_day recorded_at",
        about="account",
        acts="recorded_by",
        to_account=("account",),
        to_operator=("account__operator",),
        erases={"duties": MARK},
    ),
    "competence.dailycheck": Personal(
        why="it is the machine's history; " + PSEUDONYM,
        stays="id machine site checklist supervision_confirmed_at started_at status submitted_at "
        "device_clock_at hour_meter result result_reasons",
        about="operator supervisor",
        to_operator=("operator", "supervisor"),
        second=("supervisor",),
        kinds=((RecordKind.CHECK, Q(status="submitted")),),
        made="submitted_at",
        site="site__code",
        erases={"verdict": Way.VERDICT},
        by_hand={"hour_meter_note": RecordKind.WORDS},
    ),
    "competence.finding": Personal(
        why="it speaks of the machine; a photograph or a note that shows or names a person is erased by hand",
        stays="id daily_check listed answer grade photograph_sha256 answered_at",
        to_operator=("daily_check__operator",),
        made="answered_at",
        closed=("opened_defect__closed_at", "sighting__defect__closed_at"),
        site="daily_check__site__code",
        by_hand={
            "photograph": RecordKind.PHOTOGRAPH,
            "note": RecordKind.DEFECT,
            "not_reached_reason": RecordKind.WORDS,
        },
    ),
    "competence.defect": Personal(
        why="it speaks of the machine; words that name a person are erased by hand",
        stays="id machine site point_code point_title grade opened_at opened_by closed_at",
        acts="closed_by",
        kinds=((RecordKind.DEFECT, Q()),),
        made="opened_at",
        closed=("closed_at",),
        site="site__code",
        by_hand={"note": RecordKind.DEFECT, "done": RecordKind.DEFECT},
    ),
    "competence.refusal": Personal(
        why="that a check was stopped, and why, is kept for ever; " + PSEUDONYM,
        stays="id at machine site",
        about="operator supervisor",
        to_operator=("operator", "supervisor"),
        second=("supervisor",),
        kinds=((RecordKind.REFUSAL, Q()),),
        made="at",
        site="site__code",
        erases={"verdict": Way.VERDICT},
    ),
    "competence.importfile": Personal(
        why="its columns, digest and counts name nobody; the name of a file is the office's own",
        stays="id name sha256 size file uploaded_at mapping status report imported_at row_count",
        acts="uploaded_by imported_by",
        # Its copy is deleted as soon as it is brought in or given up.
        secrets="file",
    ),
    "competence.importedrow": Personal(
        why="that a row of a file was brought in explains the rows that it became",
        stays="id file row outcome category ticket",
        about="operator",
        to_operator=("operator",),
        kinds=((RecordKind.IMPORT, Q(operator__isnull=False)),),
        made="file__uploaded_at",
        erases={"told": MARK, "said": Way.NOTHING_IN_IT},
        mentions=("told",),
    ),
    "competence.look": Personal(
        why="that somebody looked, and when, protects the person too",
        stays="id at kind machine site",
        about="operator",
        acts="by",
        to_operator=("operator",),
        kinds=((RecordKind.LOOK, Q(operator__isnull=False)),),
        made="at",
        site="site__code",
        erases={"asked": Way.NOTHING_IN_IT},
    ),
    "competence.machineuse": Personal(
        why="it speaks of the machine; a source that names a person is erased by hand",
        stays="id machine on shift hours recorded_at corrects",
        acts="recorded_by",
        made="recorded_at",
        by_hand={"source": RecordKind.WORDS},
    ),
    "competence.absence": Personal(
        why=PSEUDONYM,
        stays="id first_day last_day entered_at called_off_at",
        about="operator account",
        acts="entered_by called_off_by",
        to_operator=("operator", "account__operator"),
        to_account=("account",),
        kinds=((RecordKind.BOOKING, Q()),),
        made="last_day",
        erases={"kind": MARK, "note": MARK},
    ),
    "competence.importrun": Personal(
        why="a working paper of the office",
        stays="id file kind mapping asked_at status finished_at problem found",
        acts="asked_by",
        mentions=("found",),
    ),
    "competence.sample": Personal(
        why="which records could be drawn is what a sample rests on; numbers of people in it are replaced",
        stays="id of site category at first_moment before basis confidence rate level letter allowed "
        "is_by_site seed size population_size population drawn_at",
        acts="drawn_by",
        mentions=("population",),
    ),
    "competence.sampleditem": Personal(
        why="that a record was drawn is what a sample rests on; the names and numbers of people are replaced",
        stays="id sample position key stratum words about",
        mentions=("key", "words", "about"),
    ),
    "competence.sampleverdict": Personal(
        why="what an auditor found; a note that names a person is erased by hand",
        stays="id item found at",
        acts="by",
        made="at",
        by_hand={"note": RecordKind.WORDS},
        mentions=("note",),
    ),
    "competence.sampleresult": Personal(
        why="it counts, and names nobody",
        stays="id sample met fault cannot_tell unanswered headline sentences closed_at",
        acts="closed_by",
        made="closed_at",
        by_hand={"remarks": RecordKind.WORDS},
        mentions=("remarks", "sentences"),
    ),
    "competence.erasure": Personal(
        why="it says that and why something was erased, and holds nothing of what was",
        stays="id at kind why ground",
        about="operator account",
        acts="by",
        to_operator=("operator",),
        to_account=("account",),
    ),
    "competence.erasedrow": _of_machines("id erasure kind key columns images left_as"),
    "competence.keepingrule": _of_machines(
        "id kind site anchor months source recorded_at", acts="recorded_by"
    ),
    "competence.standardversion": _of_machines(
        "id category number in_force_from recorded_at months period_end renewal_window_days "
        "lapse_limit_days pass_mark issue_by_another note",
        acts="recorded_by",
    ),
    "competence.employer": _of_machines("id name"),
    "competence.site": _of_machines("id code name zone latitude longitude"),
    "competence.minimumcover": _of_machines("id site category operators"),
    "competence.category": _of_machines(
        "id code name family description trade_names min_mass_kg max_mass_kg source"
    ),
    "competence.feature": _of_machines("id code name kind description"),
    "competence.machine": _of_machines("id fleet_number serial_number state"),
    "competence.machinestate": _of_machines(
        "id machine effective_at recorded_at make_and_model category site operating_mass_kg is_in_service "
        "reason"
    ),
    "competence.fittedfeature": _of_machines("id state feature"),
    "competence.acceptedcategory": _of_machines("id version category"),
    "competence.requirement": _of_machines("id version kind title detail months hours recall_level source"),
    "competence.point": _of_machines(
        "id code revision title method good caution is_critical stop_use_when weight feature topic"
    ),
    "competence.checklistversion": _of_machines("id category number in_force_from recorded_at sources"),
    "competence.listedpoint": _of_machines("id version point position zone_code zone_name"),
    "competence.precedence": _of_machines("id version earlier later is_safety why"),
    "competence.defectsighting": _of_machines("id defect finding"),
    "competence.rememberedword": _of_machines("id kind word category site employer"),
    # The journal itself: what its rows hold of a person is erased with the rows that they are images of.
    "competence.journalentry": Personal(
        why="who did what, and when, by the number of an account; a reason is erased with the rows that the "
        "entry tells of",
        stays="id at action leaf position",
        acts="by",
        erases={"reason": MARK},
    ),
    "competence.journalledrow": Personal(
        why="the commitment stands without what it commits to",
        stays="id entry kind key commitment",
        erases={"content": Way.NONE, "salt": Way.NONE},
    ),
    "competence.checkpoint": _of_machines("id size root at public_key signature"),
    "competence.operatorphotograph": Personal(
        why="that there was a photograph, and when; the picture is gone",
        stays="id photograph_sha256 recorded_at",
        about="operator",
        acts="recorded_by",
        to_operator=("operator",),
        kinds=((RecordKind.PHOTOGRAPH, Q()),),
        made="recorded_at",
        erases={"photograph": Way.PHOTOGRAPH},
        by_hand={"photograph": RecordKind.PHOTOGRAPH},
    ),
    "competence.card": Personal(
        why="that a card was issued, and its place in the status list; " + PSEUDONYM,
        stays="id employer_name photograph issued_at last_day key_id",
        about="operator",
        acts="issued_by",
        to_operator=("operator",),
        kinds=((RecordKind.TICKET, Q()),),
        made="issued_at",
        erases={"number": Way.NUMBER, "name": MARK, "statement": MARK},
    ),
    "competence.cardstop": Personal(
        why="that a card was stopped stands in the published lists; " + PSEUDONYM,
        stays="id card stopped_at",
        acts="stopped_by",
        to_operator=("card__operator",),
        erases={"reason": MARK},
    ),
    "competence.cardticket": Personal(
        why=PSEUDONYM,
        stays="id card ticket level last_day conditions status",
        to_operator=("card__operator",),
    ),
    "competence.credential": Personal(
        why="that a credential was issued, and its place in the status list; " + PSEUDONYM,
        stays="id kind ticket evidence issued_at status",
        about="operator",
        acts="issued_by",
        to_operator=("operator",),
        kinds=((RecordKind.TICKET, Q()),),
        made="issued_at",
        erases={"token": MARK},
    ),
    "competence.statusplace": _of_machines("id list_number place"),
}
