"""The line that names the columns is found below titles, over two lines, beside empty columns."""

from spoolkeep.domain import headings
from spoolkeep.domain.sheets import records_of

KNOWN = {"material", "colour", "left", "place"}


def lines(text: str) -> tuple[int, int]:
    return headings.found(records_of(text.encode()), KNOWN)


def test_a_plain_sheet_is_named_by_its_first_line() -> None:
    assert lines("material,colour,left\nPLA,Black,850\n") == (1, 1)
    assert lines("stuff,hue,grams\nPLA,Black,850\n") == (1, 1)


def test_titles_and_empty_lines_above_are_passed_over() -> None:
    assert lines("Our shelves, spring\n\n,,as of March\nMaterial,Colour,Left\nPLA,Black,850\n") == (4, 4)


def test_two_lines_can_name_the_columns_together() -> None:
    text = "Material;Colour;Weight;;Place\n;;left;new;\nPLA;Black;850 g;1 kg;A\n"
    assert lines(text) == (1, 2)
    assert headings.names_of(records_of(text.encode()), 1, 2) == (
        "Material",
        "Colour",
        "Weight left",
        "Weight new",
        "Place",
    )


def test_a_row_of_words_alone_is_not_taken_for_a_second_heading() -> None:
    assert lines("material,colour,place\nPLA,Black,Shelf\nPLA,White,Shelf\n") == (1, 1)


def test_columns_without_a_name_are_called_by_their_letter_and_empty_ones_are_none() -> None:
    records = records_of(b"material,,,left,left\nPLA,x,,1,2\n")
    assert headings.names_of(records, 1, 1) == ("material", "Column B", "", "left", "left (2)")


def test_a_row_that_sums_up_is_known_by_its_word() -> None:
    told = {record.cells[0]: headings.sums_up(record) for record in records_of(b"Total:,3\nTotally black,3\nsum,1\n")}
    assert told == {"Total:": True, "Totally black": False, "sum": True}


def test_columns_after_the_twenty_sixth_have_two_letters() -> None:
    assert [headings.letter(at) for at in (0, 25, 26, 52)] == ["A", "Z", "AA", "BA"]
