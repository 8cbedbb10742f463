"""Debian's tools for the tests: skipped where one is missing, a must where a setting says so."""

import os
import shutil

import pytest

REQUIRED = "SPOOLKEEP_REQUIRE_TOOLS"


def tool(name: str) -> str:
    """Give the path of a program, or skip the test; with the setting, fail it."""
    found = shutil.which(name)
    if found is None and os.environ.get(REQUIRED):
        pytest.fail(f"{REQUIRED} is set, and {name} is not here.")
    if found is None:
        pytest.skip(f"{name} is not here")
    return found
