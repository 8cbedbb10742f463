"""The command that makes and checks the file of a workshop's own words for the Bench.

The command line loads it when it is asked for.
"""

import sys
from pathlib import Path

import click

from spoolkeep.cli.printed import instance_option
from spoolkeep.domain.sayings import SAYINGS
from spoolkeep.services.benchwords import BenchWords
from spoolkeep.services.instance import Instance


@click.command()
@click.option("--check", "only_check", is_flag=True, help="Say what is wrong, and write nothing.")
@instance_option()
def words(*, only_check: bool, folder: Path) -> None:
    """Make words.txt complete: every sentence of the Bench, with what is translated so far; exits with 1 on a bad line.

    A line is `english = translation`; a line that begins with # is a remark, and belongs to the line under it. With a
    bad line nothing is written.
    """
    instance = Instance(folder)
    bench = BenchWords(instance.words)
    found = bench.now()
    for one in found.problems:
        click.echo(f"line {one.line}: {one.words}" if one.line else one.words, err=True)
    if found.problems:
        click.echo("Nothing was written. Mend these lines; until then the Bench says them in English.", err=True)
        sys.exit(1)
    if not only_check:
        folder.mkdir(parents=True, exist_ok=True)
        instance.words.write_text(bench.as_list(), encoding="utf-8")
    click.echo(f"{len(found.by_english)} of {len(SAYINGS)} are translated in {instance.words}.")
