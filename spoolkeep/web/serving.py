"""Serving a workshop: to whom, by which names, and never to a network without an owner.

The command line calls it. It knows no page.
"""

import ipaddress
import logging
import socket
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from typing import Any

import click
import waitress

from spoolkeep.domain.errors import BadInput, NotAllowed
from spoolkeep.domain.words import LinkKind
from spoolkeep.services import assumed, demo, links, outlooks, people, standstill, untold
from spoolkeep.services.instance import Instance
from spoolkeep.services.shop import load_shop
from spoolkeep.store.engine import Store
from spoolkeep.web import bodies
from spoolkeep.web.app import create_app
from spoolkeep.web.lock import LOOPBACK, Reach

THIS_MACHINE = "127.0.0.1"
THREADS = 16
"""More than the sign-ins that may wait, so that a scan always finds one free."""
MOST_CONNECTIONS = 200
LOOKS_EACH_S = 60.0
_log = logging.getLogger(__name__)
_NOWHERE = ("192.0.2.1", 9)
"""An address that no network has, by which the system says from where it would send. Source: RFC 5737."""


def serve(instance: Instance, *, port: int, host: str, names: tuple[str, ...], proxy: str | None) -> None:
    """Serve a workshop until it is stopped.

    Errors: NotAllowed where it is to be served beyond this machine and nobody owns it; BadInput for a taken port.
    """
    with closing(instance.open()) as store:
        reach = reach_of(host, port=port, names=names, proxied=proxy is not None)
        with store.read() as session:
            owned = people.has_owner(session)
        if not owned and (reach.addresses or proxy):
            command = f"spoolkeep owner NAME --instance {instance.folder}"
            words = f"Nobody owns this workshop yet, so nobody else may reach it. Make the owner first: {command}"
            raise NotAllowed("no_owner", words)
        server = _server(instance, store, reach, host=host, port=port, proxy=proxy)
        click.echo(f"Spoolkeep is at http://localhost:{port} ({store.about()}). Stop it with Ctrl+C.")
        if owned:
            click.echo(_for_others(reach))
        else:
            click.echo(f"Make yourself its owner, within the hour: {_first_link(store, port)}")
        with _looking(store):
            server.run()


def serve_demo(instance: Instance, *, port: int) -> None:
    """Serve the demo to this machine only; whoever opens it is signed in as its owner. Errors: BadInput."""
    with closing(instance.open()) as store:
        reach = Reach(guest_id=demo.owner_of(store))
        server = _server(instance, store, reach, host=THIS_MACHINE, port=port, proxy=None)
        click.echo(f"Spoolkeep is at http://localhost:{port} ({store.about()}). Stop it with Ctrl+C.")
        with _looking(store):
            server.run()


@contextmanager
def _looking(store: Store) -> Iterator[None]:
    """Look once a minute, while the workshop is served, for what is due though nobody asks."""
    over = threading.Event()

    def look() -> None:
        while not over.wait(LOOKS_EACH_S):
            try:
                assumed.take_all(store, now=datetime.now(UTC))
                standstill.look_at_all(store, now=datetime.now(UTC))
                with store.read() as session:
                    untold.learned(session)  # so that no page waits for it after a weighing, nor in the morning
                    outlooks.told(session, today=load_shop(session).today(datetime.now(UTC)))
            except Exception:  # noqa: BLE001 - the next minute comes all the same
                _log.exception("What is due by itself could not be done; it is tried again in a minute.")

    thread = threading.Thread(target=look, name="looking", daemon=True)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


def reach_of(host: str, *, port: int, names: tuple[str, ...] = (), proxied: bool = False) -> Reach:
    """Give by which names and addresses a workshop served on `host` may be asked, and where others find it.

    Errors: BadInput where `host` is no address.
    """
    bound = _address(host)
    further = frozenset(name.lower() for name in names)
    if bound.is_loopback:
        return Reach(hosts=LOOPBACK | further, proxied=proxied)
    machine = socket.gethostname().lower().removesuffix(".local")
    own = _own_address() if bound.is_unspecified else str(bound)
    found = [f"http://{f'[{own}]' if ':' in own else own}:{port}", f"http://{machine}.local:{port}"]
    return Reach(
        hosts=LOOPBACK | further | {machine, f"{machine}.local"},
        any_address=True,
        addresses=tuple(found),
        proxied=proxied,
    )


def _address(text: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address:
    try:
        return ipaddress.ip_address(text)
    except ValueError:
        words = f"“{text}” is no address. Write one in numbers: 127.0.0.1, or to serve the network 0.0.0.0."
        raise BadInput("no_address", words) from None


def _own_address() -> str:
    """Give this machine's address on its network; nothing is sent to find it."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked:
        try:
            asked.connect(_NOWHERE)
        except OSError:
            return THIS_MACHINE
        return str(asked.getsockname()[0])


def _for_others(reach: Reach) -> str:
    if reach.addresses:
        return f"Other devices find it at {' or '.join(reach.addresses)}."
    if reach.proxied:
        return "Others come through the proxy, under the names that were given with --name."
    return "Only this machine reaches it. For phones and tablets too: spoolkeep serve --host 0.0.0.0"


def _first_link(store: Store, port: int) -> str:
    with store.write() as session:
        secret = links.make(session=session, now=datetime.now(UTC), kind=LinkKind.FIRST, lasts=links.FIRST_LASTS)
    return f"http://localhost:{port}/join#{secret}"


def _server(instance: Instance, store: Store, reach: Reach, *, host: str, port: int, proxy: str | None) -> Any:  # noqa: ANN401 - waitress ships no types
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)  # a flood would fill the log, a line a request
    behind: dict[str, object] = {"clear_untrusted_proxy_headers": True}
    if proxy:
        behind |= {
            "trusted_proxy": str(_address(proxy)),
            "trusted_proxy_headers": {"x-forwarded-for", "x-forwarded-proto"},
        }
    app = create_app(store, secret=instance.secret(), reach=reach)
    try:
        server = waitress.create_server(
            app,
            host=host,
            port=port,
            threads=THREADS,
            ident=None,
            max_request_body_size=bodies.USUAL,
            connection_limit=MOST_CONNECTIONS,
            **behind,
        )
    except OSError as error:
        words = f"Port {port} cannot be used ({error.strerror}). Choose another with --port."
        raise BadInput("port_in_use", words) from None
    channel = bodies.channel_for(app, shared_addresses=frozenset({proxy} if proxy else ()))
    for one in [server, *getattr(server, "map", {}).values()]:  # where a host has several addresses, one for each
        one.channel_class = channel
    return server
