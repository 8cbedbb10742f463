"""What the tests of the door do as a browser does it: sign in, follow links, read cookies and forms.

The tests of this folder use it. It must not know how the door answers.
"""

import re
from dataclasses import dataclass, field
from html.parser import HTMLParser

from flask import Flask
from flask.testing import FlaskClient
from sqlalchemy import func, select
from sqlmodel import col
from werkzeug.test import TestResponse

from spoolkeep.domain.words import LinkKind, VisitKind
from spoolkeep.services import links
from spoolkeep.store.tables import Act, Person, Spool, Visit
from tests.web.conftest import HOST, PASSWORD
from tests.workshop import TestWorkshop

OTHER = "seven cold plums on a bicycle"
DELIVERY = {
    "key": "typed-1",
    "article": "1",
    "spools": "3",
    "spool_grams": "1000",
    "price": "18.50",
    "freight": "4.90",
    "lot": 'L-7 "<b>" \u00e9',
    "tare": "",
}


def sign_in(client: FlaskClient, password: str = PASSWORD, name: str = "Ada", **more: str) -> TestResponse:
    """Give what the sign-in answers to a name and a password."""
    return client.post("/sign-in", data={"name": name, "password": password, **more})


def link(shop: TestWorkshop, kind: LinkKind, actor_id: int | None = None, label: str = "") -> str:
    """Give the secret of a new link that holds for ten minutes."""
    lasts = links.AT_HAND_LASTS
    return shop.do(
        lambda s: links.make(session=s, now=shop.now, kind=kind, lasts=lasts, actor_id=actor_id, label=label)
    )


def cookie(client: FlaskClient, name: str) -> str:
    """Give what a browser keeps under a name, or nothing."""
    found = client.get_cookie(name)
    return found.value if found else ""


def set_by(answer: TestResponse, name: str) -> str:
    """Give the whole header with which an answer sets a cookie, or nothing."""
    return next((one for one in answer.headers.getlist("Set-Cookie") if one.startswith(f"{name}=")), "")


def another(app: Flask) -> FlaskClient:
    """Give a further browser, in which nobody is signed in."""
    client = app.test_client()
    client.environ_base["HTTP_ORIGIN"] = HOST
    return client


def count(shop: TestWorkshop, model: type[Spool] | type[Act] | type[Person]) -> int:
    """Give how many there are."""
    with shop.store.read() as session:
        return session.scalars(select(func.count()).select_from(model)).one()


def tried(shop: TestWorkshop) -> int:
    """Give how many guesses count."""
    with shop.store.read() as session:
        return session.scalars(select(func.count()).where(col(Visit.kind) == VisitKind.TRIED)).one()


@dataclass
class Form:
    """A form of a page with what its fields hold."""

    action: str
    fields: list[tuple[str, str]] = field(default_factory=list)


class Forms(HTMLParser):
    """The forms of a page, in their order."""

    def __init__(self, answer: TestResponse) -> None:
        super().__init__()
        self.found: list[Form] = []
        self.feed(answer.text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Take up a form, or a field of the last one."""
        given = {name: value or "" for name, value in attrs}
        if tag == "form":
            self.found.append(Form(given.get("action", "")))
        elif tag == "input" and self.found and "name" in given:
            self.found[-1].fields.append((given["name"], given.get("value", "")))


def form_of(answer: TestResponse, action: str) -> dict[str, str]:
    """Give the fields of the form that goes to an address."""
    return dict(next(form.fields for form in Forms(answer).found if form.action == action))


def shown(answer: TestResponse) -> str:
    """Give the secret of the link that an answer shows."""
    assert answer.status_code == 200
    found = re.search(r"/join#(\w{26})", answer.text)
    assert found is not None
    return found[1]


def number_of(page: TestResponse, label: str) -> str:
    """Give the number that the form beside a label would revoke."""
    row = page.text.split(f'<th scope="row">{label}')[1].split("</tr>")[0]
    found = re.search(r'name="token" value="(\d+)"', row)
    assert found is not None
    return found[1]
