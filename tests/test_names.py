"""Names of racks that look like comments, formulas, numbers or quotes come back as they went."""

from __future__ import annotations

import csv
import io

import pandas as pd
import pytest
from small_study import run_here, run_undrawn, write_small_study

from optimiser.base.files import csv_text, plain_text, safe_text
from optimiser.base.tables import read_table
from optimiser.folder.read import read_results
from optimiser.linkage.racks import read_racks
from optimiser.study.read import read_study

NAMES = ("#3", "#", "'#4", "=1", "'=1", "''=1", "'", "a, #5", 'the "short" one', "-1", "nan", "1e5")


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    folder = tmp_path_factory.mktemp("names")
    path = write_small_study(folder, trials=10)
    text = path.read_text("utf-8").replace('use = ["Short", "Middle"]', 'use = "all"')
    assert 'use = "all"' in text
    path.write_text(text, "utf-8")
    catalogue = io.StringIO()
    writer = csv.writer(catalogue, quoting=csv.QUOTE_ALL)
    writer.writerow(["name", "inner_joint_spacing_mm", "travel_mm"])
    writer.writerows([name, 600.0, 146.0] for name in NAMES)
    (folder / "racks.csv").write_text(catalogue.getvalue(), "utf-8")
    return read_study(path)


@pytest.fixture(scope="module")
def folder(study, tmp_path_factory):
    out = tmp_path_factory.mktemp("out")
    (outcome,) = run_undrawn(study, out)
    return outcome.folder


def test_a_catalogue_keeps_every_name(study):
    assert tuple(rack.name for rack in study.racks) == NAMES
    assert tuple(rack.name for rack in read_racks(study.inputs["catalogue"])) == NAMES


def test_a_result_with_such_names_is_read_back(folder):
    stored = read_results(folder)
    assert tuple(dict.fromkeys(stored.columns["rack"])) == NAMES
    assert len(stored.trials) == 10 * len(NAMES)


def test_every_row_is_there_for_other_programs(folder):
    trials = pd.read_csv(folder / "trials.csv", comment="#", keep_default_na=False)
    assert tuple(plain_text(name) for name in dict.fromkeys(trials["rack"])) == NAMES
    assert len(trials) == 10 * len(NAMES)
    lines = (folder / "racks.csv").read_text("utf-8").splitlines()
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    assert sorted(plain_text(row["rack"]) for row in rows) == sorted(NAMES)


@pytest.mark.parametrize("name", ["#3", "'=1", "a, #5"])
def test_such_a_rack_can_be_picked(folder, name):
    code, out, err = run_here(
        "pick", folder, "--no-pictures", "--at", f"rack={name}", cwd=folder.parent
    )
    assert code in (0, 1), err
    assert name in out


@pytest.mark.parametrize("text", ["=1", "'=1", "''=1", "'", "'x", "''", "+", "-1", "@", "", "#"])
def test_what_no_spreadsheet_runs_is_read_back_as_it_was(text):
    assert plain_text(safe_text(text)) == text
    assert not safe_text(text).startswith(("=", "+", "-", "@"))


def test_only_rows_with_such_a_cell_are_quoted():
    assert csv_text(("name", "x"), [("a", 1.5), ("#3", 2.5)]) == 'name,x\na,1.5\n"#3","2.5"\n'


@pytest.mark.parametrize(
    ("line", "names"),
    [
        ('"#3",600\n', ["#3"]),
        ("'#3,600\n", ["'#3"]),
        ('"# a comment, saved by a spreadsheet",\n', []),
        ('"# one with a ""word"" in it";;\n', []),
        ("# a comment\n", []),
        ("#a,600\n", []),
        ("'# a comment\n", []),
    ],
)
def test_a_comment_stands_alone_in_its_line(tmp_path, line, names):
    path = tmp_path / "table.csv"
    path.write_text(f"name,x\n{line}last,1\n", "utf-8")
    assert [row.text("name") for row in read_table(path, ("name", "x"))] == [*names, "last"]
