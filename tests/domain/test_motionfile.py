"""The forms of a motion file give the figures of its text; what is damaged or of another kind is refused by name."""

import gzip
import io
import struct
import zipfile
import zlib

import pytest

from spoolkeep.domain.binary_gcode import regrown, unpacked
from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.motionfile import Run, runs_in
from spoolkeep.domain.words import TimeFrom

TEXT = b"; estimated printing time (normal mode) = 1h 2m 3s\nM83\nG1 X1.5 Y2 E5.25\nT1\nG1 X3 E0.75\n" * 40


def read(data: bytes, name: str = "", *, timed: bool = False) -> list[Run]:
    return list(runs_in(io.BytesIO(data), name=name, timed=timed))


def packed(**files: bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as package:
        for name, data in files.items():
            package.writestr(name, data)
    return out.getvalue()


def block(kind: int, body: bytes, *, compression: int = 0, size: int | None = None, encoding: int = 0) -> bytes:
    """Write a block of the binary form, its sum beside it."""
    head = struct.pack("<HHI", kind, compression, len(body) if size is None else size)
    if compression:
        head += struct.pack("<I", len(body))
    whole = head + struct.pack("<H", encoding) + body
    return whole + struct.pack("<I", zlib.crc32(whole))


def binary(*blocks: bytes) -> bytes:
    return struct.pack("<4sIH", b"GCDE", 1, 1) + b"".join(blocks)


def meatpacked(text: bytes) -> bytes:
    """Pack letters two to a byte, as the published description has it."""
    table = b"0123456789. \nGX"
    text += b"\n" * (len(text) % 2)
    out = bytearray(b"\xff\xff\xfb")
    for first, second in zip(text[::2], text[1::2], strict=True):
        low, high = (table.find(bytes([one])) % 16 for one in (first, second))
        out.append(low | high << 4)
        out += bytes([first]) if low == 15 else b""
        out += bytes([second]) if high == 15 else b""
    return bytes(out)


def heatshrunk(text: bytes, *, window: int, lookahead: int) -> bytes:
    """Write what came before as a reference, else as it is; as the format of such streams is documented."""
    bits, at = "", 0
    while at < len(text):
        best, back = 0, 0
        for distance in range(1, min(at, 1 << window) + 1):
            count = 0
            while count < 1 << lookahead and at + count < len(text) and text[at + count - distance] == text[at + count]:
                count += 1
            if count > best:
                best, back = count, distance
        if best > 2:
            bits += f"0{back - 1:0{window}b}{best - 1:0{lookahead}b}"
            at += best
        else:
            bits += f"1{text[at]:08b}"
            at += 1
    bits += "0" * (-len(bits) % 8)
    return int(bits, 2).to_bytes(len(bits) // 8, "big")


SMALL = b"M83\nG1 X1.5 Y2 E5.25 ; a comment\nT1\nG1 X3 E0.75\n"


@pytest.mark.parametrize(
    "data",
    [
        SMALL,
        SMALL.replace(b"\n", b"\r\n"),
        gzip.compress(SMALL),
        binary(block(0, b"Producer=x"), block(1, SMALL)),
        binary(block(1, zlib.compress(SMALL), compression=1, size=len(SMALL))),
        binary(block(1, heatshrunk(SMALL, window=11, lookahead=4), compression=2, size=len(SMALL))),
        binary(block(1, heatshrunk(SMALL, window=12, lookahead=4), compression=3, size=len(SMALL))),
        binary(block(1, meatpacked(SMALL), encoding=1)),
        binary(block(1, meatpacked(SMALL[:33]), encoding=2), block(1, meatpacked(SMALL[33:]), encoding=2)),
    ],
    ids=["text", "crlf", "gzip", "binary", "deflated", "heatshrunk 11", "heatshrunk 12", "packed", "packed blocks"],
)
def test_every_form_draws_what_its_text_draws(data: bytes) -> None:
    (run,) = read(data)
    assert run.metered.mm == {0: 5.25, 1: 0.75}


def test_a_package_has_its_runs_in_the_order_of_their_numbers() -> None:
    files = {f"Metadata/run_{number}.gcode": b"M83\nG1 X1 E%d\n" % number for number in (10, 2, 1)}
    runs = read(packed(**files, **{"3D/model.model": b"<model/>"}))
    assert [(run.number, run.of, run.name, run.metered.mm[0]) for run in runs] == [
        (1, 3, "run_1.gcode", 1.0),
        (2, 3, "run_2.gcode", 2.0),
        (3, 3, "run_10.gcode", 10.0),
    ]


def test_letters_without_blanks_are_unpacked_with_e_in_their_stead() -> None:
    packed_letters = b"\xff\xff\xfb\xff\xff\xf7" + bytes([0xBD, 0x51])  # G, E; then 1, 5
    assert unpacked(packed_letters) == b"GE15"
    assert unpacked(b"\xff\xff\xfb\xff\xff\xf7\xff\xff\xf6" + bytes([0xBD])) == b"G "
    assert unpacked(b"G1\xff\xff\xfb" + bytes([0x1D]) + b"\xff\xff\xfaG2") == b"G1G1G2"


def test_a_stream_that_refers_to_what_never_came_is_damaged() -> None:
    with pytest.raises(BadInput, match="damaged"):
        regrown(b"\x00\x00\x00", window=11, size=9)


def damaged(data: bytes) -> bytes:
    return data[:-9] + bytes([data[-9] ^ 1]) + data[-8:]


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "empty"),
        (gzip.compress(TEXT * 99)[:-40], "cut off or damaged after line"),
        (packed(**{"a.gcode": TEXT})[:200], "cut off, damaged or locked"),
        (packed(**{"3D/model.model": b"<model/>"}), "has not been sliced"),
        (packed(**{"a.gcode": b"M83\nG1 X1 E1\n", "b.gcode": b"G28\n"}), "b.gcode: None of its 1 lines"),
        (b"%PDF-1.7", "a PDF"),
        (b"solid thing\nfacet", "has not been sliced"),
        (damaged(binary(block(1, SMALL))), "damaged"),
        (binary(block(1, SMALL))[:-20], "cut off"),
        (struct.pack("<4sIH", b"GCDE", 9, 1), "version 9"),
    ],
)
def test_what_cannot_be_read_is_refused_by_name(data: bytes, says: str) -> None:
    with pytest.raises(BadInput, match=says):
        read(data)


def test_a_file_that_counts_steps_is_refused_by_name() -> None:
    with pytest.raises(BadInput, match="x3g"):
        read(b"\x88\x00\x01", "part.x3g")


@pytest.mark.parametrize(
    ("comment", "seconds"),
    [
        (b"; estimated printing time (normal mode) = 1d 2h 3m 4s", 93_784),
        (b"; model printing time: 10m 2s; total estimated time: 16m 58s", 602),
        (b"; total estimated time: 16m 58s", 1018),
        (b";TIME:6666", 6666),
        (b";TIME:6666.5", 6666),
        (b";Print time: 01:02:03", 3723),
        (b"; Build time: 2 hours 5 minutes", 7500),
    ],
)
def test_the_running_time_is_the_one_that_a_comment_tells(comment: bytes, seconds: int) -> None:
    (run,) = read(comment + b"\n" + SMALL, timed=True)
    assert (run.seconds, run.time_from) == (seconds, TimeFrom.COMMENT)


def test_without_a_comment_the_moves_are_timed_where_that_is_asked() -> None:
    moves = b"G21\nG90\nG1 X0 Y0 F6000\nG1 X100 E5\nG91\nG1 Y50 F3000\nG90\nG4 P1500\nG4 S2\nG2 X100 Y50 I10 J0 F600\n"
    (run,) = read(moves)
    assert (run.seconds, run.time_from) == (None, None)
    (run,) = read(moves, timed=True)
    # 100 mm at 100 mm/s, 50 mm at 50 mm/s, pauses of 3.5 s, a full circle of radius 10 at 10 mm/s: 6.28 s
    assert (run.seconds, run.time_from) == (12, TimeFrom.MOVES)
