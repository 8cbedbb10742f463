"""What commands share: their usual options, the time, and how rows and files are written.

The modules of the commands use it. It knows no command.
"""

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import TypeVar

import click

Command = TypeVar("Command", bound=Callable[..., object])
json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON: keys carry their units.")


def instance_option(default: str = "instance") -> Callable[[Command], Command]:
    """Give the option that names the workshop's folder."""
    return click.option(
        "--instance",
        "folder",
        type=click.Path(file_okay=False, path_type=Path),
        default=default,
        show_default=True,
        help="The folder of this workshop's database.",
    )


def this_moment() -> datetime:
    """Give the moment at which the command runs."""
    return datetime.now(UTC)


def table(head: tuple[str, ...], rows: list[tuple[str, ...]]) -> None:
    """Print rows under their heads, in columns."""
    widths = [max(len(row[at]) for row in [head, *rows]) for at in range(len(head))]
    for row in [head, *rows]:
        click.echo("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip())


def write(path: Path, data: bytes) -> None:
    """Write a file, and say so."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    except OSError as fault:
        raise click.ClickException(f"{path} cannot be written: {fault.strerror}. Name another place.") from None
    click.echo(f"Wrote {path}.")
