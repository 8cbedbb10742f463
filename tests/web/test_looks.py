"""While a workshop is served, it looks by itself for what is due though nobody asks."""

import threading
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from spoolkeep.services import assumed, keeping, outlooks, standstill, untold
from spoolkeep.services.instance import Instance
from spoolkeep.services.notices.sending import ROUND_EACH_S
from spoolkeep.store.engine import Store, open_store
from spoolkeep.web import looks
from spoolkeep.web.looks import Look, looking

NOW = datetime(2026, 3, 4, 12, 0, tzinfo=UTC)
WAIT_S = 20


def test_a_look_goes_on_when_it_fails_and_ends_with_the_serving(store: Store, caplog: pytest.LogCaptureFixture) -> None:
    seen, thrice = [], threading.Event()

    def look(where: Store, _now: object) -> None:
        seen.append(where)
        if len(seen) >= 3:
            thrice.set()
        raise RuntimeError("the disk is full")

    with looking(store, [Look("shelves", look, each_s=0.001)]):
        assert thrice.wait(WAIT_S)
    assert set(map(id, seen)) == {id(store)}
    assert "The look “shelves” could not be done" in caplog.text
    assert not any(thread.name == "shelves" for thread in threading.enumerate()), "nobody looks once it is over"


def test_a_look_that_takes_long_holds_up_no_other(store: Store) -> None:
    go_on, twice = threading.Event(), threading.Event()
    quick: list[int] = []

    def count(_store: Store, _now: object) -> None:
        quick.append(1)
        if len(quick) >= 2:
            twice.set()

    looks_here = [
        Look("long", lambda _store, _now: go_on.wait(WAIT_S), each_s=0.001),
        Look("quick", count, each_s=0.001),
    ]
    with looking(store, looks_here):
        assert twice.wait(WAIT_S)
        go_on.set()


def test_a_look_that_never_ends_is_named_and_not_awaited_for_ever(
    store: Store, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(looks, "LONGEST_END_S", 0.05)
    begun, go_on = threading.Event(), threading.Event()

    def stuck(_store: Store, _now: object) -> None:
        begun.set()
        go_on.wait(WAIT_S)

    with looking(store, [Look("stuck", stuck, each_s=0.001)]):
        assert begun.wait(WAIT_S)
    assert "Not awaited to its end: stuck" in caplog.text
    go_on.set()


def test_each_minute_what_is_due_is_done_and_the_morning_is_reckoned_ahead(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    done: list[str] = []
    all_done = threading.Event()
    due = ((assumed, "take_all"), (standstill, "look_at_all"))
    what = (*due, (untold, "learned"), (outlooks, "told"), (keeping, "look"))

    def noted(name: str) -> object:
        def note(*_: object, **__: object) -> None:
            done.append(name)
            if set(done) == {one for _, one in what}:
                all_done.set()

        return note

    for module, name in what:
        monkeypatch.setattr(module, name, noted(name))
    each = looks.of(Instance(tmp_path), store, is_demo=False)
    assert {look.each_s for look in each} == {60.0, ROUND_EACH_S}
    assert {look.name for look in each if look.everywhere} == {"ahead"}
    with looking(store, [replace(look, each_s=0.001) for look in each]):
        assert all_done.wait(WAIT_S), done


def test_the_daily_copy_is_proved_by_another_process_so_that_no_page_waits(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = list[bool]()
    monkeypatch.setattr(keeping, "look", lambda _store, *, now, apart=False: asked.append(bool(now) and apart))
    (copy,) = [look for look in looks.of(Instance(tmp_path), store, is_demo=False) if look.name == "copy"]
    copy.do(store, NOW)
    assert asked == [True]


def test_what_a_process_keeps_in_memory_is_reckoned_as_soon_as_it_serves(store: Store) -> None:
    at_once = threading.Event()
    with looking(store, [Look("ahead", lambda _store, _now: at_once.set(), first_s=0.0)]):
        assert at_once.wait(WAIT_S)


def test_of_two_processes_one_looks_and_both_reckon(postgres_store: Store) -> None:
    looked: list[str] = []
    with closing(open_store(postgres_store.engine.url.render_as_string(hide_password=False))) as other:
        twice = {name: threading.Event() for name in ("ours", "theirs")}

        def reckon(name: str) -> Callable[[Store, object], None]:
            def note(_store: Store, _now: object) -> None:
                if looked.count(f"{name} ahead") >= 2:
                    twice[name].set()
                looked.append(f"{name} ahead")

            return note

        def each(name: str) -> list[Look]:
            return [
                Look("due", lambda _store, _now: looked.append(f"{name} due"), each_s=0.01),
                Look("ahead", reckon(name), each_s=0.05, everywhere=True),
            ]

        with looking(postgres_store, each("ours")), looking(other, each("theirs")):
            assert all(one.wait(WAIT_S) for one in twice.values())
    assert len({one for one in looked if one.endswith("due")}) == 1
