"""Variants of one study: a folder each, one table and one figure over all."""

from __future__ import annotations

import csv
import itertools
import json
from dataclasses import replace

import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.text import Text
from small_study import files_of, nothing_drawn, run_undrawn, small_study

from optimiser.folder import variants
from optimiser.folder.variants import changed_keys, sweep_figure
from optimiser.jobs.batch import RunOptions, run_batch
from optimiser.report.figures import drawn_svg

VARIANTS = """
[[variant]]
name = "wheelbase"
[variant.grid]
car.wheelbase_mm = [2300, 2600]

[[variant]]
name = "=wide/../lock"
[variant.limits]
toggle_margin_deg = 5
[variant.steering]
acceptable_bump_steer_deg = 0.5
"""


@pytest.fixture(scope="module")
def sweep(tmp_path_factory):
    folder = tmp_path_factory.mktemp("sweep")
    study = small_study(folder / "in", trials=60, extra=VARIANTS)
    return folder / "out" / "small", run_undrawn(study, folder / "out")


def rows_of(path):
    lines = [line for line in path.read_text("utf-8").splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


def test_each_variant_has_a_folder_of_its_own(sweep):
    folder, outcomes = sweep
    names = [outcome.folder.name for outcome in outcomes]
    assert names == ["wheelbase-wheelbase_mm-2300", "wheelbase-wheelbase_mm-2600", "wide-..-lock"]
    assert all(outcome.folder.parent == folder and outcome.finished for outcome in outcomes)
    for outcome, wheelbase in zip(outcomes, (2300, 2600, 2480), strict=True):
        record = json.loads((outcome.folder / "run.json").read_text("utf-8"))
        assert record["study"]["car"]["wheelbase_mm"] == wheelbase
        assert record["variant"] == outcome.study.variant
    assert {path.name for path in folder.iterdir()} == {
        *names,
        "state.json",
        "report.html",
        "sweep.csv",
        "sweep.svg",
    }


def test_the_table_has_each_variant_and_rack_and_what_was_changed(sweep):
    folder, outcomes = sweep
    rows = rows_of(folder / "sweep.csv")
    wheelbase = {"wheelbase": {"2300.0", "2600.0"}, "=wide": {"2480.0"}}
    assert len(rows) == 6
    assert {row["limits.toggle_margin_deg"] for row in rows} == {"25.0", "5.0"}
    assert "car.loaded_radius_mm" not in rows[0]
    for start, values in wheelbase.items():
        # A spreadsheet must not take a name for a formula.
        mine = [row for row in rows if row["variant"].lstrip("'").startswith(start)]
        assert {row["car.wheelbase_mm"] for row in mine} == values
    assert {row["variant"][:2] for row in rows} == {"wh", "'="}
    for outcome, pair in zip(outcomes, (rows[:2], rows[2:4], rows[4:]), strict=True):
        wanted = outcome.result.racks()
        assert {row["folder"] for row in pair} == {outcome.folder.name}
        assert [row["rack"] for row in pair] == wanted["rack"].tolist()
        assert [row["verdict"] for row in pair] == wanted["verdict"].tolist()
        assert [float(row["bump_steer_deg"]) for row in pair] == wanted["bump_steer_deg"].tolist()


def test_the_figure_has_a_panel_for_each_to_one_scale(sweep):
    _, outcomes = sweep
    results = {outcome.folder.name: outcome.result for outcome in outcomes}
    figure = sweep_figure("title $x$", results)
    panels = [axes for axes in figure.axes if axes.get_visible()]
    titles = [axes.get_title(loc="left").replace("\n", " ") for axes in panels]
    assert titles == [outcome.study.variant for outcome in outcomes]
    assert {axes.get_xlim() for axes in panels} == {panels[0].get_xlim()}
    for axes, result in zip(panels, results.values(), strict=True):
        drawn = [line.get_xydata() for line in axes.lines if line.get_linestyle() == "-"]
        for rack, rows in result.rack_fronts.items():
            assert drawn[rack].tolist() == result.evaluation.objectives[rows][:, :2].tolist()
    names = [text.get_text() for text in figure.legends[0].get_texts()]
    assert names == ["Short", "Middle", "chosen or nearest"]
    assert b"<svg" in drawn_svg(figure)


def test_titles_of_panels_do_not_lie_over_each_other(sweep):
    """A grid makes names that are longer than a panel is wide."""
    _, outcomes = sweep
    name = "wheelbase and lock car.wheelbase_mm=2300 steering.inner_lock_deg=34.5"
    results = {
        str(number): replace(outcome.result, study=replace(outcome.study, variant=name))
        for number, outcome in enumerate(outcomes * 2)
    }
    figure = sweep_figure("title", results)
    FigureCanvasAgg(figure).draw()
    titles = {axes.get_title(loc="left") for axes in figure.axes} | {figure.get_suptitle()}
    boxes = [
        text.get_window_extent()
        for text in figure.findobj(Text)
        if text.get_text() in titles - {""}
    ]
    assert len(boxes) == 7
    for one, other in itertools.combinations(boxes, 2):
        assert not one.overlaps(other)
    assert all(box.x1 <= figure.bbox.x1 for box in boxes)


def test_more_variants_than_panels_are_said_to_be_left_out(sweep, monkeypatch):
    _, outcomes = sweep
    monkeypatch.setattr(variants, "MOST_PANELS", 2)
    figure = sweep_figure("many", {o.folder.name: o.result for o in outcomes})
    assert figure.get_suptitle() == "many (the first 2 of 3 variants)"
    assert len([axes for axes in figure.axes if axes.get_visible()]) == 2


def test_keys_that_differ_are_found_wherever_they_are():
    one = {"title": "a", "car": {"x": 1.0, "y": None}, "list": [1, 2]}
    other = {"title": "b", "car": {"x": 1.0, "y": 2.0}, "list": [1, 3], "more": {"z": True}}
    assert changed_keys([one, other]) == {
        "car.y": [None, 2.0],
        "list": ["[1, 2]", "[1, 3]"],
        "more.z": [None, True],
    }
    assert changed_keys([one, one]) == {}


def test_a_sweep_that_was_stopped_goes_on_and_ends_the_same(sweep, tmp_path):
    folder, _ = sweep
    study = small_study(tmp_path / "in", trials=60, extra=VARIANTS)
    told = []

    def run():
        return run_batch(
            [study], tmp_path, RunOptions(), lambda *got: told.append(got), lambda: len(told) == 8
        )

    with nothing_drawn():
        cut = run()
    assert [outcome.finished for outcome in cut] == [True, False, False]
    assert cut[2].result is None
    assert (tmp_path / "small" / "sweep.csv").exists()
    told += [None] * 100
    with nothing_drawn():
        rest = run()
    assert all(outcome.finished for outcome in rest)
    ours, theirs = files_of(tmp_path / "small"), files_of(folder)
    same = [name for name in theirs if name.endswith(("sweep.csv", "trials.csv", "front.csv"))]
    assert len(same) == 7
    assert {name: ours[name] for name in same} == {name: theirs[name] for name in same}
