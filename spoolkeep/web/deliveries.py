"""Deliveries: book in what came, and print its labels.

The app factory registers it.
"""

from flask import Blueprint, Response, flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response as Answer

from spoolkeep.domain.errors import Refusal
from spoolkeep.services import choices, deliveries, labels, orders
from spoolkeep.services.deliveries import Arrived
from spoolkeep.services.shop import Shop, load_shop
from spoolkeep.store.engine import Session
from spoolkeep.web import doors, forms, paper
from spoolkeep.web.answers import status_of

pages = Blueprint("deliveries", __name__, url_prefix="/deliveries")


@pages.get("")
def page() -> str:
    """Show the last deliveries and the form that books one in."""
    return _show()


@pages.post("")
def book() -> Answer | tuple[str, int]:
    """Book in a delivery, with an order or without."""
    try:
        with doors.writing() as session:
            answer = _book(session, load_shop(session))
    except Refusal as refusal:
        return _show(refused=refusal), status_of(refusal)
    flash(f"Booked in: {len(answer.spool_codes)} spools. Print their labels now.", "heard")
    return redirect(url_for("deliveries.one", delivery_id=answer.delivery_id))


@pages.get("/<int:delivery_id>")
def one(delivery_id: int) -> str:
    """Show a delivery's spools and the way to their labels."""
    with doors.reading() as session:
        codes = deliveries.codes_of(session=session, delivery_id=delivery_id)
        lacking = labels.letters_lacking(session=session, codes=codes)
        offered = paper.choices(session)
    return render_template("delivery.html", delivery_id=delivery_id, codes=codes, lacking=lacking, offered=offered)


@pages.get("/<int:delivery_id>/labels.pdf")
def labels_pdf(delivery_id: int) -> Response:
    """Give the labels of a delivery, from a position on the sheet and from a label on."""
    with doors.reading() as session:
        codes = deliveries.codes_of(session=session, delivery_id=delivery_id)
        wanted = codes[max(0, paper.number_asked("from", 1, "From label") - 1) :]
        gathered = labels.of_codes(session=session, now=doors.now(), codes=wanted, stock=paper.stock_asked())
    return paper.pdf(paper.pressed(gathered), f"labels-delivery-{delivery_id}")


def _book(session: Session, shop: Shop) -> deliveries.DeliveryAnswer:
    order_id = forms.maybe_whole("order", "Order")
    return deliveries.book_delivery(
        session=session,
        now=doors.now(),
        by=doors.by_form(),
        arrived=_of_order(session, order_id) if order_id else [_alone(shop)],
        supplier_id=forms.maybe_whole("supplier", "Supplier"),
        order_id=order_id,
        freight_minor=forms.money("freight", "Freight", shop, default=0),
        arrived_at=forms.moment("arrived_at", "Arrived", shop),
    )


def _alone(shop: Shop) -> Arrived:
    return Arrived(
        article_id=forms.whole("article", "Item"),
        spools=forms.whole("spools", "Spools"),
        spool_mg=forms.grams("spool_grams", "Grams on a spool"),
        price_minor=forms.money("price", "Price of a spool", shop, default=0),
        tare_mg=forms.maybe_grams("tare", "Empty reel"),
        lot=forms.text("lot"),
        place_id=forms.maybe_whole("place", "Place"),
    )


def _of_order(session: Session, order_id: int) -> list[Arrived]:
    """Give what came of each line of an order; a line of which nothing came is left out."""
    order = orders.view(session=session, now=doors.now(), order_id=order_id)
    tares = choices.tares(session=session, line_ids=[line.line_id for line in order.lines])
    found = []
    for line in order.lines:
        spools = forms.whole(f"spools-{line.line_id}", line.item.name, default=0)
        if spools:
            found.append(
                Arrived(
                    article_id=line.item.article_id,
                    spools=spools,
                    spool_mg=line.spool_mg,
                    price_minor=line.price_minor,
                    tare_mg=tares.get(line.line_id),
                    lot=forms.text(f"lot-{line.line_id}"),
                    order_line_id=line.line_id,
                    place_id=forms.maybe_whole("place", "Place"),
                )
            )
    return found


def _show(refused: Refusal | None = None) -> str:
    order_id = request.values.get("order", type=int)
    with doors.reading() as session:
        awaited = orders.listed(session=session, now=doors.now(), open_only=True)
        context = {
            "recent": deliveries.recent(session=session),
            "articles": choices.articles(session=session),
            "suppliers": choices.suppliers(session=session),
            "places": choices.places(session=session),
        }
    chosen = next((order for order in awaited if order.order_id == order_id), None)
    return render_template(
        "deliveries.html", awaited=awaited, order=chosen, refused=refused, form=request.form, **context
    )
