"""Several names from what is typed once. The patterns are our own choice."""

import pytest

from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.patterns import names_in


@pytest.mark.parametrize(
    ("typed", "names"),
    [
        ("Larch", ["Larch"]),
        ("Larch 1-3", ["Larch 1", "Larch 2", "Larch 3"]),
        ("Box 08..10", ["Box 08", "Box 09", "Box 10"]),
        ("Shelf A to C", ["Shelf A", "Shelf B", "Shelf C"]),
        ("Larch, Yew;Ash\nElm 1-2", ["Larch", "Yew", "Ash", "Elm 1", "Elm 2"]),
        ("Dry-box", ["Dry-box"]),
        ("A-C", ["A", "B", "C"]),
    ],
)
def test_a_pattern_gives_its_names(typed: str, names: list[str]) -> None:
    assert names_in(typed) == names


@pytest.mark.parametrize(
    ("typed", "code"),
    [
        ("", "no_name"),
        (" , ;", "no_name"),
        ("Larch, Larch", "name_twice"),
        ("A 1-200, B 1-2", "too_many_names"),
        ("Box 1-500", "too_many_names"),
        ("Box 1-201", "too_many_names"),
        ("Box 1-50000", "too_many_names"),
        ("Rack 3-1", "backwards"),
        ("Rack 3-3", "backwards"),
        ("Shelf D-A", "backwards"),
    ],
)
def test_what_gives_no_names_is_refused(typed: str, code: str) -> None:
    with pytest.raises(BadInput) as refused:
        names_in(typed)
    assert refused.value.code == code
