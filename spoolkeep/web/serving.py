"""Serving a workshop: to whom, by which names, and never to a network without an owner.

The command line calls it. It knows no page.
"""

import ipaddress
import socket
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import click

from spoolkeep.domain.errors import BadInput, NotAllowed
from spoolkeep.domain.words import LinkKind
from spoolkeep.services import demo, links, people
from spoolkeep.services.instance import Instance
from spoolkeep.store.engine import Store
from spoolkeep.web.lock import LOOPBACK, Reach
from spoolkeep.web.processes import Settings, require_several, serve_here, serve_in_several
from spoolkeep.web.stopping import Stop, heeding

THIS_MACHINE = "127.0.0.1"
BACKLOG = 1024
"""How many connections the system makes and keeps until they are taken in."""
_NOWHERE = ("192.0.2.1", 9)
"""An address that no network has, by which the system says from where it would send. Source: RFC 5737."""


def serve(
    instance: Instance,
    *,
    port: int,
    host: str,
    names: tuple[str, ...],
    proxy: str | None,
    processes: int,
    log_to: Path | None,
) -> None:
    """Serve a workshop until it is stopped, by one process or by several.

    Errors: NotAllowed where it is to be served beyond this machine and nobody owns it; BadInput for a taken port, and
    where several processes cannot be.
    """
    reach = reach_of(host, port=port, names=names, proxied=proxy is not None)
    settings = Settings(instance, reach, proxy=str(_address(proxy)) if proxy else None, log_to=log_to)
    with closing(instance.open()) as store:
        if processes > 1:
            require_several(store, processes)
        with store.read() as session:
            owned = people.has_owner(session)
        if not owned and (reach.addresses or proxy):
            command = f"spoolkeep owner NAME --instance {instance.folder}"
            words = f"Nobody owns this workshop yet, so nobody else may reach it. Make the owner first: {command}"
            raise NotAllowed("no_owner", words)
        listening = listening_on(host, port)
        click.echo(f"Spoolkeep is at http://localhost:{port} ({store.about()}). Stop it with Ctrl+C.")
        if owned:
            click.echo(_for_others(reach))
        else:
            click.echo(f"Make yourself its owner, within the hour: {_first_link(store, port)}")
    _run(settings, listening, processes)


def serve_demo(instance: Instance, *, port: int) -> None:
    """Serve the demo to this machine only; whoever opens it is signed in as its owner. Errors: BadInput."""
    with closing(instance.open()) as store:
        settings = Settings(instance, Reach(guest_id=demo.owner_of(store)), log_to=instance.log)
        listening = listening_on(THIS_MACHINE, port)
        click.echo(f"Spoolkeep is at http://localhost:{port} ({store.about()}). Stop it with Ctrl+C.")
    _run(settings, listening, 1)


def _run(settings: Settings, listening: socket.socket, number: int) -> None:
    settings.instance.secret()  # made before several processes would each make one
    stop = Stop()
    with listening, heeding(stop):
        if number > 1:
            serve_in_several(settings, listening, stop, number)
        else:
            serve_here(settings, listening, stop)
    click.echo("Stopped.")


def listening_on(host: str, port: int) -> socket.socket:
    """Give a socket that is bound to an address and a port. Errors: BadInput where that cannot be."""
    version = _address(host).version
    bound = socket.socket(socket.AF_INET if version == 4 else socket.AF_INET6, socket.SOCK_STREAM)  # noqa: PLR2004 - IPv4
    try:
        if version != 4:  # noqa: PLR2004 - as above
            bound.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
        if hasattr(socket, "SO_EXCLUSIVEADDRUSE"):  # on Windows the other option would let two programs have one port
            bound.setsockopt(socket.SOL_SOCKET, socket.SO_EXCLUSIVEADDRUSE, 1)
        else:
            bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        bound.bind((host, port))
        bound.listen(BACKLOG)
    except OSError as error:
        bound.close()
        words = f"Port {port} cannot be used ({error.strerror}). Choose another with --port."
        raise BadInput("port_in_use", words) from None
    return bound


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
