"""The house keeps its own rules: rooms, sizes, and papers that name everything there is."""

import ast
import re
import statistics
import subprocess
import sys
import tomllib
from pathlib import Path

import click
import pytest

from spoolkeep.cli import COMMANDS, cli
from spoolkeep.services.imports import COLUMNS
from spoolkeep.services.instance import SETTING

TOP = Path(__file__).parent.parent
SOURCES = sorted((TOP / "spoolkeep").rglob("*.py"))
LONGEST_FUNCTION, LONGEST_FILE = 50, 500


def test_the_rooms_point_down() -> None:
    done = subprocess.run(
        [Path(sys.executable).parent / "lint-imports", "--no-cache"],
        cwd=TOP,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout


def _functions(path: Path) -> list[tuple[str, int]]:
    found = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.FunctionDef):
            first = node.body[0]
            doc = isinstance(first, ast.Expr) and isinstance(first.value, ast.Constant)
            lines = (
                (node.end_lineno or 0) - node.lineno + 1 - (((first.end_lineno or 0) - first.lineno + 1) if doc else 0)
            )
            found.append((f"{path.name}:{node.name}", lines))
    return found


def test_no_function_and_no_file_outgrows_the_house() -> None:
    own = [path for path in SOURCES if "migrations" not in path.parts]
    functions = [one for path in own for one in _functions(path)]
    assert [one for one in functions if one[1] > LONGEST_FUNCTION] == []
    assert statistics.median(lines for _, lines in functions) <= 10
    files = {path.name: len(path.read_text(encoding="utf-8").splitlines()) for path in own}
    assert {name: lines for name, lines in files.items() if lines > LONGEST_FILE} == {}
    assert statistics.median(files.values()) <= 200


def test_every_module_says_what_lives_there() -> None:
    for path in SOURCES:
        assert ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))), path


def test_the_sessions_are_opened_by_two_doors_only() -> None:
    opened = [path.name for path in SOURCES if "Session(" in path.read_text(encoding="utf-8")]
    assert opened == ["engine.py", "upgrade.py"]


def _command(name: str) -> click.Command:
    found = cli.get_command(click.Context(cli), name)
    assert found is not None
    return found


@pytest.mark.parametrize("command", sorted(COMMANDS))
def test_every_command_has_help_and_stands_in_the_readme(command: str) -> None:
    assert _command(command).help
    assert f"spoolkeep {command}" in (TOP / "README.md").read_text(encoding="utf-8")


def test_every_command_that_a_page_or_a_refusal_names_is_there() -> None:
    read = [*SOURCES, *(TOP / "templates").rglob("*.html"), TOP / "README.md", TOP / "DEVELOPERS.md"]
    words = {path: path.read_text(encoding="utf-8") for path in read}
    named = {
        name: path.name
        for path, text in words.items()
        for name in re.findall(r"(?<!from )(?<!import )\bspoolkeep (?!spoolkeep)([a-z][a-z-]*)", text)
    }
    assert {"serve", "upgrade", "mail-password"} <= set(named)
    assert {name: where for name, where in named.items() if name not in COMMANDS} == {}


def test_every_option_has_help() -> None:
    for command in map(_command, COMMANDS):
        for parameter in command.params:
            if parameter.param_type_name == "option":
                assert getattr(parameter, "help", None), f"{command.name} {parameter.name}"


def test_every_sheet_and_setting_stands_in_the_readme() -> None:
    readme = (TOP / "README.md").read_text(encoding="utf-8")
    for sheet in COLUMNS:
        assert f"`{sheet}`" in readme
    assert SETTING in readme


def test_every_column_of_a_sheet_is_explained() -> None:
    for sheet, columns in COLUMNS.items():
        for column in columns:
            assert column.says, f"{sheet}.{column.name}"


def test_every_test_that_the_papers_name_is_there() -> None:
    written = (TOP / "DEVELOPERS.md").read_text(encoding="utf-8")
    tests = {path: path.read_text(encoding="utf-8") for path in (TOP / "tests").rglob("test_*.py")}
    defined = {name for text in tests.values() for name in re.findall(r"^def (test_\w+)", text, re.MULTILINE)}
    assert set(re.findall(r"`(test_\w+)`", written)) - defined == set()
    named = set(re.findall(r"\b(tests/[\w/]+\.py|test_\w+\.py)", written))
    assert {name for name in named if not any(path.as_posix().endswith(f"/{name}") for path in tests)} - {
        path.relative_to(TOP).as_posix() for path in (TOP / "tests").rglob("*.py")
    } == set()


def test_every_ignored_lint_rule_has_its_reason() -> None:
    lines = (TOP / "pyproject.toml").read_text(encoding="utf-8").splitlines()
    start = lines.index("ignore = [")
    end = lines.index("]", start)
    assert all("#" in line for line in lines[start + 1 : end])


def test_the_top_level_holds_only_what_belongs_there() -> None:
    listed = subprocess.run(["git", "ls-files"], cwd=TOP, capture_output=True, text=True, check=False)
    if listed.returncode:
        pytest.skip("not a git checkout")
    belongs = {
        ".ci", ".gitignore", "DEVELOPERS.md", "LICENSE", "README.md", "instance_demo", "pyproject.toml",
        "requirements.lock", "spoolkeep", "templates", "tests",
    }  # fmt: skip
    assert {name.split("/")[0] for name in listed.stdout.splitlines()} <= belongs


def test_the_lock_file_pins_what_the_project_needs() -> None:
    project = tomllib.loads((TOP / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    pinned = {
        line.split("==")[0].lower() for line in (TOP / "requirements.lock").read_text().splitlines() if "==" in line
    }
    needed = {name.split(">")[0].split("[")[0].lower() for name in project["dependencies"]}
    assert needed <= pinned
