"""Imports: the sheets that a workshop keeps, previewed and booked, each row once.

The web and the command line call `preview` and `import_sheet`; `SHEETS` says which sheets and columns there are.
"""

from spoolkeep.services.imports.cells import Column
from spoolkeep.services.imports.engine import (
    COLUMNS,
    SHEETS,
    ImportReport,
    SheetKind,
    VanishedRow,
    import_sheet,
    preview,
    sheet_kind,
)

__all__ = [
    "COLUMNS",
    "SHEETS",
    "Column",
    "ImportReport",
    "SheetKind",
    "VanishedRow",
    "import_sheet",
    "preview",
    "sheet_kind",
]
