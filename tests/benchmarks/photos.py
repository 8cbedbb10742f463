"""How many phone photos of labels are read, in what time and memory, and whether a code is ever wrong.

Run it: python tests/benchmarks/photos.py [--photos 300] [--seed 1] [--stock 50x25] [--dpi 203] [--square]

A photo is a model: a label in one bit at the printer's dots, 15 to 60 % of the frame wide, turned by any angle, bent by
perspective, on a backdrop with boxes, wound reels and print; then blur, light that falls off, noise and JPEG, in 12
megapixels. Its limits are our own, from what a phone does: common practice, no source. Beside the time of each photo
stands one plain read of the same picture at full size by zxing-cpp, in the same run, so that the ratio holds on any
machine. Memory is the peak of a fresh process above what it had
before it took the photo's bytes.
"""

import argparse
import io
import math
import re
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

import numpy as np
import zxingcpp
from numpy.typing import NDArray
from PIL import Image, ImageChops, ImageDraw, ImageFilter

sys.path.insert(0, str(Path(__file__).parents[2]))  # run as a script, the tests' folder is not on the path

from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.formats import Formats
from spoolkeep.services import photos
from spoolkeep.services.labels import sample_labels
from tests.paper.pictures import Picture, pages_of

PHONE = (4032, 3024)
LEAST_SHARE, MOST_SHARE, NEAR_SHARE = 0.15, 0.60, 0.25
MM_PER_INCH = 25.4
MEGA = 1_000_000
MOST_MEMORY_MB = 200
LEAST_READ = 0.95
EMPTY_EVERY = 5
"""Beside so many photos with a label there is one without, for its time and for codes that are not there."""
SHEETS = 40

Place = tuple[float, float]
Points = NDArray[np.float64]


@dataclass(frozen=True)
class Shot:
    """What one photo suffers; the corner is a share of the label's side, the blur in mm on the label, the fall a share.

    The lens adds `least_blur_px` of blur whatever the distance.
    """

    corner: float = 0.0
    blur_mm: float = 0.03
    least_blur_px: float = 0.7
    noise: float = 3.0
    falls: float = 0.0
    quality: int = 85
    ink: int = 20
    paper: int = 235


def any_shot(rng: np.random.Generator) -> Shot:
    """Give what a hand-held photo in a workshop may suffer."""
    return Shot(
        corner=rng.uniform(0, 0.10),
        blur_mm=rng.uniform(0.03, 0.15),
        noise=rng.uniform(2, 10),
        falls=rng.uniform(0, 0.5),
        quality=int(rng.integers(60, 93)),
        ink=int(rng.integers(20, 60)),
        paper=int(rng.integers(170, 240)),
    )


def backdrop(size: tuple[int, int], rng: np.random.Generator) -> Image.Image:
    """Give a shelf in shades of grey: soft shades, boxes, wound reels, and rows of print."""
    soft = Image.fromarray(rng.integers(30, 150, (6, 8), dtype=np.uint8))
    scene = soft.resize(size, Image.Resampling.BICUBIC)
    pencil = ImageDraw.Draw(scene)
    for draw in (_box, _reel, _print):
        for _ in range(rng.integers(1, 4)):
            draw(pencil, size, rng)
    return scene


def _box(pencil: ImageDraw.ImageDraw, size: tuple[int, int], rng: np.random.Generator) -> None:
    corners = [(float(x), float(y)) for x, y in rng.uniform(0, 1, (4, 2)) * size]
    pencil.polygon(corners, fill=int(rng.integers(20, 220)))


def _reel(pencil: ImageDraw.ImageDraw, size: tuple[int, int], rng: np.random.Generator) -> None:
    """Draw windings from the side: parallel lines, the nearest thing to bars in a workshop."""
    left, top = (float(one) for one in rng.uniform(0, 0.8, 2) * size)
    wide, high = (float(one) for one in rng.uniform(0.1, 0.4, 2) * size)
    pitch = size[0] * rng.uniform(0.002, 0.008)
    for number in range(int(wide / pitch)):
        x, lean = left + number * pitch, rng.uniform(-1, 1) * pitch / 4
        shade = int(rng.integers(20, 200))
        pencil.line([(x, top), (x + lean, top + high)], fill=shade, width=max(1, round(pitch * rng.uniform(0.3, 0.8))))


def _print(pencil: ImageDraw.ImageDraw, size: tuple[int, int], rng: np.random.Generator) -> None:
    left, top = (float(one) for one in rng.uniform(0, 0.8, 2) * size)
    words = "".join(chr(one) for one in rng.integers(48, 122, 40))
    for row in range(3):
        height = size[1] * 0.02
        pencil.text((left, top + row * height * 1.3), words, fill=int(rng.integers(0, 255)), font_size=height)


def stick(
    scene: Image.Image,
    label: Picture,
    *,
    width: float,
    middle: Place,
    turn: float,
    shot: Shot,
    rng: np.random.Generator,
) -> None:
    """Put a label of one pixel a dot into a scene: `width` pixels wide, turned by degrees about its middle."""
    shown = Image.fromarray(np.where(label < 128, shot.ink, shot.paper).astype(np.uint8))
    # larger than in the scene, so that the edges of the dots stay as sharp as a printer has them
    times = math.ceil(width / shown.width) + 1
    shown = shown.resize((shown.width * times, shown.height * times), Image.Resampling.NEAREST)
    flat = np.array([(0.0, 0.0), (shown.width, 0.0), (shown.width, shown.height), (0.0, shown.height)])
    place = _seen(flat, width / shown.width, turn, shot.corner, rng=rng) + middle
    left, top = np.floor(place.min(axis=0)).astype(int)
    right, foot = np.ceil(place.max(axis=0)).astype(int)
    way = _way_back(place - (left, top), flat)
    size, bend = (int(right - left), int(foot - top)), Image.Transform.PERSPECTIVE
    mask = Image.new("L", shown.size, 255).transform(size, bend, way, Image.Resampling.BILINEAR)
    scene.paste(shown.transform(size, bend, way, Image.Resampling.BILINEAR), (int(left), int(top)), mask)


def _seen(flat: Points, scale: float, turn: float, corner: float, *, rng: np.random.Generator) -> Points:
    """Give where the corners of a flat label are seen, about its middle: each moved inwards, then all turned."""
    inwards = np.array([(1, 1), (-1, 1), (-1, -1), (1, -1)])
    moved = flat + inwards * rng.uniform(0, corner, (4, 2)) * flat[2]
    angle = math.radians(turn)
    spin = np.array([(math.cos(angle), math.sin(angle)), (-math.sin(angle), math.cos(angle))])
    return np.asarray((moved - flat[2] / 2) * scale @ spin)


def _way_back(seen: Points, flat: Points) -> list[float]:
    """Give the eight coefficients that lead from a place in the scene to its place on the flat label."""
    rows, wanted = [], []
    for (x, y), (u, v) in zip(seen, flat, strict=True):
        rows += [(x, y, 1, 0, 0, 0, -u * x, -u * y), (0, 0, 0, x, y, 1, -v * x, -v * y)]
        wanted += [u, v]
    return [float(one) for one in np.linalg.solve(np.array(rows), np.array(wanted))]


def taken(scene: Image.Image, shot: Shot, rng: np.random.Generator, *, px_a_mm: float = 0.0) -> bytes:
    """Give a scene as a phone sends it: blurred, lit from one side, noisy, a little yellow, and in JPEG."""
    seen = scene.filter(ImageFilter.GaussianBlur(max(shot.least_blur_px, shot.blur_mm * px_a_mm)))
    light = np.linspace(255, 255 * (1 - shot.falls), 256).astype(np.uint8)
    shade = Image.fromarray(np.tile(light, (256, 1))).rotate(90 * int(rng.integers(4)))
    seen = ImageChops.multiply(seen, shade.resize(seen.size, Image.Resampling.BILINEAR))
    # a smaller piece of noise repeated: drawing each pixel's own would take longer than all the rest
    grain = rng.normal(0, shot.noise, (1024, 1024)).round().astype(np.int16)
    across, down = -(-seen.width // 1024), -(-seen.height // 1024)
    noisy = np.asarray(seen) + np.tile(grain, (down, across))[: seen.height, : seen.width]
    grey = Image.fromarray(np.clip(noisy, 0, 255).astype(np.uint8))
    dim = grey.point([round(level * 0.85) for level in range(256)])
    out = io.BytesIO()
    Image.merge("RGB", (grey, grey, dim)).save(out, "JPEG", quality=shot.quality)
    return out.getvalue()


def placed(width: float, label: Picture, turn: float, size: tuple[int, int], rng: np.random.Generator) -> Place:
    """Give a place for the middle of a turned label such that all of it is in the frame."""
    high, angle = width * label.shape[0] / label.shape[1], math.radians(turn)
    across = abs(width * math.cos(angle)) + abs(high * math.sin(angle))
    down = abs(width * math.sin(angle)) + abs(high * math.cos(angle))
    room = [min(side, frame) / 2 for side, frame in zip((across, down), size, strict=True)]
    x, y = (rng.uniform(one, frame - one) for one, frame in zip(room, size, strict=True))
    return x, y


@dataclass(frozen=True)
class Photo:
    """One simulated photo: its bytes, the code in it or none, and how much of the frame the label takes."""

    body: bytes
    code: str
    share: float


def simulated(asked: argparse.Namespace) -> Iterator[Photo]:
    """Give photos with a label, and between them some without."""
    pages, codes = labels_of(asked.stock, asked.dpi, square=asked.square)
    for number in range(asked.photos):
        rng = np.random.default_rng((asked.seed, number))
        yield _with_label(pages[number % SHEETS], codes[number % SHEETS], asked, rng)
        if number % EMPTY_EVERY == 0:
            yield Photo(taken(backdrop(PHONE, rng), any_shot(rng), rng), "", 0)


def labels_of(stock: str, dpi: int, *, square: bool = False) -> tuple[list[Picture], list[str]]:
    """Give sample labels of a roll, one pixel a dot, and their codes."""
    today, formats = date(2026, 3, 4), Formats("en_GB", "EUR", "UTC")
    pdf, codes = sample_labels(today=today, formats=formats, count=SHEETS, stock=stock, dpi=dpi, square=square)
    return pages_of(pdf, dpi), codes


def _with_label(label: Picture, code: str, asked: argparse.Namespace, rng: np.random.Generator) -> Photo:
    share, turn, shot = rng.uniform(asked.least, asked.most), rng.uniform(0, 360), any_shot(rng)
    scene, width = backdrop(PHONE, rng), share * PHONE[0]
    middle = placed(width, label, turn, PHONE, rng)
    stick(scene, label, width=width, middle=middle, turn=turn, shot=shot, rng=rng)
    px_a_mm = width / (label.shape[1] * MM_PER_INCH / asked.dpi)
    return Photo(taken(scene, shot, rng, px_a_mm=px_a_mm), code, share)


@dataclass
class Score:
    """What came out: photos read, wrong texts, and each photo's seconds beside those of a plain read."""

    read: int = 0
    plain_read: int = 0
    tried: int = 0
    wrong: list[str] = field(default_factory=list)
    near: list[tuple[float, float]] = field(default_factory=list)
    empty: list[tuple[float, float]] = field(default_factory=list)

    def add(self, photo: Photo) -> None:
        """Read a photo both ways and note what came of it."""
        picture = np.asarray(Image.open(io.BytesIO(photo.body)).convert("L"))
        begun = time.perf_counter()
        plain = [one.text for one in zxingcpp.read_barcodes(picture)]
        between = time.perf_counter()
        found = photos.codes_in(photo.body)
        seconds = time.perf_counter() - between, between - begun
        self.wrong += [text for text in found if text != photo.code]
        if photo.code:
            self.tried += 1
            self.read += photo.code in found
            self.plain_read += photo.code in plain
        if photo.share >= NEAR_SHARE:
            self.near.append(seconds)
        if not photo.code:
            self.empty.append(seconds)


def _print_times(name: str, seconds: Sequence[tuple[float, float]]) -> None:
    if seconds:
        ours, plain = (statistics.median(one) for one in zip(*seconds, strict=True))
        ratio = statistics.median(one / other for one, other in seconds)
        words = f"{1000 * ours:5.0f} ms, a plain read {1000 * plain:5.0f} ms, ratio {ratio:.2f}"
        print(f"{name:<32}{words} ({len(seconds)} photos)")


def heavy_photos() -> Iterator[tuple[str, bytes]]:
    """Give the largest photos that are taken, of each kind, with as many bytes as are taken."""
    rng = np.random.default_rng(1)
    yield "nothing at all", b""
    yield "JPEG, baseline", _saved(photos.MOST_PIXELS["JPEG"], rng, "JPEG", quality=85)
    yield (
        "JPEG, progressive, 4:4:4",
        _saved(photos.MOST_PIXELS_HELD, rng, "JPEG", quality=85, subsampling=0, progressive=True),
    )
    yield "PNG", _saved(photos.MOST_PIXELS["PNG"], rng, "PNG", compress_level=1)
    yield "WebP", _saved(photos.MOST_PIXELS["WEBP"], rng, "WEBP", quality=80, method=0)
    yield "WebP, lossless", _saved(photos.MOST_PIXELS["WEBP"], rng, "WEBP", lossless=True, method=0, quality=0)


def _saved(pixels: int, rng: np.random.Generator, kind: str, **how: object) -> bytes:
    """Give a coloured photo of at most so many pixels, four by three, filled up behind its end to the most bytes."""
    width = math.isqrt(pixels * 4 // 3)
    size = width, pixels // width
    scene = backdrop(size, rng)
    # few shades, so that the kinds that lose nothing stay under the limit too
    few = Image.merge("RGB", (scene, scene.transpose(Image.Transpose.ROTATE_180), scene)).quantize(16).convert("RGB")
    out = io.BytesIO()
    few.save(out, kind, **how)
    body = out.getvalue()
    return body + bytes(max(0, photos.MOST_BYTES - len(body)))


def _bombs() -> dict[str, bytes]:
    """Give small files that say they are larger than what is taken."""
    thin, long = Image.new("1", (10_000, 10_000)), Image.new("L", (8192, 2731))
    bodies = {}
    for name, picture, kind, how in (
        ("PNG of 100 megapixels", thin, "PNG", {}),
        ("JPEG of 100 megapixels", thin.convert("L"), "JPEG", {}),
        ("progressive JPEG of 22", long, "JPEG", {"progressive": True}),
        ("WebP of 100 megapixels", thin.convert("RGB"), "WEBP", {"method": 0}),
    ):
        out = io.BytesIO()
        picture.save(out, kind, **how)
        bodies[name] = out.getvalue()
    return bodies


def _peak_kb() -> int:
    """Give the most memory that this process has had.

    Linux counts the parent's peak as a new process's own in getrusage, so there its own file is asked.
    """
    status = Path("/proc/self/status")
    if status.exists():
        found = re.search(r"VmHWM:\s+(\d+)", status.read_text(encoding="ascii"))
        return int(found[1]) if found else 0
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss


def _weigh_here(path: Path) -> None:
    """Print what reading one photo takes above this process's start, in kilobytes, and what came of it."""
    bare = _peak_kb()
    try:
        told = str(photos.codes_in(path.read_bytes()))
    except BadInput as refused:
        told = refused.code
    print(_peak_kb() - bare, told)


def _weighed(body: bytes) -> tuple[float, str]:
    """Give what reading a photo takes in a process of its own, in megabytes, and what came of it."""
    with tempfile.NamedTemporaryFile() as file:
        file.write(body)
        file.flush()
        words = [sys.executable, __file__, "--weigh", file.name]
        peak, told = subprocess.run(words, capture_output=True, check=True, text=True).stdout.split(maxsplit=1)
    return int(peak) / 1000, told.strip()


def _print_memory() -> bool:
    most = 0.0
    for name, body in heavy_photos():
        peak, told = _weighed(body)
        most = max(most, peak)
        print(f"memory, {name:<28}{len(body) / MEGA:5.1f} MB sent {peak:6.0f} MB above the start, {told}")
    refused = True
    for name, body in _bombs().items():
        peak, told = _weighed(body)
        refused = refused and told == "photo_too_large"
        print(f"bomb, {name:<30}{len(body) / MEGA:5.2f} MB sent {peak:6.0f} MB above the start, {told}")
    return refused and most <= MOST_MEMORY_MB


def main() -> None:
    """Print what was read, how long it took and what memory; end with 1 where a target was missed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--photos", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--stock", default="50x25", help="a roll: one label a page")
    parser.add_argument("--dpi", type=int, default=203)
    parser.add_argument("--square", action="store_true")
    parser.add_argument("--least", type=float, default=LEAST_SHARE, help="the label's width as a share of the frame's")
    parser.add_argument("--most", type=float, default=MOST_SHARE)
    parser.add_argument("--weigh", type=Path, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.weigh:
        _weigh_here(asked.weigh)
        return
    score = Score()
    for photo in simulated(asked):
        score.add(photo)
    share = score.read / max(1, score.tried)
    print(
        f"read {100 * share:.1f} % of {score.tried}, a plain read {100 * score.plain_read / max(1, score.tried):.1f} %"
    )
    print(f"wrong {len(score.wrong)} {score.wrong or ''}")
    _print_times(f"label at least {100 * NEAR_SHARE:.0f} % of the frame", score.near)
    _print_times("no code", score.empty)
    light = _print_memory()
    sys.exit(0 if share >= LEAST_READ and not score.wrong and light else 1)


if __name__ == "__main__":
    main()
