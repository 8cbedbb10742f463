"""What several tests of services begin with."""

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import pytest

from spoolkeep.store.engine import Store
from tests.services import postbox
from tests.services.noticedesk import Clock, Desk
from tests.services.postbox import Bell, Post
from tests.workshop import TestWorkshop


@pytest.fixture
def bell() -> Iterator[Bell]:
    with postbox.receiver() as found:
        yield found


@pytest.fixture
def post() -> Iterator[Post]:
    with postbox.mail_server() as found:
        yield found


@pytest.fixture
def desk(store: Store, now: datetime, tmp_path: Path) -> Desk:
    return Desk(TestWorkshop(store, now), Clock(now), tmp_path)
