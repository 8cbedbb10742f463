"""The closed sets of words that tables, pages and commands share, so that one idea has one spelling.

Everything may import it. It holds no rule.
"""

from enum import StrEnum


class Kind(StrEnum):
    """What an event on stock is, and what a ledger line is booked as."""

    OPENING = "opening"
    DELIVERY = "delivery"
    RETURN = "return"
    DRAW = "draw"
    WEIGHING = "weighing"
    COUNT = "count"
    FOUND = "found"
    SCRAP = "scrap"
    WRITE_OFF = "write-off"
    COST = "cost"
    """A later change of what a spool cost (freight, a corrected price): money only, no grams."""


class Cause(StrEnum):
    """Why a draw was drawn: good parts, or waste by its cause."""

    GOOD = "good"
    FAILED = "failed"
    PURGE = "purge"
    PRIME = "prime"


class JobState(StrEnum):
    """Where a print run stands."""

    PLANNED = "planned"
    RUNNING = "running"
    ENDED = "ended"


TO_COME = (JobState.PLANNED, JobState.RUNNING)
"""The states of a job that has not ended. Asked for by name: a database finds these few, and not all that are not."""


class Outcome(StrEnum):
    """How a print run ended."""

    GOOD = "good"
    FAILED = "failed"
    STOPPED = "stopped"


class Purpose(StrEnum):
    """What a print run is for."""

    SOLD = "sold"
    STOCK = "stock"
    SAMPLE = "sample"
    GIFT = "gift"
    TEST = "test"
    REMAKE = "remake"
    OWN_USE = "own use"


class OrderState(StrEnum):
    """Where an order stands. Part in and in are not stored, nor is overdue: they follow from what came and the day."""

    DRAFTED = "drafted"
    SENT = "sent"
    PROMISED = "promised"
    PART_IN = "part in"
    IN = "in"
    CLOSED_SHORT = "closed short"
    CALLED_OFF = "called off"


class PlaceKind(StrEnum):
    """What kind of place keeps spools."""

    SHELF = "shelf"
    DRAWER = "drawer"
    DRY_BOX = "dry box"


class Finish(StrEnum):
    """How a colour's surface looks."""

    MATT = "matt"
    SATIN = "satin"
    GLOSS = "gloss"
    SILK = "silk"
    CLEAR = "clear"
    GLOW = "glow"
    FILLED = "filled"


class TakingsKind(StrEnum):
    """What a takings line is: a sale, a refund or a marketplace's fee."""

    SALE = "sale"
    REFUND = "refund"
    FEE = "fee"
