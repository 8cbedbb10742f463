"""What there is to keep and to make: materials, colours, articles, makes, products, places and reels.

Services read and write them. They must not know stock or time.
"""

from sqlalchemy import UniqueConstraint
from sqlmodel import Field, SQLModel

from spoolkeep.domain.words import Finish, PlaceKind
from spoolkeep.store.columns import (
    flag,
    holds,
    integers,
    link,
    live,
    maybe_link,
    maybe_whole,
    one_of,
    primary_key,
    unique_while_live,
    unique_while_used,
    whole,
)


class Site(SQLModel, table=True):
    """A building with its own shelves and machines."""

    id: int = primary_key()
    name: str = Field(unique=True)
    address: str = ""


class Place(SQLModel, table=True):
    """A shelf, drawer or dry box with a label."""

    id: int = primary_key()
    live: bool = live()
    serial: int = Field(unique=True)
    name: str
    kind: str = PlaceKind.SHELF
    site_id: int = link("site.id")
    height_mm: int | None = None
    ready_hours: int | None = None
    """Of a dryer: the hours that a spool stays in it at least. A place without them is none."""
    retired: bool = flag()
    __table_args__ = (unique_while_used("place", "site_id", "name"), one_of("kind", PlaceKind))


class Material(SQLModel, table=True):
    """A polymer family with its density and care notes."""

    id: int = primary_key()
    live: bool = live()
    code: str = Field(unique=True)
    name: str
    density_mg_per_cm3: int
    dry_celsius: int | None = None
    dry_hours: int | None = None
    out_hours: int | None = None
    """Hours that it may stay out of the dry store; none where it does not matter."""
    care: str = ""
    asks_enclosed: bool = flag()
    """It warps in a draught: a closed-in machine prints it."""
    asks_hardened: bool = flag()
    """It wears a brass nozzle down."""
    __table_args__ = (
        holds("density_is_plastic", "density_mg_per_cm3 BETWEEN 500 AND 10000"),
        *integers("density_mg_per_cm3"),
    )


class Colour(SQLModel, table=True):
    """A named colour with its finish; its sRGB values stand in their own table, one or more."""

    id: int = primary_key()
    name: str
    finish: str = Finish.SATIN
    __table_args__ = (UniqueConstraint("name", "finish"), one_of("finish", Finish))


class ColourValue(SQLModel, table=True):
    """One sRGB value of a colour, in order."""

    __tablename__ = "colour_value"
    colour_id: int = Field(primary_key=True, foreign_key="colour.id")
    position: int = Field(primary_key=True)
    srgb: str
    __table_args__ = (holds("srgb_is_hex", "length(srgb) = 7 AND substr(srgb, 1, 1) = '#'"),)


class Article(SQLModel, table=True):
    """What is reordered: material, colour and diameter."""

    id: int = primary_key()
    live: bool = live()
    material_id: int = link("material.id")
    colour_id: int = link("colour.id")
    diameter_um: int = 1750
    density_mg_per_cm3: int | None = None
    usual_job_mg: int | None = maybe_whole()
    split_by_make: bool = False
    retired: bool = False
    risk_ppm: int | None = None
    """The chance, accepted, that it runs out before an order comes, where it is not left to what a stop costs."""
    srgb: str | None = None
    """Its own sRGB values with blanks between, where they are not its colour's."""
    now_id: int | None = maybe_link("article.id")
    """The item that it was merged into: whatever still names this one means that one. Then this one is retired."""
    __table_args__ = (
        unique_while_used("article", "material_id", "colour_id", "diameter_um"),
        holds("diameter_is_a_feed", "diameter_um BETWEEN 1000 AND 5000"),
        *integers("diameter_um", "density_mg_per_cm3"),
    )


class Reel(SQLModel, table=True):
    """A carrier and its empty weight. A refill takes over its reel's tare."""

    id: int = primary_key()
    live: bool = live()
    name: str = ""
    tare_mg: int | None = maybe_whole()
    outer_mm: int | None = None
    inner_mm: int | None = None
    width_mm: int | None = None
    cardboard: bool = False
    reusable: bool = False
    __table_args__ = (holds("tare_is_not_negative", "tare_mg >= 0"), *integers("tare_mg"))


class Make(SQLModel, table=True):
    """One maker's version of an article: its true shade, density and reel."""

    id: int = primary_key()
    live: bool = live()
    article_id: int = link("article.id")
    maker: str
    srgb: str | None = None
    density_mg_per_cm3: int | None = None
    reel_id: int | None = maybe_link("reel.id")
    __table_args__ = (unique_while_live("make", "article_id", "maker"),)


class Substitute(SQLModel, table=True):
    """Another article that the owner accepts in place of the first."""

    id: int = primary_key()
    live: bool = live()
    article_id: int = link("article.id")
    instead_id: int = link("article.id")
    __table_args__ = (
        unique_while_live("substitute", "article_id", "instead_id"),
        holds("is_another", "article_id <> instead_id"),
    )


class Product(SQLModel, table=True):
    """What is sold."""

    id: int = primary_key()
    live: bool = live()
    name: str
    price_minor: int | None = maybe_whole()
    retired: bool = False
    __table_args__ = (unique_while_used("product", "name"),)


class ProductPart(SQLModel, table=True):
    """Grams of one article in one product; `make_id` where only one make will do."""

    __tablename__ = "product_part"
    id: int = primary_key()
    live: bool = live()
    product_id: int = link("product.id")
    article_id: int = link("article.id")
    make_id: int | None = maybe_link("make.id")
    mg: int = whole()
    __table_args__ = (holds("weighs_something", "mg > 0"), *integers("mg"))


class FormerName(SQLModel, table=True):
    """What an item, place, machine, product or supplier was called before: a sheet or a search may still say it."""

    __tablename__ = "former_name"
    id: int = primary_key()
    live: bool = live()
    name: str
    """Of an item, the name of its colour."""
    article_id: int | None = maybe_link("article.id")
    material_id: int | None = maybe_link("material.id")
    finish: str | None = None
    diameter_um: int | None = None
    place_id: int | None = maybe_link("place.id")
    machine_id: int | None = maybe_link("machine.id")
    product_id: int | None = maybe_link("product.id")
    supplier_id: int | None = maybe_link("supplier.id")
    __table_args__ = (
        one_of("finish", Finish),
        holds("item_is_whole", "(article_id IS NULL) = (material_id IS NULL OR finish IS NULL OR diameter_um IS NULL)"),
        *integers("diameter_um"),
    )
