"""A photo of a label, decoded: which codes of ours and makers' codes stand in it.

The web calls it with the bytes that a phone sent, outside any session. It must not know the books, nor what a code
stands for there.
"""

import cmath
import io
import itertools
import math
import re
import struct
import threading
import warnings
import zlib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import Any, NamedTuple

import numpy as np
import zxingcpp
from numpy.typing import NDArray
from PIL import Image
from zxingcpp import Barcode, BarcodeFormat, BarcodeFormats

from spoolkeep.domain.codes import Code, RetailCode, read_code
from spoolkeep.domain.errors import BadInput, TooMany

MEGA = 1_000_000
MOST_BYTES = 12 * MEGA
MOST_PIXELS = {"JPEG": 50 * MEGA, "PNG": 16 * MEGA, "WEBP": 10 * MEGA}
"""A PNG takes 5 bytes a pixel while it is decoded, a WebP 16. Source: measured, tests/benchmarks/photos.py."""
MOST_PIXELS_HELD = 20 * MEGA
"""Of a JPEG whose decoder holds all of it at once, up to 8 bytes a pixel. Source: measured, as above."""
MOST_SCANS = 20
"""Each scan of a JPEG passes over the whole picture; savers make about ten. Source: common practice, from memory."""
MOST_SIDE = 20_000
"""A wide view has about 16,000; a thread of millions would take seconds. Source: our own choice."""
MOST_PIXELS_READ = 25 * MEGA
"""A larger JPEG is read at half its size or less: a label's bars are wide enough there. Source: our own choice."""
WAIT_S = 5.0
"""How long a photo waits for those before it. Source: our own choice; one takes well under a second."""

SMALL, HALF = 1344, 2016
"""The longer side in pixels at which a photo is searched, and at which what was found is read."""
_ENOUGH_FOR_HALF = 1920
_LONGEST_AT_FULL = 1600
"""What is longer than that at full size was sharp enough when it was read at half."""
_TURNS = (math.radians(30), math.radians(60))
_BLOCK = 12
_LIKE_BARS, _LEAST_EDGES = 0.5, 30.0
_SAME_WAY = math.radians(12)
_LEAST_BLOCKS, _MOST_STRIPS = 6, 8
"""What passes for bars, and how many candidates are read. Source: measured, tests/benchmarks/photos.py."""
_QUIET_SHARE = 0.12
_ROW = 0.12

_RETAIL = (BarcodeFormat.EAN13, BarcodeFormat.EAN8, BarcodeFormat.UPCA)
_FORMATS = BarcodeFormats((BarcodeFormat.Code128, BarcodeFormat.QRCode, *_RETAIL))
_ORIENTATION = 274
"""Source: Exif 2.3, tag 0x0112."""
_BROKEN = (
    OSError,
    SyntaxError,
    ValueError,
    TypeError,
    ArithmeticError,
    LookupError,
    EOFError,
    struct.error,
    zlib.error,
    Image.DecompressionBombError,
    Image.DecompressionBombWarning,
)
"""What Pillow raises for a file that is not what it says."""

Block = tuple[int, int]
Affine = tuple[float, float, float, float, float, float]
"""Where a place of a view lies in its picture: x' = ax + by + c, y' = dx + ey + f."""

_one_at_a_time = threading.Lock()
# a warning would let a picture of twice that many pixels through
warnings.filterwarnings("error", category=Image.DecompressionBombWarning)
# of what a photo says of itself and nobody asks; each is another, and would fill the log
warnings.filterwarnings("ignore", category=UserWarning, module=r"PIL\.")


class _Head(NamedTuple):
    """What a photo says of itself before anything is decoded; `held` where its decoder holds the whole of it."""

    kind: str
    width: int
    height: int
    held: bool = False


class _Strip(NamedTuple):
    """A rectangle that may hold bars: how far it is turned, and its edges along and across the turned axis.

    Lengths in pixels of the small picture, the turn in radians.
    """

    turn: float
    left: float
    top: float
    right: float
    foot: float


class _View(NamedTuple):
    """A piece of a picture as it is read, where that lies in the picture, and the picture's size."""

    piece: Image.Image
    place: Affine
    size: tuple[int, int]


class _Spot(NamedTuple):
    """Where the middle of a code lies, as shares of the photo's sides."""

    across: float
    down: float


def codes_in(photo: bytes) -> list[str]:
    """Give the texts of the codes in a photo, row by row from the top, each once; none where there is none.

    A photo is looked at in stages, each at all angles, and the first that shows a code of ours is the last. A maker's
    code alone stops nothing: it is often larger than our label beside it, and it is ours that says which spool it is.
    Errors: BadInput where it is too large or no photo, TooMany where too many others wait.
    Source: measured, tests/benchmarks/photos.py.
    """
    if len(photo) > MOST_BYTES:
        raise _too_large(f"The photo has more than {MOST_BYTES // MEGA} MB.")
    with _alone():
        try:
            head = _head_of(photo)
            _check(head, photo)
            found = _found(photo, head)
            orientation = _orientation(photo, head) if len(found) > 1 else 1
        except _BROKEN as error:
            raise _no_photo() from error
    return _in_rows({text: _turned(spot, orientation) for text, spot in found.items()})


def _too_large(why: str) -> BadInput:
    return BadInput("photo_too_large", f"{why} Take it with a lower resolution, or type the code under the bars.")


def _no_photo() -> BadInput:
    words = "This is no photo that can be read: a whole JPEG, PNG or WebP is needed. Take it again and send that."
    return BadInput("no_photo", words)


@contextmanager
def _alone() -> Iterator[None]:
    """Let one photo be decoded at a time, so that several phones together take no more memory than one."""
    if not _one_at_a_time.acquire(timeout=WAIT_S):
        raise TooMany("too_many_photos", "Many photos are being read at this moment. Send it again in a few seconds.")
    try:
        yield
    finally:
        _one_at_a_time.release()


def _check(head: _Head, photo: bytes) -> None:
    """Refuse a photo that would take too much memory or time, by what its header says."""
    pixels, most = head.width * head.height, MOST_PIXELS_HELD if head.held else MOST_PIXELS[head.kind]
    if not pixels:
        raise _no_photo()
    if pixels > most:
        kind = f"{'progressive ' if head.held else ''}{head.kind.replace('WEBP', 'WebP')}"
        raise _too_large(f"The photo has {math.ceil(pixels / MEGA)} megapixels; a {kind} may have {most // MEGA}.")
    if max(head.width, head.height) > MOST_SIDE:
        raise _too_large(f"The photo has a side of more than {MOST_SIDE} pixels.")
    if head.held and sum(marker == _SCAN for marker, _ in _segments(photo)) > MOST_SCANS:
        raise _no_photo()


def _head_of(photo: bytes) -> _Head:
    """Give what the first bytes say; the picture library reads far more, and makes room, before it tells a size.

    Errors: BadInput, struct.error. Source: ITU-T T.81, B; ISO/IEC 15948 (PNG), 11.2.2; RFC 9649 (WebP), 2.
    """
    if photo.startswith(b"\xff\xd8\xff"):
        return _jpeg_head(photo)
    if photo.startswith(b"\x89PNG\r\n\x1a\n") and photo[12:16] == b"IHDR":
        return _Head("PNG", *struct.unpack_from(">II", photo, 16))
    if photo.startswith(b"RIFF") and photo[8:12] == b"WEBP":
        return _Head("WEBP", *_webp_size(photo))
    raise _no_photo()


def _webp_size(photo: bytes) -> tuple[int, int]:
    """Give the sides of a WebP, of whichever of its three kinds. Source: RFC 9649, 2.5 to 2.7; RFC 6386, 9.1."""
    kind = photo[12:16]
    if kind == b"VP8X":
        return 1 + int.from_bytes(photo[24:27], "little"), 1 + int.from_bytes(photo[27:30], "little")
    if kind == b"VP8L":
        bits = int.from_bytes(photo[21:25], "little")
        return 1 + (bits & 0x3FFF), 1 + (bits >> 14 & 0x3FFF)
    if kind == b"VP8 ":
        width, height = struct.unpack_from("<HH", photo, 26)
        return width & 0x3FFF, height & 0x3FFF
    raise _no_photo()


_SCAN, _END = 0xDA, 0xD9
_FRAMES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
_PROGRESSIVE = {0xC2, 0xC6, 0xCA, 0xCE}
_ALONE = frozenset({0x01, *range(0xD0, 0xD9)})
_MARKER = re.compile(rb"\xff+([^\x00\xff])")
"""Markers of a JPEG: those of frames, and those without a length. Source: ITU-T T.81, table B.1."""


def _segments(photo: bytes) -> Iterator[tuple[int, int]]:
    """Give each marker of a JPEG up to its end, and where its content begins.

    What lies between a segment and the next marker is passed over, as every decoder does. Errors: struct.error.
    """
    at = 2
    while found := _MARKER.search(photo, at):
        marker, at = found[1][0], found.end()
        if marker == _END:
            return
        if marker not in _ALONE:
            yield marker, at + 2
            at += struct.unpack_from(">H", photo, at)[0]


def _jpeg_head(photo: bytes) -> _Head:
    """Give the size of a JPEG, and whether its decoder holds all of it: progressive, or its colours one by one.

    Errors: BadInput where it has not one frame before its first scan, or more colours than a photo.
    """
    frames = []
    for marker, at in _segments(photo):
        if marker in _FRAMES:
            frames.append((marker, *struct.unpack_from(">HHB", photo, at + 1)))
        if marker == _SCAN:
            break
    if len(frames) != 1 or frames[0][3] not in {1, 3}:
        raise _no_photo()
    kind, height, width, colours = frames[0]
    return _Head("JPEG", width, height, held=kind in _PROGRESSIVE or photo[at] < colours)


def _bare_png(photo: bytes) -> bytes:
    """Give a PNG without what is not needed to show it: packed text and colour profiles can be larger than the picture.

    Its animation goes too, so the first picture is the only one. Source: ISO/IEC 15948, 5.4: a capital begins the name
    of a needed chunk.
    """
    at, kept = 8, [photo[:8]]
    while at + 8 <= len(photo) and kept[-1][4:8] != b"IEND":
        end = at + 12 + struct.unpack_from(">I", photo, at)[0]
        if photo[at + 4 : at + 5].isupper():
            kept.append(photo[at:end])
        at = end
    return b"".join(kept)


def _opened(photo: bytes, head: _Head) -> Image.Image:
    """Give the picture, not yet decoded. Errors: BadInput where the library sees another size than its head says."""
    body = _bare_png(photo) if head.kind == "PNG" else photo
    picture = Image.open(io.BytesIO(body), formats=(head.kind,))
    if picture.size != (head.width, head.height):
        raise _no_photo()
    return picture


def _decoded(photo: bytes, head: _Head, side: int) -> Image.Image:
    """Give the first frame in shades of grey: a JPEG no larger than needed for a longer side of so many pixels."""
    picture = _opened(photo, head)
    share = side / max(picture.size)
    # both sides in proportion: the decoder takes the coarser step that serves both
    picture.draft("L", (max(1, int(picture.width * share)), max(1, int(picture.height * share))))
    picture.load()
    if picture.mode.startswith("I"):
        return Image.fromarray((np.asarray(picture) >> 8).astype(np.uint8))
    return picture.convert("L")


def _orientation(photo: bytes, head: _Head) -> int:
    """Give how the camera was held, 1 where nothing usable is said. Source: Exif 2.3, tag 0x0112."""
    try:
        return int(_opened(photo, head).getexif().get(_ORIENTATION, 1))
    except _BROKEN:
        return 1


def _found(photo: bytes, head: _Head) -> dict[str, _Spot]:
    """Give each code and where it lies, by the first stage that shows one of ours."""
    found: dict[str, _Spot] = {}
    for stage in _stages(photo, head):
        for view in stage:
            for text, spot in _read(view):
                found.setdefault(text, spot)
        if any(isinstance(read_code(text), Code) for text in found):
            break
    return found


def _stages(photo: bytes, head: _Head) -> Iterator[Iterable[_View]]:
    """Give the stages, cheapest first: the photo small and what looks like bars, all of it turned, full size."""
    picture = _decoded(photo, head, _ENOUGH_FOR_HALF)
    half, small = _at_most(picture, HALF), _at_most(picture, SMALL)
    strips = _strips(small)
    yield itertools.chain([_whole(small)], (_cut(half, strip, small) for strip in strips))
    turned = (_cut(small, _frame(small, turn), small) for turn in _TURNS)
    yield itertools.chain([_whole(half)] if half.size != small.size else [], turned)
    full = _largest(head)
    if full > max(picture.size):
        picture = _decoded(photo, head, full)
    if max(picture.size) > HALF:
        short = [one for one in strips if (one.right - one.left) * full < _LONGEST_AT_FULL * max(small.size)]
        yield (_cut(picture, strip, small) for strip in short)


def _largest(head: _Head) -> int:
    """Give the longer side at which a photo is read at most."""
    steps = (step for step in (1, 2, 4, 8) if head.width * head.height <= MOST_PIXELS_READ * step**2)
    return max(head.width, head.height) // next(steps)


def _at_most(picture: Image.Image, side: int) -> Image.Image:
    share = side / max(picture.size)
    if share >= 1:
        return picture
    size = max(1, round(picture.width * share)), max(1, round(picture.height * share))
    return picture.resize(size, Image.Resampling.BILINEAR)


def _whole(picture: Image.Image) -> _View:
    return _View(picture, (1, 0, 0, 0, 1, 0), picture.size)


def _frame(small: Image.Image, turn: float) -> _Strip:
    """Give the whole frame as a strip turned by an angle."""
    right, foot = small.size
    along = [x * math.cos(turn) + y * math.sin(turn) for x in (0, right) for y in (0, foot)]
    across = [y * math.cos(turn) - x * math.sin(turn) for x in (0, right) for y in (0, foot)]
    return _Strip(turn, min(along), min(across), max(along), max(across))


def _cut(picture: Image.Image, strip: _Strip, small: Image.Image) -> _View:
    """Give a strip upright, at the picture's own scale."""
    scale = max(picture.size) / max(small.size)
    left, top, right, foot = (edge * scale for edge in strip[1:])
    cos, sin = math.cos(strip.turn), math.sin(strip.turn)
    place = (cos, -sin, left * cos - top * sin, sin, cos, left * sin + top * cos)
    size = max(1, round(right - left)), max(1, round(foot - top))
    # the nearest pixel would be quicker, but it tears the edges of bars so that few are read
    piece = picture.transform(size, Image.Transform.AFFINE, place, Image.Resampling.BILINEAR)
    return _View(piece, place, picture.size)


def _read(view: _View) -> Iterator[tuple[str, _Spot]]:
    """Give each code in a view and where in the photo it lies.

    Labels are dark on light, and the stages bring their own sizes, so the reader tries neither.
    """
    for one in zxingcpp.read_barcodes(np.asarray(view.piece), _FORMATS, try_downscale=False, try_invert=False):
        text = _accepted(one)
        if text:
            yield text, _spot_of(one, view)


def _accepted(one: Barcode) -> str:
    """Give the text of one of ours or of a maker's code, or none.

    A maker's code counts in a maker's symbol only: one in ten numbers of twelve digits on parcels would pass for one.
    """
    try:
        code = read_code(one.text)
    except BadInput:
        return ""
    if isinstance(code, RetailCode):
        return code.digits if one.format in _RETAIL else ""
    return code.text if one.format not in _RETAIL else ""


def _spot_of(one: Barcode, view: _View) -> _Spot:
    corners = (one.position.top_left, one.position.bottom_right)
    x, y = sum(corner.x for corner in corners) / 2, sum(corner.y for corner in corners) / 2
    a, b, c, d, e, f = view.place
    return _Spot((a * x + b * y + c) / view.size[0], (d * x + e * y + f) / view.size[1])


def _turned(spot: _Spot, orientation: int) -> _Spot:
    """Give a place as it lies when the photo is shown upright. Source: Exif 2.3, tag 0x0112."""
    across, down = (spot.down, spot.across) if orientation in {5, 6, 7, 8} else spot
    mirrored, upside_down = orientation in {2, 3, 6, 7}, orientation in {3, 4, 7, 8}
    return _Spot(1 - across if mirrored else across, 1 - down if upside_down else down)


def _in_rows(found: dict[str, _Spot]) -> list[str]:
    """Give the texts from left to right, row by row; what lies about as high is in one row."""
    rows: list[list[tuple[float, str]]] = []
    begun = -math.inf
    for text, spot in sorted(found.items(), key=lambda one: one[1].down):
        if spot.down > begun + _ROW:
            rows.append([])
            begun = spot.down
        rows[-1].append((spot.across, text))
    return [text for row in rows for _, text in sorted(row)]


def _strips(small: Image.Image) -> list[_Strip]:
    """Give the rectangles that look like bars, the strongest first: blocks whose edges all run one way, and touch.

    Source: the structure tensor of image analysis, Bigun and Granlund 1987, from memory.
    """
    ways = _ways(np.asarray(small))
    patches = [patch for patch in _patches(ways) if len(patch) >= _LEAST_BLOCKS]
    patches.sort(key=lambda patch: -sum(abs(ways[block]) for block in patch))
    return [_strip_of({block: ways[block] for block in patch}) for patch in patches[:_MOST_STRIPS]]


def _ways(grey: NDArray[np.uint8]) -> dict[Block, complex]:
    """Give the blocks whose edges all run one way: how strong they are, and twice the angle across them, as one number.

    Twice, so that an edge from dark to light and one from light to dark count for the same way.
    """
    shades = grey.astype(np.float32)
    rows, columns = ((side - 1) // _BLOCK * _BLOCK for side in shades.shape)
    here = shades[:rows, :columns]
    slope = (shades[:rows, 1 : columns + 1] - here) + 1j * (shades[1 : rows + 1, :columns] - here)
    way, edges = _smooth(_block_means(slope * slope)), _smooth(_block_means(np.abs(slope) ** 2))
    like = (np.abs(way) > _LIKE_BARS * edges) & (edges > _LEAST_EDGES)
    return {(int(row), int(column)): complex(way[row, column]) for row, column in np.argwhere(like)}


def _block_means(each: NDArray[Any]) -> NDArray[Any]:
    rows, columns = (side // _BLOCK for side in each.shape)
    return np.asarray(each.reshape(rows, _BLOCK, columns, _BLOCK).mean(axis=(1, 3)))


def _smooth(blocks: NDArray[Any]) -> NDArray[Any]:
    """Give the mean of each block and its neighbours."""
    rows, columns = blocks.shape
    wide = np.pad(blocks, 1)
    return np.asarray(sum(wide[y : y + rows, x : x + columns] for y in range(3) for x in range(3)) / 9)


def _patches(ways: dict[Block, complex]) -> Iterator[list[Block]]:
    """Give blocks that touch and run the same way as the strongest of them, each block in one patch."""
    free = set(ways)
    for seed in sorted(ways, key=lambda block: -abs(ways[block])):
        if seed in free:
            free.remove(seed)
            yield _patch(seed, ways, free)


def _patch(seed: Block, ways: dict[Block, complex], free: set[Block]) -> list[Block]:
    """Give the blocks of one patch, and take them from those that are free."""
    to, patch, edge = ways[seed].conjugate(), [seed], [seed]
    while edge:
        row, column = edge.pop()
        for block in ((row + 1, column), (row - 1, column), (row, column + 1), (row, column - 1)):
            if block in free and abs(cmath.phase(ways[block] * to)) < 2 * _SAME_WAY:
                free.remove(block)
                patch.append(block)
                edge.append(block)
    return patch


def _strip_of(patch: dict[Block, complex]) -> _Strip:
    """Give the rectangle around a patch, turned the way of its edges, with room for quiet zones."""
    turn = cmath.phase(sum(patch.values())) / 2
    cos, sin = math.cos(turn), math.sin(turn)
    places = [((column + 0.5) * _BLOCK, (row + 0.5) * _BLOCK) for row, column in patch]
    along = [x * cos + y * sin for x, y in places]
    across = [y * cos - x * sin for x, y in places]
    quiet = 1.5 * _BLOCK + _QUIET_SHARE * (max(along) - min(along))
    half = _BLOCK / 2
    return _Strip(turn, min(along) - quiet, min(across) - half, max(along) + quiet, max(across) + half)
