"""The command that meters a motion file. It needs no workshop, and starts as fast as it can.

The command line loads it when it is asked for.
"""

import json
from datetime import timedelta
from pathlib import Path
from typing import Any

import click

from spoolkeep.cli.printed import json_option, table
from spoolkeep.services import metering


@click.command()
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--density", type=float, metavar="G_PER_CM3", help="The plastic's density; without it, no grams.")
@click.option(
    "--diameter",
    type=float,
    default=metering.USUAL_DIAMETER_MM,
    show_default=True,
    metavar="MM",
    help="The plastic's diameter.",
)
@click.option("--g90-governs-e", is_flag=True, help="This machine's G90 and G91 also say how extrusion is meant.")
@click.option("--time", "timed", is_flag=True, help="Where the file does not say how long it runs, time its moves.")
@json_option
def meter(*, file: Path, density: float | None, diameter: float, as_json: bool, **how: bool) -> None:
    """Print the plastic that a motion file draws, tool by tool: G-code, gzip or binary, or a 3MF package of runs."""
    with file.open("rb") as stream:
        told = metering.figures(stream, name=file.name, density_g_per_cm3=density, diameter_mm=diameter, **how)
    if as_json:
        click.echo(json.dumps(told))
        return
    runs = told.get("runs", [told])
    for run in runs:
        if len(runs) > 1:
            click.echo(f"Run {run['run']} of {len(runs)}, {run['name']}:")
        table(("tool", "mm", "mm³", "g"), [_tool_row(tool) for tool in run["tools"]])
        if run["waste"]:
            click.echo("Of it waste, by the file's own comments:")
            table(("for", "tool", "mm", "mm³", "g"), [(one["cause"], *_tool_row(one)) for one in run["waste"]])
        if run["seconds"]:
            click.echo(f"It runs {timedelta(seconds=run['seconds'])}, by its {run['seconds_from']}.")
        for note in run["notes"]:
            click.echo(f"Note: {note}")


def _tool_row(tool: dict[str, Any]) -> tuple[str, ...]:
    grams = tool["g"]
    return str(tool["tool"]), f"{tool['mm']:.3f}", f"{tool['mm3']:.3f}", "" if grams is None else f"{grams:.3f}"
