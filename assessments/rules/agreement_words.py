"""What a trainer is told about how alike two assessors mark."""

from .agreement import Agreement, Kappa

# Twice the square of the number of marks that there are: under it the large-sample interval of a weighted
# kappa is not to be leaned on (D. V. Cicchetti, Appl Psychol Meas 5:101, 1981, from memory).
FEW_POINTS = 2 * 4**2

# In hundredths: an interval wider than this would fit good agreement and poor alike. Our choice.
WIDE = 50


def kappa_sentence(kappa: Kappa) -> str:
    """How far they agree beyond chance, in hundredths of what chance leaves open, with the interval."""
    if kappa.value is None:
        return kappa.why_not
    reached = _hundredths(kappa.value)
    if reached <= 0:
        told = "No more alike than chance alone would bring"
    else:
        told = f"Of the agreement that chance does not bring anyway, they reached {reached} in 100"
    if kappa.interval is None:
        return f"{told}. {kappa.why_not}"
    low, high = map(_hundredths, kappa.interval)
    if high <= 0:
        return f"{told}; other walk-arounds would hardly give better."
    return f"{told}; from {'none' if low <= 0 else low} to {high} would fit these marks."


def kappa_figure(kappa: Kappa) -> str:
    """The value for a table, in hundredths; empty where there is none."""
    return "" if kappa.value is None else _written(kappa.value)


def kappa_range(kappa: Kappa) -> str:
    """The interval for a table, in hundredths, as "41 to 83"; empty where there is none."""
    if kappa.interval is None:
        return ""
    low, high = map(_written, kappa.interval)
    return f"{low} to {high}"


def percent_agreed(found: Agreement) -> int | None:
    """Whole hundredths, rounded down: only full agreement is 100."""
    return None if found.share_agreed is None else int(found.share_agreed * 100)


def caution(found: Agreement) -> str:
    """Why the figures say little; empty where they can be used."""
    if found.compared < FEW_POINTS:
        counted = "1 point" if found.compared == 1 else f"{found.compared} points"
        return f"Few points say little: {counted} so far, at least {FEW_POINTS} are needed."
    interval = found.kappa.interval
    if interval is not None and _hundredths(interval[1]) - _hundredths(interval[0]) > WIDE:
        return "The interval is wide. More double markings are needed."
    return ""


def steps_words(steps: int | None) -> str:
    return "1 step apart" if steps == 1 else f"{steps} steps apart"


def _written(value: float) -> str:
    return str(_hundredths(value)).replace("-", "\N{MINUS SIGN}")


def _hundredths(value: float) -> int:
    return round(value * 100)
