"""Which columns the lists of Setup have: feeds, places, items, suppliers, and products that are sold.

Setup offers them.
"""

from spoolkeep.services.choices import Labelled, ProductView, SupplierView
from spoolkeep.services.finding import Item
from spoolkeep.web.tables import Column, Records
from spoolkeep.web.tables_stock import about_item

FEEDS: Records[Labelled] = Records(
    "feeds",
    "Machines and their feeds",
    "setup.page",
    (
        Column("feed", "the machine, and which of its feeds", lambda row: row.name),
        Column("code", "the code on its label", lambda row: row.code),
    ),
)

PLACES: Records[Labelled] = Records(
    "places",
    "Places",
    "setup.page",
    (
        Column("place", "its name", lambda row: row.name),
        Column("kind", "shelf, drawer and the like; of a dryer its hours", lambda row: row.kind),
        Column("code", "the code on its label", lambda row: row.code),
    ),
)


def _itself(row: Item) -> Item | None:
    return row


ITEMS: Records[Item] = Records(
    "items",
    "Items in use",
    "setup.page",
    (
        *about_item(_itself),
        Column("shades", "its shades in sRGB, several where it has several", lambda row: " ".join(row.srgb)),
    ),
)

SUPPLIERS: Records[SupplierView] = Records(
    "suppliers",
    "Suppliers",
    "setup.page",
    (
        Column("supplier", "its name", lambda row: row.name),
        Column("address", "as it stands on the order's sheet", lambda row: row.address),
        Column(
            "lead_days", "what a delivery takes, as it was said; empty: as in the settings", lambda row: row.lead_days
        ),
        Column("currency", "its own; empty: the workshop's", lambda row: row.currency),
        Column("parcel_minor", "what sending an order costs, in that currency", lambda row: row.parcel_minor),
        Column("free_from_minor", "the worth of an order from which it is free", lambda row: row.free_freight_minor),
    ),
)

SOLD: Records[ProductView] = Records(
    "sold",
    "Products that are sold",
    "setup.page",
    (
        Column("product", "its name", lambda row: row.name),
        Column("price_minor", "of one piece", lambda row: row.price_minor),
        Column(
            "plastic_mg",
            "milligrams of each item in one piece",
            lambda row: "; ".join(f"{mg} {item.name}" for item, mg in row.parts),
        ),
    ),
)
