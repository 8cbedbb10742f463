"""What a change of plastic purges."""

from spoolkeep.domain.purging import Filament, Told, change_mg, purged_mg

BLACK, WHITE, RED = Filament(1, ("#000000",)), Filament(2, ("#ffffff",)), Filament(3, ("#c02020",))
USUAL = Told(4_000)


def test_without_a_figure_nothing_is_claimed() -> None:
    assert change_mg([], BLACK, WHITE) == 0


def test_a_change_to_a_lighter_plastic_purges_more() -> None:
    # common practice, no source: half more from black to white, half less the other way
    assert change_mg([USUAL], BLACK, WHITE) == 6_000
    assert change_mg([USUAL], WHITE, BLACK) == 2_000
    assert 4_000 < change_mg([USUAL], BLACK, RED) < 6_000


def test_what_was_told_of_two_items_counts_before_all_else() -> None:
    told = [USUAL, Told(9_000, 1, 2), Told(5_500, None, 2), Told(1_000, 1, None)]
    assert change_mg(told, BLACK, WHITE) == 9_000
    assert change_mg(told, RED, WHITE) == 5_500
    assert change_mg(told, BLACK, RED) == 1_000


def test_the_same_plastic_purges_nothing() -> None:
    assert change_mg([USUAL], BLACK, Filament(1)) == 0


def test_changes_are_shared_among_the_plastics_that_come() -> None:
    # two plastics, ten changes: five to each
    assert purged_mg([USUAL], [BLACK, WHITE], 10) == [10_000, 30_000]
    assert purged_mg([USUAL], [BLACK], 10) == [0]
    assert purged_mg([USUAL], [BLACK, WHITE], 0) == [0, 0]
