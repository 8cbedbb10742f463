"""What the ten commonest journeys take a practised person, here and in a spreadsheet, by the keystroke-level model.

Run it: python tests/benchmarks/journeys.py. Operators and their source are those of book_in.py; reading one line of a
table is a mental preparation. Answers of either program are left out. What our pages ask is counted from the pages: the
acts of loading are held by tests/web/browser/test_bench.py, of booking in by test_book_in.py, of the desk's forms by
tests/web/browser/test_journeys.py. The spreadsheet's are our own reckoning, as kind to it as we could be: one workbook
with a sheet each for spools, jobs and takings, laid out for this, with sums that are there already, on the desk's own
computer. The walk from the machine to that computer is left out too, which favours the spreadsheet most.
"""

import sys
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).parents[2]))  # run as a script, the tests' folder is not on the path

from tests.benchmarks.book_in import OURS as BOOK_IN
from tests.benchmarks.book_in import SHEET as BOOK_IN_BY_SHEET
from tests.benchmarks.book_in import Step, acts, press, seconds, typed


class Journey(NamedTuple):
    """What a person wants, and what it takes: here, and in a spreadsheet."""

    what: str
    ours: tuple[Step, ...]
    sheet: tuple[Step, ...]


def scans(what: str, count: int) -> Step:
    """Give scans one after the other, with the scanner in the hand."""
    return Step(what, {"mind": 1, "scan": count})


def read(what: str, lines: int) -> Step:
    """Give lines that are read and judged."""
    return Step(what, {"mind": lines})


def found(what: str) -> tuple[Step, ...]:
    """Give the way to a row of a sheet: the finder's shortcut, a name of six letters, Enter, away with it."""
    return (Step("hand to the keys", {"hand": 1}), typed(what, 8), Step("leave the finder", {"key": 1}))


TO_MOUSE = Step("hand to the mouse", {"hand": 1})
TO_KEYS = Step("hand to the keys", {"hand": 1})
TO_SCANNER = Step("take the scanner", {"hand": 1})
SAVE = Step("save by its shortcut", {"key": 2})
FEEDS, ITEMS, SUPPLIERS = 12, 25, 3

JOURNEYS = (
    Journey(
        "load a spool on a feed; the old one goes home",
        (TO_SCANNER, scans("the spool and the feed", 2)),
        (
            *found("the spool's row"),
            typed("its machine", 6),
            *found("the old spool's row"),
            typed("its shelf", 6),
            SAVE,
        ),
    ),
    Journey(
        "put a spool on another shelf",
        (TO_SCANNER, scans("the spool and the place", 2)),
        (*found("the spool's row"), typed("its shelf", 6), SAVE),
    ),
    Journey(
        "end a good job on four feeds",
        (TO_SCANNER, scans("its ticket, and the card of a good end", 2)),
        (
            *found("the job's row"),
            typed("good", 4),
            *(step for at in range(4) for step in (*found(f"spool {at + 1}"), typed("what is left now", 6))),
            SAVE,
        ),
    ),
    Journey(
        "end a job that failed at a layer",
        (
            TO_MOUSE,
            press("its End"),
            press("the list of where"),
            press("at layer"),
            press("the field beside it"),
            TO_KEYS,
            typed("the layer, and Enter", 3),
        ),
        (
            *found("the job's row"),
            typed("failed", 6),
            read("find the layer's share of the file's grams", 2),
            typed("reckon it", 10),
            *found("the spool's row"),
            typed("what is left now", 6),
            SAVE,
        ),
    ),
    Journey("book in twenty spools and print their labels", BOOK_IN, BOOK_IN_BY_SHEET),
    Journey(
        "weigh a spool",
        (TO_SCANNER, scans("the spool; a scale that types does the rest", 1)),
        (*found("the spool's row"), typed("the reading less the reel", 9), SAVE),
    ),
    Journey(
        "which colour runs out first, and when",
        (TO_MOUSE, press("Stock"), read("the first row", 1)),
        (
            TO_MOUSE,
            press("the sheet of stock"),
            press("sort by days"),
            read("the first row", 1),
            read("think of what is planned", 1),
        ),
    ),
    Journey(
        f"whether {FEEDS} feeds last the night",
        (TO_MOUSE, press("Tonight"), read("the three that will not last", 3)),
        (
            TO_MOUSE,
            press("the sheet of jobs"),
            *(
                Step(f"feed {at + 1}: job, its grams, the spool's grams, compare", {"mind": 3, "point": 1, "click": 1})
                for at in range(FEEDS)
            ),
        ),
    ),
    Journey(
        f"order what is needed of {ITEMS} items from {SUPPLIERS} suppliers",
        (
            TO_MOUSE,
            press("Orders"),
            read("each line", ITEMS),
            press("draft them"),
            press("all sheets"),
            Step("print", {"mind": 1, "key": 3}),
            press("they are sent"),
        ),
        (
            TO_MOUSE,
            *(
                Step(f"item {at + 1}: what is left, what is used, type a number", {"mind": 2, "key": 4})
                for at in range(ITEMS)
            ),
            *(
                step
                for at in range(SUPPLIERS)
                for step in (
                    press(f"filter supplier {at + 1}"),
                    press("copy its rows"),
                    press("its letter"),
                    press("paste"),
                    typed("date and number", 16),
                    Step("print", {"mind": 1, "key": 3}),
                )
            ),
        ),
    ),
    Journey(
        "enter yesterday's takings of two channels",
        (TO_MOUSE, press("Today's line"), press("the first amount"), TO_KEYS, typed("one", 7), typed("the other", 7)),
        (
            TO_MOUSE,
            press("the sheet of takings"),
            TO_KEYS,
            typed("the day", 5),
            typed("one", 7),
            typed("other", 7),
            SAVE,
        ),
    ),
)


def main() -> None:
    """Print a row a journey."""
    print(f"{'':58}{'here':>16}{'in a spreadsheet':>20}{'ratio':>8}")
    for one in JOURNEYS:
        ours, sheet = seconds(one.ours), seconds(one.sheet)
        mine, theirs = f"{acts(one.ours)} acts {ours:5.1f} s", f"{acts(one.sheet)} acts {sheet:5.1f} s"
        print(f"{one.what:58}{mine:>16}{theirs:>20}{sheet / ours:8.1f}")


if __name__ == "__main__":
    main()
