"""What the demo's owner knows ahead, and what its customers then ask for."""

from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

from spoolkeep.services import foresight
from spoolkeep.services.demo import prepare
from spoolkeep.services.demo.truth import load
from spoolkeep.services.instance import Instance

NOW = datetime(2026, 3, 4, 12, 0, tzinfo=UTC)
TERM = {"Cable comb, Ink", "Cable comb, Milk", "Bag hook pair, Ink", "Rail clip, Tar"}


def test_the_owner_enters_ahead_what_customers_then_ask_for(tmp_path: Path) -> None:
    instance = Instance(tmp_path / "made")
    prepare(instance, now=NOW, days=70)
    truth = load(instance.folder)
    assert truth is not None
    with closing(instance.open()) as store, store.read() as session:
        known = foresight.listed(session)
    assert {one.about for one in known} == TERM  # the first fair began before it could be told
    assert {(one.from_day - truth.first_day).days for one in known} == {60}
    assert {one.factor for one in known} == {2.2}
    asked = [truth.asked_mg.get(truth.first_day + timedelta(days=n), {}).get("PETG Ink", 0) for n in range(70)]
    assert sum(asked[60:]) / 10 > 1.4 * sum(asked[:60]) / 60
