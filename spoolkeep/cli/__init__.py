"""The command line: the same services from a terminal.

`spoolkeep` runs `main`. Each command lives in a module of its own kind, and only the one that is asked for is loaded:
a slicing program that meters a file does not wait for the web.
"""

import sys
from importlib import import_module

import click

import spoolkeep
from spoolkeep.domain.errors import Refusal

COMMANDS = {
    "demo": "workshop",
    "serve": "workshop",
    "owner": "workshop",
    "upgrade": "workshop",
    "check": "workshop",
    "service-file": "running:service_file",
    "diagnose": "running",
    "backup": "keeping",
    "restore": "keeping",
    "export": "keeping",
    "load": "keeping",
    "import": "bring_in:import_",
    "columns": "bring_in",
    "runout": "figures",
    "tonight": "figures",
    "reorder": "figures",
    "share": "figures",
    "labels": "figures:labels_",
    "notices": "notices",
    "mail-password": "notices:mail_password",
    "meter": "meter",
    "plan": "jobs",
    "watch": "jobs",
    "words": "words",
}
"""Where each command lives: its module, and its name there where that is another."""


class _WhenAsked(click.Group):
    """A group whose commands are loaded when they are asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click asks so
        """Give the names of the commands."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002 - as above
        """Give a command, or None where there is none of that name."""
        if cmd_name not in COMMANDS:
            return None
        module, _, its_name = COMMANDS[cmd_name].partition(":")
        found = getattr(import_module(f"spoolkeep.cli.{module}"), its_name or cmd_name)
        return found if isinstance(found, click.Command) else None


@click.group(cls=_WhenAsked, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(spoolkeep.__version__)
def cli() -> None:
    """Keep a workshop of 3D printers in plastic."""


def main() -> None:
    """Run the command line; a rule's refusal is a sentence and exit code 2."""
    try:
        cli.main(standalone_mode=False)
    except Refusal as refusal:
        click.echo(f"spoolkeep: {refusal.words}", err=True)
        sys.exit(2)
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except click.exceptions.Exit as stop:
        sys.exit(stop.exit_code)
    except (click.Abort, KeyboardInterrupt):
        sys.exit(130)
    except Exception as error:
        trouble = import_module("spoolkeep.store.troubles").trouble_of(error)  # loaded here: it knows the database
        if trouble is None:
            raise
        click.echo(f"spoolkeep: {trouble.what}", err=True)
        sys.exit(2)
