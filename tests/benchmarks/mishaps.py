"""A workshop under load whose disk fills up, is read-only for a while, or whose database another program holds.

Run it: sudo python tests/benchmarks/mishaps.py [--programs 8]. It mounts a small file system in memory, so it needs
Linux and a user who may mount. After each mishap it is mended while the server runs, and the programs go on.
"""

import argparse
import http.client
import itertools
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))  # run as a script, the tests' folder is not on the path

from spoolkeep.services.instance import FILE
from tests.benchmarks.pressed import HOST, Pressed, Program, free_port, held, kill

ROOM = "size=64m"
Mishap = Callable[["Scene"], None]


@dataclass
class Scene:
    """A served workshop on a disk of its own, under load."""

    disk: Path
    pressed: Pressed
    port: int
    programs: list[Program]

    def mount(self, how: str) -> None:
        """Change the disk while it is in use."""
        subprocess.run(["mount", "-o", f"remount,{how}", self.disk], check=True)

    def met(self) -> Counter[int | str]:
        """Give what the programs met so far."""
        seen: Counter[int | str] = Counter()
        for one in self.programs:
            seen.update(one.statuses)
        return seen

    def reads(self) -> int:
        """Give how a reading is answered."""
        line = http.client.HTTPConnection(HOST, self.port, timeout=60)
        secret = self.pressed.secrets[0]
        line.request("GET", "/api/stock", headers={"Authorization": f"Bearer {secret}", "Host": "localhost"})
        return line.getresponse().status


def fills_up(scene: Scene) -> None:
    """Fill the disk with something else while the workshop works; after some seconds make room again."""
    filler = scene.disk / "something else"
    with filler.open("wb") as file, suppress(OSError):
        for _ in itertools.count():
            file.write(b"\0" * 65_536)
            file.flush()
    before = scene.met()
    time.sleep(8)
    during = scene.met() - before
    print(f"  while it is full: {dict(during)}, reading is answered {scene.reads()}")
    filler.unlink()


def is_held(scene: Scene) -> None:
    """Hold the database in another program for longer than a server waits."""
    before = scene.met()
    with closing(sqlite3.connect(scene.disk / FILE, isolation_level=None, timeout=30)) as other:
        other.execute("BEGIN EXCLUSIVE")
        time.sleep(14)
        other.execute("ROLLBACK")
    print(f"  while it is held: {dict(scene.met() - before)}")


def is_read_only(scene: Scene) -> None:
    """Serve it from a disk that is read-only at first, and make it writable while the server runs."""
    before = scene.met()
    time.sleep(6)
    print(f"  while it is read-only: {dict(scene.met() - before)}, reading is answered {scene.reads()}")
    scene.mount("rw")


def play(mishap: Mishap, programs: int, *, read_only: bool = False) -> bool:
    """Play one mishap on a new workshop; give whether nothing was lost, doubled or wrong."""
    print(f"{mishap.__name__.replace('_', ' ')}:", flush=True)
    with tempfile.TemporaryDirectory() as folder:
        disk = Path(folder)
        subprocess.run(["mount", "-t", "tmpfs", "-o", ROOM, "tmpfs", disk], check=True)
        try:
            pressed, port = Pressed(disk, None), free_port()
            pressed.build(programs)
            server = pressed.start(port)
            if read_only:
                kill(server)
                subprocess.run(["mount", "-o", "remount,ro", disk], check=True)
                server = pressed.start(port)
            scene = Scene(disk, pressed, port, [Program(pressed, number, lambda: port) for number in range(programs)])
            for one in scene.programs:
                one.start()
            time.sleep(4)
            mishap(scene)
            time.sleep(6)
            for one in scene.programs:
                one.over.set()
            for one in scene.programs:
                one.join()
            with closing(pressed.store()) as store:
                seen = held(store, scene.programs)
            kill(server)
        finally:
            subprocess.run(["umount", "-l", disk], check=True)
    print(f"  {seen}; met in all {dict(scene.met())}")
    return seen.sound


def main() -> None:
    """Play and print."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--programs", type=int, default=8)
    given = asked.parse_args()
    sound = [
        play(fills_up, given.programs),
        play(is_held, given.programs),
        play(is_read_only, given.programs, read_only=True),
    ]
    sys.exit(not all(sound))


if __name__ == "__main__":
    main()
