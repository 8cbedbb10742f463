"""The commands that keep copies of a workshop, put one back, and carry it to another database.

The command line loads it when one is asked for.
"""

import json
import sys
from contextlib import closing
from pathlib import Path

import click

from spoolkeep.cli.printed import instance_option, json_option, this_moment
from spoolkeep.services import carrying, keeping, restoring
from spoolkeep.services.instance import Instance

_IN_MB_FROM = 10_000_000


@click.command()
@click.option("--to", type=click.Path(path_type=Path), help="A folder on another disk, or a file's name.")
@instance_option()
@json_option
def backup(*, to: Path | None, folder: Path, as_json: bool) -> None:
    """Copy a workshop's database while it is in use, and prove the copy; exits with 1 where its books differ."""
    with closing(Instance(folder).open()) as store:
        kept = keeping.backup(store, now=this_moment(), to=to)
    if as_json:
        told = {"path": str(kept.path), "bytes": kept.bytes, "revision": kept.revision, "difference": kept.difference}
        click.echo(json.dumps(told))
    else:
        found = "its books are sound" if kept.difference is None else f"but its books differ: {kept.difference}"
        click.echo(f"Wrote {kept.path} ({_size(kept.bytes)}). It was opened as a database of its own; {found}.")
    if kept.difference is not None:
        sys.exit(1)


@click.command()
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--differing", is_flag=True, help="Put it in place although its books differ from the ledger.")
@instance_option()
def restore(*, file: Path, differing: bool, folder: Path) -> None:
    """Put a copy in the place of a workshop's database, after a copy of what is there; stop the server first."""
    done = restoring.restore(Instance(folder), file, now=this_moment(), although_it_differs=differing)
    click.echo(f"{done.database} is now what {file} was, at revision {done.proof.revision}.")
    if done.before and done.before_is_sound:
        click.echo(f"What was there before is at {done.before}.")
    elif done.before:
        click.echo(f"What was there before could not be read; it is kept as it lay at {done.before}.")
    if done.paused:
        click.echo("Notices are paused, and what waited is dropped; let them go on under Setup, Notices.")
    if done.proof.older:
        click.echo("It is of an older program: run 'spoolkeep upgrade', then 'spoolkeep check'.")


@click.command()
@click.argument("target", metavar="DIR", type=click.Path(file_okay=False, path_type=Path))
@instance_option()
def export(*, target: Path, folder: Path) -> None:
    """Write a workshop's books into a new folder as CSV files, one a table, with about.json that explains them."""
    with closing(Instance(folder).open()) as store:
        written = carrying.export(store, target, now=this_moment())
    rows = sum(one.rows for one in written.values())
    click.echo(f"Wrote {len(written)} tables with {rows:,} rows to {target}. What was left out stands in about.json.")


@click.command()
@click.argument("source", metavar="DIR", type=click.Path(exists=True, file_okay=False, path_type=Path))
@click.option("--changed", is_flag=True, help="The files were edited, and that is meant.")
@instance_option()
def load(*, source: Path, changed: bool, folder: Path) -> None:
    """Read what export wrote into a new, unused instance: whole, or not at all."""
    with closing(Instance(folder).open_or_make(now=this_moment())) as store:
        rows = carrying.load(store, source, changed=changed)
    click.echo(f"Took in {len(rows)} tables with {sum(rows.values()):,} rows. The books are sound.")
    click.echo(f"Nobody has a password here yet. Now run: spoolkeep owner NAME --instance {folder}")


def _size(size: int) -> str:
    return f"{size / 1000:,.0f} kB" if size < _IN_MB_FROM else f"{size / 1e6:,.0f} MB"
