"""An order as a mail to copy or to open in a mail program: plain text, the same figures as on its sheet.

The order's page calls it. It sends nothing.
"""

from dataclasses import dataclass, replace
from urllib.parse import quote

from spoolkeep.domain.formats import Formats
from spoolkeep.paper.sheets import ReorderLine, ReorderSheet

MOST_HREF = 2000
"""Longer addresses are cut short by some browsers and mail programs. Source: common practice, no source."""


@dataclass(frozen=True)
class OrderMail:
    """A mail that orders: its subject and text, and a link that opens it in a mail program."""

    subject: str
    body: str
    href: str
    """Empty where the supplier has no mail address."""
    is_cut: bool
    """Whether the text is too long for the link, which then brings the subject alone."""

    @property
    def text(self) -> str:
        """Give the subject and the text as they are copied."""
        return f"{self.subject}\n\n{self.body}"


def mail_of(sheet: ReorderSheet, *, to: str, formats: Formats) -> OrderMail:
    """Give the mail of an order's sheet, in the sheet's currency."""
    formats = replace(formats, currency=sheet.currency)
    needed = f", needed by {formats.day(sheet.needed_by)}" if sheet.needed_by else ""
    subject = _plain(f"Order {sheet.reference} of {sheet.workshop}{needed}")
    body = "\n".join(_body(sheet, formats))
    whole = _href(to, subject, body)
    is_cut = len(whole) > MOST_HREF
    return OrderMail(subject, body, _href(to, subject, "") if is_cut else whole, is_cut)


def _body(sheet: ReorderSheet, formats: Formats) -> list[str]:
    money = formats.money
    sums = [("Goods", sheet.goods_minor), ("Parcel", sheet.freight_minor)] if sheet.freight_minor else []
    lines = [
        f"To {sheet.supplier}",
        "",
        f"Our reference: {sheet.reference}",
        *([f"Needed by: {formats.day(sheet.needed_by)}"] if sheet.needed_by else []),
        "",
        *(_line(number, line, formats) for number, line in enumerate(sheet.lines, 1)),
        "",
        *(f"{word}: {money(minor)}" for word, minor in sums),
        f"Total: {money(sheet.total_minor)} ({sheet.currency})",
        *sheet.terms,
        "",
        "Deliver to:",
        sheet.workshop,
        *filter(None, map(str.strip, sheet.address.splitlines())),
        *(["", sheet.notes] if sheet.notes else []),
    ]
    return [_plain(line) if line != sheet.notes else line for line in lines]


def _line(number: int, line: ReorderLine, formats: Formats) -> str:
    theirs = f", your number {line.their_number}" if line.their_number else ""
    packs = f" (packs of {line.pack})" if line.pack > 1 else ""
    of = f"{formats.number(line.spools)} x {line.article}, {formats.grams(line.spool_mg)}{theirs}{packs}"
    return f"{number}. {of}: {formats.money(line.price_minor)} a spool, {formats.money(line.total_minor)}"


def _plain(line: str) -> str:
    """Give a line of its own with plain blanks, which every mail program keeps."""
    return " ".join(line.split())


def _href(to: str, subject: str, body: str) -> str:
    """Give the link, or nothing without an address. Source: RFC 6068, sections 2 and 5: line ends are CR LF."""
    if not to.strip():
        return ""
    told = f"mailto:{quote(to.strip(), safe='@')}?subject={quote(subject, safe='')}"
    ended = "\r\n".join(body.splitlines())
    return f"{told}&body={quote(ended, safe='')}" if body else told
