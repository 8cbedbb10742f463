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
