"""What helps to run a server day by day: its service file, and what whoever helps is sent."""

import configparser
import getpass
import shlex
import shutil
import subprocess
from pathlib import Path

import pytest

from spoolkeep.cli.workshop import serve
from spoolkeep.web import looks, stopping
from tests.test_cli import Run, run

__all__ = ["run"]
EVERYWHERE = "0.0.0.0"  # noqa: S104 - nothing is served here


def unit_of(words: str) -> configparser.ConfigParser:
    """Give a service file as it is read: its names keep their capitals."""
    parser = configparser.ConfigParser(interpolation=None, strict=True)
    parser.optionxform = str  # type: ignore[assignment,method-assign] # as its own papers say to do
    parser.read_string(words)
    return parser


def test_the_service_file_starts_this_program_with_options_that_it_has(run: Run, tmp_path: Path) -> None:
    code, said, _ = run("service-file", "--instance", "shop 100%", "--host", EVERYWHERE, "--processes", "2")
    assert code == 0
    service = unit_of(said)["Service"]
    program, command, *options = shlex.split(service["ExecStart"].replace("%%", "%"))
    assert Path(program).exists()
    assert command == "serve"
    with serve.make_context("serve", options) as context:
        assert context.params["folder"] == tmp_path / "shop 100%"
        assert context.params["host"] == EVERYWHERE
        assert context.params["processes"] == 2
    assert shlex.split(service["ReadWritePaths"].replace("%%", "%")) == [str(tmp_path / "shop 100%")]
    assert service["User"] == getpass.getuser()
    assert service["Restart"] == "on-failure"
    assert int(service["TimeoutStopSec"]) > stopping.LONGEST_DRAIN_S + looks.LONGEST_END_S + 2


def test_a_folder_where_systemd_keeps_them_is_made_by_it(run: Run) -> None:
    service = unit_of(run("service-file", "--instance", "/var/lib/spoolkeep")[1])["Service"]
    assert service["StateDirectory"] == "spoolkeep"
    assert "ReadWritePaths" not in service


def test_an_option_that_the_server_does_not_have_is_refused_before_the_machine_starts(run: Run) -> None:
    code, said, told = run("service-file", "--hots", EVERYWHERE)
    assert (code, said) == (2, "")
    assert "--hots" in told


def test_what_would_keep_the_service_from_running_is_said_beside_it(run: Run) -> None:
    _, _, told = run("service-file", "--instance", "/nowhere/at all")
    assert "no folder /nowhere/at all" in told
    assert "Make the owner first" in told


def test_systemd_understands_the_service_file(run: Run, tmp_path: Path) -> None:
    verify = shutil.which("systemd-analyze")
    if verify is None:
        pytest.skip("systemd-analyze is not here")
    file = tmp_path / "spoolkeep.service"
    file.write_text(run("service-file", "--instance", "a shop", "--host", EVERYWHERE)[1])
    done = subprocess.run([verify, "verify", file], capture_output=True, text=True, check=False)
    assert str(file) not in done.stderr, done.stderr
    assert "Unknown" not in done.stderr


def test_whoever_helps_is_sent_a_file_and_told_to_look_through_it(run: Run) -> None:
    assert run("upgrade", "--instance", "shop")[0] == 0
    code, said, _ = run("diagnose", "--instance", "shop", "-o", "d.zip")
    assert code == 0
    assert "Wrote d.zip" in said
    assert "Look through it before you send it" in said
    assert "Not to be read" not in said
    Path("shop/spoolkeep.sqlite").write_bytes(b"not a database")
    code, said, _ = run("diagnose", "--instance", "shop", "-o", "d.zip")
    assert code == 0
    assert "Not to be read: database.check" in said
    assert run("diagnose", "--instance", "shop", "-o", "none/d.zip")[0] == 1
