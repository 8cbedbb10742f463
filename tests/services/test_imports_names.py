"""Names are one whatever their case, blanks and accents' encoding: typed on a page or read from a sheet."""

from collections.abc import Callable
from datetime import datetime
from unicodedata import normalize

import pytest
from sqlalchemy import func, select
from sqlmodel import col

from spoolkeep.domain.errors import Conflict
from spoolkeep.domain.words import Finish, PlaceKind
from spoolkeep.services import catalogue
from spoolkeep.services.imports import ImportReport, import_sheet
from spoolkeep.store.acts import By
from spoolkeep.store.engine import Store
from spoolkeep.store.tables import Article, Colour, Machine, Spool

Give = Callable[..., ImportReport]

EMERALD = "Émeraude"


@pytest.fixture
def give(store: Store, now: datetime, by: Callable[[], By]) -> Give:
    """Give what imports a sheet's text with a new key."""

    def import_it(sheet: str, text: str) -> ImportReport:
        with store.write() as session:
            return import_sheet(session=session, now=now, by=by(), sheet=sheet, source="a.csv", data=text.encode())

    return import_it


@pytest.fixture
def add_item(store: Store, now: datetime, by: Callable[[], By]) -> Callable[..., None]:
    """Give what adds an item as the Setup page does."""

    def add(material: str, colour: str, *srgb: str) -> None:
        with store.write() as session:
            catalogue.add_article(
                session=session,
                now=now,
                by=by(),
                material=material,
                colour=colour,
                finish=Finish.SATIN,
                srgb=srgb,
            )

    return add


def count(store: Store, model: type[Article | Colour | Machine | Spool]) -> int:
    with store.read() as session:
        return session.scalars(select(func.count(col(model.id)))).one()


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ("Larch", "larch"),
        ("Larch  2", " LARCH 2"),
        ("Éléonore", "éléonore"),
        # one letter with its accent, or a letter and an accent after it: Unicode Standard, section 3.11
        ("Zoé", normalize("NFD", "zoé")),
        # ß folds to ss: Unicode Character Database, CaseFolding.txt, status F
        ("Weiß", "WEISS"),
    ],
)
def test_a_name_in_another_case_is_taken(
    store: Store, now: datetime, by: Callable[[], By], first: str, second: str
) -> None:
    with store.write() as session:
        catalogue.add_machine(session=session, now=now, by=by(), name=first, feeds=1)
        catalogue.add_place(session=session, now=now, by=by(), name=first, kind=PlaceKind.SHELF)
        catalogue.add_supplier(session=session, now=now, by=by(), entry=catalogue.SupplierEntry(name=first))
    taken = " ".join(first.split())
    with store.write() as session, pytest.raises(Conflict, match=f"machine named “{taken}” already"):
        catalogue.add_machine(session=session, now=now, by=by(), name=second, feeds=1)
    with store.write() as session, pytest.raises(Conflict, match="place named"):
        catalogue.add_place(session=session, now=now, by=by(), name=second, kind=PlaceKind.SHELF)
    with store.write() as session, pytest.raises(Conflict, match="supplier named"):
        catalogue.add_supplier(session=session, now=now, by=by(), entry=catalogue.SupplierEntry(name=second))


def test_a_sheet_and_a_page_agree_on_which_names_are_taken(
    store: Store, give: Give, now: datetime, by: Callable[[], By]
) -> None:
    with store.write() as session:
        catalogue.add_machine(session=session, now=now, by=by(), name="Éléonore", feeds=1)
    (problem,) = give("machines", f"name\n{normalize('NFD', 'ÉLÉONORE')}\n").problems
    assert (problem.line, problem.column, problem.code) == (2, "name", "name_is_taken")
    assert count(store, Machine) == 1


@pytest.mark.parametrize("written", ["émeraude", "ÉMERAUDE", normalize("NFD", "Émeraude")])
def test_a_colour_in_another_case_is_the_same_colour(
    store: Store, give: Give, add_item: Callable[..., None], written: str
) -> None:
    add_item("PLA", EMERALD, "#1b7a4b")
    assert give("articles", f"material,colour\nPETG,{written}\n").problems == ()
    assert give("spools", f"material,colour,left_g\npla,{written},1000\n").problems == ()
    assert (count(store, Colour), count(store, Article), count(store, Spool)) == (1, 2, 1)


def test_an_item_in_another_case_is_there_already(store: Store, add_item: Callable[..., None]) -> None:
    add_item("PLA", EMERALD, "#1b7a4b")
    with pytest.raises(Conflict, match="there already"):
        add_item("pla", "émeraude")
    with pytest.raises(Conflict, match="there already"):
        add_item("PLA", " ÉMERAUDE ", "#1b7a4b")
    assert count(store, Article) == 1


def test_a_colour_with_more_blanks_is_the_same_colour(store: Store, give: Give, add_item: Callable[..., None]) -> None:
    add_item("PLA", "Sea  glass", "#9fd6c2")
    assert give("articles", "material,colour\nPETG,sea glass\n").problems == ()
    assert count(store, Colour) == 1


def test_a_sign_that_stands_for_any_letter_elsewhere_is_a_letter_in_a_name(
    store: Store, add_item: Callable[..., None]
) -> None:
    add_item("PLA", "Grey 50%", "#808080")
    add_item("PLA", "Grey 50_", "#7f7f7f")
    assert count(store, Colour) == 2
