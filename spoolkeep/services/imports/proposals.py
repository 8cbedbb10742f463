"""What is proposed for a sheet that nobody wrote for us: its heading, what its columns are, units, totals.

The drafts call it. It only proposes: whatever it fills in is named, and waits for a person.
"""

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace

from spoolkeep.domain import headings, measures
from spoolkeep.domain.sheets import Record, fold
from spoolkeep.services.imports.manner import Manner, cells_of, rows

_WORDS: Mapping[str, tuple[str, ...]] = {
    "id": ("id",),
    "item": ("item", "filament", "article", "material and colour", "material colour", "material and color"),
    "material": ("material", "type", "plastic", "polymer"),
    "colour": ("colour", "color", "colour name", "color name"),
    "finish": ("finish", "surface"),
    "shade": ("shade", "hex", "rgb", "srgb"),
    "diameter_mm": ("diameter", "diameter mm"),
    "left_g": ("left", "weight left", "remaining", "rest", "weight rest", "weight remaining", "in stock", "weight now"),
    "weights": ("weight", "weights", "full and left", "full left"),
    "received_g": ("full", "weight full", "new", "weight new", "net", "net weight", "size", "spool size", "received"),
    "spools": ("spools", "spool", "quantity", "qty", "count", "pieces", "pcs", "how many", "number"),
    "cost": ("cost", "price", "paid", "price paid", "bought price", "price each", "unit price"),
    "tare_g": ("tare", "reel", "empty reel", "reel weight"),
    "lot": ("lot", "batch", "charge"),
    "supplier": ("supplier", "shop", "seller", "bought from", "bought at", "from"),
    "place": ("place", "shelf", "location", "where", "drawer", "box", "stored", "storage"),
    "received_on": (
        "received",
        "bought",
        "bought on",
        "bought date",
        "date",
        "arrived",
        "came",
        "delivered",
        "purchased",
    ),
    "opened_on": ("opened", "opened on", "open since"),
    "counted_on": ("counted", "counted on", "weighed", "weighed on", "checked"),
    "note": ("note", "notes", "remark", "remarks", "comment", "comments"),
    "machine": ("machine", "printer"),
    "feed": ("feed", "slot"),
    "day": ("day", "date"),
    "amount": ("amount", "sum", "net", "earned"),
    "channel": ("channel", "shop", "where"),
    "name": ("name", "title"),
    "price": ("price", "cost"),
    "title": ("title", "name", "job", "part"),
    "grams": ("grams", "weight", "used", "plastic"),
    "ended_at": ("ended", "end", "finished", "done", "date"),
    "started_at": ("started", "start", "begun"),
    "outcome": ("outcome", "result", "state"),
    "product": ("product", "article", "item"),
    "pieces": ("pieces", "pcs", "quantity", "qty", "count"),
}
"""What our columns are called elsewhere. Source: common practice, no source."""
_HALF = 2
_LARGEST_KG = 30


def known_words(ours: Collection[str]) -> frozenset[str]:
    """Give the folded names by which these columns of ours may be called."""
    return frozenset(fold(word) for name in ours for word in (name, *_WORDS.get(name, ())))


def heading(records: Sequence[Record], ours: Collection[str], before: Manner) -> tuple[int, int]:
    """Give the lines that name the columns; where this source was read before, those that name the same ones."""
    remembered = {name for name in before.columns if name}
    for one in records[: headings.LOOKED_THROUGH] if remembered else ():
        for last in (one.line, one.line + 1):
            if remembered <= set(headings.names_of(records, one.line, last)) | {""}:
                return one.line, last
    return headings.found(records, known_words(ours))


def columns(
    records: Sequence[Record], manner: Manner, ours: Sequence[str], *, materials: Collection[str]
) -> tuple[Manner, list[str]]:
    """Give the manner with every column named or left out, and what of that was proposed."""
    cells, names = cells_of(records, manner), dict(manner.columns)
    proposed = []
    for theirs_, filled in cells.items():
        if theirs_ in names:
            continue
        taken = set(names.values())
        exact = fold(theirs_) if fold(theirs_) in ours else ""
        meant = exact or _meant(theirs_, filled, ours, materials=materials)
        names[theirs_] = "" if meant in taken else meant
        if names[theirs_] and not exact:
            proposed.append(f"“{theirs_}” is {names[theirs_]}")
    return replace(manner, columns={name: names[name] for name in names if name in cells}), proposed


def _meant(name: str, filled: Sequence[str], ours: Sequence[str], *, materials: Collection[str]) -> str:
    plain = " ".join(re.sub(r"[(\[][^)\]]*[)\]]?|[^\w\s]", " ", name).lower().split())
    fits = [one for one in ours if plain in _WORDS.get(one, ())] or _widest(set(plain.split()), ours)
    if "weights" in ours and (fits[:1] in (["weights"], ["left_g"])):
        return "weights" if any(len(measures.weights(cell)) > 1 for cell in filled) else "left_g"
    if "item" in ours and (fits[:1] in (["item"], ["material"], ["colour"])):
        both = sum(1 for cell in filled if _has_material_and_more(cell, materials))
        plain_part = "" if fits[0] == "item" else fits[0]
        return "item" if both * _HALF > len(filled) else plain_part
    return fits[0] if fits else ""


def _widest(words: set[str], ours: Sequence[str]) -> list[str]:
    """Give that of our columns of whose words most stand in a name, or none."""
    fits = [(len(said.split()), one) for one in ours for said in _WORDS.get(one, ()) if words > set(said.split())]
    most = max((count for count, _ in fits), default=0)
    return [one for count, one in fits if count == most][:1]


def _has_material_and_more(cell: str, materials: Collection[str]) -> bool:
    words = re.findall(r"[^\s,;/|]+", cell)
    return len(words) > 1 and any(word.upper() in materials for word in words)


def units(records: Sequence[Record], manner: Manner) -> tuple[Manner, list[str]]:
    """Give the manner with a unit for each column of weights, and those that were proposed otherwise than in grams."""
    cells, found = cells_of(records, manner), dict(manner.units)
    proposed = []
    for theirs_, ours in manner.columns.items():
        if ours in found or not (ours.endswith("_g") or ours in {"grams", "weights"}):
            continue
        unit = _unit_of(theirs_, cells.get(theirs_, []))
        found[ours] = unit
        if unit != "g":
            proposed.append(f"numbers alone under “{theirs_}” are {unit}")
    return replace(manner, units=found), proposed


def _unit_of(name: str, filled: Sequence[str]) -> str:
    words = name.lower().replace("(", " ").replace(")", " ").replace("[", " ").replace("]", " ").split()
    said = next((unit for unit in measures.UNITS if unit in words), "")
    if said:
        return said
    numbers = [cell.replace(",", ".") for cell in filled if re.fullmatch(r"\d+(?:[.,]\d+)?", cell)]
    small = numbers and all(float(number) < _LARGEST_KG for number in numbers) and any("." in one for one in numbers)
    return "kg" if small else "g"


def left_out(records: Sequence[Record], manner: Manner) -> tuple[Manner, list[str]]:
    """Give the manner without the rows that sum up others or were left out of this source's last sheet.

    Each of these is proposed, in every sheet anew: what was none then may be a row now.
    """
    there = rows(records, replace(manner, left_out=()))
    before = {one.line for one in there if words_of(one) in set(manner.left_rows)}
    totals = {one.line for one in there if headings.sums_up(one)}
    proposed = [
        f"line {line} is a total and is left out"
        if line in totals
        else f"line {line} reads like one that was left out before, and is left out"
        for line in sorted(before | totals)
    ]
    return replace(manner, left_out=tuple(sorted(before | totals))), proposed


def words_of(record: Record) -> str:
    """Give what a row says, word for word."""
    return " | ".join(cell.strip() for cell in record.cells).strip(" |")
