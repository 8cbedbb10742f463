"""Photos of labels: what stands in them is read at any angle, a wrong code never is, and no photo is too much."""

import io
import struct
import threading
import zlib
from functools import lru_cache
from typing import Any

import numpy as np
import pytest
import segno
import zxingcpp
from PIL import Image

from spoolkeep.domain.codes import Code, CodeKind
from spoolkeep.domain.errors import BadInput, TooMany
from spoolkeep.services import photos
from spoolkeep.services.photos import codes_in
from tests.benchmarks.photos import Shot, any_shot, backdrop, labels_of, stick, taken
from tests.paper.pictures import Picture

FRAME = (1344, 1008)
MIDDLE = (0.5, 0.5)
MAKERS = "6291041500213"
"""GS1's own worked example of an EAN-13."""


@lru_cache(maxsize=1)
def labels() -> tuple[list[Picture], list[str]]:
    return labels_of("50x25", 203)


def maker_label(text: str, kind: zxingcpp.BarcodeFormat) -> Picture:
    bars = np.asarray(zxingcpp.create_barcode(text, kind).to_image(scale=3))
    return np.pad(bars[:90], 20, constant_values=255)


def photo(*stuck: tuple[Picture, float, float, float], shot: Shot | None = None, seed: int = 1) -> bytes:
    """Give a photo of labels: each one's picture, how far it is turned, and where its middle lies in the frame."""
    rng = np.random.default_rng(seed)
    scene, seen = backdrop(FRAME, rng), shot or Shot()
    for label, turn, x, y in stuck:
        stick(scene, label, width=400, middle=(x * FRAME[0], y * FRAME[1]), turn=turn, shot=seen, rng=rng)
    return taken(scene, seen, rng)


def saved(picture: Image.Image, kind: str, **how: object) -> bytes:
    out = io.BytesIO()
    picture.save(out, kind, **how)
    return out.getvalue()


def refused(body: bytes) -> BadInput:
    with pytest.raises(BadInput) as caught:
        codes_in(body)
    return caught.value


@pytest.fixture
def undecodable(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing may be opened or decoded: what is refused is refused by its first bytes."""

    def fail(*_: object, **__: object) -> None:
        pytest.fail("it was decoded")

    monkeypatch.setattr(Image.Image, "load", fail)
    monkeypatch.setattr(Image, "open", fail)


@pytest.mark.parametrize("turn", range(0, 360, 40))
def test_a_label_is_read_however_the_phone_was_turned(turn: int) -> None:
    pages, codes = labels()
    assert codes_in(photo((pages[0], turn, *MIDDLE))) == [codes[0]]


@pytest.mark.parametrize("seed", range(6))
def test_a_photo_by_hand_never_gives_a_wrong_code(seed: int) -> None:
    pages, codes = labels()
    rng = np.random.default_rng(seed)
    body = photo((pages[seed], rng.uniform(0, 360), *MIDDLE), shot=any_shot(rng), seed=seed)
    assert codes_in(body) == [codes[seed]]


def test_two_labels_at_different_angles_are_both_read_from_left_to_right() -> None:
    pages, codes = labels()
    body = photo((pages[1], 40, 0.25, 0.46), (pages[2], 5, 0.75, 0.53))
    assert codes_in(body) == [codes[1], codes[2]]
    assert codes_in(photo((pages[2], 5, 0.25, 0.46), (pages[1], 40, 0.75, 0.53))) == [codes[2], codes[1]]


def test_labels_are_told_row_by_row() -> None:
    pages, codes = labels()
    corners = [(0.25, 0.25), (0.75, 0.29), (0.25, 0.73), (0.75, 0.69)]
    body = photo(*((pages[number], 3, *corner) for number, corner in enumerate(corners)))
    assert codes_in(body) == codes[:4]


@pytest.mark.parametrize(("orientation", "back"), [(3, 180), (6, 90), (8, 270)])
def test_the_order_is_that_of_the_photo_as_it_is_shown(orientation: int, back: int) -> None:
    """Source: Exif 2.3, tag 0x0112: 6 is shown turned by 90 degrees clockwise, 8 by 90 the other way."""
    pages, codes = labels()
    with Image.open(io.BytesIO(photo((pages[1], 0, 0.25, 0.46), (pages[2], 0, 0.75, 0.53)))) as shown:
        held = Image.Exif()
        held[0x0112] = orientation
        assert codes_in(saved(shown.rotate(back, expand=True), "JPEG", exif=held)) == [codes[1], codes[2]]


def test_a_label_seen_twice_is_told_once() -> None:
    pages, codes = labels()
    assert codes_in(photo((pages[1], 0, 0.25, 0.46), (pages[1], 50, 0.75, 0.53))) == [codes[1]]


@pytest.mark.parametrize("turn", [0, 33, 130])
def test_a_makers_code_is_read_too(turn: int) -> None:
    assert codes_in(photo((maker_label(MAKERS, zxingcpp.BarcodeFormat.EAN13), turn, *MIDDLE))) == [MAKERS]


def test_a_makers_code_does_not_hide_our_label_at_another_angle() -> None:
    pages, codes = labels()
    box = maker_label(MAKERS, zxingcpp.BarcodeFormat.EAN13)
    assert codes_in(photo((box, 0, 0.25, 0.46), (pages[3], 137, 0.75, 0.53))) == [MAKERS, codes[3]]


def test_a_number_on_a_parcel_is_not_taken_for_a_makers_code() -> None:
    """The digits check out, but no maker prints them in Code 128."""
    assert codes_in(photo((maker_label(MAKERS, zxingcpp.BarcodeFormat.Code128), 0, *MIDDLE))) == []


def test_our_code_with_one_character_wrong_is_not_read() -> None:
    right = Code(CodeKind.SPOOL, 4217).text
    assert codes_in(photo((maker_label(right, zxingcpp.BarcodeFormat.Code128), 0, *MIDDLE))) == [right]
    wrong = right.replace("42", "43")
    assert codes_in(photo((maker_label(wrong, zxingcpp.BarcodeFormat.Code128), 0, *MIDDLE))) == []


@pytest.mark.parametrize("turn", [0, 37])
def test_the_square_code_alone_is_enough(turn: int) -> None:
    text = Code(CodeKind.FEED, 12).text
    square = np.array([[0 if dark else 255 for dark in row] for row in segno.make(text, error="h").matrix_iter()])
    assert codes_in(photo((square.astype(np.uint8).repeat(4, 0).repeat(4, 1), turn, *MIDDLE))) == [text]


def test_a_shelf_without_a_label_gives_no_code() -> None:
    assert [codes_in(photo(seed=seed)) for seed in range(4)] == [[]] * 4


def test_a_tiny_picture_gives_no_code() -> None:
    assert codes_in(saved(Image.new("L", (1, 1)), "PNG")) == []


@pytest.mark.parametrize(("kind", "how"), [("PNG", {}), ("WEBP", {}), ("JPEG", {"progressive": True}), ("MPO", {})])
def test_every_kind_that_phones_and_pages_send_is_read(kind: str, how: dict[str, Any]) -> None:
    pages, codes = labels()
    with Image.open(io.BytesIO(photo((pages[0], 20, *MIDDLE)))) as picture:
        assert codes_in(saved(picture.resize((1008, 756)), kind, **how)) == [codes[0]]


@pytest.mark.parametrize("kind", ["PNG", "WEBP", "MPO"])
def test_of_moving_pictures_the_first_one_is_read(kind: str) -> None:
    pages, codes = labels()
    first, second = (Image.open(io.BytesIO(photo((pages[number], 0, *MIDDLE)))) for number in (0, 1))
    with first, second:
        assert codes_in(saved(first, kind, save_all=True, append_images=[second])) == [codes[0]]


def test_shades_of_sixteen_bits_are_read() -> None:
    pages, codes = labels()
    with Image.open(io.BytesIO(photo((pages[0], 0, *MIDDLE)))) as picture:
        deep = Image.fromarray(np.asarray(picture.convert("L")).astype(np.uint16) * 257)
    assert codes_in(saved(deep, "PNG")) == [codes[0]]


@pytest.mark.parametrize("body", [b"", b"%PDF-1.7", b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n", b"RIFF\0\0\0\0WEBPVP8X"])
def test_what_is_no_photo_is_refused(body: bytes) -> None:
    assert refused(body).code == "no_photo"


@pytest.mark.parametrize("kind", ["GIF", "BMP", "TIFF", "PPM"])
def test_other_kinds_of_pictures_are_not_even_opened(kind: str, request: pytest.FixtureRequest) -> None:
    body = saved(Image.new("L", (8, 8)), kind)
    request.getfixturevalue("undecodable")
    assert refused(body).code == "no_photo"


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_a_photo_that_was_cut_short_is_refused(kind: str) -> None:
    with Image.open(io.BytesIO(photo(shot=Shot(noise=9)))) as picture:
        whole = saved(picture.resize((504, 378)), kind)
    for share in (0.1, 0.5, 0.9):
        assert refused(whole[: int(len(whole) * share)]).code == "no_photo"


@pytest.mark.usefixtures("undecodable")
def test_a_photo_of_more_than_12_megabytes_is_refused() -> None:
    found = refused(b"\xff\xd8\xff" + bytes(12_000_000))
    assert found.code == "photo_too_large"
    assert "type the code" in found.words


def huge(kind: str) -> bytes:
    """Give a head that says 100 megapixels; the PNG is a whole one of 12 kilobytes."""
    if kind == "PNG":
        return saved(Image.new("1", (10_000, 10_000)), "PNG")
    if kind == "WEBP":
        side = (9_999).to_bytes(3, "little")
        return b"RIFF" + struct.pack("<I", 22) + b"WEBPVP8X" + struct.pack("<I", 10) + bytes(4) + side + side
    return with_size(saved(Image.new("L", (8, 8)), "JPEG"), 10_000, 10_000)


def with_size(jpeg: bytes, width: int, height: int) -> bytes:
    """Give a JPEG that says it has another size. Source: ITU-T T.81, B.2.2."""
    at = max(jpeg.find(b"\xff\xc0"), jpeg.find(b"\xff\xc2")) + 5
    return jpeg[:at] + struct.pack(">HH", height, width) + jpeg[at + 4 :]


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_a_small_file_of_100_megapixels_is_refused_by_its_head(kind: str, request: pytest.FixtureRequest) -> None:
    body = huge(kind)
    assert len(body) < 16_000
    request.getfixturevalue("undecodable")
    found = refused(body)
    assert found.code == "photo_too_large"
    assert "100 megapixels" in found.words


def test_a_progressive_photo_has_a_lower_limit(request: pytest.FixtureRequest) -> None:
    body = with_size(saved(Image.new("RGB", (8, 8)), "JPEG", progressive=True), 6000, 4000)
    request.getfixturevalue("undecodable")
    assert "progressive JPEG may have 20" in refused(body).words


@pytest.mark.usefixtures("undecodable")
def test_colours_one_after_the_other_count_as_progressive() -> None:
    """A decoder holds all of such a photo too. Source: ITU-T T.81, B.2.2 and B.2.3."""
    frame = b"\xff\xc0" + struct.pack(">HBHHB", 17, 8, 4000, 6000, 3) + b"\1\x11\0\2\x11\0\3\x11\0"
    scan = b"\xff\xda" + struct.pack(">HB", 8, 1) + b"\1\0\0\x3f\0"
    assert refused(b"\xff\xd8" + frame + scan).code == "photo_too_large"


def test_a_photo_with_endless_scans_is_refused(request: pytest.FixtureRequest) -> None:
    whole = saved(Image.new("RGB", (64, 64)), "JPEG", progressive=True)
    last = whole[whole.rfind(b"\xff\xda") : -2]
    body = whole[:-2] + last * 100 + whole[-2:]
    request.getfixturevalue("undecodable")
    assert refused(body).code == "no_photo"


@pytest.mark.usefixtures("undecodable")
def test_two_sizes_in_one_photo_are_refused() -> None:
    frame = b"\xff\xc0" + struct.pack(">HBHHB", 11, 8, 8, 8, 1) + b"\1\x11\0"
    scan = b"\xff\xda" + struct.pack(">HB", 8, 1) + b"\1\0\0\x3f\0"
    assert refused(b"\xff\xd8" + frame + frame + scan).code == "no_photo"


@pytest.mark.usefixtures("undecodable")
def test_a_thread_of_pixels_is_refused() -> None:
    head = b"\x89PNG\r\n\x1a\n" + struct.pack(">I", 13) + b"IHDR" + struct.pack(">II", 15_000_000, 1)
    assert refused(head).code == "photo_too_large"


def test_packed_text_in_a_photo_is_never_unpacked(monkeypatch: pytest.MonkeyPatch) -> None:
    whole = saved(Image.new("L", (64, 64)), "PNG")
    text = b"iTXt" + b"word\0\1\0\0\0" + zlib.compress(bytes(1_000_000))
    chunk = struct.pack(">I", len(text) - 4) + text + struct.pack(">I", zlib.crc32(text))
    monkeypatch.setattr("PIL.PngImagePlugin.PngStream.chunk_iTXt", lambda *_: pytest.fail("it was unpacked"))
    assert codes_in(whole[:33] + chunk + whole[33:]) == []


def test_photos_wait_for_each_other_but_not_for_ever(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(photos, "WAIT_S", 0.01)
    begun, go_on = threading.Event(), threading.Event()

    def slow(_: object) -> object:
        begun.set()
        go_on.wait(10)
        raise OSError

    body = saved(Image.new("L", (64, 64)), "PNG")
    with monkeypatch.context() as while_slow:
        while_slow.setattr(photos, "_head_of", slow)
        first = threading.Thread(target=refused, args=(body,))
        first.start()
        begun.wait(10)
        with pytest.raises(TooMany) as caught:
            codes_in(body)
        go_on.set()
        first.join()
    assert caught.value.code == "too_many_photos"
    assert "again" in caught.value.words
    assert codes_in(body) == []
