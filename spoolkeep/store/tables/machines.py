"""Machines, their feeds, what is loaded on them, what they print and when they stood still.

Services read and write them. They must not know money.
"""

from datetime import datetime

from sqlalchemy import Index, text
from sqlmodel import Field, SQLModel

from spoolkeep.domain.words import Cause, JobState, Outcome, Purpose, TimeFrom
from spoolkeep.store.columns import (
    flag,
    holds,
    integers,
    link,
    live,
    maybe_link,
    maybe_moment,
    maybe_whole,
    moment,
    one_of,
    primary_key,
    unique_while_live,
    unique_while_used,
    whole,
)


class Machine(SQLModel, table=True):
    """A printer, and what it can take."""

    id: int = primary_key()
    live: bool = live()
    name: str
    site_id: int = link("site.id")
    kind: str = ""
    largest_reel_mm: int | None = None
    enclosed: bool = False
    hardened_nozzle: bool = False
    runout_sensor: bool = False
    cardboard_reels: bool = True
    g90_governs_e: bool = False
    silent: bool = flag()
    """Nobody reports its jobs: past their planned end they are taken as done."""
    self_starting: bool = flag()
    """It begins its next job by itself: its plate clears itself."""
    earns_minor_per_hour: int | None = maybe_whole()
    retired: bool = False
    __table_args__ = (unique_while_used("machine", "name"),)


class Feed(SQLModel, table=True):
    """One position on a machine that takes a spool."""

    id: int = primary_key()
    live: bool = live()
    serial: int = Field(unique=True)
    machine_id: int = link("machine.id")
    position: int
    switches: bool = flag()
    """Its holder takes two spools, and goes over to the second by itself."""
    keeps_dry: bool = flag()
    """Its holder is a dry box."""
    __table_args__ = (unique_while_live("feed", "machine_id", "position"), holds("position_counts", "position >= 1"))


class Loading(SQLModel, table=True):
    """One spool on one feed, from a moment until a moment, in use or standby."""

    id: int = primary_key()
    live: bool = live()
    spool_id: int = link("spool.id")
    feed_id: int = link("feed.id")
    from_at: datetime = moment()
    until_at: datetime | None = maybe_moment()
    standby: bool = False
    __table_args__ = (
        Index(
            "uq_loading_spool_on_one_feed",
            "spool_id",
            unique=True,
            sqlite_where=text("live AND until_at IS NULL"),
            postgresql_where=text("live AND until_at IS NULL"),
        ),
        Index(
            "uq_loading_feed_in_use",
            "feed_id",
            unique=True,
            sqlite_where=text("live AND until_at IS NULL AND NOT standby"),
            postgresql_where=text("live AND until_at IS NULL AND NOT standby"),
        ),
        Index(
            "uq_loading_feed_standby",
            "feed_id",
            unique=True,
            sqlite_where=text("live AND until_at IS NULL AND standby"),
            postgresql_where=text("live AND until_at IS NULL AND standby"),
        ),
        holds("ends_after_it_begins", "until_at IS NULL OR until_at >= from_at"),
    )


class KeptOn(SQLModel, table=True):
    """A spool that a person keeps on a feed although it does not match the job, and why."""

    __tablename__ = "kept_on"
    id: int = primary_key()
    live: bool = live()
    loading_id: int = link("loading.id")
    job_id: int | None = maybe_link("job.id")
    """None where none was known."""
    answered: str
    """The codes of the faults that were answered, with blanks between: another one asks anew."""
    why: str
    at: datetime = moment()
    __table_args__ = (holds("says_why", "length(why) > 0"),)


class ChangePurge(SQLModel, table=True):
    """Grams that a machine purges when it changes from one item to another; without them, at any change."""

    __tablename__ = "change_purge"
    id: int = primary_key()
    live: bool = live()
    machine_id: int = link("machine.id")
    from_id: int | None = maybe_link("article.id")
    to_id: int | None = maybe_link("article.id")
    mg: int = whole()
    __table_args__ = (holds("is_not_negative", "mg >= 0"), *integers("mg"))


class MotionFile(SQLModel, table=True):
    """A motion file as it was metered: one run of it. The file itself is not kept."""

    __tablename__ = "motion_file"
    id: int = primary_key()
    live: bool = live()
    name: str
    sha256: str = Field(index=True)
    """Of the whole file, a package with all its runs."""
    run: int = 1
    of: int = 1
    g90_governs_e: bool = False
    lines: int = whole()
    layers: int = 0
    seconds: int | None = None
    seconds_from: str | None = None
    course: str
    """The points of its course as JSON: byte, line, layer, and micrometres drawn by tool."""
    notes: str = ""
    __table_args__ = (
        one_of("seconds_from", TimeFrom),
        holds("run_of_several", "run BETWEEN 1 AND of"),
        *integers("lines", "layers", "seconds"),
    )


class MotionTool(SQLModel, table=True):
    """Filament that one tool of a motion file pushes out."""

    __tablename__ = "motion_tool"
    id: int = primary_key()
    live: bool = live()
    motion_file_id: int = link("motion_file.id")
    tool: int
    um: int = whole()
    """Micrometres; negative where it ends further back than it began."""
    __table_args__ = (unique_while_live("motion_tool", "motion_file_id", "tool"), *integers("um"))


class Job(SQLModel, table=True):
    """A print run on one machine."""

    id: int = primary_key()
    live: bool = live()
    serial: int | None = Field(default=None, unique=True)
    """Of its ticket, once one is printed."""
    title: str
    machine_id: int | None = maybe_link("machine.id")
    product_id: int | None = maybe_link("product.id")
    purpose: str = Purpose.SOLD
    state: str = JobState.PLANNED
    outcome: str | None = None
    due_at: datetime | None = maybe_moment()
    planned_at: datetime | None = maybe_moment()
    duration_s: int | None = None
    started_at: datetime | None = maybe_moment()
    ended_at: datetime | None = maybe_moment()
    motion_file_id: int | None = maybe_link("motion_file.id")
    again_of_id: int | None = maybe_link("job.id")
    """The job that this one does again."""
    resumes_id: int | None = maybe_link("job.id")
    """The job that was stopped, and that this one goes on with."""
    assumed: bool = flag()
    """It was taken as done when its planned end had passed; nobody said so."""
    failed_at_ppm: int | None = None
    """The share of the plastic that was drawn when it ended early, in parts per million."""
    failed_from_ppm: int | None = None
    failed_until_ppm: int | None = None
    """Between what shares that lies, where nobody knows it better."""
    outside_id: str | None = None
    """The id under which another program reported it."""
    __table_args__ = (
        Index("ix_job_state", "state"),
        Index("ix_job_ended_at", "ended_at"),
        Index("ix_job_machine_id_ended_at", "machine_id", "ended_at"),
        one_of("purpose", Purpose),
        one_of("state", JobState),
        one_of("outcome", Outcome),
        holds("ended_has_an_outcome", "(state = 'ended') = (outcome IS NOT NULL)"),
        holds("assumed_has_ended", "NOT assumed OR outcome = 'good'"),
        holds("ended_has_a_moment", "state <> 'ended' OR ended_at IS NOT NULL"),
        holds("failed_between", "failed_from_ppm <= failed_at_ppm AND failed_at_ppm <= failed_until_ppm"),
        *integers("duration_s", "failed_at_ppm", "failed_from_ppm", "failed_until_ppm"),
    )


class JobFeed(SQLModel, table=True):
    """Grams of one item that a job needs, and the feed that gives them, once known."""

    __tablename__ = "job_feed"
    id: int = primary_key()
    live: bool = live()
    job_id: int = link("job.id")
    feed_id: int | None = maybe_link("feed.id")
    article_id: int | None = maybe_link("article.id")
    cause: str = Cause.GOOD
    tool: int | None = None
    """Of its motion file."""
    needs_mg: int = Field()
    one_lot: bool = False
    __table_args__ = (one_of("cause", Cause), holds("weighs_something", "needs_mg > 0"), *integers("needs_mg"))


class Stop(SQLModel, table=True):
    """Hours in which a machine stood still for want of a spool."""

    id: int = primary_key()
    live: bool = live()
    machine_id: int = link("machine.id")
    article_id: int | None = maybe_link("article.id")
    job_id: int | None = maybe_link("job.id")
    from_at: datetime = moment()
    until_at: datetime | None = maybe_moment()
    why: str = ""
    by_itself: bool = flag()
    """Seen by the program: a job was due, its machine idle, and no fitting spool there."""
    corrected: bool = flag()
    """A person has said when it was, or that there was none: the program leaves it."""
    __table_args__ = (
        Index(
            "uq_stop_machine_stands",
            "machine_id",
            unique=True,
            sqlite_where=text("live AND until_at IS NULL"),
            postgresql_where=text("live AND until_at IS NULL"),
        ),
    )


class BinWeighing(SQLModel, table=True):
    """What the waste bin held since it was last emptied, beside what the books had as waste of those days."""

    __tablename__ = "bin_weighing"
    id: int = primary_key()
    live: bool = live()
    since_at: datetime = moment()
    weighed_at: datetime = moment()
    held_mg: int = whole()
    booked_mg: int = whole()
    """Waste by the books, before it was reconciled."""
    settled_mg: int = whole()
    """What jobs that failed nobody knows when were charged more, or less, by it."""
    good_mg: int = whole()
    """Drawn for good parts in those days: supports and brims in the bin go with it."""
    __table_args__ = (
        holds("ends_after_it_begins", "weighed_at > since_at"),
        holds("is_not_negative", "held_mg >= 0 AND booked_mg >= 0 AND good_mg >= 0"),
        *integers("held_mg", "booked_mg", "settled_mg", "good_mg"),
    )
