"""The Notices page: who gets them and what, the mail server, a trial; and what a page never shows."""

import re
from html import unescape
from pathlib import Path

from flask.testing import FlaskClient

from spoolkeep.domain.notices import hook_key
from spoolkeep.services.notices import digest
from spoolkeep.services.notices.sending import Teller
from spoolkeep.store.tables import Notice, Workshop
from spoolkeep.web.app import create_app, template_folder
from tests.services import postbox
from tests.web.conftest import Browser
from tests.workshop import TestWorkshop

ADA = {
    "do": "add",
    "name": "Ada",
    "way": "mail",
    "address": "ada@example.org",
    "digest": "every day",
    "digest_hour": "7",
}
HOOK = {**ADA, "name": "Door lamp", "way": "webhook", "address": "https://hooks.example/tulip-bulb", "about": "stops"}
SERVER = {
    "do": "server",
    "key": "server-1",
    "mail_host": "localhost",
    "mail_port": "2525",
    "mail_safety": "plain",
    "mail_user": "",
    "mail_from": "workshop@example.org",
    "public_address": "",
}


def send(client: FlaskClient, form: dict[str, str], **more: str) -> str:
    """Send a form; give the page after it."""
    answer = client.post("/setup/notices", data={"key": "form-1", **form, **more}, follow_redirects=True)
    assert answer.status_code == 200, answer.text
    return unescape(answer.text)


def test_an_addressee_is_added_changed_paused_and_removed(client: FlaskClient) -> None:
    assert "Nobody gets notices yet, and nothing is sent." in unescape(client.get("/setup/notices").text)
    assert "ada@example.org" in send(client, ADA)
    twice = client.post("/setup/notices", data={"key": "form-1", **ADA})
    assert (twice.status_code, "go to that address already" in twice.text) == (409, True)
    page = send(client, ADA, do="alter", addressee="1", address="", digest_hour="6", name="Ada O", about="late")
    assert "every day, 06:00" in page
    assert "ada@example.org" in page, "its address stays"
    assert "late deliveries" in page
    assert "paused" in send(client, {"do": "pause", "addressee": "1"})
    assert "Send a trial: Ada O" not in client.get("/setup/notices").text
    send(client, {"do": "resume", "addressee": "1"})
    assert "Send a trial: Ada O" in client.get("/setup/notices").text
    assert "Ada" not in send(client, {"do": "remove", "addressee": "1"})


def test_of_a_webhook_its_key_is_shown_once_and_its_path_never_again(client: FlaskClient) -> None:
    page = send(client, HOOK)
    key = hook_key(b"a secret for tests", 1)
    assert key in page
    assert "tulip" not in page
    after = client.get("/setup/notices").text
    assert "hooks.example" in after
    assert key not in after
    assert "tulip" not in after


def test_what_was_typed_stays_where_it_is_refused(client: FlaskClient) -> None:
    answer = client.post("/setup/notices", data={"key": "k", **ADA, "address": "ada at home"})
    assert answer.status_code == 422
    assert 'value="ada at home"' in answer.text
    for form in (
        {"do": "nothing"},
        {**SERVER, "mail_user": "shop"},
        {**ADA, "digest": "hourly"},
        {**ADA, "digest_hour": "24"},
    ):
        assert client.post("/setup/notices", data={"key": "k", **form}).status_code == 422, form
    assert client.post("/setup/notices", data={"key": "k", "do": "pause", "addressee": "99"}).status_code == 404


def test_a_trial_is_sent_once_however_often_its_form_comes_and_its_outcome_is_told(
    client: FlaskClient, shop: TestWorkshop, tmp_path: Path
) -> None:
    teller = Teller(shop.store, folder=tmp_path, secret=b"s", clock=lambda: shop.now)
    send(client, ADA)
    with postbox.mail_server() as post:
        send(client, SERVER, mail_port=str(post.port))
        for _ in range(2):
            page = send(client, {"do": "trial", "addressee": "1"}, key="trial-1")
        assert "A trial is on its way" in page
        assert teller.round(look=False) == 1
        teller.wait(20)
        assert [str(one["Subject"]) for one in post.taken] == ["A trial: notices come this way"]
        assert "Notices to Ada come this way." in post.taken[0].get_content()
        assert ">sent</span>" in client.get("/setup/notices").text
        post.answers["RCPT"] = "550 nobody here"
        send(client, {"do": "trial", "addressee": "1"}, key="trial-2")
        teller.round(look=False)
        teller.wait(20)
    page = unescape(client.get("/setup/notices").text)
    assert "The mail server takes no mail for this address (550). Look at the addressee's address." in page
    assert teller.round(look=False) == 0, "a trial is tried once"


def test_the_mail_server_is_an_act_that_can_be_undone_and_its_password_is_no_part_of_it(client: FlaskClient) -> None:
    send(client, SERVER)
    page = client.get("/setup/notices").text
    assert 'value="localhost"' in page
    assert 'type="password"' not in page
    undo = re.search(r'action="(/setup/acts/\d+/undo)"', client.get("/setup/acts").text)
    assert undo
    assert client.post(undo[1], data={"key": "undo-1"}).status_code == 302
    assert "None is entered yet" in client.get("/setup/notices").text
    assert not [name for name in Workshop.model_fields if "password" in name]


def test_today_says_that_notices_do_not_arrive_and_only_an_owner_is_led_there(
    browser: Browser, shop: TestWorkshop
) -> None:
    owner = browser("owner")
    send(owner, ADA)
    with shop.store.write() as session:
        session.add(
            Notice(
                addressee_id=1,
                kind="warning",
                key="warning:1",
                mark="1",
                made_at=shop.now,
                given_up_at=shop.now,
                last_error="Nothing answers.",
            )
        )
    assert "Notices to Ada do not arrive" in owner.get("/").text
    assert 'href="/setup/notices"' in owner.get("/").text
    assert "Notices to Ada do not arrive" in browser("operator").get("/").text
    assert 'href="/setup/notices"' not in browser("operator").get("/").text


def test_every_page_that_a_notice_links_to_is_there(shop: TestWorkshop) -> None:
    """The services know no routes; this holds their paths beside the app's own."""
    app = create_app(shop.store, secret=b"only for its map")
    paths = {way.path for way in digest._WAYS.values()} | {"/jobs/stops/1", "/tonight", "/orders/1", "/orders"}  # noqa: SLF001 - it is not for others
    templates = "".join(one.read_text(encoding="utf-8") for one in template_folder().glob("*.html"))
    for path in paths:
        bare = path.partition("#")[0]
        assert app.url_map.bind("").match(bare, method="GET"), path
        named = path.partition("#")[2]
        assert not named or f'id="{named}"' in templates, path
    assert set(digest._WAYS) == set(digest._MANY) | {"takings_until"}  # noqa: SLF001 - as above
