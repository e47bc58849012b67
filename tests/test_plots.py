"""What the figures show, from their data and axes, and what their files hold; few pixels."""

import re
import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest
from matplotlib import colors
from matplotlib.figure import Figure
from one_run import RACKS
from pictures import pixels

from optimiser.answer.limits_and_growth import Growth, growth
from optimiser.evaluation.asked import Objectives
from optimiser.metrics.compliance import Stiffness
from optimiser.report import draw as plots
from optimiser.report.draw.labels import label_points, spread_apart
from optimiser.report.draw.style import RACK_COLOURS, darker, rack_look
from optimiser.report.figures import ALT, design_figures, drawn_svg, inline_svg, run_figures
from optimiser.report.linkage_figure import glance_figure
from optimiser.report.words import front_axes, front_caption

ACCEPTABLE = np.array([0.1, 1.0])
WORDS = front_axes(Objectives())
SIZE = (400.0, 300.0)


@pytest.fixture
def axes():
    return Figure().add_axes((0.1, 0.1, 0.8, 0.8))


@pytest.fixture(scope="module")
def made(stored):
    result = stored.result
    chosen = result.chosen(result.winner)
    asked = chosen.problem
    # For the toe budget, and for how far it may steer.
    collars = replace(asked.steering, stops="collars")
    asked = replace(asked, stiffness=Stiffness(5000.0), steering=collars)
    design = design_figures(replace(chosen, problem=asked))
    return run_figures(result) | design | {"glance": glance_figure(chosen)}


def words(axes):
    return [text.get_text() for text in axes.texts] + [axes.get_title("left")]


# --- names ---------------------------------------------------------------------------------------


def test_names_at_line_ends_are_moved_apart_and_keep_their_order():
    wanted = np.array([0.5, 0.1, 0.52, 0.51, 0.99])
    placed = spread_apart(wanted, 0.1, 0.0, 1.0)
    assert np.diff(np.sort(placed)).min() >= 0.1 - 1e-12
    assert np.argsort(placed).tolist() == np.argsort(wanted).tolist()
    assert placed.min() >= 0.0
    assert placed.max() <= 1.0


def test_more_names_than_room_share_it():
    placed = spread_apart(np.zeros(5), 1.0, 0.0, 1.0)
    np.testing.assert_allclose(np.sort(placed), [0.0, 0.25, 0.5, 0.75, 1.0])
    assert spread_apart(np.array([]), 1.0, 0.0, 1.0).shape == (0,)


def test_names_of_points_do_not_lie_over_each_other(axes):
    axes.set_xlim(0.0, 1.0)
    axes.set_ylim(0.0, 1.0)
    points = np.full((1, 2), 0.5)
    named = [(points, f"name {index}", "#000000") for index in range(4)]
    label_points(axes, named, points, SIZE)
    at = np.array([text.get_position() for text in axes.texts]) * SIZE
    for index, one in enumerate(at):
        for other in at[index + 1 :]:
            apart = np.abs(one - other)
            assert apart[0] > 30.0 or apart[1] > 11.0


# --- the front -----------------------------------------------------------------------------------


def test_the_front_shows_the_acceptable_corner_and_where_each_rack_comes_nearest():
    far = np.array([[5.0, 0.2], [0.05, 90.0]])
    assert plots.front_extent([far], ACCEPTABLE, None) == pytest.approx((1.15 * 5.0, 1.5))
    near = np.array([[0.001, 3.0], [0.02, 0.3], [0.3, 0.1]])
    assert plots.front_extent([near, far], ACCEPTABLE, near[1]) == pytest.approx((0.15, 1.5))
    other = np.array([[0.18, 1.9], [0.17, 2.1]])
    assert plots.front_extent([near, other], ACCEPTABLE, near[1]) == pytest.approx((0.27, 2.85))
    assert plots.front_extent([], ACCEPTABLE, None) == pytest.approx((0.15, 1.5))
    assert plots.front_extent([other * 2.1], ACCEPTABLE, np.zeros(2)) == pytest.approx((0.4, 4.0))
    # The car as drawn is a yardstick: shown where it is not far off.
    drawn = np.array([0.39, 0.2])
    assert plots.front_extent([], ACCEPTABLE, None, drawn) == pytest.approx((0.4, 1.5))
    assert plots.front_extent([], ACCEPTABLE, None, 2.0 * drawn) == pytest.approx((0.15, 1.5))


def test_designs_that_are_better_in_something_else_are_not_joined(axes):
    """With a third objective a point may lie above and to the right of another: no zigzag."""
    size, ends = SIZE, np.array([0.4, 4.0])
    front = np.array([[0.3, 0.1], [0.1, 0.5], [0.2, 0.3]])
    assert plots.plot_front(axes, front, ("#000000", "o"), ends, size)
    line, marks = axes.lines
    assert line.get_linestyle() == "-"
    assert np.all(np.diff(line.get_xdata()) > 0.0)
    assert marks.get_linestyle() == "None"
    cloud = np.array([[0.1, 0.5], [0.2, 0.3], [0.3, 0.4]])
    assert not plots.plot_front(axes, cloud, ("#000000", "o"), ends, size)
    assert axes.lines[-1].get_linestyle() == "None"
    assert len(axes.lines) == 3


def test_markers_do_not_lie_on_each_other_and_the_line_goes_through_all(axes):
    share = np.linspace(0.0, 1.0, 1001)
    front = np.stack([0.4 * share, 4.0 * (1.0 - share) ** 2], axis=1)
    ends = np.array([0.4, 4.0])
    plots.plot_front(axes, front, ("#000000", "o"), ends, SIZE)
    line, marks = axes.lines
    assert len(line.get_xdata()) == 1001
    at = marks.get_xydata() * SIZE / ends
    gaps = np.linalg.norm(np.diff(at, axis=0), axis=1)
    assert 40 < len(at) < 80  # a line of some 530 points
    assert gaps.min() >= 7.0
    assert gaps.max() < 9.0


def test_racks_beyond_the_picture_are_named(axes):
    fronts = {
        "near": np.array([[0.02, 0.3], [0.2, 0.1]]),
        "$far": np.array([[3.0, 3.0]]),
        "none": np.empty((0, 2)),
    }
    drawn = np.array([2.0, 1.0])
    plots.draw_front(axes, fronts, ACCEPTABLE, fronts["near"][0], drawn, SIZE, WORDS)
    title = axes.get_title("left")
    assert title == (
        "Beyond this picture: $far, the car as drawn (2.00 deg, 1.00 deg)\n"
        "No design within the limits: none"
    )
    assert {"near", "chosen", "acceptable"} <= set(words(axes))
    (room,) = axes.collections
    corner = room.get_paths()[0].vertices.max(axis=0)
    np.testing.assert_allclose(corner, ACCEPTABLE)


def test_fronts_that_lie_on_each_other_share_a_name(axes):
    along = np.linspace(0.0, 0.39, 31)
    fronts = {
        "first": np.stack([along, np.full(31, 0.12)], axis=1),
        "apart": np.stack([np.full(30, 0.3), np.linspace(3.9, 0.1, 30)], axis=1),
        "second": np.stack([along[::3], np.full(11, 0.14)], axis=1),
    }
    plots.draw_front(axes, fronts, ACCEPTABLE, np.array([0.02, 0.12]), None, SIZE, WORDS)
    shared = "first, second\nlie on each other"
    assert words(axes) == ["chosen", shared, "apart", "acceptable", ""]
    # A name over a name is read as neither: boxes of letters 0.6 and lines 1.35 of the size.
    scale = np.array(SIZE) / (axes.get_xlim()[1], axes.get_ylim()[1])
    boxes = []
    for text in axes.texts:
        lines = text.get_text().split("\n")
        half = 0.5 * text.get_fontsize() * np.array([0.6 * max(map(len, lines)), len(lines)])
        boxes.append((np.array(text.get_position()) * scale, half))
    for index, (at, half) in enumerate(boxes):
        for other, room in boxes[index + 1 :]:
            assert (np.abs(at - other) > half + room).any()


def test_more_racks_than_there_is_room_for_are_counted(axes):
    far = np.full((1, 2), 9.0)
    fronts = {f"rack {number}": far if number % 2 else far[:0] for number in range(80)}
    fronts["near"] = np.array([[0.02, 0.3]])
    plots.draw_front(axes, fronts, ACCEPTABLE, None, None, SIZE, WORDS)
    beyond, none = axes.get_title("left").split("\n")
    assert beyond.startswith("Beyond this picture: rack 1, rack 3")
    assert none.startswith("No design within the limits: rack 0, rack 2")
    for line in (beyond, none):
        assert len(line) <= 88
        named = line.split(": ")[1].split(" and ")
        assert len(named[0].split(", ")) + int(named[1].removesuffix(" more")) == 40


@pytest.mark.parametrize(
    ("objectives", "axis", "words"),
    [
        (Objectives(), "bump steer over the travel", "beats in both."),
        (
            Objectives(extra=("mass_kg",)),
            "bump steer over the travel",
            "beats in all that was made small: bump steer; Ackermann error; mass. Of these the "
            "picture shows the first two only, so that a point may lie above",
        ),
        (
            Objectives(extra=("mass_kg",), accepted=(6.0,)),
            "bump steer over the travel",
            "The shaded corner is acceptable where mass is acceptable as well, for a rack",
        ),
        (
            Objectives("rms", "largest"),
            "bump steer over the travel",
            "bump steer, RMS over travel; Ackermann error. Of these the picture shows the greatest",
        ),
        (Objectives("with tolerances"), "bump steer of one in twenty cars", "beats in both."),
    ],
)
def test_the_front_says_what_its_points_are(objectives, axis, words):
    assert front_axes(objectives) == (axis, "Ackermann error up to lock")
    assert words in front_caption(objectives)


def test_the_picture_of_a_front_has_what_is_held_against_the_acceptable_values(stored):
    """The corner is of the greatest values: a small root mean square in it is not acceptable."""
    result = stored.result
    asked = replace(result.problem, objectives=Objectives("rms", "rms"))
    outcome = asked.evaluate(result.designs)
    result = replace(result, problem=asked)
    vars(result)["evaluation"] = outcome
    figure = run_figures(result)["front"]
    row = result.winner
    rings = [line.get_xydata() for line in figure.axes[0].lines if line.get_markersize() == 12]
    assert rings[0].tolist() == [outcome.judged[row].tolist()]
    assert (outcome.judged[row] > outcome.objectives[row, :2]).all()


def test_the_as_drawn_car_is_marked_where_it_is_near(axes):
    drawn = np.array([0.2, 2.0])
    plots.draw_front(axes, {}, ACCEPTABLE, None, drawn, SIZE, WORDS)
    assert "as drawn" in words(axes)
    assert any(np.array_equal(line.get_xydata(), [drawn]) for line in axes.lines)


# --- curves --------------------------------------------------------------------------------------


def test_bump_steer_is_drawn_against_travel_with_its_band(axes):
    travel = np.linspace(-60.0, 60.0, 13)
    curves = {"chosen": travel * 1e-3, "as drawn": travel * 2e-3}
    plots.draw_bump_steer(axes, travel, curves, 0.1, 200.0)
    assert axes.get_xlabel() == "wheel travel (mm), bump positive"
    assert axes.get_ylabel() == "change of toe-in (deg)"
    assert {"chosen", "as drawn", "acceptable, ±0.1 deg"} <= set(words(axes))
    low, high = axes.get_ylim()
    assert low == -high
    assert high >= 0.12


def test_the_ackermann_error_ends_where_the_car_ends(axes):
    inner = np.linspace(0.0, 35.0, 8)
    curves = {"chosen": (inner, 0.01 * inner), "as drawn": (0.8 * inner, 0.02 * inner)}
    plots.draw_ackermann_error(axes, curves, 1.0, 200.0)
    _, drawn = (line.get_ydata() for line in axes.lines[-2:])
    assert np.isnan(drawn[-1])
    assert np.isfinite(drawn[:6]).all()


def test_wheel_angles_have_the_parallel_line(axes):
    inner = np.linspace(0.0, 35.0, 8)
    plots.draw_wheel_angles(axes, {"chosen": (inner, 0.9 * inner)}, "Ackermann target 0.6", 200.0)
    assert {"chosen", "parallel"} <= set(words(axes))
    assert axes.get_title("left").startswith("Ackermann target 0.6")


def test_growth_only_rises_and_ends_with_the_whole_front(stored):
    result = stored.result
    found = growth(result)
    assert [one.name for one in found] == [result.problem.racks[u.rack].name for u in result.units]
    for one, unit in zip(found, result.units, strict=True):
        assert one.tried[0] == 0.0
        assert one.tried[-1] == len(unit.designs)
        assert (np.diff(one.share) >= -1e-12).all()
        assert 0.0 <= one.share[-1] <= 100.0
        assert 0.0 <= one.last_gain <= 1.0
    # The area below a staircase of corners, added up by hand for the rack with the best front.
    best = max(range(len(found)), key=lambda i: found[i].share[-1])
    unit, box = result.units[best], 4.0 * result.problem.acceptable
    values = unit.evaluation.objectives[unit.evaluation.feasible][:, :2]
    grid = (np.arange(400) + 0.5) / 400.0
    x, y = np.meshgrid(grid * box[0], grid * box[1])
    beaten = np.zeros(x.shape, dtype=bool)
    for value in values:
        beaten |= (x > value[0]) & (y > value[1])
    assert found[best].share[-1] == pytest.approx(100.0 * beaten.mean(), abs=0.5)


def test_what_refinement_brings_is_no_sign_of_a_short_search():
    tried, share = np.arange(0.0, 201.0, 10.0), np.full(21, 40.0)
    share[0], share[12:] = 0.0, 80.0
    steady = Growth("rack", tried, share, searched=100)
    assert steady.last_gain == 0.0
    share[9:12] = 50.0
    assert Growth("rack", tried, share, searched=100).last_gain == pytest.approx(10.0 / 80.0)
    assert Growth("rack", tried, 0.0 * share, searched=100).last_gain == 0.0


# --- views ---------------------------------------------------------------------------------------


def test_the_three_views_are_to_one_scale(made):
    figure = made["linkage"]
    assert len(figure.axes) == 3
    scales = []
    for axes in figure.axes:
        box = axes.get_position()
        size = np.array([box.width, box.height]) * figure.get_size_inches()
        limits = np.array([np.diff(axes.get_xlim())[0], np.diff(axes.get_ylim())[0]])
        scales.extend(size / limits)
    np.testing.assert_allclose(scales, scales[0], rtol=1e-6)


def test_the_views_show_both_tie_rods_where_they_are(stored, made):
    result = stored.result
    points = result.chosen(result.winner).points
    above, behind, left = made["linkage"].axes
    for axes, pick, sides in (
        (above, lambda p: (-p[1], p[0]), (1.0, -1.0)),
        (behind, lambda p: (-p[1], p[2]), (1.0, -1.0)),
        (left, lambda p: (-p[0], p[2]), (1.0,)),
    ):
        for side in sides:
            flip = np.array([1.0, side, 1.0])
            rod = [pick(p * flip) for p in (points.inner_joint, points.outer_joint)]
            assert any(
                line.get_xydata().shape == (2, 2) and np.allclose(line.get_xydata(), rod)
                for line in axes.lines
            )


def test_keep_outs_are_in_every_view(made):
    for axes in made["linkage"].axes:
        assert len(axes.patches) == 3
    above = made["linkage"].axes[0]
    # The box of `one_run`: CAD x 222.5 to 432.5 is 210 to 420 behind the axle.
    box = above.patches[0].get_xy()
    np.testing.assert_allclose(box.min(axis=0), (-160.0, -420.0))
    np.testing.assert_allclose(box.max(axis=0), (160.0, -210.0))


# --- look and files ------------------------------------------------------------------------------


def grey(colour):
    """Luminance 0 to 1 of a colour, WCAG 2 (value from memory)."""
    parts = np.array(colors.to_rgb(colour))
    linear = np.where(parts <= 0.03928, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
    return float(linear @ (0.2126, 0.7152, 0.0722))


@pytest.mark.parametrize("colour", RACK_COLOURS)
def test_names_can_be_read_on_white(colour):
    """Contrast of at least 3 for every name (WCAG 2, value from memory)."""
    assert 1.05 / (grey(darker(colour)) + 0.05) >= 3.0


def test_racks_differ_in_colour_or_marker():
    looks = [rack_look(index) for index in range(56)]
    assert len(set(looks)) == 56


def test_every_figure_has_words_for_who_cannot_see_it(made):
    assert set(made) == set(ALT)


@pytest.mark.parametrize("name", sorted(ALT))
def test_pictures_are_not_blank_and_come_out_the_same(made, name):
    assert drawn_svg(made[name]) == drawn_svg(made[name])
    grey = pixels(made[name])
    assert grey.shape[1] > (600 if name == "glance" else 900)
    dark = float((grey < 128.0).mean())
    assert 0.002 < dark < 0.3
    assert (grey > 250.0).mean() > (0.4 if name == "free_lock" else 0.5)  # what is free is filled


@pytest.mark.parametrize("name", sorted(ALT))
def test_inline_pictures_stand_alone(made, name):
    svg = inline_svg(drawn_svg(made[name]), name, 'What <it> "shows" & more')
    root = ET.fromstring(svg)
    assert root.get("role") == "img"
    assert root.get("aria-label") == 'What <it> "shows" & more'
    ids = [element.get("id") for element in root.iter() if element.get("id")]
    assert ids
    assert all(one.startswith(f"{name}-") for one in ids)
    assert len(set(ids)) == len(ids)
    link = "{http://www.w3.org/1999/xlink}href"
    used = {e.get(link) for e in root.iter() if e.get(link)}
    used |= {f"#{one}" for one in re.findall(r"url\(#([^)]+)\)", svg)}
    assert {one.removeprefix("#") for one in used} <= set(ids)
    assert not re.search(r"<!--|<metadata|<script|@import|<image", svg)
    for rack in RACKS:
        assert rack not in svg  # names are drawn, not written
