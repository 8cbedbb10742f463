"""What goes over from one item to another in the books, worked by hand."""

from datetime import date

from spoolkeep.domain.books import AveragePool, FifoPool, Moved, run
from spoolkeep.domain.goneover import Day, Over, gone_over
from spoolkeep.domain.words import Kind

FIRST, SECOND = date(2026, 1, 5), date(2026, 2, 1)
DAYS: dict[int, list[Day]] = {
    1: [(FIRST, [Moved(Kind.DELIVERY, 1_000, 1_000), Moved(Kind.DELIVERY, 1_000, 3_000)])],
    2: [(SECOND, [Moved(Kind.DRAW, -500, -500)])],
}
OVER = [Over(SECOND, 1, 2, 1_000, 1_000)]


def test_what_goes_over_leaves_at_the_mean_and_arrives_at_it() -> None:
    days = gone_over(DAYS, OVER, AveragePool)
    assert days[1][-1] == (SECOND, [Moved(Kind.OPENING, -1_000, -2_000)])
    assert days[2] == [(SECOND, [Moved(Kind.OPENING, 1_000, 2_000), Moved(Kind.DRAW, -500, -500)])]
    first, second = (run(AveragePool(), (one for _, moved in days[item] for one in moved)) for item in (1, 2))
    assert (first.closing_minor, second.closing_minor, second.used_minor) == (2_000, 1_000, 1_000)
    assert first.gap_minor == second.gap_minor == 0


def test_by_layers_the_newest_goes_over_as_what_goes_back_does() -> None:
    assert gone_over(DAYS, OVER, FifoPool)[2][0][1][0] == Moved(Kind.OPENING, 1_000, 3_000)


def test_without_a_pool_it_goes_over_at_its_own_cost() -> None:
    assert gone_over(DAYS, OVER, None)[2][0][1][0] == Moved(Kind.OPENING, 1_000, 1_000)


def test_what_goes_on_at_once_goes_on_at_what_it_came_for() -> None:
    days = gone_over(DAYS, [*OVER, Over(SECOND, 2, 3, 1_000, 1_000)], AveragePool)
    assert days[3] == [(SECOND, [Moved(Kind.OPENING, 1_000, 2_000)])]


def test_below_nothing_it_goes_the_other_way() -> None:
    days = gone_over(DAYS, [Over(SECOND, 2, 1, -1_000, -1_000)], None)
    assert days[2][0][1][0] == Moved(Kind.OPENING, 1_000, 1_000)
