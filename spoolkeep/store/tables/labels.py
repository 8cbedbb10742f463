"""Label stocks as they lie in this workshop's printers, and walks along the shelves that count what is there.

Services read and write them. They must not know grams.
"""

from datetime import datetime

from sqlalchemy import UniqueConstraint
from sqlmodel import Field, SQLModel

from spoolkeep.domain.words import StockKind, Surface
from spoolkeep.store.columns import holds, link, live, maybe_moment, moment, one_of, primary_key, unique_while_live


class LabelStock(SQLModel, table=True):
    """A label stock of the workshop's own, or a shipped one as it lies in its printer. Lengths in micrometres."""

    __tablename__ = "label_stock"
    id: int = primary_key()
    live: bool = live()
    name: str
    kind: str
    surface: str
    dpi: int
    page_width_um: int
    page_height_um: int
    label_width_um: int
    label_height_um: int
    left_um: int
    top_um: int
    pitch_x_um: int
    pitch_y_um: int
    columns: int
    rows: int
    inset_x_um: int
    inset_y_um: int
    nudge_x_um: int
    nudge_y_um: int
    __table_args__ = (
        unique_while_live("label_stock", "name"),
        one_of("kind", StockKind),
        one_of("surface", Surface),
        holds("has_a_size", "label_width_um > 0 AND label_height_um > 0 AND columns >= 1 AND rows >= 1"),
    )


class Walk(SQLModel, table=True):
    """One walk along the shelves, from its first scan until a person settles it."""

    id: int = primary_key()
    live: bool = live()
    began_at: datetime = moment()
    settled_at: datetime | None = maybe_moment()


class WalkedPlace(SQLModel, table=True):
    """A place that a walk has come to."""

    __tablename__ = "walked_place"
    id: int = primary_key()
    walk_id: int = link("walk.id")
    place_id: int = link("place.id", index=False)
    at: datetime = moment()
    __table_args__ = (UniqueConstraint("walk_id", "place_id"),)


class Sighting(SQLModel, table=True):
    """A spool that a walk has seen, and where; seen twice, where it was seen last."""

    id: int = primary_key()
    walk_id: int = link("walk.id")
    spool_id: int = link("spool.id", index=False)
    place_id: int = link("place.id", index=False)
    at: datetime = moment()
    __table_args__ = (UniqueConstraint("walk_id", "spool_id"),)


class Walker(SQLModel, table=True):
    """Where a station is on a walk: spools that it scans are at this place."""

    station_id: int = Field(primary_key=True, foreign_key="station.id")
    walk_id: int = link("walk.id", index=False)
    place_id: int = link("place.id", index=False)
