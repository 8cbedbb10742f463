"""The start page: what needs a person today, each with its one act.

The app factory registers it.
"""

from datetime import timedelta

from flask import Blueprint, render_template

from spoolkeep.services import keeping, today
from spoolkeep.services.shop import load_shop
from spoolkeep.web import doors, lock

pages = Blueprint("today", __name__)


@pages.get("/")
def page() -> str:
    """Show what needs a person, worst first."""
    with doors.reading() as session:
        shop = load_shop(session)
        clock = shop.clock
        needed = today.needed(session=session, now=doors.now(), wall=doors.wall())
        is_copied = lock.reach().guest_id is None  # the demo is not, since it can be built again
        backups = keeping.standing(session, doors.database_file(), now=doors.now()) if is_copied else None
    return render_template(
        "today.html",
        needed=needed,
        backups=backups,
        opening=clock.local(needed.opening),
        local=clock.local,
        yesterday=shop.today(doors.now()) - timedelta(days=1),
    )
