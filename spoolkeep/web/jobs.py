"""Jobs: to come, running, ended, and the draws that wait for a spool.

The app factory registers it.
"""

from flask import Blueprint, flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from spoolkeep.domain.errors import BadInput, Refusal
from spoolkeep.domain.words import Outcome, Purpose
from spoolkeep.services import joblist, jobs
from spoolkeep.services.jobs import FeedGrams, JobAnswer, JobReport
from spoolkeep.services.shop import Shop, load_shop
from spoolkeep.store.engine import Session
from spoolkeep.web import doors, forms
from spoolkeep.web.answers import status_of

pages = Blueprint("jobs", __name__, url_prefix="/jobs")


@pages.get("")
def page() -> str:
    """Show the jobs."""
    return _show()


@pages.post("")
def enter() -> Response | tuple[str, int]:
    """Plan a job, or report one that has ended, as the form's button says."""
    try:
        with doors.writing() as session:
            shop = load_shop(session)
            answer = _enter(session, shop)
    except Refusal as refusal:
        return _show(refused=refusal), status_of(refusal)
    _say(answer, shop)
    return redirect(url_for("jobs.page"))


@pages.post("/<int:job_id>/start")
def start(job_id: int) -> Response | tuple[str, int]:
    """Say that a planned job runs."""
    try:
        with doors.writing() as session:
            jobs.start_job(session=session, now=doors.now(), by=doors.by_form(), job_id=job_id)
    except Refusal as refusal:
        return _show(refused=refusal), status_of(refusal)
    flash("It runs.", "heard")
    return redirect(url_for("jobs.page"))


@pages.get("/<int:job_id>/end")
def ending(job_id: int) -> str:
    """Show the form that ends a job."""
    return _show_end(job_id)


@pages.post("/<int:job_id>/end")
def end(job_id: int) -> Response | tuple[str, int]:
    """End a job and book its draws."""
    try:
        with doors.writing() as session:
            shop = load_shop(session)
            answer = jobs.end_job(
                session=session,
                now=doors.now(),
                by=doors.by_form(),
                job_id=job_id,
                outcome=_outcome(),
                grams=_grams(session, joblist.machine_of(session=session, job_id=job_id)),
                ended_at=forms.moment("ended_at", "Ended", shop),
            )
    except Refusal as refusal:
        return _show_end(job_id, refused=refusal), status_of(refusal)
    _say(answer, shop)
    return redirect(url_for("jobs.page"))


@pages.post("/draws/<int:movement_id>")
def settle(movement_id: int) -> Response | tuple[str, int]:
    """Name the spool of an open draw."""
    try:
        with doors.writing() as session:
            jobs.settle_open_draw(
                session=session,
                now=doors.now(),
                by=doors.by_form(),
                movement_id=movement_id,
                spool_code=forms.text("spool"),
            )
    except Refusal as refusal:
        return _show(refused=refusal), status_of(refusal)
    flash("Booked on that spool.", "heard")
    return redirect(url_for("jobs.page"))


def _enter(session: Session, shop: Shop) -> JobAnswer:
    machine_id = forms.whole("machine", "Machine")
    report = JobReport(
        title=forms.text("title"),
        machine_id=machine_id,
        grams=_grams(session, machine_id),
        product_id=forms.maybe_whole("product", "Product"),
        purpose=_purpose(),
        due_at=forms.moment("due_at", "Due", shop),
    )
    now, by = doors.now(), doors.by_form()
    if forms.text("do") == "plan":
        return jobs.plan_job(session=session, now=now, by=by, report=report)
    ended_at = forms.moment("ended_at", "Ended", shop)
    return jobs.report_job(session=session, now=now, by=by, report=report, outcome=_outcome(), ended_at=ended_at)


def _grams(session: Session, machine_id: int | None) -> tuple[FeedGrams, ...]:
    """Give the grams of each feed whose field is filled. Errors: BadInput where none is."""
    if machine_id is None:
        raise BadInput("no_machine", "Say which machine prints it.")
    feeds = joblist.feeds_of(session=session, machine_id=machine_id)
    found = []
    for feed in feeds:
        mg = forms.maybe_grams(f"feed-{feed.feed_id}", f"Feed {feed.position}")
        if mg:
            found.append(FeedGrams(mg=mg, feed_id=feed.feed_id))
    if not found:
        raise BadInput("nothing_drawn", "Enter the grams of at least one feed.")
    return tuple(found)


def _outcome() -> Outcome:
    given = forms.text("outcome") or Outcome.GOOD
    if given not in set(Outcome):
        raise BadInput("unknown_outcome", "Say how it ended: good, failed or stopped.")
    return Outcome(given)


def _purpose() -> Purpose:
    given = forms.text("purpose") or Purpose.SOLD
    if given not in set(Purpose):
        raise BadInput("unknown_purpose", "Choose what the job is for from the list.")
    return Purpose(given)


def _say(answer: JobAnswer, shop: Shop) -> None:
    if not answer.drawn_mg:
        flash("Planned: its grams are committed.", "heard")
        return
    flash(f"Booked: {shop.formats.grams(answer.drawn_mg)} drawn.", "heard")
    if answer.open_draws:
        flash("A feed had no spool by the books. Its draw waits below: name the spool it came from.", "attention")
    for name in answer.overdrawn:
        flash(f"More {name} was drawn than was left on its spool. It is booked; weigh that spool.", "attention")


def _show(refused: Refusal | None = None) -> str:
    chosen = request.values.get("machine", type=int)
    with doors.reading() as session:
        machines = joblist.machines(session=session)
        known = {number for number, _ in machines}
        machine_id = chosen if chosen in known else (machines[0][0] if machines else None)
        feeds = joblist.feeds_of(session=session, machine_id=machine_id) if machine_id else []
        context = {
            "to_come": joblist.to_come(session=session),
            "ended": joblist.ended(session=session),
            "open_draws": joblist.open_draws(session=session),
            "products": joblist.products(session=session),
        }
    return render_template(
        "jobs.html",
        machines=machines,
        machine_id=machine_id,
        feeds=feeds,
        refused=refused,
        form=request.form,
        outcomes=list(Outcome),
        purposes=list(Purpose),
        **context,
    )


def _show_end(job_id: int, refused: Refusal | None = None) -> str:
    with doors.reading() as session:
        job = joblist.one(session=session, job_id=job_id)
        machine_id = joblist.machine_of(session=session, job_id=job_id)
        feeds = joblist.feeds_of(session=session, machine_id=machine_id, job_id=job_id) if machine_id else []
    return render_template(
        "job_end.html", job=job, feeds=feeds, refused=refused, form=request.form, outcomes=list(Outcome)
    )
