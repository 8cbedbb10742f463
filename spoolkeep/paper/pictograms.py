"""The bench cards' pictograms: strokes and filled shapes in a square of 100 by 100.

The press draws with it. A digit is its own picture and needs none.
"""

from spoolkeep.domain.cards import Card

_STROKE = "9 w 1 J 1 j"
_PLATE = "12 18 m 88 18 l S"
"""The plate that a print comes off."""

PICTOGRAMS = {
    # an arrow that turns back to where it came from
    Card.UNDO: f"{_STROKE} 24 62 m 62 62 l 80 62 86 50 86 40 c 86 30 80 18 62 18 c 40 18 l S 42 84 m 20 62 l 42 40 l S",
    # a strand that ends, and the line behind which there is none
    Card.RAN_OUT: "6 34 m 56 44 l 56 56 l 6 66 l f 7 w 1 J 74 24 m 74 76 l S 4 w [1 9] 0 d 84 50 m 98 50 l S [] 0 d",
    # down onto a shelf
    Card.SHELVED: f"{_STROKE} 8 22 m 92 22 l S 14 22 m 14 6 l S 86 22 m 86 6 l S "
    "50 92 m 50 44 l S 30 62 m 50 42 l 70 62 l S",
    Card.CAME_OFF_GOOD: f"{_STROKE} {_PLATE} 11 w 24 60 m 44 40 l 78 86 l S",
    Card.CAME_OFF_BAD: f"{_STROKE} {_PLATE} 11 w 28 44 m 72 88 l S 72 44 m 28 88 l S",
    # one, and one like it
    Card.SAME_AGAIN: f"{_STROKE} 10 34 m 42 34 l 42 66 l 10 66 l h S 58 34 m 90 34 l 90 66 l 58 66 l h S "
    "7 w 30 82 m 70 82 l S 60 92 m 72 82 l 60 72 l S",
    # a way that is barred
    Card.SET_ASIDE: f"{_STROKE} 32 6 m 68 6 l 94 32 l 94 68 l 68 94 l 32 94 l 6 68 l 6 32 l h S 12 w 30 50 m 70 50 l S",
    # a scale's pan, its dial and its hand
    Card.WEIGH: f"{_STROKE} 10 84 m 90 84 l S 50 84 m 50 70 l S 18 10 m 82 10 l S "
    "18 10 m 18 46 30 66 50 66 c 70 66 82 46 82 10 c S 7 w 50 22 m 64 44 l S",
}
