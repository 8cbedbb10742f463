"""The rows that every database begins with: the workshop, its one site, the first actor and the usual materials.

`store.upgrade` sows them once. It knows no use case.
"""

from datetime import datetime

from sqlalchemy.orm import Session

from spoolkeep.store.tables import Actor, Material, Site, Workshop

FIRST_ACTOR = 1

MATERIALS = (
    ("PLA", "Polylactic acid", 1240, 45, 6, None),
    ("PETG", "Glycol-modified polyester", 1270, 65, 6, None),
    ("ABS", "Acrylonitrile butadiene styrene", 1040, 80, 4, None),
    ("ASA", "Acrylonitrile styrene acrylate", 1070, 80, 4, None),
    ("TPU", "Thermoplastic polyurethane", 1210, 55, 8, 48),
    ("PA", "Polyamide", 1140, 80, 12, 12),
    ("PC", "Polycarbonate", 1200, 90, 8, 48),
)
"""Code, name, density in mg/cm3, drying degrees and hours, hours out of the dry store.

Source: from memory, mid-range values for unfilled plastics; a maker's own sheet comes first and overrides them.
"""

_WARPING = frozenset({"ABS", "ASA", "PA", "PC"})
"""They warp in a draught. Source: common practice, no source."""


def sow(session: Session, *, now: datetime) -> None:
    """Add the first rows to a new database; an old one is left as it is."""
    if session.get(Workshop, 1):
        return
    session.add_all([Workshop(id=1), Site(name="Workshop"), Actor(name="Workshop", kind="person", made_at=now)])
    for code, name, density, celsius, hours, out in MATERIALS:
        session.add(
            Material(
                code=code,
                name=name,
                density_mg_per_cm3=density,
                dry_celsius=celsius,
                dry_hours=hours,
                out_hours=out,
                asks_enclosed=code in _WARPING,
                care="Follow the maker's sheet; it overrides the values here.",
            )
        )
    session.flush()
