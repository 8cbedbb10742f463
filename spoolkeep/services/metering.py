"""Figures of a motion file as programs and people read them: millimetres, cubic millimetres and grams by tool.

The command line prints them. It needs no workshop.
"""

from typing import Any, BinaryIO

from spoolkeep.domain.errors import BadInput
from spoolkeep.domain.geometry import mm3_of
from spoolkeep.domain.motionfile import Run, is_package, runs_in

MM3_PER_CM3 = 1000
USUAL_DIAMETER_MM = 1.75


def figures(
    stream: BinaryIO,
    *,
    name: str = "",
    density_g_per_cm3: float | None = None,
    diameter_mm: float = USUAL_DIAMETER_MM,
    g90_governs_e: bool = False,
    timed: bool = False,
) -> dict[str, Any]:
    """Give what a motion file draws: `tools`, or `runs` of a package, each with its tools.

    Grams are null where no density is given. Errors: BadInput as `runs_in`, or where a density or diameter cannot be.
    """
    if density_g_per_cm3 is not None and not 0 < density_g_per_cm3 < 30:  # noqa: PLR2004 - no plastic is heavier
        raise BadInput("bad_density", "The density must be more than 0. Most plastics are near 1.2 g/cm³.")
    is_several = is_package(stream)
    told = [
        _of_run(run, density_g_per_cm3, diameter_mm)
        for run in runs_in(stream, name=name, g90_governs_e=g90_governs_e, timed=timed)
    ]
    return {"runs": told} if is_several else {key: value for key, value in told[0].items() if key != "run"}


def _of_run(run: Run, density: float | None, diameter_mm: float) -> dict[str, Any]:
    metered = run.metered
    return {
        "run": run.number,
        "name": run.name,
        "tools": [_of_tool(tool, mm, density, diameter_mm) for tool, mm in sorted(metered.mm.items())],
        "waste": [
            {"cause": cause, **_of_tool(tool, mm, density, diameter_mm)}
            for cause, by_tool in metered.waste.items()
            for tool, mm in sorted(by_tool.items())
        ],
        "lines": metered.lines,
        "layers": metered.course.layers,
        "seconds": run.seconds,
        "seconds_from": run.time_from,
        "notes": list(metered.notes),
    }


def _of_tool(tool: int, mm: float, density: float | None, diameter_mm: float) -> dict[str, Any]:
    mm3 = mm3_of(mm, diameter_mm=diameter_mm)
    grams = None if density is None else mm3 * density / MM3_PER_CM3
    return {"tool": tool, "mm": round(mm, 6), "mm3": round(mm3, 6), "g": grams if grams is None else round(grams, 6)}
