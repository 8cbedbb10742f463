"""Who may do what: one rule for every endpoint, in one table. An endpoint that has none is refused to everybody.

The lock reads it at every request, the pages for what they offer. It must not know how anybody signed in.
"""

from dataclasses import dataclass
from enum import StrEnum

from spoolkeep.domain.words import Role, Scope
from spoolkeep.services.tokens import Caller

KILO = 1024
FORM, LONG_FORM, REPORT = 64 * KILO, 512 * KILO, 64 * KILO
PHOTO, SHEET, MOTION_FILE = 12 * KILO * KILO + FORM, 32 * KILO * KILO, 600 * KILO * KILO
"""Largest bodies in bytes: a form, a form with a line an item, a report, a photo, a sheet, a machine's motion file."""


class Right(StrEnum):
    """What an endpoint asks of whoever calls it."""

    OPEN = "open"
    SEE = "see"
    BOOKS = "books"
    """Money and lists: for people, not for a screen that anybody passes."""
    WORK = "work"
    KEEP = "keep"
    OWN = "own"
    MYSELF = "myself"
    """A person's own sign-in."""
    PRESENT = "present"
    """A shared station's: who is at it."""


STATION = "station"
PEOPLE = frozenset(Role)
HOLDERS: dict[Right, frozenset[str]] = {
    Right.OPEN: PEOPLE | {STATION},
    Right.SEE: PEOPLE | {STATION},
    Right.BOOKS: PEOPLE,
    Right.WORK: frozenset({Role.OPERATOR, Role.OWNER, STATION}),
    Right.KEEP: frozenset({Role.OPERATOR, Role.OWNER}),
    Right.OWN: frozenset({Role.OWNER}),
    Right.MYSELF: PEOPLE,
    Right.PRESENT: frozenset({STATION}),
}


@dataclass(frozen=True)
class Rule:
    """What one endpoint asks: a right of people and stations, scopes of programs; and how much may be sent."""

    right: Right
    scopes: frozenset[Scope] = frozenset()
    """What a program's token must be for, one of them; none where no program may."""
    largest: int = FORM


OPEN, SEE, BOOKS, WORK, KEEP, OWN = (
    Rule(right) for right in (Right.OPEN, Right.SEE, Right.BOOKS, Right.WORK, Right.KEEP, Right.OWN)
)
MYSELF = Rule(Right.MYSELF)

ASKS_NOBODY = frozenset({"static", "health.alive", "health.ready"})
"""Where it is not even asked who comes, so that the database is left alone."""

RULES: dict[str, Rule] = {
    "static": OPEN,
    "health.alive": OPEN,
    "health.ready": OPEN,
    "door.sign_in": OPEN,
    "door.enter": Rule(Right.OPEN, largest=LONG_FORM),  # it may carry a form that met an ended sign-in
    "door.join": OPEN,
    "door.use_link": OPEN,
    "door.sign_out": OPEN,
    "me.page": MYSELF,
    "me.change": MYSELF,
    "people.page": OWN,
    "people.change": OWN,
    "notices.page": OWN,
    "notices.change": OWN,
    "today.page": SEE,
    "guide.words": SEE,
    "wall.page": SEE,
    "firsthour.page": BOOKS,
    "firsthour.enter": KEEP,
    "firsthour.name_workshop": OWN,
    "search.page": SEE,
    "bench.page": SEE,
    "bench.board": SEE,
    "bench.scan": WORK,
    "bench.photo": Rule(Right.WORK, largest=PHOTO),
    "bench.keep_on": WORK,
    "bench.undo": WORK,
    "bench.after_undo": SEE,
    "bench.who": Rule(Right.PRESENT),
    "tonight.page": SEE,
    "tonight.half_sheet_pdf": SEE,
    "stock.page": SEE,
    "stock.item": SEE,
    "stock.know_item": KEEP,
    "stock.labels_pdf": SEE,
    "spools.page": SEE,
    "spools.made_from": SEE,
    "spools.act": WORK,
    "spools.label_pdf": SEE,
    "onhand.page": SEE,
    "onhand.tell": WORK,
    "onhand.close": WORK,
    "jobs.page": SEE,
    "jobs.enter": WORK,
    "jobs.failing": SEE,
    "jobs.weigh_bin": WORK,
    "jobs.drop": Rule(Right.WORK, largest=MOTION_FILE),
    "jobs.start": WORK,
    "jobs.once_more": WORK,
    "jobs.go_on": WORK,
    "jobs.ticket": WORK,
    "jobs.ticket_pdf": SEE,
    "jobs.ending": WORK,
    "jobs.end": WORK,
    "jobs.settle": WORK,
    "jobs.name_item": WORK,
    "jobs.stand_still": WORK,
    "jobs.run_again": WORK,
    "standing.one": SEE,
    "standing.correct": WORK,
    "deliveries.page": SEE,
    "deliveries.book": Rule(Right.WORK, largest=LONG_FORM),
    "deliveries.one": SEE,
    "deliveries.change": Rule(Right.WORK, largest=LONG_FORM),
    "deliveries.labels_pdf": SEE,
    "orders.page": BOOKS,
    "orders.credit_came": KEEP,
    "orders.draft": Rule(Right.KEEP, largest=LONG_FORM),
    "orders.one": BOOKS,
    "orders.move_on": Rule(Right.KEEP, largest=LONG_FORM),
    "orders.change": Rule(Right.KEEP, largest=LONG_FORM),
    "orders.send_all": Rule(Right.KEEP, largest=LONG_FORM),
    "orders.sheet_csv": BOOKS,
    "orders.sheet_pdf": BOOKS,
    "orders.sheet_workbook": BOOKS,
    "orders.sheets_pdf": BOOKS,
    "suppliers.page": BOOKS,
    "suppliers.change": KEEP,
    "money.page": BOOKS,
    "money.enter": KEEP,
    "money.why": BOOKS,
    "money.behind": BOOKS,
    "money.products": BOOKS,
    "books.page": BOOKS,
    "books.close": OWN,
    "books.one": BOOKS,
    "books.month_csv": BOOKS,
    "books.month_workbook": BOOKS,
    "books.stock_pdf": BOOKS,
    "books.stock_csv": BOOKS,
    "books.stock_workbook": BOOKS,
    "buys.page": BOOKS,
    "worth.page": BOOKS,
    "standing.costs": BOOKS,
    "imports.page": BOOKS,
    "imports.send": Rule(Right.KEEP, largest=SHEET),
    "imports.one": BOOKS,
    "imports.progress": BOOKS,
    "imports.change": Rule(Right.KEEP, largest=LONG_FORM),
    "setup.page": BOOKS,
    "setup.program_doors": BOOKS,
    "setup.enter": KEEP,
    "setup.settings": OWN,
    "setup.all_offers": BOOKS,
    "columns.page": BOOKS,
    "machines.page": BOOKS,
    "machines.change": KEEP,
    "materials.page": BOOKS,
    "materials.change": KEEP,
    "mending.item": BOOKS,
    "mending.change_item": KEEP,
    "mending.named": BOOKS,
    "mending.change_named": KEEP,
    "mending.spool": BOOKS,
    "mending.move": KEEP,
    "ahead.page": SEE,
    "ahead.know": KEEP,
    "ahead.track_record": SEE,
    "rests.page": SEE,
    "rests.scrap": Rule(Right.WORK, largest=LONG_FORM),
    "count.page": SEE,
    "count.scan": WORK,
    "count.settle": Rule(Right.WORK, largest=LONG_FORM),
    "labels.page": SEE,
    "labels.keep": KEEP,
    "labels.places_pdf": SEE,
    "labels.all_pdf": SEE,
    "labels.cards_pdf": SEE,
    "labels.calibration_pdf": SEE,
    "setup.last_acts": BOOKS,
    "setup.undo": KEEP,
    "api.scan": Rule(Right.WORK, frozenset({Scope.SCAN}), REPORT),
    "api.report": Rule(Right.WORK, frozenset({Scope.REPORT}), REPORT),
    "api.plan": Rule(Right.WORK, frozenset({Scope.REPORT}), REPORT),
    "api.start": Rule(Right.WORK, frozenset({Scope.REPORT}), REPORT),
    "api.resume": Rule(Right.WORK, frozenset({Scope.REPORT}), REPORT),
    "api.end": Rule(Right.WORK, frozenset({Scope.REPORT}), REPORT),
    "api.motion_file": Rule(Right.WORK, frozenset({Scope.REPORT}), MOTION_FILE),
    "api.weighing": Rule(Right.WORK, frozenset({Scope.SCAN, Scope.REPORT}), REPORT),
    "api.orders_on_hand": Rule(Right.WORK, frozenset({Scope.REPORT}), LONG_FORM),
    "api.take": Rule(Right.KEEP, frozenset({Scope.REPORT}), LONG_FORM),
    "api.stock": Rule(Right.SEE, frozenset({Scope.SEE})),
    "api.document": Rule(Right.SEE, frozenset(Scope)),
}


def may(caller: Caller | None, endpoint: str) -> bool:
    """Give whether somebody, or nobody who is known, may call an endpoint."""
    rule = RULES.get(endpoint)
    if rule is None:
        return False
    if rule.right is Right.OPEN:
        return True
    if caller is None:
        return False
    if caller.kind == "api":
        return not rule.scopes.isdisjoint(caller.scopes)
    return (caller.role or STATION) in HOLDERS[rule.right]
