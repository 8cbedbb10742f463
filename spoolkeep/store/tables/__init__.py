"""Every table, so that the metadata is whole once this is imported.

The store and the services read and write them. The web must not.
"""

from spoolkeep.store.tables.access import AtStation, KnownDevice, OneTimeLink, Person, Visit
from spoolkeep.store.tables.catalogue import (
    Article,
    Colour,
    ColourValue,
    Make,
    Material,
    Place,
    Product,
    ProductPart,
    Reel,
    Site,
    Substitute,
)
from spoolkeep.store.tables.labels import LabelStock, Sighting, Walk, WalkedPlace, Walker
from spoolkeep.store.tables.machines import Feed, Job, JobFeed, Loading, Machine, Stop
from spoolkeep.store.tables.money import Channel, ImportRow, TakingsDay, TakingsLine, Workshop
from spoolkeep.store.tables.people import Act, Actor, Answer, Change, HalfScan, SerialCounter, Station, Token
from spoolkeep.store.tables.stock import Balance, DayTotal, Line, Movement, SetAside, Spool
from spoolkeep.store.tables.trade import (
    CalendarDay,
    Delivery,
    Foresight,
    Offer,
    Order,
    OrderLine,
    OrderPromise,
    PriceBreak,
    Supplier,
)

__all__ = [
    "Act",
    "Actor",
    "Answer",
    "Article",
    "AtStation",
    "Balance",
    "CalendarDay",
    "Change",
    "Channel",
    "Colour",
    "ColourValue",
    "DayTotal",
    "Delivery",
    "Feed",
    "Foresight",
    "HalfScan",
    "ImportRow",
    "Job",
    "JobFeed",
    "KnownDevice",
    "LabelStock",
    "Line",
    "Loading",
    "Machine",
    "Make",
    "Material",
    "Movement",
    "Offer",
    "OneTimeLink",
    "Order",
    "OrderLine",
    "OrderPromise",
    "Person",
    "Place",
    "PriceBreak",
    "Product",
    "ProductPart",
    "Reel",
    "SerialCounter",
    "SetAside",
    "Sighting",
    "Site",
    "Spool",
    "Station",
    "Stop",
    "Substitute",
    "Supplier",
    "TakingsDay",
    "TakingsLine",
    "Token",
    "Visit",
    "Walk",
    "WalkedPlace",
    "Walker",
    "Workshop",
]
