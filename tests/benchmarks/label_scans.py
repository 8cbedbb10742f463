"""How many labels a reader still reads under fourteen conditions, and whether a wrong code is ever accepted.

Run it: python tests/benchmarks/label_scans.py [--labels 60] [--stock 50x25] [--dpi 203] [--rounds 1] [--seed 1]

Each label is rendered in one bit at the printer's dots and photographed by a model: ink 20 and paper 235 of 255 on a
backdrop of 70, 10 pixels a millimetre, 0.03 mm of blur and noise of 3 unless a condition says otherwise. Conditions and
limits are our own, from what a phone and a worn label do: common practice, no source. Readers: zxing-cpp, and zbar's
`zbarimg` where it is installed; zbar reads almost nothing in noise and is never the only judge.
"""

import argparse
import io
import itertools
import shutil
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from datetime import date
from multiprocessing import get_context
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import zxingcpp
from numpy.typing import NDArray
from PIL import Image, ImageDraw

sys.path.insert(0, str(Path(__file__).parents[2]))  # run as a script, the tests' folder is not on the path

from spoolkeep.domain.codes import Code, read_code
from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.formats import Formats
from spoolkeep.services.labels import sample_labels
from tests.paper.pictures import Picture, pages_of

Grey = NDArray[np.float64]
INK, PAPER, BACKDROP = 20.0, 235.0, 70.0
FINE = 20
"""Pixels a millimetre before the camera: twice its own."""
BORDER_MM = 12
MM_PER_INCH = 25.4


@dataclass(frozen=True)
class Condition:
    """What a photograph suffers; angles in degrees, lengths in mm, corners and scratches as shares."""

    name: str
    mild: bool = True
    turned: float = 0.0
    any_turn: bool = False
    corner: float = 0.0
    blur_mm: float = 0.03
    px_a_mm: float = 10.0
    noise: float = 3.0
    ink: float = INK
    paper: float = PAPER
    scratched: float = 0.0
    falls: float = 0.0
    jpeg: int | None = None


CONDITIONS = (
    Condition("clean"),
    Condition("turned 2°", turned=2),
    Condition("turned 5°", turned=5),
    Condition("turned 10°", turned=10),
    Condition("blur 0.10 mm", blur_mm=0.10),
    Condition("blur 0.18 mm", mild=False, blur_mm=0.18),
    Condition("5 pixels a mm", mild=False, px_a_mm=5),
    Condition("3.5 pixels a mm", mild=False, px_a_mm=3.5),
    Condition("noise 15", noise=15),
    Condition("contrast 90 to 150", ink=90, paper=150),
    Condition("scratches over 2 %", mild=False, scratched=0.02),
    Condition("perspective 12 %", corner=0.12),
    Condition("JPEG 30", jpeg=30),
    Condition(
        "all together",
        mild=False,
        turned=5,
        any_turn=True,
        corner=0.06,
        scratched=0.01,
        blur_mm=0.07,
        noise=10,
        ink=60,
        paper=190,
        jpeg=50,
        falls=0.4,
    ),
)


@dataclass
class Score:
    """What one reader made of one condition."""

    right: int = 0
    tried: int = 0
    wrong: list[str] = field(default_factory=list)


def photographed(label: Picture, dpi: int, condition: Condition, rng: np.random.Generator) -> Picture:
    """Give a label of one pixel a dot as a camera would have it under a condition."""
    fine = _laid(label, dpi, condition, rng)
    fine = _bent(fine, condition, rng)
    seen = _reduced(fine, condition.px_a_mm)
    seen = _blurred(seen, condition.blur_mm * condition.px_a_mm)
    if condition.falls:
        seen = seen * np.linspace(1, 1 - condition.falls, seen.shape[1])
    seen = np.clip(seen + rng.normal(0, condition.noise, seen.shape), 0, 255)
    picture = seen.round().astype(np.uint8)
    return _squeezed(picture, condition.jpeg) if condition.jpeg else picture


def _laid(label: Picture, dpi: int, condition: Condition, rng: np.random.Generator) -> Grey:
    """Give the label on its backdrop, FINE pixels a millimetre, with its scratches."""
    height, width = (round(side * MM_PER_INCH / dpi * FINE) for side in label.shape)
    rows, columns = (np.arange(n) * side // n for n, side in ((height, label.shape[0]), (width, label.shape[1])))
    shown = np.where(label[np.ix_(rows, columns)] < 128, condition.ink, condition.paper)
    if condition.scratched:
        shown = _scratched(shown, condition, rng)
    return np.pad(shown, BORDER_MM * FINE, constant_values=BACKDROP)


def _scratched(shown: Grey, condition: Condition, rng: np.random.Generator) -> Grey:
    """Draw lines of 5 to 25 mm by 0.15 to 0.3 mm in the paper's shade until they cover a share of the label."""
    picture = Image.fromarray(shown.astype(np.uint8))
    pencil = ImageDraw.Draw(picture)
    area = 0.0
    while area < condition.scratched * shown.size:
        long, wide = rng.uniform(5, 25) * FINE, rng.uniform(0.15, 0.3) * FINE
        x, y, angle = rng.uniform(0, shown.shape[1]), rng.uniform(0, shown.shape[0]), rng.uniform(0, 2 * np.pi)
        end = (x + long * np.cos(angle), y + long * np.sin(angle))
        pencil.line([(x, y), end], fill=round(condition.paper), width=max(1, round(wide)))
        area += long * wide
    return np.asarray(picture, dtype=np.float64)


def _bent(fine: Grey, condition: Condition, rng: np.random.Generator) -> Grey:
    """Turn the picture about its middle, and move each corner of it inwards by up to a share of its side."""
    height, width = fine.shape
    corners = np.array([(0.0, 0.0), (width, 0.0), (width, height), (0.0, height)])
    moved = corners.copy()
    if condition.corner:
        inwards = np.array([(1, 1), (-1, 1), (-1, -1), (1, -1)])
        moved = corners + inwards * rng.uniform(0, condition.corner, (4, 2)) * (width, height)
    turn = np.deg2rad(rng.uniform(-condition.turned, condition.turned) if condition.any_turn else condition.turned)
    spin = np.array([(np.cos(turn), -np.sin(turn)), (np.sin(turn), np.cos(turn))])
    middle = np.array([width / 2, height / 2])
    moved = (moved - middle) @ spin.T + middle
    if np.allclose(moved, corners):
        return fine
    picture = Image.fromarray(fine.astype(np.uint8))
    how = Image.Resampling.BILINEAR
    bent = picture.transform(
        (width, height), Image.Transform.PERSPECTIVE, _back(moved, corners), how, fillcolor=round(BACKDROP)
    )
    return np.asarray(bent, dtype=np.float64)


def _back(moved: Grey, corners: Grey) -> list[float]:
    """Give the eight coefficients that lead from a place in the bent picture to its place before."""
    rows, wanted = [], []
    for (x, y), (u, v) in zip(moved, corners, strict=True):
        rows += [(x, y, 1, 0, 0, 0, -u * x, -u * y), (0, 0, 0, x, y, 1, -v * x, -v * y)]
        wanted += [u, v]
    return [float(one) for one in np.linalg.solve(np.array(rows), np.array(wanted))]


def _reduced(fine: Grey, px_a_mm: float) -> Grey:
    """Give the picture at the camera's pixels, each the mean of what lies in it."""
    size = (round(fine.shape[1] * px_a_mm / FINE), round(fine.shape[0] * px_a_mm / FINE))
    picture = Image.fromarray(fine.astype(np.float32), mode="F").resize(size, Image.Resampling.BOX)
    return np.asarray(picture, dtype=np.float64)


def _blurred(seen: Grey, sigma_px: float) -> Grey:
    """Blur with a Gaussian, one direction after the other."""
    reach = max(1, int(np.ceil(4 * sigma_px)))
    at = np.arange(-reach, reach + 1)
    kernel = np.exp(-(at**2) / (2 * sigma_px**2))
    kernel /= kernel.sum()
    for axis in (0, 1):
        padded = np.pad(seen, [(reach, reach) if one == axis else (0, 0) for one in (0, 1)], mode="edge")
        size = seen.shape[axis]
        parts = (weight * np.take(padded, range(shift, shift + size), axis) for shift, weight in enumerate(kernel))
        seen = np.sum(list(parts), axis=0)
    return seen


def _squeezed(picture: Picture, quality: int) -> Picture:
    out = io.BytesIO()
    Image.fromarray(picture).save(out, "JPEG", quality=quality)
    return np.asarray(Image.open(io.BytesIO(out.getvalue())))


def by_zxing(pictures: Sequence[Picture]) -> list[list[str]]:
    """Give what zxing-cpp finds in each picture."""
    formats = zxingcpp.BarcodeFormats(zxingcpp.BarcodeFormat.Code128)
    return [[one.text for one in zxingcpp.read_barcodes(picture, formats=formats)] for picture in pictures]


def by_zbar(pictures: Sequence[Picture]) -> list[list[str]]:
    """Give what zbar's command finds in each picture."""
    with tempfile.TemporaryDirectory() as folder:
        names = [str(Path(folder) / f"{number}.png") for number in range(len(pictures))]
        for name, picture in zip(names, pictures, strict=True):
            Image.fromarray(picture).save(name)
        words = ["zbarimg", "--xml", "-q", "-Sdisable", "-Scode128.enable", *names]
        said = subprocess.run(words, capture_output=True, check=False, text=True).stdout
    found: dict[str, list[str]] = {name: [] for name in names}
    for source in ET.fromstring(said).iter():  # noqa: S314 - it is zbar's own
        if source.tag.endswith("source"):
            found[source.attrib["href"]] = [one.text or "" for one in source.iter() if one.tag.endswith("data")]
    return [found[name] for name in names]


READERS = {"zxing": by_zxing, **({"zbar": by_zbar} if shutil.which("zbarimg") else {})}


def _tried(job: tuple[Picture, str, int, tuple[int, ...]]) -> dict[tuple[str, str], tuple[bool, list[str]]]:
    """Give, for one label under each condition, whether each reader read it, and what else it gave."""
    label, code, dpi, seed = job
    rng = np.random.default_rng(seed)
    pictures = [photographed(label, dpi, condition, rng) for condition in CONDITIONS]
    return {
        (reader, condition.name): (code in texts, [text for text in texts if text != code])
        for reader, read in READERS.items()
        for condition, texts in zip(CONDITIONS, read(pictures), strict=True)
    }


def _jobs(asked: argparse.Namespace) -> Iterator[tuple[Picture, str, int, tuple[int, ...]]]:
    today, formats = date(2026, 3, 4), Formats("en_GB", "EUR", "UTC")
    pdf, codes = sample_labels(
        today=today, formats=formats, count=asked.labels, stock=asked.stock, dpi=asked.dpi, square=asked.square
    )
    pages = pages_of(pdf, asked.dpi)
    for number, (round_, (page, code)) in enumerate(
        itertools.product(range(asked.rounds), zip(pages, codes, strict=True))
    ):
        yield page, code, asked.dpi, (asked.seed, round_, number)


def _is_accepted(text: str) -> bool:
    try:
        return isinstance(read_code(text), Code)
    except BadInput:
        return False


def main() -> None:
    """Print the share that each reader read, condition by condition, and every wrong text."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--labels", type=int, default=60)
    parser.add_argument("--stock", default="50x25", help="a roll: one label a page")
    parser.add_argument("--dpi", type=int, default=203)
    parser.add_argument("--rounds", type=int, default=1, help="each with new noise; 12 of 60 labels are 10,080 reads")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--square", action="store_true")
    asked = parser.parse_args()
    scores: dict[tuple[str, str], Score] = {}
    with ProcessPoolExecutor(mp_context=get_context("spawn")) as pool:
        for result in pool.map(_tried, _jobs(asked), chunksize=4):
            for key, (right, wrong) in result.items():
                score = scores.setdefault(key, Score())
                score.tried += 1
                score.right += right
                score.wrong += wrong
    _print(scores)


def _print(scores: dict[tuple[str, str], Score]) -> None:
    print(f"{'condition':<22}" + "".join(f"{reader:>9}" for reader in READERS))
    for condition in CONDITIONS:
        shares = [scores[reader, condition.name] for reader in READERS]
        mark = "" if condition.mild else " (hard)"
        print(f"{condition.name + mark:<22}" + "".join(f"{100 * one.right / one.tried:8.1f}%" for one in shares))
    for reader in READERS:
        mine = [score for (name, _), score in scores.items() if name == reader]
        mean = sum(100 * one.right / one.tried for one in mine) / len(mine)
        wrong = Counter(text for one in mine for text in one.wrong)
        accepted = [text for text in wrong if _is_accepted(text)]
        reads = sum(one.tried for one in mine)
        print(
            f"{reader}: mean {mean:.1f} %, {reads} reads, {sum(wrong.values())} wrong texts, {len(accepted)} accepted"
        )
    sys.exit(0)


if __name__ == "__main__":
    main()
