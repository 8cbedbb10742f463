"""Whether a spool is the right one: what stops, what asks and what only tells."""

from dataclasses import replace
from typing import Any

import pytest

from spoolkeep.domain.rightspool import (
    Held,
    Kinds,
    Limits,
    Wanted,
    Weight,
    faults,
    instead_of,
    of_standby,
    usual_reel_mm,
    worst,
)

BLACK = Kinds(1, "PLA", "Soot", 1750)
WHITE = Kinds(2, "PLA", "Chalk", 1750)
PETG = Kinds(3, "PETG", "Soot", 1750)
THICK = Kinds(4, "PLA", "Soot", 2850)
ASA = Kinds(5, "ASA", "Tar", 1750, asks_enclosed=True)
FILLED = Kinds(6, "PLA", "Bronze", 1750, asks_hardened=True)
WANTED = Wanted("Bracket", (BLACK,), needs_mg=412_000)
ANY = Limits("Heron")


def found(held: Held, wanted: Wanted | None = WANTED, limits: Limits = ANY) -> list[tuple[str, Weight]]:
    return [(one.code, one.weight) for one in faults(wanted, held, limits)]


def words(held: Held, wanted: Wanted | None = WANTED, limits: Limits = ANY) -> str:
    return " ".join(one.words for one in faults(wanted, held, limits))


def test_the_right_spool_is_right() -> None:
    assert found(Held(BLACK, 800_000, 0.99)) == []
    assert worst(()) is None


def test_another_material_stops_and_says_what_would_be_right() -> None:
    assert found(Held(PETG, 800_000)) == [("material", Weight.STOP)]
    assert words(Held(PETG, 800_000)) == "It is PETG Soot, and “Bracket” wants PLA Soot."


def test_another_diameter_stops() -> None:
    assert found(Held(THICK, 800_000)) == [("diameter", Weight.STOP)]
    assert words(Held(THICK, 800_000)) == "It is 2.85 mm thick, and “Bracket” wants 1.75 mm."


def test_another_colour_only_asks() -> None:
    assert found(Held(WHITE, 800_000)) == [("colour", Weight.ASK)]


def test_an_item_that_the_owner_accepts_in_its_place_is_right() -> None:
    assert found(Held(WHITE, 800_000), replace(WANTED, instead=frozenset({2}))) == []


def test_an_accepted_substitute_is_named_beside_what_it_stands_in_for() -> None:
    accepts = replace(WANTED, instead=frozenset({2, 3}))
    assert instead_of(accepts, Held(WHITE, 800_000)) == "Chalk in place of Soot."
    assert instead_of(accepts, Held(PETG, 800_000)) == "PETG Soot in place of PLA Soot."
    assert instead_of(accepts, Held(BLACK, 800_000)) == ""
    assert instead_of(WANTED, Held(WHITE, 800_000)) == "", "nobody accepts it: that is asked about"
    assert instead_of(Wanted("Hook"), Held(WHITE, 800_000)) == ""


def test_what_stands_by_is_held_to_what_is_in_use_and_to_be_weighed_where_it_may_be_none() -> None:
    def of(waits: Held) -> list[tuple[str, Weight]]:
        return [(one.code, one.weight) for one in of_standby(BLACK, waits)]

    assert of(Held(BLACK, 800_000)) == []
    assert of(Held(BLACK, 0)) == [("waits_empty", Weight.TELL)]
    assert of(Held(BLACK, 5_000, doubtful=True)) == [("waits_doubtful", Weight.TELL)]
    assert of(Held(WHITE, 0)) == [("waits_colour", Weight.ASK), ("waits_empty", Weight.TELL)]
    assert of(Held(PETG, 800_000)) == [("waits_material", Weight.STOP)]


def test_of_a_product_any_of_its_items_will_do() -> None:
    assert found(Held(WHITE, 800_000), Wanted("Lamp", (BLACK, WHITE))) == []
    assert found(Held(PETG, 800_000), Wanted("Lamp", (BLACK, WHITE))) == [("material", Weight.STOP)]


def test_a_job_that_names_no_item_takes_what_is_there() -> None:
    assert found(Held(PETG, 800_000), Wanted("Hook")) == []
    assert found(Held(PETG, 800_000), None) == []


@pytest.mark.parametrize(("chance", "says"), [(0.97, ""), (0.8, "it may not last"), (0.2, "it will not last")])
def test_too_little_tells_how_sure_that_is(chance: float, says: str) -> None:
    held = Held(BLACK, 380_000, chance)
    assert (says in words(held)) if says else words(held) == ""
    assert found(held) == ([("short", Weight.TELL)] if says else [])


def test_a_spool_that_is_set_aside_stops_whatever_is_printed() -> None:
    assert found(Held(BLACK, 800_000, aside=True), None) == [("aside", Weight.STOP)]


def test_an_empty_or_doubtful_spool_asks_for_the_scale() -> None:
    assert found(Held(BLACK, 0)) == [("empty", Weight.TELL)]
    assert found(Held(BLACK, 5, doubtful=True)) == [("doubtful", Weight.TELL)]


@pytest.mark.parametrize(
    ("held", "limits", "code"),
    [
        (Held(BLACK, 1, reel_mm=300), Limits("Heron", largest_reel_mm=200), "reel"),
        (Held(ASA, 1), Limits("Heron", enclosed=False), "enclosed"),
        (Held(FILLED, 1), Limits("Heron", hardened=False), "hardened"),
        (Held(BLACK, 1, cardboard=True), Limits("Heron", cardboard=False), "cardboard"),
    ],
)
def test_what_a_machine_cannot_take_asks(held: Held, limits: Limits, code: str) -> None:
    assert found(held, None, limits) == [(code, Weight.ASK)]
    assert found(held, None, ANY) == []


def test_what_nobody_told_of_a_machine_is_not_asked() -> None:
    assert found(Held(ASA, 1, reel_mm=400), None, Limits("Heron")) == []


def test_a_job_of_one_lot_asks_for_the_lot_that_it_began_with() -> None:
    wanted = replace(WANTED, lot="A7")
    assert found(Held(BLACK, 1, lot="A7"), wanted) == []
    assert "lot B2" in words(Held(BLACK, 1, lot="B2"), wanted)
    assert "nobody noted" in words(Held(BLACK, 1), wanted)


def test_a_product_of_one_make_asks_for_it() -> None:
    wanted = replace(WANTED, make_id=9)
    assert found(Held(BLACK, 1, make_id=9), wanted) == []
    assert found(Held(BLACK, 1, make_id=8), wanted) == [("make", Weight.ASK)]


def test_a_thirsty_spool_that_lay_open_is_to_be_dried_first() -> None:
    pa: dict[str, Any] = {"may_hours": 12, "dry": "about 80 °C for 12 hours"}
    held = Held(Kinds(7, "PA", "Ash", 1750), 1, out_hours=216, **pa)
    assert found(held, None) == [("thirsty", Weight.TELL)]
    assert "about 9 days" in words(held, None)
    assert "80 °C" in words(held, None)
    assert found(Held(held.kinds, 1, out_hours=10, **pa), None) == []


def test_the_gravest_fault_stands_first() -> None:
    held = Held(PETG, 380_000, 0.1, reel_mm=400)
    limits = Limits("Heron", largest_reel_mm=200)
    assert [weight for _, weight in found(held, limits=limits)] == [Weight.STOP, Weight.ASK, Weight.TELL]


@pytest.mark.parametrize(
    ("grams", "mm"), [(250, 120), (750, 180), (1000, 200), (2500, 250), (5000, 320), (10_000, 360)]
)
def test_a_larger_reel_is_wider(grams: int, mm: int) -> None:
    # common practice, no source
    assert usual_reel_mm(grams * 1000) == mm
