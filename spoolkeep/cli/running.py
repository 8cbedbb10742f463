"""The commands that help to run a workshop's server day by day.

The command line loads it when one is asked for.
"""

import getpass
import sys
import sysconfig
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import click

from spoolkeep.cli.printed import instance_option, this_moment
from spoolkeep.cli.workshop import serve
from spoolkeep.services import diagnosis
from spoolkeep.services.instance import Instance

STATE = Path("/var/lib")
"""Where systemd keeps what a service owns. Source: systemd.exec(5), StateDirectory."""
UNIT = """\
# Printed by: spoolkeep service-file. Put it into /etc/systemd/system/spoolkeep.service, then:
#   systemctl daemon-reload && systemctl enable --now spoolkeep
[Unit]
Description=Spoolkeep, the books of a print workshop
Wants=network-online.target
After=network-online.target postgresql.service

[Service]
Type=exec
User={user}
{folder}
# SPOOLKEEP_DATABASE=postgresql://... and other settings, one a line; readable by root alone.
EnvironmentFile=-/etc/spoolkeep.env
ExecStart={command}
Restart=on-failure
RestartSec=5
# The first process is asked to end, and ends the others; what is on its way is answered within 10 s.
KillMode=mixed
TimeoutStopSec=30
UMask=0077

NoNewPrivileges=yes
CapabilityBoundingSet=
PrivateDevices=yes
PrivateTmp=yes
ProtectSystem=strict
ProtectHome=read-only
ProtectClock=yes
ProtectControlGroups=yes
ProtectHostname=yes
ProtectKernelLogs=yes
ProtectKernelModules=yes
ProtectKernelTunables=yes
LockPersonality=yes
RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6
RestrictNamespaces=yes
RestrictRealtime=yes
RestrictSUIDSGID=yes
SystemCallArchitectures=native
SystemCallFilter=@system-service

[Install]
WantedBy=multi-user.target
"""


@click.command(name="service-file", context_settings={"ignore_unknown_options": True})
@click.argument("options", nargs=-1, type=click.UNPROCESSED)
@instance_option()
def service_file(*, options: tuple[str, ...], folder: Path) -> None:
    """Print the service file with which systemd starts a workshop's server, and starts it again when it fails.

    OPTIONS are those of `spoolkeep serve`, such as --host 0.0.0.0.
    """
    serve.make_context("spoolkeep serve", list(options)).close()  # refused here, and not when the machine starts
    for said in _to_see_to(folder.resolve()):
        click.echo(f"spoolkeep: {said}", err=True)
    words = [*_program(), "serve", "--instance", str(folder.resolve()), *options]
    command = " ".join(map(_quoted, words))
    click.echo(UNIT.format(user=_keeper(folder), folder=_folder(folder.resolve()), command=command), nl=False)


def _to_see_to(folder: Path) -> Iterator[str]:
    """Give what would keep the service from running, or what it should not be."""
    if not folder.is_dir() and folder.parent != STATE:
        yield f"There is no folder {folder} yet, and systemd starts nothing without it. Make it first."
    if folder.is_relative_to("/tmp"):  # noqa: S108 # nosec B108 - it is refused
        yield f"{folder} lies in /tmp, of which a service has its own. Choose another --instance."
    if _keeper(folder) == "root":
        yield "The folder is root's, and so the server would run as root. Give it to a user of its own first: chown."
    yield "Make the owner first ('spoolkeep owner NAME'): nobody else may reach a workshop that nobody owns."


def _program() -> list[str]:
    """Give how this very program is started."""
    script = Path(sysconfig.get_path("scripts")) / "spoolkeep"
    if script.exists():
        return [str(script)]
    return [sys.executable, "-c", "from spoolkeep.cli import main; main()"]


def _keeper(folder: Path) -> str:
    """Give whose the workshop's folder is; nobody else could write it."""
    with suppress(OSError, KeyError, NotImplementedError):
        return folder.owner()
    return getpass.getuser()


def _folder(folder: Path) -> str:
    """Give what lets the service write its folder, which systemd makes where it keeps such folders."""
    if folder.parent == STATE:
        return f"StateDirectory={folder.name}\nStateDirectoryMode=0700"
    return f"ReadWritePaths={_quoted(str(folder), run=False)}"


def _quoted(word: str, *, run: bool = True) -> str:
    """Give a word as it stands in a service file; what is run knows variables besides.

    Source: systemd.syntax(7), Quoting; systemd.unit(5), Specifiers; systemd.service(5), Command lines.
    """
    escaped = word.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%")
    if run:
        escaped = escaped.replace("$", "$$")
    return f'"{escaped}"' if escaped != word or any(mark in word for mark in " ;'") else word


@click.command()
@click.option(
    "-o",
    "--output",
    type=click.Path(dir_okay=False, path_type=Path),
    help="The ZIP file to write; spoolkeep-diagnosis and the time if left out.",
)
@click.option(
    "--check",
    "check_s",
    type=click.FloatRange(min=0),
    default=diagnosis.CHECK_S,
    show_default=True,
    help="For how many seconds the books are checked at most.",
)
@instance_option()
def diagnose(*, output: Path | None, check_s: float, folder: Path) -> None:
    """Write what whoever helps needs to know, without names, amounts or secrets; also of a database that is broken."""
    now = this_moment()
    target = output or Path(f"spoolkeep-diagnosis-{now:%Y%m%d-%H%M%S}.zip")
    try:
        unread = diagnosis.write(Instance(folder), target, now=now, check_s=check_s)
    except OSError as fault:
        raise click.ClickException(f"{target} cannot be written: {fault.strerror}. Name another place.") from None
    click.echo(f"Wrote {target}: versions, settings, numbers of rows, sizes, copies, failures and the latest log.")
    if unread:
        click.echo(f"Not to be read: {', '.join(unread)}.")
    click.echo("It should hold no name, amount or secret. Look through it before you send it: all of it is plain text.")
