"""Hardpoints and CAD frames: round trips, spellings, and every refusal by its message."""

import itertools
import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from references.corners import CORNERS

from optimiser.base.errors import InputError
from optimiser.linkage.hardpoints import POINT_NAMES, CadFrame, Hardpoints, read_hardpoints
from optimiser.linkage.plausible import MM_PER_UNIT, check_units

# Invented corner, mm, body axes.
CORNER = {
    "lower_front_pivot": (150, 310, 160),
    "lower_rear_pivot": (-150, 310, 155),
    "lower_ball_joint": (5, 630, 150),
    "upper_front_pivot": (110, 370, 370),
    "upper_rear_pivot": (-120, 370, 362),
    "upper_ball_joint": (-18, 600, 400),
    "wheel_centre": (0, 670, 280),
    "outer_joint": (118, 625, 210),
    "inner_joint": (105, 330, 215),
}
AXES = ("+x", "-x", "+y", "-y", "+z", "-z")
FRAMES = [axes for axes in itertools.permutations(AXES, 3) if len({axis[1] for axis in axes}) == 3]


def determinant(axes):
    rows = [(1 if axis[0] == "+" else -1) * np.eye(3)["xyz".index(axis[1])] for axis in axes]
    return round(float(np.linalg.det(np.array(rows))))


RIGHT_HANDED = [axes for axes in FRAMES if determinant(axes) == 1]


def text(corner=CORNER, header="name,x_mm,y_mm,z_mm"):
    lines = [header, *(f"{name},{x!r},{y!r},{z!r}" for name, (x, y, z) in corner.items())]
    return "\n".join(lines) + "\n"


def read(tmp_path, content, **options):
    path = tmp_path / "points.csv"
    path.write_text(content, encoding="utf-8")
    return read_hardpoints(path, **options)


def changed(**points):
    return {**CORNER, **points}


def test_points_are_read_in_any_order(tmp_path):
    shuffled = dict(reversed(CORNER.items()))
    points = read(tmp_path, text(shuffled))
    assert [name for name, _ in points.items()] == list(POINT_NAMES)
    for name, value in points.items():
        np.testing.assert_array_equal(value, CORNER[name])


# --- frames --------------------------------------------------------------------------------------


def test_there_are_twenty_four_right_handed_frames():
    assert len(FRAMES) == 48
    assert len(RIGHT_HANDED) == 24


@pytest.mark.parametrize("axes", RIGHT_HANDED, ids="".join)
def test_points_pass_through_every_right_handed_frame_and_back(tmp_path, axes):
    frame = CadFrame(*axes, ground_origin_mm=(1234.5, -67.25, 890.125))
    written = {name: tuple(frame.to_cad(point).tolist()) for name, point in CORNER.items()}
    points = read(tmp_path, text(written), frame=frame)
    for name, value in points.items():
        np.testing.assert_allclose(value, CORNER[name], atol=1e-9, rtol=0)
        np.testing.assert_allclose(frame.to_cad(value), written[name], atol=1e-9, rtol=0)


def test_a_frame_by_hand():
    # x rearward, y to the right, z up, origin 850 mm ahead of the axle and 120 mm up
    frame = CadFrame("-x", "-y", "z", (850.0, 0.0, -120.0))
    np.testing.assert_array_equal(frame.to_iso([845.0, -590.0, 40.0]), [5.0, 590.0, 160.0])
    np.testing.assert_array_equal(frame.rotation, np.diag([-1.0, -1.0, 1.0]))


@given(
    st.sampled_from(RIGHT_HANDED),
    st.tuples(*[st.floats(-1e4, 1e4)] * 3),
    st.tuples(*[st.floats(-1e4, 1e4)] * 3),
    st.tuples(*[st.floats(-1e4, 1e4)] * 3),
)
def test_a_frame_keeps_distances_and_handedness(axes, origin, a, b):
    frame = CadFrame(*axes, ground_origin_mm=origin)
    distance = np.linalg.norm(np.subtract(a, b))
    assert np.linalg.norm(frame.to_iso(a) - frame.to_iso(b)) == pytest.approx(distance, abs=1e-8)
    np.testing.assert_allclose(frame.to_cad(frame.to_iso(a)), a, atol=1e-8)
    assert np.linalg.det(frame.rotation) == pytest.approx(1.0)


@pytest.mark.parametrize("axes", [axes for axes in FRAMES if determinant(axes) == -1], ids="".join)
def test_left_handed_frames_are_refused(axes):
    message = (
        f"[frame] forward, left, up: {', '.join(axes)} form a left-handed frame, which mirrors "
        "the car; reverse the sign of the axis that is wrong"
    )
    with pytest.raises(InputError, match=re.escape(message)):
        _ = CadFrame(*axes).rotation


@pytest.mark.parametrize(
    ("axes", "message"),
    [
        (("+x", "+x", "+z"), "+x, +x, +z use one CAD axis twice; give each of x, y and z once"),
        (("+x", "-x", "+z"), "+x, -x, +z use one CAD axis twice"),
        (
            ("forward", "+y", "+z"),
            '[frame] forward: \'forward\' is not a signed axis; write "+x", "-y", "+z" or the like',
        ),
        (("+x", "", "+z"), "[frame] left: '' is not a signed axis"),
        (("+x", "+y", "+-z"), "[frame] up: '+-z' is not a signed axis"),
        (("+x", "+y", "zz"), "[frame] up: 'zz' is not a signed axis"),
    ],
)
def test_what_is_no_frame_is_refused(axes, message):
    with pytest.raises(InputError, match=re.escape(message)):
        _ = CadFrame(*axes).rotation


# --- units and names -----------------------------------------------------------------------------


@pytest.mark.parametrize("unit", MM_PER_UNIT)
@pytest.mark.parametrize("header", ["name,x_UNIT,y_UNIT,z_UNIT", "name,x,y,z", "Name,X,Y,Z"])
def test_other_units_when_stated(tmp_path, unit, header):
    header = header.replace("UNIT", unit)
    scaled = {
        name: tuple(value / MM_PER_UNIT[unit] for value in point) for name, point in CORNER.items()
    }
    points = read(tmp_path, text(scaled, header), unit=unit)
    for name, value in points.items():
        np.testing.assert_allclose(value, CORNER[name], atol=1e-9, rtol=0)


@pytest.mark.parametrize("factor", [1.0, 0.001], ids=["numbers in mm", "numbers in m"])
def test_a_header_that_contradicts_the_stated_unit_is_refused(tmp_path, factor):
    message = (
        "its columns are in mm, but [hardpoints] unit is m; "
        'write unit = "mm" there, or name the columns name, x, y, z'
    )
    with pytest.raises(InputError, match=re.escape(message)):
        read(tmp_path, text(scaled(factor)), unit="m")
    message = 'its columns are in in, but [hardpoints] unit is mm; write unit = "in" there'
    with pytest.raises(InputError, match=re.escape(message)):
        read(tmp_path, text(header="name,x_in,y_in,z_in"))


def test_a_header_as_a_spreadsheet_has_it(tmp_path):
    lines = [";".join((name, *map(str, at))) for name, at in CORNER.items()]
    points = read(tmp_path, "\n".join(["Name;X;Y;Z", *lines]))
    for name, value in points.items():
        np.testing.assert_array_equal(value, CORNER[name])


STRAYS = [(name, other) for name in CORNER for other in ("m", "in")]
STRAYS = [one for one in STRAYS if one[0] != "inner_joint" or one[1] == "m"]


@pytest.mark.parametrize(("name", "other"), STRAYS)
@pytest.mark.parametrize("origin", [(0.0, 0.0, 0.0), (-1500.0, 0.0, 200.0)], ids=["axle", "far"])
def test_one_row_in_another_unit_is_named(tmp_path, name, other, origin):
    frame = CadFrame(ground_origin_mm=origin)
    cad = {n: tuple(frame.to_cad(at).tolist()) for n, at in CORNER.items()}
    cad[name] = tuple(value / MM_PER_UNIT[other] for value in cad[name])
    line = 2 + list(CORNER).index(name)
    message = rf"line {line}: {name} lies \d+ mm from all other points, and near them if its "
    message += rf"numbers are in {other}; write every row in mm"
    with pytest.raises(InputError, match=message):
        read(tmp_path, text(cad), frame=frame)


def test_both_pivots_of_an_arm_in_metres_and_a_row_of_mm_among_metres(tmp_path):
    pair = {
        name: tuple(0.001 * value for value in at) if "lower" in name and "pivot" in name else at
        for name, at in CORNER.items()
    }
    with pytest.raises(InputError, match=r"lower_\w+_pivot lies .* numbers are in m; write"):
        read(tmp_path, text(pair))
    metres = {**scaled(0.001), "wheel_centre": CORNER["wheel_centre"]}
    with pytest.raises(InputError, match=r"wheel_centre lies .* numbers are in mm; write every"):
        read(tmp_path, text(metres, "name,x,y,z"), unit="m")


@given(
    st.sampled_from(list(CORNERS)),
    st.sampled_from(RIGHT_HANDED),
    st.tuples(*[st.floats(-700.0, 700.0)] * 3),
)
@settings(max_examples=400)
def test_a_frame_with_its_origin_anywhere_is_no_other_unit(corner, axes, origin):
    """Near CAD's origin numbers are small, which is no sign of metres."""
    frame = CadFrame(*axes, ground_origin_mm=origin)
    points = CORNERS[corner]["points"]
    cad = {name: frame.to_cad(at) for name, at in points.items()}
    check_units(cad, dict.fromkeys(cad, ""), "mm")


def test_other_names_when_mapped(tmp_path):
    theirs = {"wheel_centre": "WC", "outer_joint": "P7"}
    renamed = {theirs.get(name, name): point for name, point in CORNER.items()}
    points = read(tmp_path, text(renamed), names=theirs)
    np.testing.assert_array_equal(points.outer_joint, CORNER["outer_joint"])
    with pytest.raises(InputError, match=re.escape("unknown point 'wheel_centre'; known names:")):
        read(tmp_path, text(changed()), names=theirs)


def both_sides(**right):
    mirrored = {f"right_{name}": (x, -y, z) for name, (x, y, z) in CORNER.items()}
    return text({**CORNER, **mirrored, **right})


def test_a_file_of_both_sides_is_read_when_they_mirror_each_other(tmp_path):
    points = read(tmp_path, both_sides())
    for name, value in points.items():
        np.testing.assert_array_equal(value, CORNER[name])


def test_sides_that_do_not_mirror_each_other_are_refused(tmp_path):
    message = (
        "right_wheel_centre is 0.500 mm from the mirror image of wheel_centre; the program needs "
        "a symmetric car: mend it, or leave the right side out"
    )
    with pytest.raises(InputError, match=re.escape(message)):
        read(tmp_path, both_sides(right_wheel_centre=(0, -670, 280.5)))


# --- refusals ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (
            text({**CORNER, "right_wheel_centre": (0, -670, 280), "right_hub": (1, 2, 3)}),
            "line 12: unknown point 'right_hub'; known names: lower_front_pivot,",
        ),
        (
            text({k: v for k, v in CORNER.items() if k != "wheel_centre"}),
            "points.csv: point wheel_centre is missing; add a row for each of lower_front_pivot,",
        ),
        (
            text() + "wheel_centre,0,670,280\n",
            "line 11: point wheel_centre stands twice; keep one row for each point",
        ),
        (
            text({**CORNER, "hub": (0, 0, 0)}),
            "line 11: unknown point 'hub'; known names: lower_front_pivot, lower_rear_pivot, "
            "lower_ball_joint, upper_front_pivot, upper_rear_pivot, upper_ball_joint, "
            "wheel_centre, outer_joint, inner_joint; map others in [hardpoints.names]",
        ),
        (text() + ",1,2,3\n", "line 11, column name: is blank; name one of lower_front_pivot,"),
        (
            text().replace("5,630,150", "5,,150"),
            "line 4, column y_mm: is blank for lower_ball_joint; give all three coordinates",
        ),
        (text().replace("5,630,150", "5,nan,150"), "column y_mm: 'nan' is not a finite number"),
        (text().replace("5,630,150", "5,inf,150"), "column y_mm: 'inf' is not a finite number"),
        (
            text(header="name,a,b,c"),
            "line 1: column x_mm is missing; name the columns name, x_mm, y_mm, z_mm",
        ),
        (text(header="point,X,Y,Z"), "line 1: column name is missing; name the columns name, x, y"),
        ("# nothing", "points.csv: is empty; begin with the line name,x_mm,y_mm,z_mm"),
    ],
)
def test_refusals_of_a_hardpoint_file(tmp_path, content, message):
    with pytest.raises(InputError, match=re.escape(message)):
        read(tmp_path, content)


def scaled(factor):
    return {name: tuple(factor * value for value in point) for name, point in CORNER.items()}


@pytest.mark.parametrize(
    ("corner", "message"),
    [
        (
            scaled(0.001),
            "the points span only 0.36 mm, which looks like metres; write millimetres, or state "
            'the unit with unit = "m" or "in" in [hardpoints]',
        ),
        (scaled(1 / 25.4), "the points span only 14.2 mm, which looks like inches; write"),
        (
            scaled(10.0),
            "the points reach 6700 mm, which is no front corner; check the unit, "
            "ground_origin_mm and each row",
        ),
        (
            {name: (x + 40000, y, z) for name, (x, y, z) in CORNER.items()},
            "the points reach 4.015e+04 mm, which is no front corner",
        ),
        (
            {name: (x - 40000, y, z) for name, (x, y, z) in CORNER.items()},
            "the points reach 4.015e+04 mm, which is no front corner",
        ),
        (
            {name: (x, -y, z) for name, (x, y, z) in CORNER.items()},
            "lower_front_pivot lies at y = -310.0 mm, on the right of the car or on its middle "
            "plane; give the LEFT corner, and check left and ground_origin_mm in [frame]",
        ),
        (changed(inner_joint=(105, 0, 215)), "inner_joint lies at y = 0.0 mm, on the right"),
        (
            changed(outer_joint=(5.5, 630, 150)),
            "lower_ball_joint and outer_joint are less than 1 mm apart, which is one point twice; "
            "check both rows",
        ),
        (
            changed(lower_rear_pivot=(150, 310, 160)),
            "lower_front_pivot and lower_rear_pivot are less than 1 mm apart, so the arm has no "
            "axis to turn about; check both rows",
        ),
        (
            changed(upper_ball_joint=(-18, 600, 150)),
            "upper_ball_joint is not above lower_ball_joint; check up in [frame] and the names "
            "of the two arms",
        ),
        (
            changed(lower_front_pivot=(-160, 310, 160)),
            "lower_front_pivot is not ahead of lower_rear_pivot; check forward in [frame] and "
            "the two names",
        ),
        (
            changed(upper_ball_joint=(0, 370, 366.17)),
            "upper_ball_joint lies on the axis of its own arm; check the pivots and the ball",
        ),
        (
            changed(wheel_centre=(0, 300, 280)),
            "wheel_centre is not outboard of the lower pivots; check left in [frame] and the rows",
        ),
        (
            changed(inner_joint=(105, 626, 215)),
            "outer_joint is not outboard of inner_joint; check whether the two are exchanged",
        ),
    ],
)
def test_refusals_of_what_cannot_be_a_left_corner(tmp_path, corner, message):
    with pytest.raises(InputError, match=re.escape(message)) as caught:
        read(tmp_path, text(corner))
    assert "points.csv" in caught.value.where


def test_a_frame_that_puts_the_corner_on_the_right_is_refused_not_mended(tmp_path):
    with pytest.raises(InputError, match="on the right of the car"):
        read(tmp_path, text(), frame=CadFrame("-x", "-y", "+z"))


# --- the class -----------------------------------------------------------------------------------


def test_moving_the_arms_leaves_the_inner_joint():
    points = Hardpoints.from_mapping(CORNER)
    moved = points.arms_moved([0.0, 30.0])
    np.testing.assert_array_equal(moved.inner_joint, CORNER["inner_joint"])
    np.testing.assert_array_equal(moved.wheel_centre, [(0, 670, 280), (0, 700, 280)])
    np.testing.assert_array_equal(points.mirrored().outer_joint, (118, -625, 210))
    np.testing.assert_array_equal(moved.select(1).outer_joint, (118, 655, 210))
