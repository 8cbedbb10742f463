"""Codes against the examples that their standards print.

The drawn figure of ISO/IEC 15417 (the modules of AIM) was not at hand, so its widths are from memory; that an
independent reader reads every label is checked in the press's own tests.
"""

import itertools

import pytest
from barcode.codex import Code128
from stdnum import ean
from stdnum.iso7064 import mod_97_10

from spoolkeep.domain.codes import Code, CodeKind, RetailCode, read_code
from spoolkeep.paper.barcode import modules_of


def test_code_128_of_aim1234_has_the_published_values_and_check() -> None:
    # ISO/IEC 15417:2007, Annex A.1: Start B, A I M, Code C, 12 34, and the check character 87
    values = Code128("AIM1234").encoded
    assert values == [104, 33, 41, 45, 99, 12, 34]
    assert (values[0] + sum(at * value for at, value in enumerate(values[1:], 1))) % 103 == 87
    # start, six characters, check, each of 11 modules, and the stop of 13
    assert len(modules_of("AIM1234")) == 8 * 11 + 13


def test_the_bars_of_aim1234_carry_the_published_check() -> None:
    # ISO/IEC 15417, table 1: in set B a value is the ASCII number less 32, so the bars of 87 are those of "w"
    assert ord("w") - 32 == 87
    assert symbols_of("AIM1234")[-2] == symbols_of("w")[1]


@pytest.mark.parametrize(
    ("place", "widths"), [(0, "211214"), (1, "111323"), (2, "231311"), (3, "113123"), (-1, "2331112")]
)
def test_the_bars_of_aim_are_as_wide_as_in_the_standards_table(place: int, widths: str) -> None:
    # ISO/IEC 15417, table 1 and figure 1: Start B, A, I, M and the stop, a bar first; from memory
    assert "".join(str(len(list(run))) for _, run in itertools.groupby(symbols_of("AIM1234")[place])) == widths


def symbols_of(text: str) -> list[str]:
    """Cut a text's modules into symbols: 11 modules each, and the stop of 13."""
    modules = modules_of(text)
    stop = len(modules) - 13
    return [*(modules[at : at + 11] for at in range(0, stop, 11)), modules[stop:]]


@pytest.mark.parametrize(
    ("body", "check"),
    [
        ("629104150021", "3"),  # GS1, how to calculate a check digit manually: its own worked EAN-13
        ("03600024145", "7"),  # a published UPC-A
        ("7351353", "7"),  # a published EAN-8
    ],
)
def test_makers_codes_have_the_published_check_digits(body: str, check: str) -> None:
    assert ean.calc_check_digit(body) == check
    assert read_code(body + check) == RetailCode(body + check)


def test_mod_97_10_of_794_is_44() -> None:
    # ISO 7064, 7.4: "79400 ... remainder 54 ... (97 + 1) - 54 = 44 ... 79444"
    assert 79400 % 97 == 54
    assert mod_97_10.calc_check_digits("794") == "44"
    assert mod_97_10.is_valid("79444")


def test_the_letter_of_our_codes_counts_as_in_an_iban() -> None:
    # ISO 13616: A is 10 ... S is 28, so S004217 is the number 28004217; then as in ISO 7064, 7.4
    check = 98 - 2800421700 % 97
    assert check == 20
    assert read_code(f"S004217{check}") == Code(CodeKind.SPOOL, 4217)
