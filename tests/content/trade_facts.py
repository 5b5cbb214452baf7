"""Forty-six facts of the trade: which points carry each, on which checklists, how grave, in what words and
in what order. Every one is common practice; none has a citation.

Severity: STOP, a defect stops use; DEGREE, it stops use from a named degree on; REPORT, it is reported, and
may name a degree all the same; CLOSING, the fact names no severity.
"""

from dataclasses import dataclass

from tests.content.reference import CATEGORIES

STOP, DEGREE, REPORT, CLOSING = "stop", "degree", "report", "closing"
ALL = frozenset(CATEGORIES)
DUMPERS = frozenset({"dumper-articulated", "dumper-rigid", "dumper-compact"})
EXCAVATORS = frozenset({"excavator-crawler", "excavator-compact"})
TRACKED = EXCAVATORS | {"dozer-crawler"}
HINGED = frozenset({"dumper-articulated", "dumper-compact", "loader-wheel", "grader", "roller"})
TYRED = DUMPERS | {"loader-wheel", "grader", "handler-telescopic"}
GEARED = frozenset(
    {"dumper-articulated", "dumper-rigid", "loader-wheel", "dozer-crawler", "grader", "handler-telescopic"}
)
CABBED = ALL - {"dumper-compact"}


@dataclass(frozen=True)
class Carried:
    """One point that carries a fact: on which checklists, how grave, and the words that it cannot lack."""

    code: str
    on: frozenset[str]
    severity: str
    words: tuple[str, ...] = ()
    degree: str = ""


@dataclass(frozen=True)
class Fact:
    name: str
    points: tuple[Carried, ...]
    safety: tuple[tuple[str, str], ...] = ()
    practice: tuple[tuple[str, str], ...] = ()


def one(code, on, severity, *words, degree=""):
    return Carried(code, frozenset(on), severity, words, degree)


FACTS = {
    1: Fact(
        "ask and read",
        (one("reports-read", ALL, DEGREE, "ask", "tag", "open defects", degree="tagged"),),
        practice=(("reports-read", "parked-state"),),
    ),
    2: Fact(
        "parked state",
        (
            one(
                "parked-state",
                ALL,
                STOP,
                "level ground",
                "down",
                "park brake",
                "key in your pocket",
                "slope.*chock",
            ),
        ),
        safety=(
            ("parked-state", "people-round"),
            ("parked-state", "articulation-joint"),
            ("parked-state", "body-chassis"),
            ("parked-state", "rollers-idlers-sprockets"),
        ),
    ),
    3: Fact(
        "locking bar",
        (
            one("locking-bar-fitted", HINGED, STOP, "before anybody goes between", "pin"),
            one("locking-bar-stowed", HINGED, STOP, "holder", "before anyone drives", "will not steer"),
        ),
        safety=(
            ("locking-bar-fitted", "articulation-joint"),
            ("articulation-joint", "locking-bar-stowed"),
            ("locking-bar-stowed", "start-up"),
        ),
    ),
    4: Fact(
        "steps and rails",
        (
            one(
                "steps-rails",
                ALL,
                DEGREE,
                "pull on it",
                "facing the machine",
                "three points of contact",
                "no jumping",
                degree="loose or gone",
            ),
        ),
        safety=(("steps-rails", "covers-held"), ("steps-rails", "seat-belt")),
    ),
    5: Fact(
        "battery isolator",
        (
            one(
                "battery-isolator",
                ALL,
                REPORT,
                "before going up to the cab",
                "never a way to stop",
                "run down",
            ),
        ),
        practice=(("battery-isolator", "seat-belt"),),
    ),
    6: Fact(
        "covers",
        (
            one(
                "covers-held",
                ALL,
                DEGREE,
                "open each cover fully",
                "before you reach in",
                "wind",
                degree="stay open",
            ),
        ),
        safety=tuple(
            ("covers-held", later)
            for later in ("belts-fan-guards", "engine-oil", "coolant", "hoses-wires", "dirt-near-heat")
        ),
    ),
    7: Fact(
        "engine oil",
        (
            one(
                "engine-oil",
                ALL,
                DEGREE,
                "minutes after a stop",
                "draw.*wipe.*seat.*draw again",
                "between the two marks",
                degree="below the low mark",
            ),
        ),
        practice=(("engine-oil", "start-up"),),
    ),
    8: Fact(
        "coolant",
        (
            one(
                "coolant",
                ALL,
                DEGREE,
                "sight glass or the tank",
                "never open the cap hot",
                "cold",
                degree="empty",
            ),
        ),
        safety=(("coolant", "start-up"),),
    ),
    9: Fact(
        "hydraulic oil",
        (
            one(
                "hydraulic-oil",
                ALL,
                DEGREE,
                "rams where the manual says",
                "between the marks",
                degree="low mark",
            ),
        ),
        practice=(("parked-state", "hydraulic-oil"),),
    ),
    10: Fact(
        "transmission oil",
        (
            one("transmission-oil-cold", GEARED, REPORT, "cold mark"),
            one(
                "transmission-oil-warm",
                {"dozer-crawler", "grader"},
                REPORT,
                "idling",
                "people clear",
                "running",
            ),
        ),
        safety=(("people-round", "transmission-oil-warm"),),
        practice=(("transmission-oil-cold", "transmission-oil-warm"),),
    ),
    11: Fact(
        "fuel and water drain",
        (one("fuel-and-drain", ALL, REPORT, "gauge", "drain", "no water", "no flame"),),
    ),
    12: Fact(
        "exhaust fluid and washer",
        (
            one(
                "exhaust-fluid",
                ALL,
                REPORT,
                "label",
                "fuel tank.*do not start",
                degree="fuel have been mixed",
            ),
            one("cab-glass-door", CABBED, DEGREE, "washer through its own filler"),
        ),
    ),
    13: Fact(
        "grease",
        (
            one("grease-points", ALL, REPORT, "fresh bead", "never grease in the joint with the engine on"),
            one(
                "greasing-automatic",
                {"dumper-articulated", "dumper-rigid", "loader-wheel", "excavator-crawler", "dozer-crawler"},
                REPORT,
                "reservoir",
                "no broken line",
            ),
        ),
        safety=(("grease-points", "start-up"), ("locking-bar-fitted", "grease-points")),
    ),
    14: Fact(
        "belts, fan, guards",
        (
            one(
                "belts-fan-guards",
                ALL,
                DEGREE,
                "hands off",
                "no crack",
                "all guards on",
                "key in your pocket",
                degree="guard is missing",
            ),
        ),
        safety=(("parked-state", "belts-fan-guards"), ("belts-fan-guards", "start-up")),
    ),
    15: Fact(
        "hoses and wires",
        (
            one(
                "hoses-wires",
                ALL,
                DEGREE,
                "dry",
                "nothing rubbing",
                "never feel for a leak by hand",
                degree="sprays",
            ),
        ),
    ),
    16: Fact(
        "dirt near heat",
        (
            one(
                "dirt-near-heat",
                ALL,
                REPORT,
                "exhaust, turbo",
                "nothing that can burn",
                "fire",
                degree="exhaust",
            ),
        ),
    ),
    17: Fact(
        "air filter sign and inlet",
        (one("dirt-near-heat", ALL, REPORT, "air inlet clear", "filter sign"),),
    ),
    18: Fact(
        "underneath and round",
        (
            one("people-round", ALL, STOP, "right round", "look under", "people", "drips", "look again"),
            one("clear-up-and-round", ALL, STOP, "before you raise or move", "all round for people"),
        ),
        safety=(
            ("people-round", "start-up"),
            ("clear-up-and-round", "service-brake"),
            ("clear-up-and-round", "track-drive-braking"),
        ),
    ),
    19: Fact(
        "tyres",
        (
            one(
                "tyres",
                TYRED,
                DEGREE,
                "cuts",
                "pressure",
                "to the side",
                "never in line",
                degree="cord.*bulges",
            ),
            one("tyres-duals", {"dumper-rigid"}, DEGREE, "stones wedged", degree="stone"),
            one("drive-tyres", {"roller"}, STOP, "cord or bulge", "out of the line"),
        ),
    ),
    20: Fact(
        "wheel nuts and rims",
        (
            one("wheel-nuts-rims", TYRED, STOP, "all there", "no rust run", "pointers in line", "rim"),
            one("drive-tyres", {"roller"}, STOP, "every nut there", "rust run"),
        ),
    ),
    21: Fact(
        "tracks",
        (
            one("tracks", TRACKED, DEGREE, "sag as the manual says", "bolts", degree="come off"),
            one("rollers-idlers-sprockets", TRACKED, DEGREE, "each roller", degree="seized"),
        ),
    ),
    22: Fact(
        "hubs, final drives, axles",
        (
            one(
                "hubs-final-drives",
                TRACKED | {"dumper-compact", "loader-wheel", "roller", "handler-telescopic"},
                REPORT,
                "hub",
                "dry",
                degree="oil runs",
            ),
            one(
                "suspension-struts",
                {"dumper-articulated", "dumper-rigid"},
                REPORT,
                "hubs dry",
                degree="oil runs",
            ),
            one("tandem-drives", {"grader"}, REPORT, "dry", degree="oil runs"),
        ),
    ),
    23: Fact(
        "rams, pins, keepers",
        (
            one("rams-pins-keepers", TRACKED, DEGREE, "rods dry", "keeper", degree="keeper is missing"),
            one("articulation-joint", HINGED, STOP, "steering rams", "pins kept"),
            one("attachment-pins", EXCAVATORS | {"handler-telescopic"}, STOP, "all pins kept"),
            one("body-chassis", DUMPERS, STOP, "keepers in", "rams dry"),
            one("loader-arms", {"loader-wheel"}, STOP, "rams", "every pin kept"),
            one("circle-mouldboard", {"grader"}, DEGREE, "keepers in", degree="keeper is missing"),
            one("telescopic-boom", {"handler-telescopic"}, STOP, "every pin kept"),
        ),
    ),
    24: Fact(
        "articulation, oscillation, hitch",
        (
            one(
                "articulation-joint",
                HINGED,
                STOP,
                "bar fitted",
                "oscillation",
                "hitch",
                "bolts",
                "no crack",
                "play",
            ),
        ),
        safety=(("locking-bar-fitted", "articulation-joint"),),
    ),
    25: Fact(
        "suspension and struts",
        (one("suspension-struts", {"dumper-articulated", "dumper-rigid"}, REPORT, "struts", "even height"),),
    ),
    26: Fact(
        "body, tailgate, chassis",
        (
            one("body-prop", DUMPERS, STOP, "before anybody is under the body"),
            one("body-chassis", DUMPERS, STOP, "tailgate", "hinges", "no crack", "frame rails"),
        ),
        safety=(("body-prop", "body-chassis"),),
    ),
    27: Fact(
        "bucket, edge, coupler and other attachments",
        (
            one("bucket-teeth-edge", EXCAVATORS | {"loader-wheel"}, DEGREE, "teeth", "edge", degree="tooth"),
            one(
                "coupler-locked",
                EXCAVATORS | {"loader-wheel", "handler-telescopic"},
                STOP,
                "lock sign",
                "both pins",
                "sign shows locked",
            ),
            one("attachment-pins", EXCAVATORS | {"handler-telescopic"}, STOP, "keepers", "breaker"),
            one("carriage-forks", {"handler-telescopic"}, STOP, "heel", "pinned"),
            one("blade-push-arms", {"dozer-crawler", "excavator-compact"}, DEGREE, "blade", degree="cracked"),
            one("ripper", {"dozer-crawler", "grader"}, DEGREE, "shank", degree="pin is missing"),
            one("circle-mouldboard", {"grader"}, DEGREE, "cutting edge", degree="cracked"),
        ),
        safety=(("coupler-locked", "raise-lower"), ("coupler-locked", "slew-travel-functions")),
    ),
    28: Fact(
        "boom, stick, slew ring, arms",
        (
            one("boom-stick", EXCAVATORS, STOP, "welds", "no crack"),
            one("slew-ring", EXCAVATORS, STOP, "bolts all there", "cracked"),
            one("loader-arms", {"loader-wheel"}, STOP, "no crack"),
            one("telescopic-boom", {"handler-telescopic"}, STOP, "no crack"),
        ),
    ),
    29: Fact(
        "lights, beacon, reflectors",
        (
            one(
                "lights-beacon-work",
                ALL,
                DEGREE,
                "isolator on",
                "beacon and reflectors",
                "clean",
                degree="dark",
            ),
        ),
        practice=(("battery-isolator", "lights-beacon-work"),),
    ),
    30: Fact(
        "mirrors and cameras",
        (
            one(
                "mirrors", ALL, DEGREE, "your own seat", "clean", "see the ground", degree="blind to the rear"
            ),
            one("camera-rear", ALL, DEGREE, "the ground behind seen", degree="blind to the rear"),
        ),
        practice=(("seat-belt", "mirrors"), ("seat-belt", "camera-rear")),
    ),
    31: Fact(
        "extinguisher",
        (one("extinguisher", ALL, REPORT, "in date", "in the green", "pin", degree="site's rules require"),),
    ),
    32: Fact(
        "roll-over structure and glass",
        (
            one("rops-structure", ALL, STOP, "no crack", "weld", "drilled"),
            one("rops-frame-locked", {"dumper-compact", "roller"}, STOP, "both pins clipped"),
            one(
                "cab-glass-door", CABBED, DEGREE, "every pane", "no crack in the line of sight", degree="view"
            ),
            one("falling-object-guards", TRACKED, DEGREE, "bolts all there", degree="missing or loose"),
        ),
    ),
    33: Fact(
        "seat and belt",
        (one("seat-belt", ALL, STOP, "set the seat", "right out", "latch it and jerk", "holds"),),
        safety=(("seat-belt", "start-up"),),
    ),
    34: Fact(
        "belt beacon",
        (one("belt-beacon", ALL, REPORT, "lights when the belt is latched", degree="site's rules require"),),
    ),
    35: Fact(
        "pedals and floor",
        (
            one(
                "pedals-controls",
                ALL,
                STOP,
                "clear the floor",
                "each pedal",
                "nothing loose",
                "no pedal jams",
            ),
        ),
        safety=(("pedals-controls", "start-up"),),
    ),
    36: Fact(
        "controls neutral",
        (one("pedals-controls", ALL, STOP, "neutral", "park brake on", "safety lever locked"),),
        safety=(("pedals-controls", "start-up"),),
    ),
    37: Fact(
        "start",
        (
            one(
                "start-up",
                ALL,
                STOP,
                "from the seat only",
                "horn, wait, then start",
                "never start from the ground",
                "no brake or steering lamp",
            ),
        ),
    ),
    38: Fact(
        "warm up and cool down",
        (
            one("warm-up", ALL, REPORT, "idle", "low load"),
            one("shut-down", ALL, CLOSING, "cool down at idle", "turbo"),
        ),
        practice=(("warm-up", "raise-lower"), ("warm-up", "slew-travel-functions")),
    ),
    39: Fact(
        "horn, alarm, wipers",
        (
            one("horn-reverse-alarm", ALL, STOP, "before the first move", "select reverse", "heard"),
            one("cab-glass-door", CABBED, DEGREE, "wash and wipe", degree="wiper fails"),
        ),
        safety=(("horn-reverse-alarm", "service-brake"), ("horn-reverse-alarm", "track-drive-braking")),
    ),
    40: Fact(
        "service brake",
        (
            one(
                "service-brake",
                ALL - TRACKED,
                STOP,
                "on the flat",
                "clear all round",
                "straight",
                "before any slope",
            ),
            one("track-drive-braking", TRACKED, STOP, "on the flat", "stops straight", "before any slope"),
        ),
        safety=(("service-brake", "park-brake"), ("track-drive-braking", "park-brake")),
    ),
    41: Fact(
        "park brake",
        (one("park-brake", ALL - EXCAVATORS, STOP, "the way the manual says", "holds without creeping"),),
    ),
    42: Fact(
        "steering and secondary steering",
        (
            one(
                "steering", ALL - TRACKED, STOP, "slow, clear all round", "lock to lock", "secondary steering"
            ),
            one("track-drive-braking", TRACKED, STOP, "clear all round", "steer each way"),
        ),
        safety=(("clear-up-and-round", "steering"), ("clear-up-and-round", "track-drive-braking")),
    ),
    43: Fact(
        "raise and lower",
        (
            one("clear-up-and-round", ALL, STOP, "look up for lines", "firm level ground", "nobody near"),
            one("raise-lower", ALL - EXCAVATORS - {"roller"}, STOP, "full stroke", "stays up", "right down"),
            one("slew-travel-functions", EXCAVATORS, STOP, "full stroke", "stays up", "nobody in reach"),
        ),
        safety=(
            ("clear-up-and-round", "raise-lower"),
            ("clear-up-and-round", "slew-travel-functions"),
            ("raise-lower", "service-brake"),
        ),
    ),
    44: Fact(
        "emergency stop, safety lever",
        (
            one(
                "emergency-stop-lock",
                TRACKED | {"roller"},
                STOP,
                "nothing moves when locked",
                "emergency stop",
            ),
        ),
    ),
    45: Fact(
        "tell and tag",
        (one("tell-and-tag", ALL, STOP, "before work starts", "key out", "tag on"),),
        safety=(("service-brake", "tell-and-tag"), ("track-drive-braking", "tell-and-tag")),
    ),
    46: Fact(
        "park and shut down",
        (
            one(
                "shut-down",
                ALL,
                CLOSING,
                "level.*down.*brake on.*neutral.*cool.*key out.*isolator off",
                "brake on before you leave the seat",
            ),
        ),
        safety=(("park-brake", "shut-down"),),
    ),
}
