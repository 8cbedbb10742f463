"""Reading the forms of a job: its grams feed by feed, what its changes of plastic purge, and how long it takes.

The Jobs page uses it.
"""

from dataclasses import replace

from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.words import Cause
from spoolkeep.services import joblist, machines
from spoolkeep.services.jobs import FeedGrams
from spoolkeep.store.engine import Session
from spoolkeep.web import forms

MOST_CHANGES, MOST_HOURS = 10_000, 1000


def machine(session: Session, job_id: int) -> int | None:
    """Give the number of a job's machine: its own, else the one on the form."""
    return joblist.machine_of(session=session, job_id=job_id) or forms.maybe_whole("machine", "Machine")


def grams(session: Session, machine_id: int | None, *, none: bool) -> tuple[FeedGrams, ...]:
    """Give the grams of each feed whose field is filled. Errors: BadInput where none is, unless `none` may be."""
    if machine_id is None and not none:
        raise BadInput("no_machine", "Say which machine prints it.")
    feeds = joblist.feeds_of(session=session, machine_id=machine_id) if machine_id else []
    found = []
    for feed in feeds:
        mg = forms.maybe_grams(f"feed-{feed.feed_id}", f"Feed {feed.position}")
        if mg:
            found.append(FeedGrams(mg=mg, feed_id=feed.feed_id))
    if not found and not none:
        raise BadInput("nothing_drawn", "Enter the grams of at least one feed.")
    return tuple(found)


def planned(session: Session, machine_id: int) -> tuple[FeedGrams, ...]:
    """Give the grams that a job will need: of what is on its feeds now, and what its changes of plastic purge."""
    asked = grams(session, machine_id, none=False)
    feeds = {one.feed_id: one for one in joblist.feeds_of(session=session, machine_id=machine_id)}
    items = [feeds[one.feed_id].item for one in asked if one.feed_id]
    meant = [replace(one, article_id=item.article_id if item else None) for one, item in zip(asked, items, strict=True)]
    changes = forms.maybe_whole("changes", "Changes of plastic") or 0
    if not 0 <= changes <= MOST_CHANGES:
        raise BadInput("no_such_changes", f"Changes of plastic: enter 0 to {MOST_CHANGES}.")
    purges = machines.purge_of(session, machine_id, [item for item in items if item], changes)
    purged = [
        FeedGrams(purges[article_id], one.feed_id, article_id, cause=Cause.PURGE)
        for article_id, one in {one.article_id: one for one in reversed(meant)}.items()
        if article_id and purges.get(article_id)
    ]
    return (*meant, *purged)


def lasts_s() -> int | None:
    """Give how long a job takes, as it was entered in hours. Errors: BadInput."""
    if not forms.text("hours"):
        return None
    hours = forms.decimal("hours", "It takes")
    if not 0 < hours <= MOST_HOURS:
        raise BadInput("no_such_time", f"It takes: enter more than 0 and at most {MOST_HOURS} hours.")
    return round(hours * 3600)
