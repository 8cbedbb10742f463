"""Setup: the workshop's settings and lists, labels for places and feeds, the last acts, and the database.

The app factory registers it.
"""

from collections.abc import Callable

from flask import Blueprint, Response, flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response as Answer

from spoolkeep.domain.errors import BadInput, Refusal
from spoolkeep.domain.words import Finish, PlaceKind
from spoolkeep.services import acts, catalogue, choices, joblist, labels, undoing
from spoolkeep.services.catalogue import OfferEntry, Settings
from spoolkeep.services.shop import load_shop
from spoolkeep.store.engine import Session
from spoolkeep.web import doors, forms, paper
from spoolkeep.web.answers import status_of

pages = Blueprint("setup", __name__, url_prefix="/setup")
BP_PER_PER_CENT = 100


@pages.get("")
def page() -> str:
    """Show the settings and lists."""
    return _show()


@pages.post("")
def enter() -> Answer | tuple[str, int]:
    """Do what the form's hidden word says."""
    doings: dict[str, Callable[[Session], object]] = {
        "settings": _settings,
        "machine": _machine,
        "place": _place,
        "item": _item,
        "supplier": _supplier,
        "offer": _offer,
        "withdraw": _withdraw,
    }
    try:
        doing = doings.get(forms.text("do"))
        if doing is None:
            raise BadInput("unknown_act", "Choose what to change.")
        with doors.writing() as session:
            doing(session)
    except Refusal as refusal:
        return _show(refused=refusal), status_of(refusal)
    flash("Kept.", "heard")
    return redirect(url_for("setup.page", _anchor=forms.text("do")))


@pages.get("/labels.pdf")
def labels_pdf() -> Response:
    """Give the labels of every feed and place."""
    with doors.reading() as session:
        data = labels.place_and_feed_labels(
            session=session,
            now=doors.now(),
            stock=paper.stock_asked(),
            dpi=paper.number_asked("dpi", 203, "Dots"),
            start=paper.number_asked("start", 1, "Start position"),
        )
    return paper.pdf(data, "labels-places-feeds")


@pages.get("/acts")
def last_acts() -> str:
    """Show what was done lately, each with its undo."""
    return _show_acts()


@pages.post("/acts/<int:act_id>/undo")
def undo(act_id: int) -> Answer | tuple[str, int]:
    """Take back a whole act."""
    try:
        with doors.writing() as session:
            answer = undoing.undo_act(session=session, now=doors.now(), by=doors.by_form(), act_id=act_id)
    except Refusal as refusal:
        return _show_acts(refused=refusal), status_of(refusal)
    flash("Done again." if answer.again else f"Undone: {answer.undid_kind}.", "heard")
    return redirect(forms.page_of_ours("back") or url_for("setup.last_acts"))


def _settings(session: Session) -> object:
    settings = Settings(
        name=forms.text("name"),
        address=request.form.get("address", "").strip(),
        locale=forms.text("locale"),
        currency=forms.text("currency").upper(),
        zone=forms.text("zone"),
        day_starts_hour=forms.whole("day_starts_hour", "The day starts at"),
        opens_hour=forms.whole("opens_hour", "The shop opens at"),
        review_days=forms.whole("review_days", "Days between orders"),
        cover_days=forms.whole("cover_days", "Days of cover"),
        safety_days=forms.whole("safety_days", "Safety days"),
        lead_days=forms.whole("lead_days", "Days of a delivery"),
        share_low_bp=_basis_points("share_low", "Target from"),
        share_high_bp=_basis_points("share_high", "Target to"),
    )
    return catalogue.set_up(session=session, now=doors.now(), by=doors.by_form(), settings=settings)


def _basis_points(name: str, what: str) -> int:
    share = forms.decimal(name, what) * BP_PER_PER_CENT
    if share != int(share):
        raise BadInput("too_fine", f"{what}: write per cent with at most two decimals.")
    return int(share)


def _machine(session: Session) -> object:
    return catalogue.add_machine(
        session=session,
        now=doors.now(),
        by=doors.by_form(),
        name=forms.text("name"),
        feeds=forms.whole("feeds", "Feeds", default=1),
    )


def _place(session: Session) -> object:
    kind = forms.text("kind") or PlaceKind.SHELF
    if kind not in set(PlaceKind):
        raise BadInput("unknown_kind", "A place is a shelf, a drawer or a dry box.")
    return catalogue.add_place(
        session=session, now=doors.now(), by=doors.by_form(), name=forms.text("name"), kind=PlaceKind(kind)
    )


def _item(session: Session) -> object:
    finish = forms.text("finish") or Finish.SATIN
    if finish not in set(Finish):
        raise BadInput("unknown_finish", "Choose the finish from the list.")
    shades = [shade for shade in (forms.text("shade"), forms.text("second_shade")) if shade]
    return catalogue.add_article(
        session=session,
        now=doors.now(),
        by=doors.by_form(),
        material=forms.text("material"),
        colour=forms.text("colour"),
        finish=Finish(finish),
        srgb=shades,
    )


def _supplier(session: Session) -> object:
    return catalogue.add_supplier(
        session=session,
        now=doors.now(),
        by=doors.by_form(),
        name=forms.text("name"),
        address=request.form.get("address", "").strip(),
        lead_days=forms.maybe_whole("lead_days", "Days of a delivery"),
    )


def _offer(session: Session) -> object:
    shop = load_shop(session)
    from_spools = forms.maybe_whole("break_from", "Cheaper from")
    breaks = ((from_spools, forms.money("break_price", "Cheaper price", shop)),) if from_spools else ()
    entry = OfferEntry(
        supplier_id=forms.whole("supplier", "Supplier"),
        article_id=forms.whole("article", "Item"),
        spool_mg=forms.grams("spool_grams", "Grams on a spool"),
        price_minor=forms.money("price", "Price of a spool", shop),
        their_number=forms.text("their_number"),
        retail_code=forms.text("retail_code"),
        tare_mg=forms.maybe_grams("tare", "Empty reel"),
        pack=forms.whole("pack", "Spools in a pack", default=1),
        breaks=breaks,
    )
    return catalogue.add_offer(session=session, now=doors.now(), by=doors.by_form(), entry=entry)


def _withdraw(session: Session) -> object:
    offer_id = forms.whole("offer", "Offer")
    return catalogue.retire_offer(session=session, now=doors.now(), by=doors.by_form(), offer_id=offer_id)


def _show(refused: Refusal | None = None) -> str:
    with doors.reading() as session:
        context = {
            "shop": load_shop(session),
            "machines": joblist.machines(session=session),
            "feeds": choices.feeds(session=session),
            "places": choices.place_list(session=session),
            "articles": choices.articles(session=session),
            "items": choices.items(session=session),
            "suppliers": choices.supplier_list(session=session),
            "offers": choices.offers(session=session),
            "materials": choices.materials(session=session),
        }
    return render_template(
        "setup.html",
        finishes=list(Finish),
        place_kinds=list(PlaceKind),
        stocks=paper.STOCKS,
        dots=paper.DOTS,
        database=doors.about_database(),
        refused=refused,
        form=request.form,
        **context,
    )


def _show_acts(refused: Refusal | None = None) -> str:
    with doors.reading() as session:
        latest = acts.recent(session=session, limit=100)
    return render_template("acts.html", acts=latest, refused=refused)
