"""A controller of its own, slow and exact: one character after another, every sum in decimals.

The meter's tests hold it against this. It shares no line with the program: where both read a rule wrongly they differ,
unless the rule itself was understood wrongly; what is understood stands in words beside each.
"""

from dataclasses import dataclass, field
from decimal import Decimal, localcontext

PI = Decimal("3.14159265358979323846264338327950288")


@dataclass
class Controller:
    """The net filament by tool after a program, in millimetres."""

    g90_governs_e: bool = False
    net: dict[int, Decimal] = field(default_factory=dict)
    at: Decimal = Decimal(0)
    tool: int = 0
    is_relative: bool = False
    is_inches: bool = False
    flow: dict[int, Decimal] = field(default_factory=dict)
    diameters: dict[int | None, Decimal] = field(default_factory=dict)
    pull: Decimal = Decimal(0)
    extra: Decimal = Decimal(0)
    back: set[int] = field(default_factory=set)

    def run(self, program: str) -> dict[int, Decimal]:
        """Do a whole program."""
        with localcontext() as context:
            context.prec = 50
            for line in program.split("\n"):
                self.do(letters_of(line))
        return self.net

    def do(self, words: list[tuple[str, str]]) -> None:
        """Do one line, as its letters and numbers."""
        if words and words[0][0] == "N":
            words = words[1:]
        if not words or not words[0][1]:
            return
        (letter, number), rest = words[0], dict(words[1:])
        if letter == "T":
            if number.isdigit() and int(number) < 255:
                self.tool = int(number)
            return
        if "." in number:
            return
        name = f"do_{letter.lower()}{int(number)}" if number.isdigit() else ""
        getattr(self, name, lambda _: None)(rest)

    def length(self, text: str) -> Decimal:
        """A length in the unit of now, in millimetres."""
        return Decimal(text) * (Decimal("25.4") if self.is_inches else 1)

    def volume_or_length(self, text: str) -> Decimal:
        """An E word: with M200 a volume, in inches a cubic inch."""
        inch = Decimal("25.4") ** (3 if self.diameters else 1)
        return Decimal(text) * (inch if self.is_inches else 1)

    def push(self, amount: Decimal) -> None:
        """Filament by the feed drive: times the flow, over the area where it is a volume."""
        diameter = self.diameters.get(self.tool, self.diameters.get(None))
        area = Decimal(1) if diameter is None else PI / 4 * diameter * diameter
        self.turn(amount * self.flow.get(self.tool, Decimal(1)) / area)

    def turn(self, mm: Decimal) -> None:
        """The feed drive turns."""
        self.net[self.tool] = self.net.get(self.tool, Decimal(0)) + mm

    def do_g1(self, words: dict[str, str]) -> None:
        """A move: E relative, or up to E."""
        if words.get("E"):
            told = self.volume_or_length(words["E"])
            to = self.at + told if self.is_relative else told
            self.push(to - self.at)
            self.at = to

    do_g0 = do_g2 = do_g3 = do_g1

    def do_g92(self, words: dict[str, str]) -> None:
        """Here is E; with nothing said, here is the origin."""
        if words.get("E"):
            self.at = self.volume_or_length(words["E"])
        elif not words:
            self.at = Decimal(0)

    def do_m82(self, _: dict[str, str]) -> None:
        """E absolute."""
        self.is_relative = False

    def do_m83(self, _: dict[str, str]) -> None:
        """E relative."""
        self.is_relative = True

    def do_g90(self, _: dict[str, str]) -> None:
        """Absolute; E too in some firmwares."""
        self.is_relative = self.is_relative and not self.g90_governs_e

    def do_g91(self, _: dict[str, str]) -> None:
        """Relative; E too in some firmwares."""
        self.is_relative = self.is_relative or self.g90_governs_e

    def do_g20(self, _: dict[str, str]) -> None:
        """Inches."""
        self.is_inches = True

    def do_g21(self, _: dict[str, str]) -> None:
        """Millimetres."""
        self.is_inches = False

    def do_m200(self, words: dict[str, str]) -> None:
        """E is a volume of a filament of this diameter; nought ends it."""
        tool = int(words["T"]) if words.get("T") else None
        if words.get("D"):
            if Decimal(words["D"]) == 0:
                self.diameters = {} if tool is None else {k: v for k, v in self.diameters.items() if k != tool}
            else:
                self.diameters[tool] = self.length(words["D"])

    def do_m221(self, words: dict[str, str]) -> None:
        """Flow in per cent, of a tool or the present one."""
        if words.get("S"):
            self.flow[int(words["T"]) if words.get("T") else self.tool] = Decimal(words["S"]) / 100

    def do_m207(self, words: dict[str, str]) -> None:
        """How far G10 pulls."""
        if words.get("S"):
            self.pull = self.length(words["S"])

    def do_m208(self, words: dict[str, str]) -> None:
        """How much more G11 pushes."""
        if words.get("S"):
            self.extra = self.length(words["S"])

    def do_g10(self, words: dict[str, str]) -> None:
        """Pull back once."""
        if "P" not in words and "L" not in words and self.tool not in self.back:
            self.back.add(self.tool)
            self.turn(-self.pull)

    def do_g11(self, _: dict[str, str]) -> None:
        """Push forward what was pulled."""
        if self.tool in self.back:
            self.back.discard(self.tool)
            self.turn(self.pull + self.extra)


def letters_of(line: str) -> list[tuple[str, str]]:
    """Read a line into letters with their numbers: comments, blanks and the checksum are nothing."""
    words: list[tuple[str, str]] = []
    is_bracket = False
    for sign in line:
        if is_bracket:
            is_bracket = sign != ")"
        elif sign == "(":
            is_bracket = True
        elif sign in ";*":
            break
        elif sign.isalpha():
            words.append((sign.upper(), ""))
        elif not sign.isspace() and words:
            words[-1] = words[-1][0], words[-1][1] + sign
    return words
