"""Facts 18 to 32: one way round on the ground."""

from tests.content.trade_facts import (
    ALL,
    CABBED,
    DEGREE,
    DUMPERS,
    EXCAVATORS,
    HINGED,
    REPORT,
    STOP,
    TRACKED,
    TYRED,
    Fact,
    one,
)

FACTS = {
    # Two looks, two points: before start, and again before moving.
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
    # A roller's tyres and nuts are one point, as grave as the graver of the two.
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
    # Reported when damp; what runs stops use. Two dumpers have it with the suspension, graders with tandems.
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
    # The missing keeper stops use everywhere; where rams and pins belong to a structure they go with it.
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
    # Reported; a strut that has collapsed stops use, which the fact does not say and nobody would doubt.
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
    # Only the coupler, forks and what pins an attachment on are grave in themselves; wear is by degree.
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
    # Grave when blind to the rear, so by degree.
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
    # Reported; grave where the site's rules require one.
    31: Fact(
        "extinguisher",
        (one("extinguisher", ALL, REPORT, "in date", "in the green", "pin", degree="site's rules require"),),
    ),
    # The structure is grave, the glass by degree. The folding frame and the guards are structure too.
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
}
