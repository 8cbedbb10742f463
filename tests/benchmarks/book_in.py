"""What it takes a practised person to book in twenty spools with a known maker's code, and to open their labels.

Run it: python tests/benchmarks/book_in.py. Operators of the keystroke-level model: a key or a click 0.20 s (skilled),
pointing 1.10, a hand to another device 0.40, mental preparation 1.35. Source: Card, Moran and Newell, 1980, The
keystroke-level model for user performance time with interactive systems, CACM 23(7) (from memory). It has no operator
for a scan: 1.5 s, common practice. Answers of either program are left out. That our page takes these acts and no more
is held by tests/web/browser/test_book_in.py; the spreadsheet's are our own reckoning, as kind to it as we could be: it
is laid out for this, fills twenty rows down from one, and prints labels by a merge that is set up already.
"""

from dataclasses import dataclass

SECONDS = {"key": 0.20, "click": 0.20, "point": 1.10, "hand": 0.40, "mind": 1.35, "scan": 1.5}
MADE = ("key", "click", "scan")
"""What counts as an act of the person."""


@dataclass(frozen=True)
class Step:
    """One thing a person does: its operators, and how often each."""

    what: str
    operators: dict[str, int]


def press(what: str, *, minds: int = 1) -> Step:
    """Give a press of a button by the mouse."""
    return Step(what, {"mind": minds, "point": 1, "click": 1})


def typed(what: str, keys: int) -> Step:
    """Give a field that is thought of and typed, with the key that leads on."""
    return Step(what, {"mind": 1, "key": keys + 1})


OURS = (
    Step("scan the maker's code on a box", {"mind": 1, "scan": 1}),
    Step("hand to the mouse", {"hand": 1}),
    press("book it in and open the labels"),
)
SHEET = (
    press("the first free cell"),
    Step("hand to the keys", {"hand": 1}),
    typed("the day, by its shortcut", 2),
    typed("the order's number", 6),
    typed("the item's code", 6),
    typed("the lot", 6),
    typed("grams on a spool", 4),
    typed("price of a spool", 5),
    typed("its share of the freight", 5),
    typed("the spool's number", 4),
    Step("choose twenty rows and fill them down", {"mind": 1, "key": 24}),
    Step("number the twenty in series", {"mind": 1, "key": 22}),
    Step("hand to the mouse", {"hand": 1}),
    press("save"),
    press("the merge"),
    press("its rows", minds=2),
    press("the labels"),
)


def seconds(steps: tuple[Step, ...]) -> float:
    """Give the time of these steps."""
    return sum(SECONDS[name] * often for step in steps for name, often in step.operators.items())


def acts(steps: tuple[Step, ...]) -> int:
    """Give the keys, clicks and scans of these steps."""
    return sum(step.operators.get(name, 0) for step in steps for name in MADE)


def main() -> None:
    """Print both, step by step."""
    for name, steps in (("here", OURS), ("in a spreadsheet", SHEET)):
        print(f"{name}: {acts(steps)} acts, {seconds(steps):.1f} s")
        for step in steps:
            print(f"  {seconds((step,)):5.2f} s  {step.what}")
    print(f"ratio {seconds(SHEET) / seconds(OURS):.1f}")


if __name__ == "__main__":
    main()
