"""While a workshop is served, somebody looks each minute for what is due though nobody asks."""

import threading

import pytest

from spoolkeep.services import assumed
from spoolkeep.store.engine import Store
from spoolkeep.web import serving


def test_somebody_looks_each_minute_and_goes_on_when_a_look_fails(
    store: Store, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    looks, thrice = [], threading.Event()

    def look(where: Store, **_: object) -> None:
        looks.append(where)
        if len(looks) >= 3:
            thrice.set()
        raise RuntimeError("the disk is full")

    monkeypatch.setattr(serving, "LOOKS_EACH_S", 0.001)
    monkeypatch.setattr(assumed, "take_all", look)
    with serving._looking(store):  # noqa: SLF001 - `serve` runs until it is stopped
        assert thrice.wait(20)
    seen = len(looks)
    assert set(map(id, looks)) == {id(store)}
    assert "tried again in a minute" in caplog.text
    assert len(looks) == seen, "nobody looks once it is over"
