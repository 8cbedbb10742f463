"""What is said of handling a plastic."""

import pytest

from spoolkeep.domain.care import FOOD, About, Note, notes
from spoolkeep.domain.words import Finish

SOURCES = ("common practice", "from memory", "Environ. Sci. Technol.", "NIOSH", "(EU) No 10/2011")


def about(some: tuple[Note, ...]) -> dict[About, Note]:
    return {one.about: one for one in some}


@pytest.mark.parametrize("material", ["PLA", "PETG", "ABS", "ASA", "TPU", "PA", "PC", "something else"])
def test_every_material_says_how_it_is_dried_kept_and_what_it_gives_off_each_with_its_source(material: str) -> None:
    found = about(notes(material, thirsty=False))
    assert set(found) == {About.DRYING, About.KEEPING, About.FUMES, About.CONTACT}
    for note in found.values():
        assert any(source in note.source for source in SOURCES), note
        assert note.words.endswith(".")


def test_styrene_and_caprolactam_are_named_where_they_were_measured() -> None:
    """Source: Azimi et al., Environ. Sci. Technol. 50 (2016): styrene of ABS, caprolactam of nylon, lactide of PLA."""
    for material, vapour in (("ABS", "styrene"), ("PA", "caprolactam"), ("PLA", "lactide")):
        note = about(notes(material, thirsty=False))[About.FUMES]
        assert vapour in note.words
        assert "Azimi" in note.source


def test_nothing_promises_that_a_part_is_fit_for_food() -> None:
    """Source: Regulation (EU) No 10/2011, article 15: a written declaration goes with what is to touch food."""
    note = about(notes("PETG", thirsty=False))[About.CONTACT]
    assert "declaration" in note.words
    assert note.source == FOOD


def test_what_is_filled_or_glows_makes_dust() -> None:
    assert About.DUST in about(notes("PLA", Finish.FILLED, thirsty=False))
    assert About.DUST not in about(notes("PLA", Finish.MATT, thirsty=False))


def test_what_draws_water_lives_in_a_dry_box() -> None:
    assert "dry box" in about(notes("PA", thirsty=True))[About.KEEPING].words
    assert "dry box" not in about(notes("PLA", thirsty=False))[About.KEEPING].words
