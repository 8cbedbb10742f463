"""Our own codes, makers' codes, and what the one reader makes of slips and scanners."""

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from spoolkeep.domain.codes import Code, CodeKind, RetailCode, kind_in_words, read_code, read_code_of
from spoolkeep.domain.errors import BadInput

CODES = st.builds(Code, st.sampled_from(CodeKind), st.integers(1, 999_999))
AZERTY = str.maketrans("0123456789", "à&é\"'(-è_ç")  # the top row of a French keyboard, unshifted


def refusal_of(text: str) -> str:
    with pytest.raises(BadInput) as refused:
        read_code(text)
    return refused.value.code


@given(CODES)
def test_every_code_reads_back(code: Code) -> None:
    assert read_code(code.text) == code
    assert read_code(code.grouped) == code
    assert read_code_of(code.text, code.kind) == code


@given(CODES)
def test_a_code_is_a_letter_and_eight_digits_so_it_is_never_a_makers(code: Code) -> None:
    assert len(code.text) == 9
    assert code.text[0] in "SFPRJC"
    assert code.text[1:].isdecimal()


def test_a_spool_code_is_shown_in_groups() -> None:
    code = Code(CodeKind.SPOOL, 4217)
    assert (code.text, code.grouped) == ("S00421720", "S004 217 20")


@given(CODES)
def test_a_scanner_with_a_us_layout_on_a_french_keyboard_is_understood(code: Code) -> None:
    assert read_code(code.text.translate(AZERTY)) == code


def test_a_makers_code_through_a_french_keyboard_is_understood() -> None:
    assert read_code("6291041500213".translate(AZERTY)) == RetailCode("6291041500213")


WIDE = "".join(chr(ord(letter) + 0xFEE0) for letter in "S00421720")  # as a Japanese keyboard may type it


@pytest.mark.parametrize("typed", [" s00421720 ", "S004 217 20", "s 0 0 4 2 1 7 2 0", "S00421720\r\n", WIDE])
def test_blanks_case_and_wide_letters_do_not_matter(typed: str) -> None:
    assert read_code(typed) == Code(CodeKind.SPOOL, 4217)


@given(CODES, st.integers(0, 8), st.sampled_from("0123456789SFPRJC"))
def test_every_single_wrong_character_is_caught(code: Code, at: int, wrong: str) -> None:
    slip = code.text[:at] + wrong + code.text[at + 1 :]
    assume(slip != code.text)
    assert refusal_of(slip) in {"mistyped_code", "foreign_barcode"}


@given(CODES, st.integers(0, 7))
def test_every_pair_of_neighbours_swapped_is_caught(code: Code, at: int) -> None:
    letters = list(code.text)
    letters[at], letters[at + 1] = letters[at + 1], letters[at]
    assume("".join(letters) != code.text)
    assert refusal_of("".join(letters)) in {"mistyped_code", "foreign_barcode"}


@given(CODES, st.integers(0, 6))
def test_every_pair_swapped_across_one_is_caught(code: Code, at: int) -> None:
    letters = list(code.text)
    letters[at], letters[at + 2] = letters[at + 2], letters[at]
    assume("".join(letters) != code.text)
    assert refusal_of("".join(letters)) in {"mistyped_code", "foreign_barcode"}


@given(CODES, st.integers(1, 8))
def test_a_lost_character_is_caught_as_a_slip(code: Code, at: int) -> None:
    assert refusal_of(code.text[:at] + code.text[at + 1 :]) == "mistyped_code"


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("", "empty_code"),
        (" \t\n", "empty_code"),
        ("S00421721", "mistyped_code"),
        ("SO0421720", "mistyped_code"),
        ("S004217", "foreign_barcode"),
        ("S00000010", "mistyped_code"),
        ("6291041500214", "mistyped_code"),
        ("https://example.org/42", "foreign_barcode"),
        ("ABC-1234", "foreign_barcode"),
        ("٦٢٩١٠٤١٥٠٠٢١٣", "foreign_barcode"),
        ("S" * 10_000, "foreign_barcode"),
        ("16291041500210", "foreign_barcode"),  # a case's own code of 14 digits
    ],
)
def test_what_is_no_code_is_refused_with_a_reason(text: str, code: str) -> None:
    assert refusal_of(text) == code


@given(st.text(max_size=30))
def test_any_text_gives_a_code_or_a_sentence(text: str) -> None:
    answer: str | Code | RetailCode
    try:
        answer = read_code(text)
    except BadInput as refused:
        answer = refused.words
    assert isinstance(answer, Code | RetailCode) or answer.endswith(".")


def test_a_refusal_shows_no_more_than_a_line_of_what_was_scanned() -> None:
    with pytest.raises(BadInput) as refused:
        read_code("X" * 5000)
    assert len(refused.value.words) < 150


def test_a_upc_sent_as_an_ean_with_a_zero_is_the_same_code() -> None:
    # GS1 General Specifications: a UPC-A is an EAN-13 that begins with 0
    assert read_code("0036000241457") == read_code("036000241457") == RetailCode("036000241457")


def test_a_makers_code_must_check_out_however_it_is_made() -> None:
    for digits in ("6291041500214", "123", "", "abc", "0 73513537"):
        with pytest.raises(BadInput):
            RetailCode(digits)


def test_a_place_is_not_taken_for_a_spool() -> None:
    with pytest.raises(BadInput, match=r"is the code of a place\. Here scan the label of a spool") as refused:
        read_code_of(Code(CodeKind.PLACE, 12).text, CodeKind.SPOOL)
    assert refused.value.code == "wrong_kind"


def test_a_makers_barcode_is_not_taken_for_a_spool() -> None:
    with pytest.raises(BadInput, match="is a maker's barcode") as refused:
        read_code_of("6291041500213", CodeKind.SPOOL)
    assert refused.value.code == "wrong_kind"


@pytest.mark.parametrize("serial", [0, -1, 1_000_000])
def test_a_serial_has_one_to_six_digits(serial: int) -> None:
    with pytest.raises(BadInput) as refused:
        Code(CodeKind.SPOOL, serial)
    assert refused.value.code == "no_such_serial"


def test_every_kind_has_words() -> None:
    assert {kind: kind_in_words(kind) for kind in CodeKind}[CodeKind.ORDER] == "an order"
