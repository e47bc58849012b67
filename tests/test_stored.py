"""A result folder read back equals what the run had in memory, and is refused when it does not."""

import json
import re
from unittest import mock

import numpy as np
import pandas as pd
import pytest
from one_run import RACKS, TITLE
from small_study import run_here, small_study, write_small_study

from optimiser.base.errors import InputError
from optimiser.folder import write as output
from optimiser.folder.choose import choose
from optimiser.folder.read import StoredRun, read_results
from optimiser.jobs.batch import RunOptions, run_batch
from optimiser.study.read import read_study


def test_every_number_comes_back_as_it_was(finished_run, stored):
    _, before = finished_run
    after = stored.result
    np.testing.assert_array_equal(after.designs.values, before.designs.values)
    np.testing.assert_array_equal(after.designs.rack, before.designs.rack)
    np.testing.assert_array_equal(after.evaluation.objectives, before.evaluation.objectives)
    np.testing.assert_array_equal(after.evaluation.constraints, before.evaluation.constraints)
    assert list(after.evaluation.metrics) == list(before.evaluation.metrics)
    for name, values in before.evaluation.metrics.items():
        np.testing.assert_array_equal(after.evaluation.metrics[name], values, err_msg=name)
    assert after.evaluation.status.tolist() == before.evaluation.status.tolist()
    assert after.origin.tolist() == before.origin.tolist()
    assert after.winner == before.winner
    assert after.front.tolist() == before.front.tolist()
    assert [r.verdict for r in after.comparison] == [r.verdict for r in before.comparison]


def test_units_come_back(finished_run, stored):
    _, before = finished_run
    for mine, was in zip(stored.result.units, before.units, strict=True):
        assert len(mine.designs) == len(was.designs)
        assert (mine.rack, mine.seed, mine.stop_reason, mine.dropped, mine.finished) == (
            was.rack,
            was.seed,
            was.stop_reason,
            was.dropped,
            was.finished,
        )
        assert mine.seconds == was.seconds


def test_designs_evaluated_again_give_the_stored_numbers(stored):
    result = stored.result
    rows = np.unique(np.linspace(0, len(result.designs) - 1, 25).astype(int))
    again = result.problem.evaluate(result.designs.select(rows))
    then = result.evaluation.select(rows)
    assert again.status.tolist() == then.status.tolist()
    for name, values in then.metrics.items():
        np.testing.assert_allclose(again.metrics[name], values, rtol=1e-9, atol=1e-9, err_msg=name)


def test_names_of_any_letters_come_back(stored):
    assert stored.study.title == TITLE
    assert set(stored.trials["rack"]) == set(RACKS)
    assert {rack.name for rack in stored.problem.racks} == set(RACKS)


def test_tables_are_frames(stored):
    assert isinstance(stored.trials, pd.DataFrame)
    assert stored.trials["on_front"].sum() == len(stored.front) == len(stored.result.front)
    assert stored.front["design"].tolist() == (stored.result.front + 1).tolist()
    row = stored.row(3)
    assert stored.trials["design"].iloc[row] == 3


def test_only_the_copies_count(copy, tmp_path):
    """The study, the points and the catalogue that the run began from may be gone."""
    study = read_results(copy).study
    assert {path.parent for path in study.inputs.values()} == {copy / "inputs"}


def test_a_study_without_a_title_keeps_its_own_name(tmp_path, monkeypatch):
    monkeypatch.setattr(output, "figures", lambda *_: {})
    path = write_small_study(tmp_path / "study", trials=20, name="my car", racks=("Short",))
    text = path.read_text("utf-8").replace('title = "My car: which rack, and where?"\n', "")
    path.write_text(text, "utf-8")
    (outcome,) = run_batch([read_study(path)], tmp_path / "out", RunOptions(), quiet, never)
    assert read_results(outcome.folder).study.title == "my car"


VARIANTS = """
[[variant]]
name = "long"
car.wheelbase_mm = 2700
racks.use = ["Middle"]
"""


def test_a_variant_is_read_back_as_that_variant(tmp_path, monkeypatch):
    monkeypatch.setattr(output, "figures", lambda *_: {})
    study = small_study(tmp_path / "study", trials=20, extra=VARIANTS)
    (outcome,) = run_batch([study], tmp_path / "out", RunOptions(), quiet, never)
    again = read_results(outcome.folder)
    assert again.study.variant == "long"
    assert again.problem.car.wheelbase_mm == 2700.0
    assert [rack.name for rack in again.problem.racks] == ["Middle"]
    with pytest.raises(InputError, match=r"name one of its variants, such as .*long"):
        read_results(outcome.folder.parent)


def quiet(*_):
    pass


def never():
    return False


def test_no_result(tmp_path):
    with pytest.raises(InputError, match=r"holds no run\.json; name the folder of a run"):
        read_results(tmp_path)


def broken_json(folder):
    (folder / "run.json").write_text("{", "utf-8")


def a_list(folder):
    (folder / "run.json").write_text("[]", "utf-8")


def a_design_less(folder):
    path = folder / "trials.csv"
    path.write_text("\n".join(path.read_text("utf-8").split("\n")[:-2]) + "\n", "utf-8")


def a_cell_less(folder):
    path = folder / "trials.csv"
    path.write_text(path.read_text("utf-8").rstrip("\n").rsplit(",", 1)[0] + "\n", "utf-8")


def another_number(folder):
    path = folder / "trials.csv"
    path.write_text(path.read_text("utf-8").replace("\n2,", "\n7,", 1), "utf-8")


def an_unknown_rack(folder):
    path = folder / "run.json"
    record = json.loads(path.read_text("utf-8"))
    record["units"][0]["rack"] = "none of these"
    path.write_text(json.dumps(record), "utf-8")


def no_table(folder):
    (folder / "trials.csv").unlink()


def only_comments(folder):
    (folder / "trials.csv").write_text("# nothing", "utf-8")


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (broken_json, "cannot be read back"),
        (a_list, r"run\.json is no table"),
        (a_design_less, r"trials\.csv holds \d+ designs, run\.json says \d+"),
        (a_cell_less, "cannot be read back"),
        (another_number, "does not number its designs"),
        (an_unknown_rack, "cannot be read back"),
        (no_table, "cannot be read back"),
        (only_comments, "cannot be read back"),
    ],
)
def test_a_spoilt_result_is_one_line(copy, spoil, words):
    spoil(copy)
    with pytest.raises(InputError, match=words):
        read_results(copy)


def test_a_lost_input_is_named(copy):
    (copy / "inputs" / "study.toml").unlink()
    with pytest.raises(InputError, match=r"study\.toml"):
        read_results(copy)


@pytest.mark.parametrize("beyond", [0, -1, None])
def test_no_such_design(stored, beyond):
    last = len(stored.trials)
    design = last + 1 if beyond is None else beyond
    with pytest.raises(InputError, match=f"no design {design}; give a number from 1 to {last}"):
        stored.row(design)


def without_hash(folder):
    """As results of before the hash of the inputs was kept."""
    record = json.loads((folder / "run.json").read_text("utf-8"))
    del record["inputs_hash"]
    (folder / "run.json").write_text(json.dumps(record), "utf-8")


@pytest.mark.parametrize("dear", [0, 1])
def test_racks_of_one_price_are_not_compared_by_it(copy, dear, tmp_path):
    """Prices are read from the copy of the catalogue; which of the two wins does not matter."""
    path = copy / "inputs" / "catalogue.csv"
    lines = path.read_text("utf-8").splitlines()
    header = next(line for line in lines if line.startswith("name,")).split(",")
    for index, line in enumerate(lines):
        cells = line.split(",")
        if cells[0] in RACKS[:2]:
            cells[header.index("price")] = "100"
            lines[index] = ",".join(cells)
    first, second = (i for i, line in enumerate(lines) if line.split(",")[0] in RACKS[:2])
    if dear:
        lines[first], lines[second] = lines[second], lines[first]
    path.write_text("\n".join(lines) + "\n", "utf-8")
    without_hash(copy)
    with (
        mock.patch.object(output, "figures", return_value={}),
        mock.patch.object(StoredRun, "check"),
    ):
        code, _, err = run_here("report", copy, cwd=tmp_path)
    assert (code, err) == (0, "")
    page = (copy / "report.html").read_text("utf-8")
    assert not re.search(r"\b100 against 100\b", page)


# --- what was changed after the run --------------------------------------------------------------


def a_ball_joint_moved(folder):
    path = folder / "inputs" / "hardpoints.csv"
    text, found = re.subn(
        r"(?m)^(upper_ball_joint,)([^,]*)", lambda m: f"{m[1]}{float(m[2]) + 1.0:g}",
        path.read_text("utf-8"),
    )  # fmt: skip
    assert found
    path.write_text(text, "utf-8")


def a_limit_loosened(folder):
    path = folder / "inputs" / "study.toml"
    text = path.read_text("utf-8")
    text, found = re.subn(r"(?m)^spacer_max_mm *= *\S+", "spacer_max_mm = 77", text)
    assert found
    path.write_text(text, "utf-8")


@pytest.mark.parametrize("change", [a_ball_joint_moved, a_limit_loosened])
def test_inputs_that_say_something_else_are_refused(copy, change):
    change(copy)
    with pytest.raises(InputError, match="does not say any more what this run answered"):
        read_results(copy)


def test_inputs_that_say_the_same_are_as_good(copy):
    """What was understood counts, not the bytes; and results of before the hash have none."""
    path = copy / "inputs" / "hardpoints.csv"
    path.write_text("# measured again, the same\n" + path.read_text("utf-8"), "utf-8")
    path = copy / "inputs" / "study.toml"
    path.write_text(path.read_text("utf-8") + "\n# looked at in the morning\n", "utf-8")
    assert read_results(copy).record["inputs_hash"]
    a_ball_joint_moved(copy)
    without_hash(copy)
    with pytest.raises(InputError, match=r"trials\.csv, design \d+: says .* and computed it is"):
        read_results(copy)


def typed_over(folder, row, **cells):
    path = folder / "trials.csv"
    table = pd.read_csv(path, comment="#", dtype=str, keep_default_na=False)
    for name, value in cells.items():
        table.loc[row, name] = value
    table.to_csv(path, index=False)


def test_numbers_typed_over_make_no_other_winner(copy):
    stored = read_results(copy)
    rows = set(range(len(stored.trials))) - set(stored.result.front.tolist())
    row = max(rows & set(np.flatnonzero(stored.result.evaluation.feasible).tolist()))
    typed_over(copy, row, bump_steer_deg="1e-7", ackermann_error_deg="1e-7")
    with pytest.raises(InputError, match=f"design {row + 1}: says bump_steer_deg 1e-07, and comp"):
        read_results(copy)


def without_sums(folder):
    """As results of before the sums of the columns were kept."""
    record = json.loads((folder / "run.json").read_text("utf-8"))
    del record["trials_sums"]
    (folder / "run.json").write_text(json.dumps(record), "utf-8")


def test_a_winner_made_worse_lets_no_other_win(copy):
    """It is not among the designs that are shown any more, and they are what they say."""
    winner = read_results(copy).result.winner
    typed_over(copy, winner, bump_steer_deg="4.5", ackermann_error_deg="9.5")
    with pytest.raises(InputError, match=r"column \S+ has other numbers than the run wrote"):
        read_results(copy)


def test_fifteen_digits_are_the_same_numbers(copy):
    path = copy / "trials.csv"
    table = pd.read_csv(path, comment="#")
    table.to_csv(path, index=False, float_format="%.15g")
    assert read_results(copy).result.winner is not None


def test_a_design_is_evaluated_again_when_it_is_asked_for(copy):
    """In a result without sums one that nobody is shown may be wrong until then."""
    stored = read_results(copy)
    bump = stored.result.evaluation.objectives[:, 0]
    row = int(np.nanargmax(np.where(stored.result.evaluation.assembles, bump, np.nan)))
    typed_over(copy, row, bump_steer_deg=str(bump[row] + 0.5))
    without_sums(copy)
    stored = read_results(copy)
    with pytest.raises(InputError, match=f"design {row + 1}: says bump_steer_deg"):
        choose(stored, row + 1, None)
