"""What a curious person sends to a workshop: its own forms, found on its pages, with hostile content in their fields.

The tests and the benchmark `hostile.py` send it, each in its way. It must not know how anything is answered.
"""

import random
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from html.parser import HTMLParser
from typing import NamedTuple
from urllib.parse import quote, urldefrag, urlencode, urlsplit

MARK = "hstl"
"""Stands in every script of ours, so that what is a page's own is told from what was sent."""
TEXTS = (
    f"<script>{MARK}()</script>",
    f'"><img src=x onerror={MARK}()>',
    f"' onfocus={MARK}() autofocus x='",
    f"javascript:{MARK}()",
    f"</textarea></select></title><svg onload={MARK}()>",
    f"{{{{ {MARK} }}}}{{% raw %}}",
    f"data:text/html,<script>{MARK}()</script>",
    "'; DROP TABLE act; --",
    "=1+1",
    "@SUM(A1:A9)",
    "+cmd|' /C calc'!A0",
    "-2+3",
    "\t=1",
    "\r\n=1\r\nSet-Cookie: a=b",
    "../../../../etc/passwd",
    "/etc/passwd\0.png",
    "%00%0d%0a",
    "C:\\Windows\\x",
    "\\\\host\\share",
    "//evil.example/",
    "1e309",
    "9" * 400,
    "9" * 5000,
    "-9" + "9" * 30,
    "NaN",
    "Infinity",
    "-0",
    "\u0663\u0664",
    "1_000",
    "0x10",
    "1,000.5",
    "½",
    "2147483647",
    "2147483648",
    "-1",
    "0",
    "1e-9",
    "\u202egnp.exe",
    "e" + "\u0301" * 1000,
    "\u200b\u200d\ufeff",
    "\ue000\uffff\U0010ffff",
    "x" * 20_000,
    " ",
    "\0",
    "0001-01-01",
    "9999-12-31",
    "9999-12-31T23:59",
    "2026-02-30",
    "2026-03-04T15:30+99:99",
    "S000000000",
    "null",
    "[]",
    "{}",
    "on",
    "ß" * 81,
    "DROP\x1b[31m",
)
RAW = (b"\xff\xfe", b"\xed\xa0\x80", b"\xc0\xaf", b"%ff%ed%a0%80", b"\xf4\x90\x80\x80")
"""Bytes that are no text."""
FORM = "application/x-www-form-urlencoded"
STARTS = (
    *(
        "/",
        "/bench",
        "/tonight",
        "/stock",
        "/jobs",
        "/deliveries",
        "/orders",
        "/money",
        "/setup",
        "/labels",
        "/imports",
    ),
    *("/count", "/people", "/me", "/search?q=e", "/money/books", "/stock/ahead", "/stock/rests", "/jobs/on-hand"),
    "/setup/notices",
)
"""Pages from which all others are found."""
ENDS = ("/sign-out", "/sign-in", "/join", "/me", "/people")
"""Where an address may end the sign-in of whoever sends, after which the rest would only knock at the door."""
LEAVES = ("here", "everywhere", "role", "name", "forget", "revoke")
"""What forms of people say that they do where they would."""


class Sent(NamedTuple):
    """One request."""

    method: str
    path: str
    body: bytes = b""
    kind: str = ""
    """The body's type, as it is said."""


@dataclass
class Form:
    """A form as a page has it: where it goes, and what its fields hold."""

    action: str
    method: str
    kind: str
    fields: list[tuple[str, str]] = field(default_factory=list)

    @property
    def leaves(self) -> bool:
        """Give whether it would end the sign-in of whoever sends it."""
        does = dict(self.fields).get("do")
        return self.action == "/sign-out" or (self.action in ENDS and does in LEAVES)


class Page(HTMLParser):
    """A page as a browser would take it: its forms, where its links lead, and what of it would run."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.forms: list[Form] = []
        self.links: set[str] = set()
        self.runs: list[str] = []
        self._is_script = False
        self._select = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Take up a form, a field, a link, and whatever runs."""
        given = {name: value or "" for name, value in attrs}
        self._is_script = tag == "script"
        self.runs += [f"{tag} {name}" for name in given if name.startswith("on") or name == "srcdoc"]
        for name in ("href", "src", "action", "formaction", "data", "xlink:href"):
            leads = re.sub(r"[\x00-\x20]", "", given.get(name, "")).lower()
            if leads.startswith(("javascript:", "vbscript:", "data:text")):
                self.runs.append(f"{tag} {leads[:40]}")
        if tag == "a":
            self.links.add(given.get("href", ""))
        elif tag == "form":
            form = Form(
                urldefrag(given.get("action", "")).url, given.get("method", "get").upper(), given.get("enctype", FORM)
            )
            self.forms.append(form)
        elif self.forms and tag == "select":
            self._select = given.get("name", "")
        elif self.forms and tag == "option" and self._select:
            if "selected" in given or all(name != self._select for name, _ in self.forms[-1].fields):
                self.forms[-1].fields.append((self._select, given.get("value", "")))
        elif self.forms and tag in {"input", "button", "textarea"} and given.get("name"):
            self.forms[-1].fields.append((given["name"], given.get("value", "")))

    def handle_endtag(self, tag: str) -> None:
        """Leave a script or a list."""
        self._is_script = False if tag == "script" else self._is_script
        self._select = "" if tag == "select" else self._select

    def handle_data(self, data: str) -> None:
        """Notice a script that stands in the page."""
        if self._is_script and data.strip():
            self.runs.append(f"script {data.strip()[:40]}")


Look = Callable[[str], str]
"""Gives the page at a path, or nothing where there is none."""


def walked(look: Look, starts: Sequence[str], *, most: int = 300) -> Iterator[tuple[str, Page]]:
    """Give each page that can be reached by links, once; of the pages of one kind some only."""
    waiting, seen, kinds = list(starts), set(starts), dict[str, int]()
    while waiting and most > 0:
        path, most = waiting.pop(0), most - 1
        text = look(path)
        if not text:
            continue
        page = Page(text)
        yield path, page
        for link in sorted(page.links):
            parts = urlsplit(link)
            there = parts.path + (f"?{parts.query}" if parts.query else "")
            kind = re.sub(r"\d+|[A-Z]\d{6,}|=[^&]*", "#", there)
            if parts.scheme or parts.netloc or not there.startswith("/") or there in seen or kinds.get(kind, 0) > 2:
                continue
            kinds[kind] = kinds.get(kind, 0) + 1
            seen.add(there)
            waiting.append(there)


def filled(form: Form, draw: random.Random) -> Iterator[Sent]:
    """Give a form's requests: hostile content in each of its fields in turn, in all at once, and as no form is sent."""
    for name in dict.fromkeys(name for name, _ in form.fields):
        for text in draw.sample(TEXTS, 3):
            yield _request(form, [(one, text if one == name else value) for one, value in form.fields], draw)
    text = draw.choice(TEXTS)
    yield _request(form, [(name, text if name not in {"do", "key"} else value) for name, value in form.fields], draw)
    if form.method == "POST":
        yield from _misshapen(form, draw)


def _request(form: Form, fields: list[tuple[str, str]], draw: random.Random) -> Sent:
    # a key of its own, else the first answer is given again
    fields = [(name, f"{value}-{draw.random()}"[:150] if name == "key" else value) for name, value in fields]
    if form.method == "GET":
        return Sent("GET", f"{form.action}?{urlencode(fields, errors='surrogatepass')}")
    if form.kind == "multipart/form-data":
        return Sent("POST", form.action, parts(fields), "multipart/form-data; boundary=b")
    return Sent("POST", form.action, urlencode(fields).encode(), FORM)


def parts(fields: list[tuple[str, str]]) -> bytes:
    """Give a form as it is sent with files; what names a file is one."""
    return (
        b"".join(
            f'--b\r\nContent-Disposition: form-data; name="{name}"{_file_name(name)}\r\n\r\n{value}\r\n'.encode()
            for name, value in fields
        )
        + b"--b--\r\n"
    )


def _file_name(name: str) -> str:
    return '; filename="../../<b>\\x.csv"' if name in {"file", "photo"} else ""


def _misshapen(form: Form, draw: random.Random) -> Iterator[Sent]:
    """Give one form as nobody sends it."""
    fields = form.fields
    yield draw.choice(
        [
            Sent("POST", form.action, urlencode(fields * 3).encode(), FORM),
            Sent("POST", form.action, urlencode([(f"{name}[]", value) for name, value in fields]).encode(), FORM),
            Sent("POST", form.action, b"", ""),
            Sent("POST", form.action, b"&".join([b"a=1"] * 30_000), FORM),
            Sent("POST", form.action, b"\xff".join(quote(name).encode() + b"=\xff" for name, _ in fields), FORM),
            Sent("POST", form.action, b"{}", "application/json"),
            Sent("POST", form.action, parts(fields), "multipart/form-data"),
            Sent("POST", form.action, parts(fields)[:-30], "multipart/form-data; boundary=b"),
            Sent("POST", form.action, b"--b\r\n" * 5_000, "multipart/form-data; boundary=b"),
            Sent("POST", form.action, b"x" * 2_000, f"multipart/form-data; boundary={'b' * 300}"),
            Sent("POST", form.action, urlencode(fields).encode("utf-16"), f"{FORM}; charset=utf-16"),
            Sent("POST", form.action, b"%" * 1_000, FORM),
        ]
    )


JSON_BODIES = (
    b"[" * 20_000,
    b'{"a":' * 5_000,
    b'{"key":"a","key":"b"}',
    b'{"key":' + b"9" * 5_000 + b"}",
    b'{"key":NaN,"code":Infinity}',
    b'{"key":1e400}',
    b'{"key":"\\ud800"}',
    b'{"key":"a\\u0000b","code":"S000000000","title":"a\\u0000"}',
    b'{"key":"k","title":["x"],"feeds":{"a":1}}',
    b'{"key":"k","title":"<script>hstl()</script>","feeds":[{"feed":"F00000000","drawn_mg":1}]}',
    b'{"key":"k","feeds":[' + b'{"feed":"F","drawn_mm":1e308},' * 900 + b"1]}",
    b'{"key":"k","job":"' + b"x" * 60_000 + b'"}',
    b'{"key":"k","ended_at":"9999-12-31T23:59:59-23:59","job":"j","title":"t"}',
    b'{"key":"k","code":"\xff\xfe"}',
    b'{"key":',
    b"null",
    b'"x"',
    b"",
    b"\xef\xbb\xbf{}",
    '{"key":"k"}'.encode("utf-16"),
)
"""What is sent to a program's doors."""


def addressed(routes: list[tuple[str, str]], draw: random.Random) -> Iterator[Sent]:
    """Give requests of each route (method, rule) with hostile content in its path, and in what stands behind it."""
    for method, rule in routes:
        if method == "POST" and rule in ENDS:
            continue
        for text in draw.sample(TEXTS, 4):
            path = re.sub(r"<[^>]+>", lambda _, given=text: quote(given, safe=""), rule)  # type: ignore[misc] # bound now
            yield Sent(method, path, b"key=a", FORM if method == "POST" else "")
        query = urlencode([(name, draw.choice(TEXTS)) for name in QUERIES])
        plain = re.sub(r"<[^>]+>", "1", rule)
        yield Sent(method, f"{plain}?{query}", b"", "")
        yield Sent(method, f"{plain}?a=%ff%fe&%00=%ed%a0%80", b"", "")


QUERIES = (
    "q", "item", "show", "colour", "machine", "order", "start", "from", "stock", "what", "price", "minutes", "each"
    , "months", "spools", "add", "freight", "basket", "parcels", "shown", "page", "before", "until", "month", "kind"
)  # fmt: skip
"""What the pages read of an address."""
