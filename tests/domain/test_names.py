"""Names that people take for the same are the same."""

import pytest

from spoolkeep.domain.names import folded


@pytest.mark.parametrize(
    ("one", "other"),
    [("Larch", "larch"), ("Émeraude", "e\u0301meraude"), ("  Long   shelf ", "long shelf"), ("Straße", "STRASSE")],
)
def test_case_blanks_and_the_way_accents_are_encoded_do_not_matter(one: str, other: str) -> None:
    assert folded(one) == folded(other)


def test_an_accent_does_matter() -> None:
    assert folded("Émeraude") != folded("Emeraude")
