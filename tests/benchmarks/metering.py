"""How fast motion files are metered, beside reading them line by line; how time and memory grow with their size.

Run it: python tests/benchmarks/metering.py [--megabytes 10 100 500] [--plain FILE]. It writes files of ordinary moves
with retractions, and of what slicing programs write besides, times both readers on each in turn and prints megabytes a
second, the ratio, and the most memory that a fresh Python took. FILE is another plain reader to compare with, a module
with a function `meter(path)`; the one built in splits each line on blanks.
"""

import argparse
import importlib.util
import random
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))  # run as a script, the tests' folder is not on the path

from spoolkeep.domain.meter import meter

MEGABYTE = 1_000_000
KINDS = ("relative", "absolute", "with remarks")
Plain = Callable[[str], dict[int, float]]


def plain_meter(path: str) -> dict[int, float]:
    """Meter a file line by line: G0 to G3, G92, M82, M83, T, and comments behind a semicolon."""
    net: dict[int, float] = {}
    at, tool, is_relative = 0.0, 0, False
    with Path(path).open(encoding="utf-8", errors="replace") as lines:
        for line in lines:
            words = line.split(";", 1)[0].split()
            if not words:
                continue
            if words[0] in {"G0", "G1", "G2", "G3"}:
                for word in words[1:]:
                    if word[0] == "E":
                        step = float(word[1:]) - (0 if is_relative else at)
                        at += step
                        net[tool] = net.get(tool, 0.0) + step
            elif words[0] == "G92":
                at = next((float(word[1:]) for word in words[1:] if word[0] == "E"), at)
            elif words[0] in {"M82", "M83"}:
                is_relative = words[0] == "M83"
            elif words[0][0] == "T" and words[0][1:].isdigit():
                tool = int(words[0][1:])
    return net


def write(path: Path, megabytes: int, kind: str) -> None:
    """Write a file of so many megabytes."""
    rng, size, at = random.Random(7), 0, 0.0  # noqa: S311 - a fixed history
    is_relative = kind != "absolute"
    with path.open("w", encoding="ascii") as out:
        out.write("G21\nM83\nG92 E0\n" if is_relative else "G21\nM82\nG92 E0\n")
        while size < megabytes * MEGABYTE:
            rows = [";LAYER_CHANGE", ";Z:0.2", "G92 E0"] if kind == "with remarks" else [";LAYER_CHANGE"]
            for _ in range(1000):
                step = rng.uniform(0.005, 0.2)
                at += step
                e = step if is_relative else at
                rows.append(f"G1 X{rng.uniform(20, 200):.3f} Y{rng.uniform(20, 200):.3f} E{e:.5f}")
                if rng.random() < 0.03:
                    back, forth = (-0.8, 0.8) if is_relative else (at - 0.8, at)
                    rows += [f"G1 E{back:.5f} F2400", "G0 X20 Y20 F9000", f"G1 E{forth:.5f} F2400"]
                    if kind == "with remarks":
                        rows += [";TYPE:External perimeter", ";WIDTH:0.45", "M204 S1000", "M106 S128.5"]
            text = "\n".join(rows) + "\n"
            out.write(text)
            size += len(text)


def seconds(reader: Plain, name: str, rounds: int) -> float:
    """Give the least seconds that a reader took for a file, of some rounds."""
    took = []
    for _ in range(rounds):
        began = time.perf_counter()
        reader(name)
        took.append(time.perf_counter() - began)
    return min(took)


def ours(path: str) -> dict[int, float]:
    """Meter a file by the program's meter."""
    with Path(path).open("rb") as stream:
        return meter(stream).mm


def most_memory(path: Path) -> float:
    """Give the megabytes that a fresh Python took at most while it metered a file, and before it began."""
    asked = [sys.executable, __file__, "--memory-of", str(path)]
    return float(subprocess.run(asked, check=True, capture_output=True, text=True).stdout)


def memory_now() -> float:
    """Give the most memory that this process took so far, in megabytes."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000


def compare(plain: Plain, megabytes: list[int], rounds: int) -> None:
    """Print the figures of each kind and size."""
    print(f"{'file':<14}{'MB':>5}{'MB/s':>8}{'plain':>8}{'ratio':>7}{'memory MB':>11}")
    with tempfile.TemporaryDirectory() as folder:
        for kind in KINDS:
            for size in megabytes:
                path = Path(folder) / "file.gcode"
                write(path, size, kind)
                name, real = str(path), path.stat().st_size / MEGABYTE
                some = rounds if size <= 100 else 1
                mine, other = seconds(ours, name, some), seconds(plain, name, 1)
                for tool, mm in plain(name).items() if size <= 100 else ():
                    if abs(mm - ours(name)[tool]) > 0.001:
                        raise SystemExit(f"{kind}, {size} MB: {mm} and {ours(name)[tool]} mm")
                memory = most_memory(path)
                print(f"{kind:<14}{size:>5}{real / mine:>8.0f}{real / other:>8.0f}{other / mine:>7.1f}{memory:>11.0f}")


def main() -> None:
    """Read the options."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--megabytes", type=int, nargs="+", default=[10, 100, 500])
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--plain", type=Path)
    parser.add_argument("--memory-of", type=Path)
    options = parser.parse_args()
    if options.memory_of:
        ours(str(options.memory_of))
        print(memory_now())
        return
    plain: Plain = plain_meter
    if options.plain:
        spec = importlib.util.spec_from_file_location("plain", options.plain)
        if spec is None or spec.loader is None:
            raise SystemExit(f"{options.plain} is no module.")
        module = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
        plain = module.meter
    compare(plain, options.megabytes, options.rounds)


if __name__ == "__main__":
    main()
