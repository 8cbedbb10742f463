"""The look, decided once: every ink can be read on its grounds in both schemes, and no size is outside the scales."""

import re
from pathlib import Path

import pytest

import spoolkeep
from spoolkeep.domain.colour import contrast_ratio
from spoolkeep.web.app import template_folder

CSS = Path(spoolkeep.__file__).parent / "web" / "static" / "css"
SHEETS = sorted(CSS.glob("*.css"))
GROUNDS = ("paper", "blank", "shade", "board")
INKS = ("ink", "soft", "accent", "heard", "refused", "look")

TEXT = [
    *((ink, ground) for ink in INKS for ground in GROUNDS),
    *((tone, f"{tone}-wash") for tone in ("heard", "refused", "look")),
    *(("ink", f"{tone}-wash") for tone in ("heard", "refused", "look")),
    *(("soft", f"{tone}-wash") for tone in ("refused", "look")),
    ("accent", "look-wash"),
    ("on-accent", "accent"),
    ("paper", "refused"),
]
"""Every ink on every ground on which a page writes with it: WCAG 2.2, 1.4.3, at least 4.5."""

EDGES = [
    *((edge, ground) for edge in ("rule-strong", "accent", "edge") for ground in GROUNDS),
    *(("ink", ground) for ground in ("paper", "blank")),
    ("refused", "paper"),
]
"""Borders of controls, the focus, and the edge of plastic: WCAG 2.2, 1.4.11, at least 3."""


def _tokens(scheme: int) -> dict[str, str]:
    text = (CSS / "paper.css").read_text(encoding="utf-8")
    pairs = re.findall(r"--([a-z-]+): light-dark\((#[0-9a-f]{6}), (#[0-9a-f]{6})\);", text)
    return {name: shades[scheme] for name, *shades in pairs}


@pytest.mark.parametrize("scheme", [0, 1], ids=["light", "dark"])
@pytest.mark.parametrize(("ink", "ground"), TEXT)
def test_what_is_written_can_be_read(ink: str, ground: str, *, scheme: int) -> None:
    tokens = _tokens(scheme)
    assert contrast_ratio(tokens[ink], tokens[ground]) >= 4.5


@pytest.mark.parametrize("scheme", [0, 1], ids=["light", "dark"])
@pytest.mark.parametrize(("edge", "ground"), EDGES)
def test_the_edge_of_a_control_can_be_seen(edge: str, ground: str, *, scheme: int) -> None:
    tokens = _tokens(scheme)
    assert contrast_ratio(tokens[edge], tokens[ground]) >= 3


def test_every_colour_token_has_both_schemes_and_is_held_against_its_grounds() -> None:
    tokens = set(_tokens(0))
    only_drawn = {"rule", "margin", "rim"}  # lines that carry no meaning of their own
    assert tokens == set(_tokens(1))
    assert tokens - only_drawn == {name for pair in TEXT + EDGES for name in pair}


def _declarations(sheet: Path) -> list[tuple[str, str]]:
    text = re.sub(r"/\*.*?\*/", "", sheet.read_text(encoding="utf-8"), flags=re.DOTALL)
    return [(name, value.strip()) for name, value in re.findall(r"(?<![\w-])([a-z-]+)\s*:\s*([^;{}]+);", text)]


@pytest.mark.parametrize("sheet", SHEETS, ids=lambda sheet: sheet.name)
def test_no_sheet_names_a_colour_of_its_own(sheet: Path) -> None:
    allowed = {"#000", "#fff", "#0009", "#333"}  # sheen, shade and print: the same on any ground
    named = re.findall(r"#[0-9a-f]{3,8}\b", " ".join(value for _, value in _declarations(sheet)))
    if sheet.name != "paper.css":
        assert set(named) <= allowed


@pytest.mark.parametrize("sheet", SHEETS, ids=lambda sheet: sheet.name)
def test_type_and_space_come_from_their_scales(sheet: Path) -> None:
    stray = []
    for name, value in _declarations(sheet):
        typed = name in {"font", "font-size"} and "inherit" not in value and value not in {"0.9375em", "10pt"}
        if typed and "var(--t-" not in value:
            stray.append((name, value))
        spaced = re.fullmatch(r"(padding|margin|gap|row-gap|column-gap)(-[a-z-]+)?", name)
        if spaced and re.search(r"\d(rem|pt)\b", value):
            stray.append((name, value))
    assert stray == []


def test_every_sheet_is_sent_with_every_page() -> None:
    base = (template_folder() / "base.html").read_text(encoding="utf-8")
    assert all(f"'{sheet.stem}'" in base or f"{sheet.name}'" in base for sheet in SHEETS)
