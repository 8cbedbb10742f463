"""A one-time link lets one in, once and soon, and another like it ends the one before."""

from datetime import datetime, timedelta

import pytest
from sqlalchemy import select
from sqlmodel import col

from spoolkeep.domain.errors import NotSignedIn
from spoolkeep.domain.words import LinkKind, Role
from spoolkeep.services import links, people, signing, stations, tokens
from spoolkeep.services.links import AT_HAND_LASTS, FIRST_LASTS, SENT_LASTS, OpenLink
from spoolkeep.services.signing import LetIn
from spoolkeep.store.engine import Store
from spoolkeep.store.tables import OneTimeLink
from tests.workshop import somebody

SECOND = timedelta(seconds=1)


@pytest.fixture
def ada(store: Store, now: datetime) -> int:
    return somebody(store, now, "Ada")


def _make(
    store: Store,
    at: datetime,
    kind: LinkKind = LinkKind.PERSON,
    *,
    lasts: timedelta = AT_HAND_LASTS,
    actor_id: int | None = None,
    label: str = "",
) -> str:
    with store.write() as session:
        return links.make(session=session, now=at, kind=kind, lasts=lasts, actor_id=actor_id, by_id=1, label=label)


def _look(store: Store, at: datetime, secret: str) -> OpenLink | None:
    with store.read() as session:
        try:
            return links.look(session=session, now=at, secret=secret)
        except NotSignedIn:
            return None


def _use(store: Store, at: datetime, secret: str) -> OpenLink:
    with store.write() as session:
        return links.use(session=session, now=at, secret=secret, address="192.0.2.10")


def _come_in(store: Store, at: datetime, secret: str, *, name: str = "", kept: str | None = None) -> LetIn:
    with store.write() as session:
        link = links.use(session=session, now=at, secret=secret, address="192.0.2.10")
        return signing.come_in(
            session=session, now=at, link=link, name=name, password_hash=kept, device_secret="", label="phone"
        )


def _asks(store: Store, at: datetime, secret: str) -> tokens.Caller | None:
    with store.read() as session:
        return tokens.caller_of(session=session, now=at, secret=secret, kinds=("browser",))


def test_a_link_holds_no_longer_than_told() -> None:
    """Source: OWASP ASVS 5.0.0, V6.5.5 and V6.4.1: ten minutes at hand; short, and used once, where it is sent."""
    assert timedelta(minutes=10) == AT_HAND_LASTS
    assert timedelta(hours=1) == FIRST_LASTS
    assert timedelta(hours=24) == SENT_LASTS


def test_a_link_cannot_be_guessed_and_only_its_hash_is_kept(store: Store, now: datetime, ada: int) -> None:
    """Source: OWASP ASVS 5.0.0, V6.5.4: at least 20 bits; here 128, which RFC 4648's base32 writes in 26 letters."""
    secret = _make(store, now, actor_id=ada)
    assert len(secret) == 26
    assert secret.isalnum()
    with store.read() as session:
        kept = session.scalars(select(OneTimeLink)).one()
        assert kept.secret_hash == tokens.digest(secret)
        assert secret not in str(kept.model_dump())
    assert _make(store, now, actor_id=ada) != secret


def test_a_used_link_is_refused(store: Store, now: datetime, ada: int) -> None:
    secret = _make(store, now, actor_id=ada)
    assert _asks(store, now, _come_in(store, now, secret).secret)
    with pytest.raises(NotSignedIn) as refused:
        _come_in(store, now, secret)
    assert refused.value.code == "no_link"
    assert "Ask for a new one" in refused.value.words
    assert _look(store, now, secret) is None


def test_looking_at_a_link_does_not_use_it(store: Store, now: datetime, ada: int) -> None:
    """Else a program that follows links in messages would use it up."""
    secret = _make(store, now, actor_id=ada)
    for _ in range(3):
        assert _look(store, now, secret)
    assert _use(store, now, secret).actor_id == ada


@pytest.mark.parametrize(
    ("kind", "lasts"),
    [(LinkKind.FIRST, FIRST_LASTS), (LinkKind.PERSON, AT_HAND_LASTS), (LinkKind.STATION, AT_HAND_LASTS)],
)
def test_an_old_link_is_refused(store: Store, now: datetime, ada: int, kind: LinkKind, lasts: timedelta) -> None:
    actor_id = ada if kind is LinkKind.PERSON else None
    secret = _make(store, now, kind, lasts=lasts, actor_id=actor_id, label="Phone")
    assert _look(store, now + lasts - SECOND, secret)
    assert _look(store, now + lasts, secret) is None
    with pytest.raises(NotSignedIn):
        _use(store, now + lasts, secret)


def test_a_link_typed_in_capitals_or_with_blanks_around_it_holds(store: Store, now: datetime, ada: int) -> None:
    assert _look(store, now, f"  {_make(store, now, actor_id=ada).upper()}\n")


@pytest.mark.parametrize("secret", ["", "a" * 26, "\0", "x" * 10_000, "\u00e9"])
def test_a_link_that_nobody_made_is_refused(store: Store, now: datetime, ada: int, secret: str) -> None:
    _make(store, now, actor_id=ada)
    assert _look(store, now, secret) is None


def test_a_new_link_for_a_person_ends_the_one_before_and_nobody_elses(store: Store, now: datetime, ada: int) -> None:
    ben = somebody(store, now, "Ben", Role.OPERATOR)
    old, bens = _make(store, now, actor_id=ada), _make(store, now, actor_id=ben)
    first, phone = _make(store, now, LinkKind.FIRST), _make(store, now, LinkKind.STATION, label="Phone")
    new = _make(store, now, actor_id=ada)
    assert _look(store, now, old) is None
    for still in (new, bens, first, phone):
        assert _look(store, now, still)


def test_several_stations_may_be_let_in_at_once(store: Store, now: datetime) -> None:
    made = [_make(store, now, LinkKind.STATION, label=f"Phone {n}") for n in range(3)]
    found = [_look(store, now, secret) for secret in made]
    assert [one.label if one else "" for one in found] == ["Phone 0", "Phone 1", "Phone 2"]


# ------------------------------------------------------------------ what each kind is for


def test_the_first_link_makes_the_owner_once(store: Store, now: datetime) -> None:
    secret = _make(store, now, LinkKind.FIRST)
    link = _look(store, now, secret)
    assert link is not None
    assert (link.kind, link.needs_password, link.actor_id) == (LinkKind.FIRST, True, None)
    let_in = _come_in(store, now, secret, name="Ada", kept="kept for Ada")
    asks = _asks(store, now, let_in.secret)
    assert asks is not None
    assert (asks.name, asks.role) == ("Ada", Role.OWNER)
    with pytest.raises(NotSignedIn):
        _come_in(store, now, secret, name="Eve", kept="kept for Eve")
    with store.read() as session:
        assert [one.name for one in people.listing(session=session, now=now)] == ["Ada"]


def test_an_owner_made_in_the_terminal_ends_the_first_link(store: Store, now: datetime) -> None:
    secret = _make(store, now, LinkKind.FIRST)
    with store.write() as session:
        people.set_owner(session=session, now=now, name="Ada", password_hash="kept for Ada")
    assert _look(store, now, secret) is None


def test_a_new_first_link_ends_the_one_before(store: Store, now: datetime) -> None:
    old = _make(store, now, LinkKind.FIRST)
    assert _look(store, now, _make(store, now, LinkKind.FIRST))
    assert _look(store, now, old) is None


def test_a_persons_first_link_asks_for_a_password_and_the_next_does_not(store: Store, now: datetime, ada: int) -> None:
    with store.write() as session:
        ben = people.add(session=session, now=now, by_id=ada, name="Ben", role=Role.OPERATOR)
    secret = _make(store, now, lasts=SENT_LASTS, actor_id=ben)
    link = _look(store, now, secret)
    assert link is not None
    assert (link.name, link.needs_password) == ("Ben", True)
    with pytest.raises(NotSignedIn):
        _come_in(store, now, secret)
    assert _look(store, now, secret), "refused whole: the link was not used up"
    _come_in(store, now, secret, kept="kept for Ben")
    again = _look(store, now, _make(store, now, actor_id=ben))
    assert again is not None
    assert not again.needs_password


def test_a_link_for_another_device_cannot_change_the_password(store: Store, now: datetime, ada: int) -> None:
    secret = _make(store, now, actor_id=ada)
    with pytest.raises(NotSignedIn):
        _come_in(store, now, secret, kept="kept for Eve")
    with store.read() as session:
        person = people.by_number(session, ada)
        assert person is not None
        assert person.password_hash == "kept for Ada"  # noqa: S105 - made up


def test_a_stations_link_names_the_device_and_whoever_made_it(store: Store, now: datetime, ada: int) -> None:
    with store.write() as session:
        secret = links.make(
            session=session,
            now=now,
            kind=LinkKind.STATION,
            lasts=AT_HAND_LASTS,
            by_id=ada,
            label="Phone by the door",
        )
    link = _use(store, now, secret)
    assert (link.label, link.made_by_id, link.needs_password) == ("Phone by the door", ada, False)
    with store.write() as session:
        made = stations.sign_in(session=session, now=now, label=link.label, by_id=link.made_by_id)
        asks = tokens.caller_of(session=session, now=now, secret=made.secret, kinds=("station",))
    assert asks is not None
    assert (asks.station, asks.role) == ("Phone by the door", None)


def test_a_stations_link_lets_nobody_in_as_a_person(store: Store, now: datetime, ada: int) -> None:
    link = _look(store, now, _make(store, now, LinkKind.STATION, label="Phone"))
    assert link is not None
    for kept in (None, "kept for Eve"):
        with store.write() as session, pytest.raises(NotSignedIn):
            signing.come_in(
                session=session, now=now, link=link, name="Ada", password_hash=kept, device_secret="", label="x"
            )
    assert link.actor_id != ada


def test_a_password_chosen_while_the_link_lay_open_is_not_overwritten(store: Store, now: datetime, ada: int) -> None:
    """The page asked for a password; before it was sent, the person had chosen one elsewhere."""
    with store.write() as session:
        ben = people.add(session=session, now=now, by_id=ada, name="Ben", role=Role.OPERATOR)
    secret = _make(store, now, lasts=SENT_LASTS, actor_id=ben)
    with store.write() as session:
        people.choose_password(session=session, now=now, actor_id=ben, password_hash="kept for Ben")
    with pytest.raises(NotSignedIn):
        _come_in(store, now, secret, kept="kept for Eve")


@pytest.mark.parametrize("what", ["sign out everywhere", "a new password", "remove the name"])
def test_what_ends_sign_ins_ends_open_links(store: Store, now: datetime, ada: int, what: str) -> None:
    ben = somebody(store, now, "Ben", Role.OPERATOR)
    secret = _make(store, now, actor_id=ben)
    with store.write() as session:
        if what == "sign out everywhere":
            people.sign_out_everywhere(session=session, now=now, by_id=ada, actor_id=ben)
        elif what == "a new password":
            people.forget_password(session=session, now=now, by_id=ada, actor_id=ben)
        else:
            people.remove_name(session=session, now=now, by_id=ada, actor_id=ben)
    assert _look(store, now, secret) is None


def test_an_open_link_of_a_person_is_counted_once(store: Store, now: datetime, ada: int) -> None:
    for _ in range(3):
        _make(store, now, actor_id=ada)
    with store.read() as session:
        still_open = session.scalars(select(OneTimeLink).where(col(OneTimeLink.used_at).is_(None))).all()
        assert len(still_open) == 1
