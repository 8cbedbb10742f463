"""The meter against a slow exact controller, against geometry, and against files that are none."""

import io
import math
import os
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spoolkeep.domain import meter as meter_module
from spoolkeep.domain.errors import BadInput, NotFound
from spoolkeep.domain.meter import Metered, meter
from spoolkeep.domain.words import Cause
from tests.domain.controller import Controller

EXAMPLES = int(os.environ.get("SPOOLKEEP_PROGRAMS", "400"))


def metered(program: str, *, g90_governs_e: bool = False) -> Metered:
    return meter(io.BytesIO(program.encode()), g90_governs_e=g90_governs_e)


def mm(program: str, *, g90_governs_e: bool = False) -> dict[int, float]:
    return {tool: round(mm, 6) for tool, mm in metered(program, g90_governs_e=g90_governs_e).mm.items()}


# ---- programs of every kind

numbers = st.one_of(
    st.decimals(-20, 60, places=5).map(str),
    st.decimals(-2, 2, places=3).map(lambda number: str(number).replace("0.", ".", 1)),
    st.integers(-30, 200).map(str),
    st.integers(0, 9).map(lambda number: f"+{number}."),
    st.decimals(0, 9, places=12).map(str),
    st.sampled_from(["0", "-0", ".5", "-.5", "1000000.5", "00012.50"]),
)
lengths = st.decimals(0, 20, places=5).map(str)
move = st.builds(
    lambda code, x, z, e, f: f"{code}{x}{z}{e}{f}",
    st.sampled_from(["G0 ", "G1 ", "G1 ", "G1 ", "G2 ", "G3 ", "G01 ", "G1", "g1 "]),
    st.sampled_from(["X1.5 Y20 ", "X10", "", "x3 y4 ", "X-1.25 "]),
    st.sampled_from(["", "", "", "Z.2 ", "Z0.45"]),
    st.one_of(
        st.just(""),
        numbers.map("E{}".format),
        numbers.map("E{} ".format),
        numbers.map(" e{}".format),
        numbers.map("E {}".format),
        st.tuples(numbers, numbers).map(lambda two: f"E{two[0]} E{two[1]}"),
    ),
    st.sampled_from(["", " F1800", " F9000.0", "F3"]),
)
setting = st.one_of(
    st.sampled_from(["M82", "M83", "G90", "G91", "G20", "G21", "G92", "m83", "G10", "G11", "G28 X Y", "G10 P1 X2"]),
    numbers.map("G92 E{}".format),
    numbers.map("G92 X0 Y0 E{}".format),
    st.sampled_from(["G92 X5", "G92.1", "M104 S210 T1", "M117 E5 all well", "M204 S1000", "M205 E2.5", "M203 E120"]),
    st.integers(0, 4).map("T{}".format),
    st.sampled_from(["T255", "T1000", "T-1", "T", "T?", "START_PRINT E=5", "EXCLUDE NAME=E9", "%", "M73 P5 R3"]),
    st.sampled_from(["M200 D1.75", "M200 D0", "M200 D2.85 T1", "M200 D0 T1", "M200 D1.75 T0", "M200"]),
    st.integers(1, 300).map("M221 S{}".format),
    st.tuples(st.decimals(1, 200, places=2), st.integers(0, 3)).map(lambda two: f"M221 S{two[0]} T{two[1]}"),
    lengths.map("M207 S{}".format),
    lengths.map("M208 S{}".format),
)
remark = st.sampled_from(["", "; E5", ";LAYER:3", ";TYPE:External perimeter E7", "(E5 G92 E0)", ";", "; layer 4", "\t"])
ending = st.sampled_from(["", " ; then E5", ";E5", " (E9)", "(a;b)", "*71", " *12", "\r", "  ", "(open E5"])
line = st.builds(
    lambda before, said, end: before + said + end,
    st.sampled_from(["", "", "", "N12 ", "N3", "  ", "(x) "]),
    st.one_of(move, move, move, setting, remark),
    ending,
)
plain_line = st.one_of(
    numbers.map("G1 X5 Y6 E{}".format), st.just("G0 X1 Y1"), st.sampled_from(["M83", "M82", "G92 E0"])
)
programs = st.lists(st.one_of(line, plain_line), max_size=60).map(lambda lines: "\n".join(["G1 X0", *lines]))


@settings(max_examples=EXAMPLES, deadline=None)
@given(programs, st.booleans(), st.integers(1, 300))
def test_the_meter_agrees_with_a_slow_exact_controller(program: str, governs: bool, block: int) -> None:  # noqa: FBT001
    exact = Controller(governs).run(program)
    wanted = {tool: float(net) for tool, net in exact.items() if abs(net) >= 0.001}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(meter_module, "BLOCK", block)  # lines fall on every border between blocks
        if all(net < 0.001 for net in exact.values()):
            if all(net < 0.000001 for net in exact.values()):
                with pytest.raises(BadInput, match="pushes plastic out"):
                    metered(program, g90_governs_e=governs)
            return
        found = metered(program, g90_governs_e=governs).mm
    for tool in {*found, *wanted}:
        assert found.get(tool, 0) == pytest.approx(wanted.get(tool, 0), abs=0.001)


# ---- what geometry says


@pytest.mark.parametrize("is_relative", [True, False])
def test_a_spiral_of_one_wall_draws_its_own_volume(is_relative: bool) -> None:  # noqa: FBT001
    """A wall 0.45 mm wide and 0.2 mm high along a helix of known length: length x width x height of plastic."""
    turns, radius, steps = 25, 20.0, 720
    area, section = math.pi / 4 * 1.75**2, 0.45 * 0.2
    lines, drawn = ["M83" if is_relative else "M82", "G92 E0", f"G1 X{radius} Y0 Z0 F1500"], 0.0
    for step in range(1, turns * steps + 1):
        angle = math.tau * step / steps
        chord = math.hypot(2 * radius * math.sin(math.pi / steps), 0.2 / steps)
        drawn += chord * section / area
        e = chord * section / area if is_relative else drawn
        height = 0.2 * step / steps
        lines.append(f"G1 X{radius * math.cos(angle):.4f} Y{radius * math.sin(angle):.4f} Z{height:.5f} E{e:.9f}")
    found = metered("\n".join(lines))
    assert found.mm[0] * area == pytest.approx(turns * steps * chord * section, rel=1e-7)
    assert abs(found.course.layers - turns) <= turns, "a spiral has no layers, but heights"


def test_resets_in_mid_line_lose_nothing() -> None:
    """A wall of 100 mm in ten pieces, the counter set back after each: as much as without a reset."""
    step = 10 * 0.45 * 0.2 / (math.pi / 4 * 1.75**2)
    lines = [line for x in range(1, 11) for line in (f"G1 X{10 * x} E{step:.5f}", "G92 E0")]
    assert mm("\n".join(["G92 E0", *lines])) == {0: round(10 * round(step, 5), 6)}


def test_what_a_retraction_takes_its_recovery_gives_back() -> None:
    assert mm("M83\nG1 X1 E5\nG1 E-0.8\nG0 X9\nG1 E0.8\nG1 X2 E1") == {0: 6.0}


def test_a_retraction_at_the_very_end_is_taken_back_and_the_next_job_begins_there() -> None:
    first, second = "M83\nG1 X1 E5\nG1 E-3", "M83\nG1 E3\nG1 X1 E5"
    assert mm(first)[0] + mm(second)[0] == 10.0
    assert mm(first) == {0: 2.0}


def test_what_priming_pushes_out_counts() -> None:
    assert mm("M82\nG92 E0\nG1 E12 ; prime\nG92 E0\nG1 X5 E1") == {0: 13.0}


def test_a_tool_that_nets_to_nothing_draws_nothing() -> None:
    assert mm("M83\nT1\nG1 E-2\nG1 E2\nT0\nG1 X1 E4") == {0: 4.0}


def test_a_tool_that_ends_further_back_than_it_began_is_negative() -> None:
    assert mm("M83\nT1\nG1 E-2\nT0\nG1 X1 E4") == {0: 4.0, 1: -2.0}


def test_cubic_millimetres_become_millimetres_of_the_filament_they_name() -> None:
    area = math.pi / 4 * 1.75**2
    assert mm("M83\nM200 D1.75\nG1 X1 E24.05282\nM200 D0\nG1 X1 E1") == {0: round(24.05282 / area + 1, 6)}


def test_flow_inches_and_the_firmwares_own_retraction() -> None:
    assert mm("M83\nM221 S50\nG1 X1 E4") == {0: 2.0}
    assert mm("M83\nG20\nG1 X1 E1\nG21\nG1 E1") == {0: 26.4}
    assert mm("M83\nM207 S2\nM208 S0.1\nM221 S200\nG1 X1 E4\nG10\nG10\nG11\nG11") == {0: 8.1}


def test_g90_governs_extrusion_only_where_the_machine_says_so() -> None:
    program = "M83\nG1 E5\nG90\nG1 X1 E7"
    assert mm(program) == {0: 12.0}
    assert mm(program, g90_governs_e=True) == {0: 7.0}


def test_a_tool_number_that_is_none_is_reported_and_not_fatal() -> None:
    found = metered("M83\nT1\nG1 X1 E2\nT255\nT255\nG1 X1 E3")
    assert found.mm == {1: 5.0}
    assert found.notes == ("T255 is no tool, so the one before it is taken to go on (2 times).",)


def test_a_pull_whose_length_the_file_does_not_say_is_reported() -> None:
    assert "does not say how far" in metered("M83\nG1 X1 E2\nG10").notes[0]


# ---- the course

LAYERED = "M83\n" + "".join(f";LAYER_CHANGE\nG1 Z{z / 5}\nG1 X1 E{z}\nG1 X2 E{z}\n" for z in range(1, 11))


def test_what_was_drawn_by_a_layer_is_that_of_the_layers_before_and_half_of_its_own() -> None:
    course = metered(LAYERED).course
    assert course.layers == 10
    assert course.at_layer(1) == {0: pytest.approx(1)}
    assert course.at_layer(10) == {0: pytest.approx(2 * 45 + 10)}
    for layer in (0, 11):
        with pytest.raises(NotFound, match="layers 1 to 10"):
            course.at_layer(layer)


@pytest.mark.parametrize("is_marked", [True, False])
def test_layers_are_found_by_their_height_where_no_comment_marks_them(is_marked: bool) -> None:  # noqa: FBT001
    hop = "G1 E-1\nG0 Z9\nG0 X5\nG0 Z0.1\nG1 E1\n"
    program = LAYERED if is_marked else LAYERED.replace(";LAYER_CHANGE\n", hop)
    course = metered(program).course
    assert course.layers == 10
    assert course.at_layer(5)[0] == pytest.approx(2 * 10 + 5)


def test_a_line_and_a_byte_and_a_share_of_the_file_say_what_was_drawn_by_then() -> None:
    rng = random.Random(4)  # noqa: S311 - a fixed file
    lines = [f"G1 X{rng.uniform(0, 99):.3f} Y1 E{rng.uniform(0, 1):.4f}" for _ in range(30_000)]
    program = "\n".join(["M83", *lines]) + "\n"
    course, exact = metered(program).course, 0.0
    for number, line in enumerate(lines, start=2):
        exact += float(line.rpartition("E")[2])
        if number % 997 == 0:
            assert course.at_line(number)[0] == pytest.approx(exact, rel=0.002, abs=25)
    assert course.at_share(1) == course.at_byte(len(program)) == metered(program).mm
    assert course.at_share(0).get(0, 0) == 0
    assert course.at_share(0.5)[0] == pytest.approx(exact / 2, rel=0.01)
    for wrong in (-1, len(program) + 1):
        with pytest.raises(NotFound, match="no byte"):
            course.at_byte(wrong)


# ---- files that are none


@pytest.mark.parametrize(
    ("program", "says"),
    [
        ("", "none"),
        ("Dear Sir,\nplease print", "on line 1 “Dear Sir,” is no command"),
        ("; only\n\n; comments", "No line moves a machine"),
        ("\n\n<xml>", "on line 3 “<xml>”"),
        ("G28\nG1 X5", "None of its 2 lines pushes plastic out"),
        ("M83\nG1 E-5", "pushes plastic out"),
        ("G1 X1 E1\n\0\0", "holds bytes that are no text"),
        ("G1 " + "X" * 200_000, "Line 1 has no end"),
    ],
)
def test_what_is_no_motion_file_is_refused_with_the_line(program: str, says: str) -> None:
    with pytest.raises(BadInput, match=says):
        metered(program)


TOWER = b"""M83
;TYPE:Skirt
G1 X1 E2
;TYPE:Perimeter
G1 X2 E10
G1 E-.8
; FEATURE: Prime tower
G1 E.8
G1 X3 E4
T1
G1 X4 E3
;TYPE:Wipe tower
G1 X5 E1
;TYPE:Infill
G1 X6 E20
"""


def test_what_a_file_s_comments_call_a_tower_or_a_skirt_is_waste_by_tool() -> None:
    found = meter(io.BytesIO(TOWER))
    assert found.mm == pytest.approx({0: 16, 1: 24})
    assert found.waste[Cause.PRIME] == pytest.approx({0: 2})
    assert found.waste[Cause.PURGE] == pytest.approx({0: 4.8, 1: 4})
    assert meter(io.BytesIO(TOWER.replace(b"TYPE", b"NOTE").replace(b"FEATURE", b"NOTE"))).waste == {}


def test_a_tower_goes_on_over_the_blocks_in_which_a_file_is_read(monkeypatch: pytest.MonkeyPatch) -> None:
    absolute = b"M82\nG1 E5\n;TYPE:Wipe tower\n" + b"".join(b"G1 X1 E%d\n" % mm for mm in range(6, 400))
    file = absolute + b";TYPE:Infill\nG1 E1000\n"
    for block in (1 << 19, 64):
        monkeypatch.setattr(meter_module, "BLOCK", block)
        assert meter(io.BytesIO(file)).waste == {Cause.PURGE: pytest.approx({0: 394})}
