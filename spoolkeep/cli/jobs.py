"""The commands that plan motion files: one, or those that come into a folder.

The command line loads it when one is asked for.
"""

import json
from contextlib import closing
from dataclasses import asdict
from pathlib import Path

import click

from spoolkeep.cli.printed import instance_option, json_option, this_moment
from spoolkeep.services import watching
from spoolkeep.services.instance import Instance
from spoolkeep.services.motionfiles import FilePlan
from spoolkeep.store.seeds import FIRST_ACTOR


@click.command()
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--machine", help="The machine's name; tool 0 is its first feed.")
@click.option("--title", default="", help="What it is called; the file's name if left out.")
@click.option("--times", type=int, default=1, show_default=True, help="How often it is printed.")
@click.option("--again", is_flag=True, help="Plan it once more, though the same file was planned before.")
@instance_option()
@json_option
def plan(*, file: Path, machine: str | None, title: str, times: int, again: bool, folder: Path, as_json: bool) -> None:
    """Plan a motion file's runs as jobs; a slicing program may call this after each export."""
    told = FilePlan(title=title, times=times)
    with closing(Instance(folder).open()) as store:
        hands = watching.Store(store.read, store.write, FIRST_ACTOR)
        planned = watching.plan(
            file, store=hands, now=this_moment(), told=told, machine=machine, apart=f"{this_moment()} " if again else ""
        )
    click.echo(json.dumps(asdict(planned), default=str) if as_json else watching.in_words(file.name, planned))


@click.command()
@click.argument("watched", type=click.Path(exists=True, file_okay=False, path_type=Path))
@click.option("--machine", help="The machine of files that lie in no folder named as one.")
@click.option("--every", type=float, default=5, show_default=True, help="Seconds between two looks.")
@click.option("--once", is_flag=True, help="Take what lies there, and stop.")
@instance_option()
def watch(*, watched: Path, machine: str | None, every: float, once: bool, folder: Path) -> None:
    """Plan each motion file that is put into a folder, and move it to “planned” or “refused” there.

    A file in a folder named as a machine is planned for that machine.
    """
    with closing(Instance(folder).open()) as store:
        hands = watching.Store(store.read, store.write, FIRST_ACTOR)
        watching.watch(
            watched, store=hands, clock=this_moment, machine=machine, every_s=None if once else every, say=click.echo
        )
