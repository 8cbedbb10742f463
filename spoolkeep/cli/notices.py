"""The commands that look after notices.

The command line loads it when one is asked for.
"""

import json
import sys
from contextlib import closing
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from spoolkeep.cli.printed import instance_option, json_option, table
from spoolkeep.services.instance import Instance
from spoolkeep.services.notices import addressees, mailserver, sending
from spoolkeep.services.shop import load_shop

LAST = 20
LONGEST_S = 90.0
"""Longer than any one notice takes, by mail or webhook."""


@click.command()
@instance_option()
@json_option
@click.option(
    "--send", is_flag=True, help="Look once, send what is due and wait until it is sent: for cron, without serve."
)
def notices(*, folder: Path, as_json: bool, send: bool) -> None:
    """Print who gets notices and how the last ones went; exits with 1 where somebody's last one did not go out."""
    instance = Instance(folder)
    with closing(instance.open()) as store:
        if send:
            _send_due(sending.Teller(store, folder=instance.folder, secret=instance.secret()))
        with store.read() as session:
            formats = load_shop(session).formats
            receivers = addressees.listing(session=session)
            last = addressees.last(session=session, limit=LAST)
            failed = addressees.failed(session=session)
    if as_json:
        told = [{**vars(one), "about": sorted(one.about)} for one in receivers]
        went = [vars(one) for one in last]
        click.echo(json.dumps({"addressees": told, "notices": went, "failed": failed}, indent=2, default=_written))
    else:
        table(
            ("addressee", "way", "where", "digest", "warnings", "last sent"),
            [
                (
                    f"{one.name} (paused)" if one.paused else one.name,
                    one.way,
                    one.shown,
                    one.digest,
                    ", ".join(sorted(one.about)),
                    formats.moment(one.last_sent_at) if one.last_sent_at else "never",
                )
                for one in receivers
            ],
        )
        if last:
            click.echo("\nThe last notices:")
        for one in last:
            click.echo(f"{formats.moment(one.made_at)} {one.name}: {one.kind}, {one.state}. {one.error}".rstrip())
    newest = {one.name: one.state for one in reversed(last)}
    if failed or not {"tried", "given up"}.isdisjoint(newest.values()):
        sys.exit(1)


def _send_due(teller: sending.Teller) -> None:
    """Look once, then send round by round: each addressee gets one notice after the other."""
    begun = teller.round(look=True)
    while begun:
        teller.wait(LONGEST_S)
        begun = teller.round(look=False)


def _written(value: Any) -> str:  # noqa: ANN401 - whatever JSON has no word for
    if isinstance(value, datetime):
        return value.isoformat()
    raise TypeError(type(value).__name__)


@click.command()
@instance_option()
def mail_password(*, folder: Path) -> None:
    """Keep the mail server's password in a file of the instance that only its owner reads.

    It is asked for, or read from the first line that comes in where nobody sits at a terminal.
    """
    if sys.stdin.isatty():
        given = str(click.prompt("The mail server's password", hide_input=True))
    else:
        given = sys.stdin.readline().rstrip("\r\n")
    path = mailserver.keep_password(folder, given)
    click.echo(f"It is kept in {path}. Send a trial under Setup, Notices to see that mail arrives.")
