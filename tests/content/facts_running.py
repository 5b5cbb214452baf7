"""Facts 33 to 46: in the seat, running, and the close."""

from tests.content.trade_facts import (
    ALL,
    CABBED,
    CLOSING,
    DEGREE,
    EXCAVATORS,
    REPORT,
    STOP,
    TRACKED,
    Fact,
    one,
)

FACTS = {
    33: Fact(
        "seat and belt",
        (one("seat-belt", ALL, STOP, "set the seat", "right out", "latch it and jerk", "holds"),),
        safety=(("seat-belt", "start-up"),),
    ),
    # Reported; grave where the site's rules require it.
    34: Fact(
        "belt beacon",
        (one("belt-beacon", ALL, REPORT, "lights when the belt is latched", degree="site's rules require"),),
    ),
    # One point with fact 36: hands and feet over the same controls.
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
                "no brake or steering warning",
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
        safety=(
            ("horn-reverse-alarm", "clear-up-and-round"),
            ("horn-reverse-alarm", "service-brake"),
            ("horn-reverse-alarm", "track-drive-braking"),
        ),
    ),
    # On tracks one point proves steering and brakes: fact 42 names it too.
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
    # An excavator's travel motors hold by themselves; its safety lever is fact 44.
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
    # The look up is the second look round of fact 18; an excavator raises with its digging functions.
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
        # The fact names no order; the content does: nobody near while it is tried, and then first.
        safety=(
            ("clear-up-and-round", "emergency-stop-lock"),
            ("emergency-stop-lock", "raise-lower"),
            ("emergency-stop-lock", "slew-travel-functions"),
        ),
    ),
    45: Fact(
        "tell and tag",
        (one("tell-and-tag", ALL, STOP, "before work starts", "key out", "tag on"),),
        safety=tuple(
            (earlier, "tell-and-tag")
            for earlier in ("service-brake", "track-drive-braking", "raise-lower", "slew-travel-functions")
        ),
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
        # On an excavator the safety lever is what the park brake is on a wheeled machine.
        safety=(("park-brake", "shut-down"), ("emergency-stop-lock", "shut-down")),
    ),
}
