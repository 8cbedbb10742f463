"""Which columns the files have that pages give: every table of every page, in one place.

The app factory registers it.
"""

from flask import Blueprint, render_template

from spoolkeep.web import tables_jobs, tables_money, tables_setup, tables_stock, tables_trade
from spoolkeep.web.tables import AnyRecords, Records

pages = Blueprint("columns", __name__, url_prefix="/setup/columns")
ALL: tuple[AnyRecords, ...] = tuple(
    told
    for module in (tables_stock, tables_jobs, tables_trade, tables_money, tables_setup)
    for told in vars(module).values()
    if isinstance(told, Records)
)


@pages.get("")
def page() -> str:
    """Show what each file's columns say."""
    return render_template("columns.html", tables=sorted(ALL, key=lambda one: one.words))
