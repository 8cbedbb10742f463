"""The codes on labels, and the one strict reader that every door uses.

Services, the press and imports call it. It must not know what a code stands for in the books.
"""

import re
import unicodedata
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache

from stdnum import ean
from stdnum.iso7064 import mod_97_10

from spoolkeep.domain.errors import BadInput

MOST_SERIAL = 999_999

_SERIAL_DIGITS = 6
_LENGTH = 9
_UPC_A, _EAN_13 = 12, 13
_RETAIL_LENGTHS = (8, _UPC_A, _EAN_13)
_SHOWN = 40


class CodeKind(StrEnum):
    """What a code is on."""

    SPOOL = "S"
    FEED = "F"
    PLACE = "P"
    ORDER = "R"
    JOB = "J"
    CARD = "C"


_WORDS = {
    CodeKind.SPOOL: "a spool",
    CodeKind.FEED: "a feed",
    CodeKind.PLACE: "a place",
    CodeKind.ORDER: "an order",
    CodeKind.JOB: "a job ticket",
    CodeKind.CARD: "a bench card",
}
_KINDS = "".join(CodeKind)
_SHAPE = re.compile(rf"([{_KINDS}])(\d{{6}})\d{{2}}", re.ASCII)
_NEAR = re.compile(rf"[{_KINDS}][0-9A-Z]{{{_LENGTH - 2},{_LENGTH}}}", re.ASCII)


@dataclass(frozen=True)
class Code:
    """One of our own codes: a kind and a serial from 1 to 999,999."""

    kind: CodeKind
    serial: int

    def __post_init__(self) -> None:
        if not 1 <= self.serial <= MOST_SERIAL:
            raise BadInput("no_such_serial", f"A serial goes from 1 to {MOST_SERIAL}, not {self.serial}.")

    @property
    def text(self) -> str:
        """Give the nine characters: letter, six digits, two check digits.

        Source: ISO/IEC 7064 MOD 97-10, the letter read as 10 to 35 as in ISO 13616 and ISO 17442.
        """
        return _checked(f"{self.kind}{self.serial:0{_SERIAL_DIGITS}d}")

    @property
    def grouped(self) -> str:
        """Give the characters in groups, for the eye."""
        return f"{self.text[:4]} {self.text[4:7]} {self.text[7:]}"


@lru_cache(maxsize=4096)
def _checked(body: str) -> str:
    """Give a body with its check digits; a label asks for them several times."""
    return body + str(mod_97_10.calc_check_digits(body))


@dataclass(frozen=True)
class RetailCode:
    """A maker's own EAN-8, UPC-A or EAN-13, its check digit right.

    Errors: BadInput where it has another length or a wrong check digit.
    Source: GS1 General Specifications, the check digit of GTINs (modulo 10, weights 3 and 1).
    """

    digits: str

    def __post_init__(self) -> None:
        if len(self.digits) not in _RETAIL_LENGTHS or not ean.is_valid(self.digits):
            words = f"“{self.digits[:_SHOWN]}” is not a maker's barcode: a digit is wrong or missing. Scan it again."
            raise BadInput("mistyped_code", words)


_FRENCH = str.maketrans("à&é\"'(-è_ç§!", "012345678968")
"""What a French keyboard makes of the digits that a scanner types as if it had a US one.

The last two stand for 6 and 8 on Belgian and some other French keyboards.
Source: the AZERTY layout of Windows; the last two from memory.
"""


def read_code(text: str) -> Code | RetailCode:
    """Give the code in scanned or typed text. Blanks, case and wide letters do not matter.

    A text without any digit is taken as typed through a French keyboard, and its digits are repaired. An EAN-13 that
    begins with 0 is given as the UPC-A that it is, so that one barcode is one code whatever the scanner sends.
    Errors: BadInput where it is empty, mistyped, or no code of ours and no maker's.
    Source: GS1 General Specifications: a UPC-A is an EAN-13 with a 0 before it.
    """
    plain = _plain(text)
    if not plain:
        raise BadInput("empty_code", "Nothing was scanned. Scan a label, or type its code.")
    found = _ours(plain) or _retail(plain)
    if found:
        return found
    shown = "".join(text.split())[:_SHOWN]
    if _is_near(plain):
        words = f"“{shown}” does not check out: a character is wrong or missing. Scan it again, or type all of it."
        raise BadInput("mistyped_code", words)
    words = f"“{shown}” is neither one of our labels nor a maker's EAN or UPC. Scan the label with our code on it."
    raise BadInput("foreign_barcode", words)


def read_code_of(text: str, kind: CodeKind) -> Code:
    """Give the code of one kind. Errors: BadInput, as above and where it is of another kind."""
    code = read_code(text)
    if isinstance(code, RetailCode):
        raise BadInput("wrong_kind", f"{code.digits} is a maker's barcode. Here scan our label of {_WORDS[kind]}.")
    if code.kind is not kind:
        words = f"{code.grouped} is the code of {_WORDS[code.kind]}. Here scan the label of {_WORDS[kind]}."
        raise BadInput("wrong_kind", words)
    return code


def kind_in_words(kind: CodeKind) -> str:
    """Give what a kind of code is on, with its article."""
    return _WORDS[kind]


def _plain(text: str) -> str:
    folded = "".join(unicodedata.normalize("NFKC", text).split())
    if not any(letter.isdecimal() for letter in folded):
        folded = folded.lower().translate(_FRENCH)
    return folded.upper()


def _ours(plain: str) -> Code | None:
    shape = _SHAPE.fullmatch(plain)
    if not shape or not mod_97_10.is_valid(plain) or not int(shape[2]):
        return None
    return Code(CodeKind(shape[1]), int(shape[2]))


def _retail(plain: str) -> RetailCode | None:
    if not _could_be_retail(plain) or not ean.is_valid(plain):
        return None
    return RetailCode(plain[1:] if len(plain) == _EAN_13 and plain.startswith("0") else plain)


def _could_be_retail(plain: str) -> bool:
    return len(plain) in _RETAIL_LENGTHS and plain.isascii() and plain.isdecimal()


def _is_near(plain: str) -> bool:
    return bool(_NEAR.fullmatch(plain)) or _could_be_retail(plain)
