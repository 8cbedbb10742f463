"""What loading a spool takes a person: two scans, beside typing it.

Source: the keystroke-level model, Card, Moran and Newell 1980, Communications of the ACM 23(7), 396 to 410 (from
memory): a key 0.28 s for whoever types little, pointing 1.10 s, a hand between devices 0.40 s, a mental preparation
1.35 s. It has no operator for a scan: 1.5 s is common practice, no source.
"""

KEY_S, POINT_S, HOME_S, MENTAL_S, SCAN_S = 0.28, 1.10, 0.40, 1.35, 1.5
CODE = 9


def test_two_scans_take_less_than_five_seconds() -> None:
    # take the scanner, think of the spool and the feed, scan both
    assert round(HOME_S + MENTAL_S + 2 * SCAN_S, 2) == 4.75


def test_typing_or_choosing_takes_more_than_half_as_long_again() -> None:
    scanned = HOME_S + MENTAL_S + 2 * SCAN_S
    # read a code and type it with Enter, twice, the hand on the keys
    typed = HOME_S + 2 * (MENTAL_S + (CODE + 1) * KEY_S)
    # a list on a screen: find the spool, point at it, find the machine, point at it, press a button
    chosen = HOME_S + 3 * (MENTAL_S + POINT_S)
    assert typed > 1.8 * scanned
    assert chosen > 1.6 * scanned


def test_a_spool_that_comes_off_needs_no_hand_at_all() -> None:
    # without its home place: two scans more
    assert round((HOME_S + MENTAL_S + 4 * SCAN_S) - (HOME_S + MENTAL_S + 2 * SCAN_S), 2) == 3.0


LINE_READ_S = MENTAL_S


def test_the_sunday_review_of_a_quiet_week_is_a_look() -> None:
    # point at Orders, read its first sentence
    assert round(HOME_S + POINT_S + MENTAL_S, 2) == 2.85


def test_the_sunday_review_of_a_busy_week_takes_less_than_a_minute_and_a_half() -> None:
    suppliers, lines = 3, 25
    # Orders; read each line; draft all; all sheets to print; print (a key with Ctrl, Enter); they are sent
    ours = HOME_S + (POINT_S + MENTAL_S) + lines * LINE_READ_S + 3 * (MENTAL_S + POINT_S) + MENTAL_S + 3 * KEY_S
    assert ours < 90
    # a spreadsheet of stock: count or look up each of 25 items, type a number with Enter; then a sheet a supplier:
    # filter, copy, type address and reference (60 keys), print
    by_hand = (
        HOME_S
        + lines * (2 * MENTAL_S + 4 * KEY_S)
        + suppliers * (4 * (MENTAL_S + POINT_S) + 60 * KEY_S + MENTAL_S + 3 * KEY_S)
    )
    assert by_hand > 2.5 * ours
