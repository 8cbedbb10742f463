"""What scales type, as common practice has it (no source), and nothing else."""

import pytest

from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.scales import reading_mg


@pytest.mark.parametrize(
    ("line", "mg"),
    [
        ("812.5 g", 812_500),
        ("812,5g", 812_500),
        ("+  812.5 g", 812_500),
        ("ST,GS,+  812.5g", 812_500),
        ("ST,NT,-00012.0 g", -12_000),
        ("S     1.234 kg", 1_234_000),
        ("1,234 kg", 1_234_000),
        ("N 0.812500 kg", 812_500),
        ("812 G", 812_000),
    ],
)
def test_a_scale_s_line_is_its_milligrams(line: str, mg: int) -> None:
    assert reading_mg(line) == mg


@pytest.mark.parametrize(
    "line", ["812.5", "5012345678900", "S00000110", "S000001 10", "g", "", "8 12 g", "12.5.1 g", "12 lb"]
)
def test_what_is_no_scale_s_line_is_none(line: str) -> None:
    assert reading_mg(line) is None


@pytest.mark.parametrize(
    ("line", "words"), [("US,GS,+ 812.5g", "settled"), ("OL 1 g", "overloaded"), ("1.23456 g", "finer")]
)
def test_a_reading_that_cannot_count_says_what_to_do(line: str, words: str) -> None:
    with pytest.raises(BadInput, match=words):
        reading_mg(line)
