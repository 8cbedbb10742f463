"""Is it worth it: an offered price or free freight, typed in; what it saves in a month stands in its own address.

The app factory registers it.
"""

from fractions import Fraction

from flask import Blueprint, render_template, request

from spoolkeep.domain.errors import BadInput, Refusal
from spoolkeep.domain.formats import currency_decimals
from spoolkeep.domain.units import decimal_from, minor_from_major, positive_mg_from_grams
from spoolkeep.services import bargains, choices, finding
from spoolkeep.services.bargains import FreightAnswer, FreightAsked, PriceAnswer, PriceAsked
from spoolkeep.services.shop import Shop, load_shop
from spoolkeep.store.engine import Session
from spoolkeep.web import doors, forms
from spoolkeep.web.answers import status_of

pages = Blueprint("worth", __name__, url_prefix="/money/worth")
PRICE, FREIGHT = "price", "freight"
MOST = 1_000_000
"""More minutes or parcels a month nobody has. Source: our own choice."""
KILOGRAM, SPOOL = "kilogram", "spool"


@pages.get("")
def page() -> str | tuple[str, int]:
    """Show what a bargain is worth, or ask for one."""
    asked, refused = _text("what"), None
    found: PriceAnswer | FreightAnswer | None = None
    with doors.reading() as session:
        shop = load_shop(session)
        try:
            if asked == PRICE:
                found = bargains.price(session=session, now=doors.now(), asked=_price(shop))
            elif asked == FREIGHT:
                found = bargains.freight(session=session, now=doors.now(), asked=_freight(shop))
            elif asked:
                raise BadInput("unknown_what", f"“{asked[:40]}” is not known. Ask for a price or for freight below.")
        except Refusal as refusal:
            refused = refusal
        shown = _shown(session, found=found, refused=refused, shop=shop)
    return (shown, status_of(refused)) if refused else shown


def _shown(session: Session, *, found: PriceAnswer | FreightAnswer | None, refused: Refusal | None, shop: Shop) -> str:
    return render_template(
        "worth.html",
        asked=_text("what"),
        found=found,
        plastic=found.plastic if isinstance(found, PriceAnswer) else bargains.plastic(session=session, now=doors.now()),
        items=[("", "All plastic"), *_materials(session), *choices.articles(session=session)],
        item=_text("item"),
        suppliers=[("", "Any supplier"), *choices.suppliers(session=session)],
        refused=refused,
        form=request.args,
        shop=shop,
    )


def _materials(session: Session) -> list[tuple[str, str]]:
    names = sorted({one.material for one in finding.in_use(session).values()})
    return [(name, f"All {name}") for name in names] if len(names) > 1 else []


def _price(shop: Shop) -> PriceAsked:
    price_minor = _amount("price", "Offered price", shop)
    if price_minor is None:
        raise BadInput("no_price", "Offered price: enter what a kilogram or a spool would cost.")
    return PriceAsked(
        article_id=_number("item", "For") if _text("item")[:1].isdecimal() else None,
        material="" if _text("item")[:1].isdecimal() else _text("item"),
        price_minor=price_minor,
        spool_mg=positive_mg_from_grams(_text("grams") or "1000", "A spool holds"),
        is_for_spool=_text("each") == SPOOL,
        spools=_number("spools", "Spools at once"),
        minutes=_minutes(),
        months=_number("months", "Holds for") or 1,
    )


def _freight(shop: Shop) -> FreightAsked:
    return FreightAsked(
        supplier_id=_number("supplier", "Supplier"),
        freight_minor=_amount("freight", "A parcel costs", shop),
        add_minor=_amount("add", "To add", shop),
        basket_minor=_amount("basket", "Usually in a parcel", shop),
        parcels=_few("parcels", "Parcels a month"),
        minutes=_minutes(),
    )


def _text(name: str) -> str:
    return request.args.get(name, "").strip()


def _amount(name: str, what: str, shop: Shop) -> int | None:
    minor = minor_from_major(_text(name), currency_decimals(shop.currency), what) if _text(name) else None
    if minor is not None and minor < 0:
        raise BadInput("below_nothing", f"{what}: {_text(name)} is less than nothing. Enter 0 or more.")
    return minor


def _number(name: str, what: str) -> int | None:
    number = forms.whole_from(_text(name), what) if _text(name) else None
    if number is not None and number < 1:
        raise BadInput("below_one", f"{what}: {_text(name)} is too few. Enter 1 or more, or leave it empty.")
    return number


def _few(name: str, what: str) -> Fraction | None:
    number = Fraction(decimal_from(_text(name), what)) if _text(name) else None
    if number is not None and number > MOST:
        raise BadInput("too_many", f"{what}: enter at most {MOST}.")
    return number


def _minutes() -> Fraction:
    return _few("minutes", "Minutes it takes") or Fraction(0)
