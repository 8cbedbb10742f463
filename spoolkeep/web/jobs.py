"""Jobs: to come, running, ended, and the draws that wait for a spool.

The app factory registers it.
"""

from datetime import datetime, timedelta

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask import Response as PdfResponse
from werkzeug.wrappers import Response

from spoolkeep.domain.errors import BadInput, Refusal
from spoolkeep.domain.motionfile import TAKEN
from spoolkeep.domain.words import FailedWhen, Outcome, Purpose
from spoolkeep.services import (
    again,
    checking,
    choices,
    endings,
    joblist,
    jobs,
    labels,
    motionfiles,
    stops,
    untold,
    wastebin,
)
from spoolkeep.services.endings import Early
from spoolkeep.services.jobs import JobAnswer, JobReport
from spoolkeep.services.motionfiles import FilePlan, FilePlanned, ReadFile
from spoolkeep.services.shop import Shop, load_shop
from spoolkeep.store.engine import Session
from spoolkeep.web import doors, forms, jobforms, joblists, paper
from spoolkeep.web.answers import status_of
from spoolkeep.web.patience import within_time

pages = Blueprint("jobs", __name__, url_prefix="/jobs")
STOPS_SHOWN = 30
WEEK = timedelta(days=7)
POINTS = {"layer": "at layer", "line": "at line", "share": "at per cent of the file"}
"""The points of a file at which a person can say that a job ended."""
ABOUT = {
    FailedWhen.UNKNOWN: "nobody knows",
    FailedWhen.EARLY: "early: in the first third",
    FailedWhen.HALF: "about half way",
    FailedWhen.LATE: "late: in the last third",
    FailedWhen.RAN_ON: "it ran on to the end",
}
MOST_TOOLS = 4
"""Of so many tools of a file the page asks for their items; with a machine, what is loaded there says it."""
LATEST_SHOWN = 8
"""So many of the ended jobs stand open; the rest is folded away."""


@pages.get("")
def page() -> str | PdfResponse:
    """Show the jobs, narrowed by the address."""
    return joblists.file() or _show()


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


@pages.get("/failures")
def failing() -> str | PdfResponse:
    """Show what fails, where, and what motion files do not tell."""
    return joblists.failures_file() or _show_failing()


@pages.post("/failures")
def weigh_bin() -> Response | tuple[str, int]:
    """Reconcile waste by what the bin held."""
    try:
        with doors.writing() as session:
            shop = load_shop(session)
            since_at = forms.moment("since_at", "Emptied before", shop)
            if since_at is None:
                raise BadInput("no_time", "Say when the bin was emptied before.")
            answer = wastebin.weigh(
                session=session,
                now=doors.now(),
                by=doors.by_form(),
                held_mg=forms.grams("held", "The bin held"),
                since_at=since_at,
                at=forms.moment("at", "Weighed", shop),
            )
    except Refusal as refusal:
        return _show_failing(refused=refusal), status_of(refusal)
    known = "1 job is" if answer.jobs == 1 else f"{answer.jobs} jobs are"
    flash(f"Kept. {known} known better: {shop.formats.grams(answer.settled_mg)} were settled.", "heard")
    return redirect(url_for("jobs.failing", _anchor="bin"))


def _show_failing(refused: Refusal | None = None) -> str:
    with doors.reading() as session:
        narrowed, found = joblists.failed(session)
        drift, biases = untold.biases(session=session)
        bins, clock = wastebin.last(session=session), load_shop(session).clock
    since = clock.local(bins[0].weighed_at if bins else doors.now() - WEEK)
    context = {"found": found, "narrowed": narrowed, "drift": drift, "biases": biases, "bins": bins, "since": since}
    return render_template("failures.html", refused=refused, form=request.form, **context)


@pages.post("/file")
def drop() -> Response | tuple[str, int]:
    """Read a motion file, outside every session, and plan its runs."""
    try:
        sent = request.files.get("file")
        if sent is None or not sent.filename:
            raise BadInput("no_file", "Choose the motion file that the machine prints from.")
        machine_id = forms.maybe_whole("machine", "Machine")
        with doors.reading() as session:
            governs = joblist.g90_governs_e(session=session, machine_id=machine_id)
        file = motionfiles.read(within_time(sent.stream), name=sent.filename, g90_governs_e=governs)
        with doors.writing() as session:
            shop = load_shop(session)
            plan = _plan(machine_id, shop)
            planned = motionfiles.plan_file(session=session, now=doors.now(), by=doors.by_form(), file=file, plan=plan)
    except Refusal as refusal:
        return _show(refused=refusal), status_of(refusal)
    _say_planned(planned, file, shop)
    return redirect(url_for("jobs.page"))


def _plan(machine_id: int | None, shop: Shop) -> FilePlan:
    items = [(tool, forms.maybe_whole(f"tool-{tool}", f"The item of tool {tool}")) for tool in range(MOST_TOOLS)]
    return FilePlan(
        title=forms.text("title"),
        machine_id=machine_id,
        product_id=forms.maybe_whole("product", "Product"),
        purpose=forms.word("purpose", Purpose, "For", default=Purpose.SOLD),
        due_at=forms.moment("due_at", "Due", shop),
        times=forms.whole("times", "Times", 1),
        items=tuple((tool, item) for tool, item in items if item),
    )


def _say_planned(planned: FilePlanned, file: ReadFile, shop: Shop) -> None:
    count = len(planned.job_ids)
    jobs_words = "one job" if count == 1 else f"{count} jobs"
    flash(f"{file.name} is planned as {jobs_words}: {shop.formats.grams(planned.needs_mg)} are committed.", "heard")
    for note in planned.notes:
        flash(f"{file.name}: {note}", "attention")


@pages.post("/<int:job_id>/start")
def start(job_id: int) -> Response | tuple[str, int]:
    """Say that a planned job runs."""
    try:
        with doors.writing() as session:
            answer = jobs.start_job(session=session, now=doors.now(), by=doors.by_form(), job_id=job_id)
    except Refusal as refusal:
        return _show(refused=refusal), status_of(refusal)
    flash("It runs.", "heard")
    _say_odd(answer)
    return redirect(url_for("jobs.page"))


@pages.post("/<int:job_id>/again")
def once_more(job_id: int) -> Response | tuple[str, int]:
    """Plan once more what a job that ended was to print."""
    try:
        with doors.writing() as session:
            again.plan_again(session=session, now=doors.now(), by=doors.by_form(), job_id=job_id)
    except Refusal as refusal:
        return _show(refused=refusal), status_of(refusal)
    flash("Planned once more: its grams are committed.", "heard")
    return redirect(url_for("jobs.page"))


@pages.post("/<int:job_id>/go-on")
def go_on(job_id: int) -> Response | tuple[str, int]:
    """Say that a job which was stopped goes on."""
    try:
        with doors.writing() as session:
            answer = again.resume(session=session, now=doors.now(), by=doors.by_form(), job_id=job_id)
    except Refusal as refusal:
        return _show(refused=refusal), status_of(refusal)
    flash("It goes on: what it drew so far counts as good, and the rest is committed.", "heard")
    _say_odd(answer)
    return redirect(url_for("jobs.page"))


@pages.post("/<int:job_id>/ticket")
def ticket(job_id: int) -> Response | tuple[str, int]:
    """Give a job a ticket's code, where it has none yet, and lead to the ticket."""
    try:
        with doors.writing() as session:
            jobs.give_ticket(session=session, now=doors.now(), by=doors.by_form(), job_id=job_id)
    except Refusal as refusal:
        return _show(refused=refusal), status_of(refusal)
    return redirect(url_for("jobs.ticket_pdf", job_id=job_id))


@pages.get("/<int:job_id>/ticket.pdf")
def ticket_pdf(job_id: int) -> PdfResponse:
    """Give a job's ticket."""
    with doors.reading() as session:
        codes = [joblist.ticket_of(session=session, job_id=job_id)]
        gathered = labels.of_codes(session=session, now=doors.now(), codes=codes, stock=paper.stock_asked())
    return paper.pdf(paper.pressed(gathered), "ticket")


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
            answer = _end_early(session, job_id, shop) if forms.text("do") == "early" else _end(session, job_id, shop)
    except Refusal as refusal:
        return _show_end(job_id, refused=refusal), status_of(refusal)
    _say(answer, shop)
    return redirect(url_for("jobs.page"))


def _end(session: Session, job_id: int, shop: Shop) -> JobAnswer:
    return jobs.end_job(
        session=session,
        now=doors.now(),
        by=doors.by_form(),
        job_id=job_id,
        outcome=_outcome(),
        grams=jobforms.grams(session, jobforms.machine(session, job_id), none=_outcome() is not Outcome.GOOD),
        ended_at=forms.moment("ended_at", "Ended", shop),
        machine_id=forms.maybe_whole("machine", "Machine"),
    )


def _end_early(session: Session, job_id: int, shop: Shop) -> JobAnswer:
    return endings.end_early(
        session=session,
        now=doors.now(),
        by=doors.by_form(),
        job_id=job_id,
        outcome=forms.word("early_outcome", Outcome, "How it ended", default=Outcome.FAILED),
        early=_early(),
        ended_at=forms.moment("early_at", "When", shop),
        machine_id=forms.maybe_whole("machine", "Machine"),
    )


def _early() -> Early:
    """Give where a job ended early: about when, or at a point of its file."""
    where = forms.one_of("where", (*FailedWhen, *POINTS), "Where it ended")
    if where not in POINTS:
        if point := forms.text("point")[:40]:
            words = f"Say what {point} is under Where: a layer, a line or per cent. Else leave it empty."
            raise BadInput("point_of_what", words)
        return Early(when=FailedWhen(where))
    value = float(forms.decimal("point", "The layer, line or per cent"))
    return Early(point={where: value / 100 if where == "share" else value})


@pages.post("/draws/<int:movement_id>")
def settle(movement_id: int) -> Response | tuple[str, int]:
    """Name the spool of an open draw."""
    try:
        with doors.writing() as session:
            answer = jobs.settle_open_draw(
                session=session,
                now=doors.now(),
                by=doors.by_form(),
                movement_id=movement_id,
                spool_code=forms.text("spool"),
            )
    except Refusal as refusal:
        return _show(refused=refusal), status_of(refusal)
    flash("Booked on that spool.", "heard")
    _say_odd(answer)
    return redirect(url_for("jobs.page"))


@pages.post("/draws/<int:movement_id>/item")
def name_item(movement_id: int) -> Response | tuple[str, int]:
    """Name the item of an open draw."""
    try:
        with doors.writing() as session:
            jobs.name_item(
                session=session,
                now=doors.now(),
                by=doors.by_form(),
                movement_id=movement_id,
                article_id=forms.whole("article", "Item"),
            )
    except Refusal as refusal:
        return _show(refused=refusal), status_of(refusal)
    flash("Named: it counts as demand. It still waits for its spool.", "heard")
    return redirect(url_for("jobs.page"))


@pages.post("/stops")
def stand_still() -> Response | tuple[str, int]:
    """Enter that a machine stands still for want of a spool, or stood still."""
    try:
        with doors.writing() as session:
            shop = load_shop(session)
            stops.book_stop(
                session=session,
                now=doors.now(),
                by=doors.by_form(),
                machine_id=forms.whole("machine", "Machine"),
                from_at=_since(shop),
                until_at=forms.moment("until_at", "Until", shop),
                article_id=forms.maybe_whole("article", "Item"),
                why=forms.text("why"),
            )
    except Refusal as refusal:
        return _show(refused=refusal), status_of(refusal)
    flash("Entered.", "heard")
    return redirect(url_for("jobs.page", _anchor="stops"))


def _since(shop: Shop) -> datetime:
    since = forms.moment("from_at", "Since", shop)
    if since is None:
        raise BadInput("no_time", "Say since when it stands still.")
    return since


@pages.post("/stops/<int:stop_id>/end")
def run_again(stop_id: int) -> Response | tuple[str, int]:
    """Say that a machine runs again."""
    try:
        with doors.writing() as session:
            until_at = forms.moment("until_at", "Until", load_shop(session))
            stops.end_stop(session=session, now=doors.now(), by=doors.by_form(), stop_id=stop_id, until_at=until_at)
    except Refusal as refusal:
        return _show(refused=refusal), status_of(refusal)
    flash("It runs again.", "heard")
    return redirect(url_for("jobs.page", _anchor="stops"))


def _enter(session: Session, shop: Shop) -> JobAnswer:
    machine_id = forms.whole("machine", "Machine")
    planned = forms.text("do") == "plan"
    if not planned and any(forms.text(name) for name in ("hours", "changes", "due_at")):
        words = "It takes, changes and due are of a job that is to come. Plan it, or empty them if it has ended."
        raise BadInput("ended_or_to_come", words)
    if planned and forms.text("ended_at"):
        words = "You gave when it ended, and asked to plan it. Report how it ended, or empty that moment."
        raise BadInput("ended_or_to_come", words)
    report = JobReport(
        title=forms.text("title"),
        machine_id=machine_id,
        grams=jobforms.planned(session, machine_id)
        if planned
        else jobforms.grams(session, machine_id, none=_outcome() is not Outcome.GOOD),
        duration_s=jobforms.lasts_s(),
        product_id=forms.maybe_whole("product", "Product"),
        purpose=forms.word("purpose", Purpose, "For", default=Purpose.SOLD),
        due_at=forms.moment("due_at", "Due", shop),
    )
    now, by = doors.now(), doors.by_form()
    if planned:
        return jobs.plan_job(session=session, now=now, by=by, report=report)
    ended_at = forms.moment("ended_at", "Ended", shop)
    return jobs.report_job(session=session, now=now, by=by, report=report, outcome=_outcome(), ended_at=ended_at)


def _outcome() -> Outcome:
    return forms.word("outcome", Outcome, "How it ended", default=Outcome.GOOD)


def _say_odd(answer: JobAnswer) -> None:
    for words in answer.odd:
        flash(words, "attention")
    for name in answer.overdrawn:
        flash(f"More {name} was drawn than was left on its spool. It is booked; weigh that spool.", "attention")


def _say(answer: JobAnswer, shop: Shop) -> None:
    if forms.text("do") == "plan":
        flash("Planned: its grams are committed.", "heard")
    elif answer.drawn_mg:
        flash(f"Booked: {shop.formats.grams(answer.drawn_mg)} drawn.", "heard")
    else:
        flash("Ended: nothing was drawn, and it claims no grams any more.", "heard")
    if answer.open_draws:
        flash("A feed had no spool by the books. Its draw waits below: name the spool it came from.", "attention")
    _say_odd(answer)


def _show(refused: Refusal | None = None) -> str:
    chosen = request.values.get("machine", type=int)
    with doors.reading() as session:
        clock = load_shop(session).clock
        machines = joblist.machines(session=session)
        machine_id = chosen if chosen in dict(machines) else (machines[0][0] if machines else None)
        feeds = joblist.feeds_of(session=session, machine_id=machine_id) if machine_id else []
        context = {
            **joblists.shown(session),
            "open_draws": joblist.open_draws(session=session),
            "products": joblist.products(session=session),
            "articles": choices.articles(session=session),
            "stops": stops.recent(session=session, limit=STOPS_SHOWN),
            "instead": checking.in_place(session=session, now=doors.now()),
        }
    return render_template(
        "jobs.html",
        machines=machines,
        machine_id=machine_id,
        feeds=feeds,
        refused=refused,
        form=request.form,
        product_id=request.values.get("product", type=int),
        latest_shown=LATEST_SHOWN,
        taken=TAKEN,
        tools=range(MOST_TOOLS),
        wall_now=clock.local(doors.now()),
        outcomes=list(Outcome),
        purposes=list(Purpose),
        **context,
    )


def _show_end(job_id: int, refused: Refusal | None = None) -> str:
    with doors.reading() as session:
        job = joblist.one(session=session, job_id=job_id)
        own = joblist.machine_of(session=session, job_id=job_id)
        machines = [] if own else joblist.machines(session=session)
        chosen = request.values.get("machine", type=int)
        machine_id = own or (chosen if chosen in {number for number, _ in machines} else None)
        feeds = joblist.feeds_of(session=session, machine_id=machine_id, job_id=job_id) if machine_id else []
        file = joblist.file_of(session=session, job_id=job_id)
        instead = checking.in_place(session=session, now=doors.now()).get(job_id, "")
    return render_template(
        "job_end.html",
        job=job,
        machines=machines,
        machine_id=machine_id,
        feeds=feeds,
        refused=refused,
        form=request.form,
        file=file,
        instead=instead,
        places=[*ABOUT.items(), *POINTS.items()],
        # without a machine nothing was printed, so it cannot have come out good
        outcomes=list(Outcome) if feeds else [Outcome.STOPPED, Outcome.FAILED],
    )
