"""The commands that build, serve and look after a workshop.

The command line loads it when one is asked for.
"""

import json
import sys
from contextlib import closing
from pathlib import Path

import click

from spoolkeep.cli.printed import instance_option, json_option, this_moment
from spoolkeep.services import demo as demo_service
from spoolkeep.services import links, passwords, people
from spoolkeep.services.instance import Instance
from spoolkeep.services.shop import load_shop
from spoolkeep.store.proof import differences
from spoolkeep.web import serving

PORT = 8460


@click.command()
@click.option("--fresh", is_flag=True, help="Build the demo workshop again from its files.")
@click.option("--days", type=int, help="How long its history is when it is built; as the files say if left out.")
@click.option("--build-only", is_flag=True, help="Build it, and do not serve it.")
@click.option("--port", default=PORT, show_default=True, help="The port to serve on.")
@click.option("--instance", "folder", type=click.Path(file_okay=False, path_type=Path), help="Where to build it.")
def demo(*, fresh: bool, days: int | None, build_only: bool, port: int, folder: Path | None) -> None:
    """Live through an invented workshop's two years until yesterday, and serve it on this machine."""
    instance = Instance(folder or demo_service.usual_instance())
    with click.progressbar(length=1, label="Living the demo workshop's days", file=sys.stderr) as bar:

        def progress(lived: int, of: int) -> None:
            bar.length = of
            bar.update(lived - bar.pos)

        built = demo_service.prepare(instance, now=this_moment(), fresh=fresh, days=days, progress=progress)
    click.echo(f"The demo workshop is in {instance.folder} ({built}).")
    if not build_only:
        serving.serve_demo(instance, port=port)


@click.command()
@click.option("--port", default=PORT, show_default=True, help="The port to serve on.")
@click.option(
    "--host",
    default=serving.THIS_MACHINE,
    show_default=True,
    help="The address to serve on: 0.0.0.0 for every device on this network.",
)
@click.option("--name", "names", multiple=True, help="A further name by which this machine is asked; may be repeated.")
@click.option(
    "--proxy", help="The address of a proxy in front, which says in X-Forwarded-For and -Proto who asks, and how."
)
@click.option(
    "--processes",
    type=click.IntRange(min=1),
    default=1,
    show_default=True,
    help="How many processes serve it, where its books are in PostgreSQL.",
)
@click.option(
    "--log-to", type=click.Path(file_okay=False, path_type=Path), help="The log's folder; the instance's if left out."
)
@click.option("--no-log", is_flag=True, help="Keep no log.")
@instance_option()
def serve(
    *,
    port: int,
    host: str,
    names: tuple[str, ...],
    proxy: str | None,
    processes: int,
    log_to: Path | None,
    no_log: bool,
    folder: Path,
) -> None:
    """Serve a workshop: to this machine, or with --host to the network, once it has an owner."""
    instance = Instance(folder)
    instance.open_or_make(now=this_moment()).close()
    serving.serve(
        instance,
        port=port,
        host=host,
        names=names,
        proxy=proxy,
        processes=processes,
        log_to=None if no_log else log_to or instance.log,
    )


@click.command()
@click.argument("name", required=False)
@instance_option()
def owner(*, name: str | None, folder: Path) -> None:
    """Make the first owner of a workshop, or give an owner a new password; every device is then signed out.

    NAME is as it shall stand beside what the owner books; the only owner's if left out. The password is asked for, or
    read from the first line that comes in where nobody sits at a terminal: an argument could be seen by others.
    """
    instance = Instance(folder)
    with closing(instance.open_or_make(now=this_moment()) if name else instance.open()) as store:
        with store.read() as session:
            shop = load_shop(session).name
            called = name or people.only_owner(session)
        password = _new_password(called)
        passwords.check_new(password, about=(called, shop))
        kept = passwords.hashed(password)
        with store.write() as session:
            number = people.set_owner(session=session, now=this_moment(), name=called, password_hash=kept)
            secret = links.for_device_at_hand(session=session, now=this_moment(), actor_id=number)
    click.echo(f"{called} owns the workshop, and signs in with the new password.")
    click.echo(f"Or, for ten minutes, without it: http://localhost:{PORT}/join#{secret} (put in its own address).")


@click.command()
@instance_option()
def upgrade(*, folder: Path) -> None:
    """Make the database, or bring it to the shape that this program needs; a copy is kept."""
    copied = Instance(folder).upgrade(now=this_moment())
    click.echo("The database is ready." + (f" A copy from before is at {copied}." if copied else ""))


@click.command()
@instance_option()
@json_option
def check(*, folder: Path, as_json: bool) -> None:
    """Hold every copy of a sum against the ledger; exits with 1 at the first difference."""
    with closing(Instance(folder).open()) as store, store.read() as session:
        first = next(differences(session), None)
    if as_json:
        click.echo(json.dumps({"sound": first is None, "first_difference": first}))
    else:
        click.echo("The books are sound." if first is None else f"The books differ: {first}")
    if first is not None:
        sys.exit(1)


def _new_password(name: str) -> str:
    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\r\n")
    return str(click.prompt(f"A new password for {name}", hide_input=True, confirmation_prompt=True))
