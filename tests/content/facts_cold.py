"""Facts 1 to 17: before and at the machine, access, levels and engine bay; nothing runs."""

from tests.content.trade_facts import ALL, CABBED, DEGREE, GEARED, HINGED, REPORT, STOP, Fact, one

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
            ("parked-state", "locking-bar-fitted"),
            ("parked-state", "suspension-struts"),
            ("parked-state", "circle-mouldboard"),
            ("parked-state", "slew-ring"),
            ("parked-state", "telescopic-boom"),
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
            ("grease-points", "locking-bar-stowed"),
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
                "never jump",
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
    # Grave below the low mark only: a level that can be topped up is not a defect of the machine.
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
    # Grave when empty, so by degree.
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
    # The warm reading depends on the manual; full lists have it in the cold point's method.
    10: Fact(
        "transmission oil",
        (
            one("transmission-oil-cold", GEARED, REPORT, "cold mark"),
            one(
                "transmission-oil-warm",
                {"dozer-crawler", "dumper-rigid", "grader"},
                REPORT,
                "idling",
                "people clear",
                "running",
            ),
        ),
        safety=(("people-round", "transmission-oil-warm"),),
        practice=(
            ("transmission-oil-cold", "start-up"),
            ("transmission-oil-cold", "transmission-oil-warm"),
            ("warm-up", "transmission-oil-warm"),
        ),
    ),
    11: Fact(
        "fuel and water drain",
        (one("fuel-and-drain", ALL, REPORT, "gauge", "drain", "no water", "no flame"),),
    ),
    # The washer is filled where the glass is looked through.
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
    # Grave where a guard is missing, so by degree: a glazed belt is reported.
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
    # Reported; what lies on the exhaust itself stops use.
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
    # Folded into the look for dirt, which is at the same place.
    17: Fact(
        "air filter sign and inlet",
        (one("dirt-near-heat", ALL, REPORT, "air inlet clear", "filter sign"),),
    ),
}
