"""Takes the README's pictures of the demo, in light and dark.

Run it: python tests/pictures/take.py [--days 730] (needs the extra `browser` and Chromium). The demo is built into a
folder that goes with it, served at a free port, and each page is opened as a person would see it. The pictures are
written beside this file as WebP, 1 screen pixel each.
"""

import argparse
import io
import multiprocessing
import socket
import sys
import tempfile
import time
from datetime import UTC, datetime
from http.client import HTTPConnection
from pathlib import Path
from typing import NamedTuple

from PIL import Image
from playwright.sync_api import Browser, sync_playwright

sys.path.insert(0, str(Path(__file__).parents[2]))  # run as a script, the tests' folder is not on the path

from spoolkeep.services.demo import prepare
from spoolkeep.services.instance import Instance
from spoolkeep.web.serving import serve_demo

HERE = Path(__file__).parent
CHROMIUM = "/usr/bin/chromium"


class View(NamedTuple):
    """One picture: its name, the page, and the size of the window in pixels."""

    name: str
    path: str
    width: int
    height: int


VIEWS = (
    View("stock", "/stock", 1280, 800),
    View("bench", "/bench", 1280, 800),
    View("tonight", "/tonight", 1280, 640),
    View("phone", "/", 390, 760),
)


def free_port() -> int:
    """Give a port that nobody uses just now."""
    with socket.socket() as line:
        line.bind(("127.0.0.1", 0))
        return int(line.getsockname()[1])


def await_port(port: int) -> None:
    """Wait until somebody answers there. Errors: RuntimeError after a minute."""
    until = time.monotonic() + 60
    while time.monotonic() < until:
        try:
            return HTTPConnection("localhost", port, timeout=1).connect()
        except OSError:
            time.sleep(0.2)
    raise RuntimeError("the demo is not served")


def taken(browser: Browser, address: str, view: View, scheme: str) -> bytes:
    """Give a page's first screen as WebP."""
    context = browser.new_context(
        viewport={"width": view.width, "height": view.height},
        color_scheme="dark" if scheme == "dark" else "light",
    )
    page = context.new_page()
    page.goto(f"{address}{view.path}")
    page.wait_for_load_state("networkidle")
    shot = Image.open(io.BytesIO(page.screenshot()))
    context.close()
    made = io.BytesIO()
    shot.save(made, "WEBP", lossless=True, quality=100, method=6)
    return made.getvalue()


def main() -> None:
    """Build, serve, look and write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=730)
    days = parser.parse_args().days
    with tempfile.TemporaryDirectory() as folder:
        instance, port = Instance(Path(folder) / "demo"), free_port()
        prepare(instance, now=datetime.now(UTC), days=days)
        server = multiprocessing.Process(target=serve_demo, args=(instance,), kwargs={"port": port})
        server.start()
        try:
            await_port(port)
            with sync_playwright() as tools:
                browser = tools.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
                for view in VIEWS:
                    for scheme in ("light", "dark"):
                        file = HERE / f"{view.name}-{scheme}.webp"
                        file.write_bytes(taken(browser, f"http://localhost:{port}", view, scheme))
                        print(f"{file.name}: {file.stat().st_size // 1000} kB")
                browser.close()
        finally:
            server.terminate()
            server.join()


if __name__ == "__main__":
    main()
