"""Files that wish us ill, by name: sheets, workbooks, motion files, packages and pictures, each small on the way in.

The tests and the benchmark `hostile.py` send them. Every one is made here; none comes from elsewhere.
"""

import gzip
import io
import struct
import zipfile
import zlib
from collections.abc import Callable, Iterator, Mapping

from openpyxl import Workbook
from PIL import Image

from spoolkeep.domain.meter import BLOCK

_MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
SHEET = "xl/worksheets/sheet1.xml"
_GROWS = "".join(f'<!ENTITY {to} "{f"&{of};" * 10}">' for of, to in zip("abcdefghi", "bcdefghij", strict=True))
_LAUGHS = f'<!DOCTYPE x [<!ENTITY a "ha">{_GROWS}]>'
_OUTSIDE = '<!DOCTYPE x [<!ENTITY a SYSTEM "file:///etc/passwd">]>'
_QUADRATIC = f'<!DOCTYPE x [<!ENTITY a "{"a" * 50_000}">]>'


def workbook(*rows: tuple[object, ...]) -> bytes:
    """Give a workbook as a spreadsheet writes it."""
    book, out = Workbook(), io.BytesIO()
    for row in rows:
        book.active.append(row)
    book.save(out)
    return out.getvalue()


def altered(parts: Mapping[str, bytes], *, compression: int = zipfile.ZIP_DEFLATED) -> bytes:
    """Give a usual workbook with these parts in the place of its own, or besides."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(workbook(("day", "amount"), ("2026-03-01", 5)))) as old:
        kept = {part.filename: old.read(part) for part in old.infolist()}
    with zipfile.ZipFile(out, "w", compression) as new:
        for name, content in (kept | dict(parts)).items():
            new.writestr(name, content)
    return out.getvalue()


def of_sheet(rows: str, *, before: str = "", head: str = '<?xml version="1.0"?>', encoding: str = "utf-8") -> bytes:
    """Give a workbook whose sheet is this XML."""
    text = f'{head}{before}<worksheet xmlns="{_MAIN}"><sheetData>{rows}</sheetData></worksheet>'
    return altered({SHEET: text.encode(encoding)})


def _cell(where: str, value: str = "1", kind: str = "n") -> str:
    return f'<row r="{where.lstrip("ABCDEFGHIJKLMNOPQRSTUVWXYZ")}"><c r="{where}" t="{kind}"><v>{value}</v></c></row>'


def _lying(data: bytes) -> bytes:
    """Give an archive whose listing says that each part unpacks to a byte."""
    changed = bytearray(data)
    at = changed.find(b"PK\x01\x02")
    while at >= 0:
        struct.pack_into("<I", changed, at + 24, 1)
        at = changed.find(b"PK\x01\x02", at + 4)
    return bytes(changed)


def _locked(data: bytes) -> bytes:
    changed = bytearray(data)
    for sign, offset in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        at = changed.find(sign)
        while at >= 0:
            changed[at + offset] |= 1
            at = changed.find(sign, at + 4)
    return bytes(changed)


def _overlapping(count: int) -> bytes:
    """Give an archive all of whose many entries are one and the same bytes."""
    name, content = b"a.gcode", b"G1 X1 E5\n" * 20_000
    packer = zlib.compressobj(9, zlib.DEFLATED, -15)
    packed = packer.compress(content) + packer.flush()
    sizes = struct.pack("<III", zlib.crc32(content), len(packed), len(content))
    local = struct.pack("<4sHHHHH", b"PK\x03\x04", 20, 0, 8, 0, 0) + sizes + struct.pack("<HH", len(name), 0) + name
    entry = struct.pack("<4sHHHHHH", b"PK\x01\x02", 20, 20, 0, 8, 0, 0) + sizes
    entry += struct.pack("<HHHHHII", len(name), 0, 0, 0, 0, 0, 0) + name
    begin = len(local) + len(packed)
    count16 = min(count, 0xFFFF)
    end = struct.pack("<4sHHHHIIH", b"PK\x05\x06", 0, 0, count16, count16, len(entry) * count, begin, 0)
    return local + packed + entry * count + end


def workbooks(*, scale: int = 1) -> Iterator[tuple[str, bytes]]:
    """Give workbooks by name; `scale` is how many times as much they unpack to."""
    many = 20_000 * scale
    yield "laughs", of_sheet("<row><c><v>&j;</v></c></row>", before=_LAUGHS)
    yield "laughs in UTF-16", of_sheet("<row/>", before=_LAUGHS, head="", encoding="utf-16")
    yield "quadratic", of_sheet(f"<row><c><v>{'&a;' * 1000}</v></c></row>", before=_QUADRATIC)
    yield "from outside", of_sheet("<row><c><v>&a;</v></c></row>", before=_OUTSIDE)
    yield "UTF-7", of_sheet("<row/>", head='<?xml version="1.0" encoding="UTF-7"?>')
    yield "no such encoding", of_sheet("<row/>", head='<?xml version="1.0" encoding="none-such"?>')
    yield "a type in the strings", altered({"xl/sharedStrings.xml": f"{_LAUGHS}<sst>&j;</sst>".encode()})
    yield "a type in the styles", altered({"xl/styles.xml": f"{_QUADRATIC}<styleSheet>&a;</styleSheet>".encode()})
    yield "no XML", altered({SHEET: b"<worksheet><sheetData><row"})
    yield "no worksheet", altered({SHEET: b"<html/>"})
    yield "deep", of_sheet("<a>" * many + "</a>" * many)
    yield "a huge attribute", of_sheet(f'<row r="{"9" * 10_000 * scale}"/>')
    yield "rows without end", of_sheet("<row/>" * many * 3)
    yield "the last row", of_sheet(_cell("A1") + _cell("A1048576"))
    yield "the last column", of_sheet(_cell("XFD1"))
    yield "beyond every row", of_sheet(_cell("A1") + '<row r="99999999999"><c><v>1</v></c></row>')
    yield "row below the first", of_sheet('<row r="-5"><c r="A-5"><v>1</v></c></row>')
    yield "row of letters", of_sheet('<row r="x"><c r="??"><v>1</v></c></row>')
    yield (
        "dimension lies",
        altered(
            {SHEET: f'<worksheet xmlns="{_MAIN}"><dimension ref="A1:XFD1048576"/><sheetData/></worksheet>'.encode()}
        ),
    )
    yield "no such string", of_sheet(_cell("A1", "77", "s"))
    yield "a string of letters", of_sheet(_cell("A1", "x", "s"))
    yield "too many digits", of_sheet(_cell("A1", "9" * 5000))
    yield "no number", of_sheet(_cell("A1", "1e999") + _cell("A2", "nan") + _cell("A3", "-1e999"))
    yield "no date", of_sheet(_cell("A1", "9999-99-99", "d"))
    yield "no cell kind", of_sheet(_cell("A1", "1", "zz"))
    yield "a long cell", of_sheet(_cell("A1", "x" * 100_000 * scale, "str"))
    strings = f'<sst xmlns="{_MAIN}">{"<si><t>x</t></si>" * many}</sst>'
    yield "strings without end", altered({"xl/sharedStrings.xml": strings.encode()})
    yield "zeros", altered({SHEET: b"\0" * 1_000_000 * scale})
    yield "lying sizes", _lying(altered({SHEET: b" " * 1_000_000 * scale}))
    yield "locked", _locked(workbook(("day",)))
    yield "overlapping", _overlapping(900)
    yield "many parts", altered({f"x/{at}.xml": b"<x/>" for at in range(1_100)})
    yield "paths", altered({"../../etc/passwd": b"x", "/etc/x": b"y", "C:\\x": b"z", "a\0b": b"0"})
    yield "in itself", altered({"xl/embeddings/a.xlsx": workbook(("x",)) * 20})
    yield "bzip2", altered({}, compression=zipfile.ZIP_BZIP2)
    yield "lzma", altered({}, compression=zipfile.ZIP_LZMA)
    yield "cut off", workbook(("day", "amount"))[:-30]
    yield "damaged", workbook(("day", "amount")).replace(b"sheet1", b"sheet7")
    yield "only its sign", b"PK\x03\x04"
    yield "a package of prints", package({"a.gcode": b"G1 X1 E5\n"})
    yield "no parts", b"PK\x03\x04" + b"PK\x05\x06" + b"\0" * 18


def sheets(*, scale: int = 1) -> Iterator[tuple[str, bytes]]:
    """Give text sheets by name."""
    head = b"day,amount,channel\n"
    yield "empty", b""
    yield "NULs", head + b"2026-03-01,\0,Web\n"
    yield "only NULs", b"\0" * 1000 * scale
    yield "a quote that never ends", head + b'2026-03-01,"5,Web\n' * 100
    yield "quotes without end", b'"' * 50_001 * scale
    yield "a million columns", b"a," * 20_000 * scale
    yield "a long field", head + b'2026-03-01,5,"' + b"x" * 200_000 * scale + b'"\n'
    yield "a long line", b"x" * 200_000 * scale
    yield "lines without end", head + b"\n" * 310_000
    yield "returns without end", head + b"\r" * 310_000
    yield "formulas", head + b"=1+1,@SUM(A1),+cmd|' /C calc'!A0\n-2+3,\t=1,\r=1\n"
    yield "script", b"<script>alert(1)</script>,amount,\"><img src=x onerror=alert(1)>\n<b>,1,'\n"
    yield "numbers", head + b"2026-03-01,1e309,Web\n2026-03-01,NaN,Web\n2026-03-01," + b"9" * 5000 + b",Web\n"
    yield "days", head + b"0000-00-00,1,Web\n9999-12-31,1,Web\n99999-01-01,1,Web\n2026-02-30,1,Web\n"
    yield "columns of one name", b"day,day,amount,amount\n1,2,3,4\n"
    yield "columns without a name", b",,,amount\n,,,1\n"
    for encoding in ("utf-8-sig", "utf-16", "utf-16-le", "utf-32", "cp1252", "utf-7", "cp037", "shift_jis"):
        yield f"in {encoding}", "day,amount,channel\n2026-03-01,5,Café=\n".encode(encoding, "replace")
    yield "half of a pair", head + b"2026-03-01,5,\xed\xa0\x80\n"
    yield "half of a pair in UTF-16", b"\xff\xfed\x00\x00\xd8\n\x00"
    yield "marks only", b"\xef\xbb\xbf\xef\xbb\xbf\n"
    yield "letters that turn", head + "2026-03-01,5,\u202ebeW\u200b\u0301\ufeff\n".encode()
    yield "a PDF", b"%PDF-1.7\n"
    yield "a page", b"<html><script>alert(1)</script></html>"
    yield "an older workbook", b"\xd0\xcf\x11\xe0" + b"\0" * 600


def package(parts: Mapping[str, bytes], *, compression: int = zipfile.ZIP_DEFLATED) -> bytes:
    """Give a 3MF package."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", compression) as new:
        for name, content in parts.items():
            new.writestr(name, content)
    return out.getvalue()


_PRINT = b"M83\nG1 X1 Y1 E5\nG1 X9 E5\n"


def _binary(kind: int, compression: int, sizes: tuple[int, ...], body: bytes) -> bytes:
    head = struct.pack("<4sIH", b"GCDE", 1, 0) + struct.pack("<HHI", kind, compression, sizes[0])
    return head + b"".join(struct.pack("<I", size) for size in sizes[1:]) + struct.pack("<H", 0) + body


def motion_files(*, scale: int = 1) -> Iterator[tuple[str, bytes]]:
    """Give motion files by name."""
    yield "nothing", b""
    yield "NUL", _PRINT + b"\0"
    yield "no line end", b"G1 X1 E1 " * (BLOCK // 4)
    yield "digits", _PRINT + b"G1 E" + b"9" * 60_000 + b"\n"
    yield "five hundred digits", b"M83\nG1 E" + b"9" * 500 + b"\n"
    yield "a long pause", _PRINT + b"G4 P" + b"9" * 400 + b"\n"
    yield "a thousand years", _PRINT + b"G4 S99999999999\n"
    yield "no speed", _PRINT + b"G1 X9 F0.00000000000000000000000000000000001 E1\n" * 9
    yield "a tool of many digits", _PRINT + b"T" + b"9" * 5000 + b"\n"
    yield "tools that are none", _PRINT + b"".join(b"T%d\n" % (300 + at) for at in range(5_000 * scale))
    yield "flows without end", _PRINT + b"".join(b"M221 S1.%d\nG1 E1\n" % at for at in range(5_000 * scale))
    yield "flows of tools without end", _PRINT + b"".join(b"M221 T%d S9\n" % at for at in range(5_000 * scale))
    yield "arcs", _PRINT + b"G2 X9 I5 J0 E1\n" * 2_000 * scale
    yield "arcs of nothing", _PRINT + b"G2 X0 Y0 I0 J0 E1\nG3 R0 E1\nG2 I1e999 E1\n"
    yield "back and forth", b"M83\n" + b"G1 E1\nG1 E-1\n" * 2_000
    yield "less than nothing", b"M83\nG1 E-5\n"
    yield "brackets", _PRINT + b"(" * 60_000 + b"\n"
    yield "comments", _PRINT + b";TYPE:<script>alert(1)</script>\n;LAYER:99999999999999999\n" * 500
    yield "times", b";TIME:99999999999999\n; total time = " + b"9d " * 5000 + b"\n" + _PRINT
    yield "a time of one digit each", b"; estimated printing time = 1" + b" " * 60 + b"h\n" + _PRINT
    yield "not numbers", b"M83\nG1 Enan\nG1 Einf\nG1 E1e400\nG1 E0x10\nG1 E+-+1\n" + _PRINT
    yield "bytes", bytes(range(1, 256)) * 100
    yield from _packed(scale)


def _packed(scale: int) -> Iterator[tuple[str, bytes]]:
    yield "gzip bomb", gzip.compress(_PRINT * 10_000 * scale)
    yield "gzip of gzip", gzip.compress(gzip.compress(_PRINT))
    yield "gzip cut off", gzip.compress(_PRINT * 1000)[:-9]
    yield "gzip damaged", gzip.compress(_PRINT * 1000)[:60] + b"xxxx"
    yield "gzip sign", b"\x1f\x8b"
    yield "zeros in gzip", gzip.compress(b"\0" * 10_000_000 * scale)
    yield "no end in gzip", gzip.compress(b"G" * 10_000_000 * scale)
    yield "binary with a huge block", _binary(1, 0, (0xFFFFFFFF,), b"x")
    yield "binary that grows", _binary(1, 1, (1 << 24, 99), zlib.compress(b"G" * (1 << 25))[:99])
    yield "binary cut off", _binary(1, 0, (100,), b"x")
    yield "binary heatshrunk", _binary(1, 2, (1 << 24, 200_000), b"\x55" * 200_000)
    yield "binary of another kind", _binary(1, 9, (100, 5), b"xxxxx")
    yield "binary packed twice", _binary(1, 0, (9,), b"\xff\xff\xfb" + b"\xff" * 6)
    yield "binary sign", b"GCDE"
    yield "package without prints", package({"a.xml": b"<x/>"})
    yield "package of bombs", package({f"{at}.gcode": _PRINT * 3_000 for at in range(3 * scale)})
    yield "package with too many", package({f"{at}.gcode": b"" for at in range(201)})
    yield "package with paths", package({"../../a.gcode": _PRINT, "/b.gcode": _PRINT, "C:\\c.gcode": _PRINT})
    yield "package with script", package({"<script>alert(1)</script>.gcode": _PRINT})
    yield "package that overlaps", _overlapping(150)
    yield "package with more parts than any", _overlapping(11_000)
    yield "package locked", _locked(package({"a.gcode": _PRINT}))
    yield "package that lies", _lying(package({"a.gcode": _PRINT * 1000}))
    yield "package in lzma", package({"a.gcode": _PRINT}, compression=zipfile.ZIP_LZMA)
    yield "package cut off", package({"a.gcode": _PRINT})[:-10]
    yield "package in a package", package({"a.gcode": package({"a.gcode": _PRINT})})
    yield "a picture", saved("PNG")
    yield "a model", b"solid x"


def saved(kind: str, size: tuple[int, int] = (64, 64), mode: str = "RGB", **how: object) -> bytes:
    """Give a picture of one shade."""
    out = io.BytesIO()
    Image.new(mode, size).save(out, kind, **how)
    return out.getvalue()


def _chunk(name: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))


def png(width: int, height: int, data: bytes, *more: bytes) -> bytes:
    """Give a PNG that says these sides, whatever its data hold."""
    head = _chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + head + b"".join(more) + _chunk(b"IDAT", data) + _chunk(b"IEND", b"")


def pictures(*, scale: int = 1) -> Iterator[tuple[str, bytes]]:
    """Give pictures by name."""
    zeros = zlib.compress(b"\0" * 3_000_000 * scale)
    jpeg = saved("JPEG")
    yield "nothing", b""
    yield "PNG of 65,535 by 65,535", png(65_535, 65_535, zeros)
    yield "PNG larger than numbers", png(0xFFFFFFFF, 0xFFFFFFFF, zeros)
    yield "PNG of no sides", png(0, 0, zeros)
    yield "PNG that holds more than it says", png(8, 8, zeros)
    yield "PNG with a packed text", png(64, 64, zlib.compress(b"\0" * 20_000), _chunk(b"zTXt", b"a\0\0" + zeros))
    yield "PNG with a profile", png(64, 64, zlib.compress(b"\0" * 20_000), _chunk(b"iCCP", b"a\0\0" + zeros))
    yield "PNG cut off", saved("PNG", (640, 480))[:-60]
    yield "PNG chunk beyond its end", b"\x89PNG\r\n\x1a\n" + b"\x7f\xff\xff\xffIHDR" + b"\0" * 40
    yield "PNG thin", png(1, 2_000_000, zeros)
    yield "animated PNG", saved("PNG", save_all=True, append_images=[Image.new("RGB", (64, 64), 9)] * 20)
    yield "JPEG of 65,535 by 65,535", jpeg.replace(struct.pack(">HH", 64, 64), b"\xff\xff\xff\xff", 1)
    yield "JPEG cut off", jpeg[:-40]
    yield "JPEG head only", jpeg[:20]
    yield "JPEG in four inks", saved("JPEG", mode="CMYK")
    yield "JPEG with two frames", jpeg[:2] + jpeg[2:] + jpeg[2:]
    yield "JPEG of many scans", saved("JPEG", (640, 480), progressive=True).replace(b"\xff\xd9", b"") + jpeg[2:] * 40
    exif = b"Exif\0\0MM\0*\0\0\0\x08\xff\xff" + b"\xff" * 300
    yield "JPEG with a false Exif", jpeg[:2] + b"\xff\xe1" + struct.pack(">H", len(exif) + 2) + exif + jpeg[2:]
    yield "JPEG and an archive", jpeg + package({"a.gcode": _PRINT})
    yield "JPEG and a page", jpeg[:2] + b"\xff\xfe\x00\x20<script>alert(1)</script>  " + jpeg[2:]
    yield "WebP", saved("WEBP")
    yield "WebP larger than it is", b"RIFF\xff\xff\xff\xffWEBPVP8X" + b"\x0a\0\0\0\0\0\0\0" + b"\xff" * 6
    yield "WebP head", b"RIFF\0\0\0\0WEBP"
    yield "animated WebP", saved("WEBP", save_all=True, append_images=[Image.new("RGB", (64, 64), 9)] * 20)
    yield "TIFF", saved("TIFF")
    yield "TIFF called JPEG", b"\xff\xd8\xff" + saved("TIFF")
    yield "GIF", saved("GIF")
    yield "BMP", saved("BMP")
    yield "SVG", b'<svg xmlns="http://www.w3.org/2000/svg"><script>alert(1)</script></svg>'
    yield "PostScript", b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 9 9\n(%pipe%id) (r) file\n"
    yield "letters", bytes(range(256)) * 50


KINDS: Mapping[str, Callable[..., Iterator[tuple[str, bytes]]]] = {
    "workbooks": workbooks,
    "sheets": sheets,
    "motion files": motion_files,
    "pictures": pictures,
}
"""All of them by what they claim to be."""
