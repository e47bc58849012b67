"""Two hundred racks, sixty variants, a night's worth of designs: what matters is shown."""

from __future__ import annotations

import csv
import io
import json
import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from rich.console import Console
from small_study import (
    RACKS,
    nothing_drawn,
    run_here,
    run_undrawn,
    small_study,
    write_small_study,
)

from optimiser.answer import run_result
from optimiser.answer.rack_table import ACCEPTABLE, FAILS, WITHIN_LIMITS, WRONG_HAND, RackRow
from optimiser.answer.run_result import write_columns
from optimiser.answer.shown_racks import count_rest, some_names, those_that_matter
from optimiser.answer.variant_rows import count_variants, variant_rows
from optimiser.command.run_screen import TerminalWatch
from optimiser.command.variants_screen import print_variants
from optimiser.folder import variants
from optimiser.folder.read import read_results
from optimiser.folder.variants import sweep_figure, write_sweep
from optimiser.linkage.racks import Rack
from optimiser.report.figures import run_figures
from optimiser.report.page import report_html
from optimiser.search import record
from optimiser.search.journal import read_identity
from optimiser.search.record import UnitRecord

MANY = 24


def rack_row(number, verdict):
    rack = Rack(f"rack {number}", 600.0, 150.0, 3.0)
    return RackRow(rack, verdict, number, "", None, {})


# --- which racks matter --------------------------------------------------------------------------


def test_the_chosen_the_best_the_cheapest_then_the_nearest():
    verdicts = [ACCEPTABLE] * 12 + [WRONG_HAND] * 3 + [WITHIN_LIMITS] * 5 + [FAILS] * 4
    rows = [rack_row(number, verdict) for number, verdict in enumerate(verdicts)]
    worst = np.full(24, 0.5)
    worst[11] = 0.1
    shown = [row.row for row in those_that_matter(rows, worst, (10,))]
    assert shown == [0, 1, 2, 3, 4, 5, 6, 7, 10, 11]
    assert count_rest(rows, those_that_matter(rows, worst, (10,))).endswith(
        "The other 14 are in racks.csv: 2 acceptable, 3 acceptable but of the wrong hand, "
        "5 within the limits but not acceptable, 4 without a design within the limits."
    )
    # With less that is acceptable the nearest come, wherever their price puts them.
    worst[15:20] = 9.0, 4.0, 2.0, 3.0, 5.0
    shown = [row.row for row in those_that_matter(rows[8:], worst, (None,))]
    assert shown == [8, 9, 10, 11, 12, 13, 14, 16, 17, 18]
    shown = those_that_matter(rows[20:], worst, (22,), most=2)
    assert [row.row for row in shown] == [20, 22]
    assert those_that_matter(rows[:10], worst) == rows[:10]
    assert count_rest(rows[:10], rows[:10]) == ""


def test_names_are_counted_where_they_are_too_many():
    names = ["one", "two", "three"]
    assert some_names(names, 15) == "one, two, three"
    assert some_names(names, 14) == "one and 2 more"
    assert some_names(names, 13) == "3 of them"


# --- many racks ----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def many(tmp_path_factory):
    """A finished run with more racks than are shown, and what the terminal said."""
    folder = tmp_path_factory.mktemp("many")
    path = write_small_study(folder, trials=12, racks=[f"rack {n}" for n in range(MANY)])
    table = folder / "racks.csv"
    lines = [line for line in table.read_text("utf-8").splitlines() if line[:1] != "#"]
    rows = list(csv.DictReader(lines))
    out = io.StringIO()
    writer = csv.DictWriter(out, list(rows[0]))
    writer.writeheader()
    for number in range(MANY):
        row = rows[number % 2] | {"name": f"rack {number}", "price": str(100 + number)}
        writer.writerow(row | {"inner_joint_spacing_mm": str(560 + 10 * number)})
    table.write_text(out.getvalue(), "utf-8")
    with nothing_drawn():
        code, said, err = run_here("run", path, "--workers", 1, cwd=folder)
    assert code in (0, 1), err
    return read_results(folder / "results/small"), said


def test_the_terminal_shows_ten_and_counts_the_rest(many):
    stored, said = many
    shown = [row.rack.name for row in stored.result.shown()]
    assert len(shown) == 10
    table = said[: said.index("bump steer and Ackermann error in degrees")]
    assert re.findall(r"^ (rack \d+) ", table, re.MULTILINE) == shown
    named = set(re.findall(r"^(rack \d+)(?::|, please)", said, re.MULTILINE))
    assert named <= set(shown)
    assert f"10 of {MANY} racks are shown" in said
    assert f"The other {MANY - 10} are in racks.csv: " in said
    with (stored.folder / "racks.csv").open(encoding="utf-8") as stream:
        assert sum(line.startswith("rack ") for line in stream) == MANY


def test_a_narrow_terminal_cuts_no_word_of_the_table(many):
    from optimiser.command.run_screen import rack_table

    rows = [
        replace(row, rack=replace(row.rack, name="x" * 40)) for row in many[0].result.comparison
    ]
    result = SimpleNamespace(
        study=many[0].study, shown=lambda: rows, winner=rows[0].row, acceptable=True
    )
    console = Console(file=io.StringIO(), width=80)
    console.print(rack_table(result))
    text = console.file.getvalue()
    assert "…" not in text
    assert "CHOSEN" in text


def test_figures_show_ten_racks_and_say_so(many):
    result = many[0].result
    drawn = run_figures(result)
    names = [text.get_text() for text in drawn["convergence"].axes[0].texts]
    assert sorted(names) == sorted(row.rack.name for row in result.shown())
    assert drawn["convergence"].axes[0].get_title("left") == f"10 of {MANY} searches"
    assert drawn["front"].axes[0].get_title("left").startswith(f"10 of {MANY} racks")


def test_a_long_name_is_inside_the_figure(many):
    result = many[0].result
    name = "a rack whose seller writes a novel about each"
    racks = (replace(result.problem.racks[0], name=name), *result.problem.racks[1:])
    changed = replace(result, problem=replace(result.problem, racks=racks))
    figure = run_figures(changed)["convergence"]
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    FigureCanvasAgg(figure).draw()
    for text in figure.axes[0].texts:
        assert text.get_window_extent().x1 <= figure.bbox.x1


def test_the_report_shows_ten_and_counts_the_rest(many):
    stored = many[0]
    from optimiser.report.answer_words import answer_of

    page = report_html(stored.result, stored.record, answer_of(stored.result), {}, None)
    racks = page[page.index('<section id="racks">') : page.index('<section id="front">')]
    shown = [row.rack.name for row in stored.result.shown()]
    assert re.findall(r"<li><strong>(.*?)</strong>", racks) == shown
    assert re.findall(r"<tr(?: class=\"pick\")?><td>(rack \d+)</td>", racks) == shown
    assert f"The other {MANY - 10} are in racks.csv" in racks
    growth = page[page.index('<section id="convergence">') : page.index('<section id="assumed">')]
    assert len(re.findall(r"<tr><td>rack \d+</td>", growth)) == 10


def test_bars_that_moved_last_are_on_the_screen():
    console = Console(file=io.StringIO(), force_terminal=True, width=100, height=20)
    with TerminalWatch(console) as watch:
        for number in (*range(30), 3, 29):
            watch.generation(f"unit {number}", 50, 100, 1.0, "best", 0.5)
        tasks = watch._progress.tasks
        shown = [task.description for task in tasks if task.visible]
    assert len(tasks) == 30
    assert shown == ["unit 3", *(f"unit {number}" for number in range(21, 30))]


# --- many variants -------------------------------------------------------------------------------

VARIANTS = """
[[variant]]
name = "wheelbase"
[variant.grid]
car.wheelbase_mm = [2300, 2350, 2400, 2450, 2500, 2550, 2600]
"""


@pytest.fixture(scope="module")
def sweep(tmp_path_factory):
    folder = tmp_path_factory.mktemp("variants")
    study = small_study(folder / "in", trials=12, extra=VARIANTS)
    return run_undrawn(study, folder / "out")


def test_many_variants_are_one_table(sweep, tmp_path):
    path = write_small_study(tmp_path, trials=12, extra=VARIANTS)
    with nothing_drawn():
        code, said, err = run_here("run", path, "--workers", 1, cwd=tmp_path)
    assert code in (0, 1), err
    assert len(re.findall(r"^ 2\d\d0 +(?:Short|Middle) ", said, re.MULTILINE)) == 7
    assert "each name begins with: wheelbase wheelbase_mm" in " ".join(said.split())
    assert "All variants side by side: results/small/report.html" in said
    assert count_variants(variant_rows({o.folder.name: o.result for o in sweep})) in said
    assert len(said.splitlines()) < 30


def test_few_variants_are_told_in_full_as_well(tmp_path):
    few = VARIANTS.replace(", 2350, 2400, 2450, 2500, 2550, 2600", ", 2600")
    path = write_small_study(tmp_path, trials=12, extra=few)
    with nothing_drawn():
        _, said, _ = run_here("run", path, "--workers", 1, cwd=tmp_path)
    assert said.count("Written to results/small/") == 2
    assert said.count("All variants side by side") == 1


def test_more_variants_than_a_screen_has_lines_are_counted(sweep):
    outcomes = [
        SimpleNamespace(
            result=sweep[number % 7].result, folder=sweep[0].folder.with_name(f"{number}")
        )
        for number in range(130)
    ]
    console = Console(file=io.StringIO(), width=100)
    print_variants(console, outcomes)
    assert "30 more variants are on the page." in console.file.getvalue()
    console = Console(file=io.StringIO(), width=100)
    print_variants(console, [replace(sweep[0], result=None)])
    assert console.file.getvalue() == ""


def test_the_page_has_each_variant_with_a_way_to_its_report(sweep, tmp_path):
    results = {outcome.folder.name: outcome.result for outcome in sweep}
    write_sweep(tmp_path, "a <b> title", results)
    page = (tmp_path / "report.html").read_text("utf-8")
    links = re.findall(
        r'<a href="([^"#]*)">(.*?)</a></td><td[^>]*>[^<]*</td><td[^>]*>\w+</td><td>(\d+)</td>', page
    )
    assert links == [
        (f"{o.folder.name}/report.html", o.study.variant, f"{o.study.file.car.wheelbase_mm:g}")
        for o in sweep
    ]
    assert "<h1>a &lt;b&gt; title</h1>" in page
    assert page.count("<svg") == 1
    for row in variant_rows(results):
        record = json.loads((sweep[0].folder.parent / row.folder / "run.json").read_text("utf-8"))
        assert row.best.row == record["winner"]["design"] - 1
        assert row.acceptable == record["winner"]["acceptable"]
        assert f"<td>{row.best.numbers['bump_steer_deg']:.3f}</td>" in page


def test_an_unfinished_or_empty_variant_says_so(sweep):
    units = tuple(replace(unit, finished=False) for unit in sweep[0].result.units)
    (row,) = variant_rows({"a": replace(sweep[0].result, units=units)})
    from optimiser.report.variants_page import verdict

    assert verdict(row).endswith(", cut short")
    assert verdict(replace(row, best=None, acceptable=False, finished=True)) == (
        "no: nothing assembles"
    )


def test_panels_draw_the_racks_that_matter_most_often(sweep, monkeypatch):
    monkeypatch.setattr(variants, "MOST_SHOWN", 1)
    figure = sweep_figure("title", {o.folder.name: o.result for o in sweep})
    names = [text.get_text() for text in figure.legends[0].get_texts()]
    assert len(names) == 2
    assert names[0] in RACKS
    assert names[1] == "chosen or nearest; racks not drawn: 1"


# --- many designs --------------------------------------------------------------------------------


def test_trials_in_memory_share_their_distributions(tmp_path, sweep, monkeypatch):
    """Optuna makes new ones of every line: 6 of 8 kB a trial, 600 MB in a long night."""
    monkeypatch.setattr(record, "SHARE_EVERY", 20)
    unit = next(sweep[0].folder.rglob("*.journal"))
    copy = tmp_path / "copy.journal"
    copy.write_bytes(unit.read_bytes())
    name = json.loads(unit.read_text("utf-8").splitlines()[0])["study_name"]
    objectives = sweep[0].result.problem.objectives.names
    identity = read_identity(copy)
    assert identity is not None
    with UnitRecord(copy, name, objectives, identity.question) as first:
        told = first.trials
        assert len({id(trial.distributions) for trial in told}) == 1
        with UnitRecord(tmp_path / "new.journal", name, objectives) as new:
            for start in range(0, 2 * len(told), len(told)):
                new.append(told)
                held = new.trials
                count = len({id(trial.distributions) for trial in held})
                assert count == (len(told) if start == 0 else 1)
            assert [trial.distributions for trial in held] == [t.distributions for t in told] * 2
            held[0].distributions = {}
            new.append(told[:1])
            assert new.trials[-1].distributions == told[0].distributions


def test_a_table_is_written_in_parts_as_at_once(many, monkeypatch, tmp_path):
    trials = many[0].result.trial_columns()
    write_columns(tmp_path / "whole.csv", trials)
    monkeypatch.setattr(run_result, "_ROWS_AT_ONCE", 7)
    write_columns(tmp_path / "parts.csv", trials)
    whole = (tmp_path / "whole.csv").read_text("utf-8")
    assert (tmp_path / "parts.csv").read_text("utf-8") == whole
    assert len(whole.splitlines()) == len(trials["design"]) + 1
