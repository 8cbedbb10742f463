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


class TimeFrom(StrEnum):
    """Who says how long a run takes."""

    COMMENT = "comment"
    """The motion file's own."""
    MOVES = "moves"
    """Its moves at the speeds they ask for: the least that it can be."""


class FailedWhen(StrEnum):
    """About when a print run failed, where nobody saw it."""

    EARLY = "early"
    HALF = "half"
    LATE = "late"
    RAN_ON = "ran on"
    """The part was lost, and the machine drew plastic to the end."""
    UNKNOWN = "unknown"


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


class Lasting(StrEnum):
    """What a weight or price is that differs from the one expected."""

    FROM_NOW_ON = "from now on"
    THIS_TIME = "this time only"


class PlaceKind(StrEnum):
    """What kind of place keeps spools."""

    SHELF = "shelf"
    DRAWER = "drawer"
    DRY_BOX = "dry box"


class StockKind(StrEnum):
    """Label stock: sheets have many labels on a page, a roll has one."""

    SHEET = "sheet"
    ROLL = "roll"


class Surface(StrEnum):
    """What labels are made of and printed by, which says what they stand."""

    DIRECT_THERMAL = "direct-thermal paper"
    TRANSFER_PAPER = "thermal-transfer paper"
    TRANSFER_FILM = "thermal-transfer film"
    OFFICE_PAPER = "paper for office printers"
    OFFICE_FILM = "film for laser printers"


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


class CostFlow(StrEnum):
    """How the books let cost flow out of the stock of one item."""

    AVERAGE = "average"
    FIFO = "fifo"
    """First in, first out."""


class Role(StrEnum):
    """What a person may do."""

    OWNER = "owner"
    OPERATOR = "operator"
    READER = "reader"


class Scope(StrEnum):
    """What a program's token may do."""

    SEE = "see"
    SCAN = "scan"
    REPORT = "report"


class LinkKind(StrEnum):
    """What a one-time link is for."""

    FIRST = "first"
    """Makes the first owner."""
    PERSON = "person"
    """Lets a person in, who chooses a password where there is none."""
    STATION = "station"
    """Makes the device that opens it a station."""


class VisitKind(StrEnum):
    """What happened at the door."""

    TRIED = "tried"
    """A password was sent and was wrong, or its check has not ended."""
    SIGNED_IN = "signed in"
    HELD_OFF = "held off"
    """Too many tries: the password was not looked at."""
    REFUSED = "refused"
    """Somebody who is signed in asked for what they may not do."""
    SIGNED_OUT = "signed out"
    SIGNED_OUT_EVERYWHERE = "signed out everywhere"
    LINK_MADE = "link made"
    LINK_USED = "link used"
    PERSON_ADDED = "person added"
    ROLE_GIVEN = "role given"
    PASSWORD_CHOSEN = "password chosen"  # noqa: S105 - it is no password
    NAME_REMOVED = "name removed"
    STATION_ADDED = "station added"
    TOKEN_MADE = "token made"  # noqa: S105 - it is no token
    REVOKED = "revoked"


class NoticeKind(StrEnum):
    """What a notice is for."""

    DIGEST = "digest"
    WARNING = "warning"
    TRIAL = "trial"


class NoticeWay(StrEnum):
    """How a notice goes to its addressee."""

    MAIL = "mail"
    WEBHOOK = "webhook"


class DigestWhen(StrEnum):
    """On which mornings an addressee gets a digest."""

    EVERY_DAY = "every day"
    WHEN_NEEDED = "when needed"
    """Only when something needs a person."""
    NEVER = "never"


class MailSafety(StrEnum):
    """How the way to the mail server is encrypted."""

    TLS = "tls"
    STARTTLS = "starttls"
    PLAIN = "plain"
    """Not at all: for a relay on this machine or its network, without a password."""
