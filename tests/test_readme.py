"""What the README promises: its commands, its pictures, and nothing about the reader's machine."""

from __future__ import annotations

import re
import shlex

import pytest
from small_study import ROOT, run

README = (ROOT / "README.md").read_text("utf-8")
COMMANDS = [
    block.strip()
    for block in re.findall(r"```sh\n(.*?)```", README.split("## Before you rely")[0], re.DOTALL)
]


def test_two_commands_of_one_line_each_do_their_own_set_up():
    assert len(COMMANDS) == 2
    for command in COMMANDS:
        assert "\n" not in command
        steps = [shlex.split(step) for step in command.split("&&")]
        assert steps[0] == ["python3", "-m", "venv", ".venv"]
        assert steps[1][:2] == [".venv/bin/pip", "install"]
    assert COMMANDS[0].endswith("&& .venv/bin/optimiser run studies/demo.toml")


def test_the_checks_of_a_bare_machine_call_the_test_command():
    tests = COMMANDS[1].split("&&")[-1].strip()
    assert tests.startswith(".venv/bin/pytest")
    ci = (ROOT / ".ci" / "run").read_text("utf-8").splitlines()
    assert tests.removeprefix(".venv/bin/") in ci
    extras = re.search(r"\[(.*?)\]", COMMANDS[1])
    assert extras is not None
    assert any(f"[{extras.group(1)}]" in line for line in ci)


def test_the_main_command_works_on_the_demo(tmp_path):
    arguments = shlex.split(COMMANDS[0].split("&&")[-1])[1:]
    arguments[arguments.index("studies/demo.toml")] = str(ROOT / "studies" / "demo.toml")
    code, out, err = run(*arguments, "--trials", 40, cwd=tmp_path, timeout=300)
    assert code == 0, err
    for word in ("Chosen: ", "cheapest acceptable", "Sparrow", "not an approval"):
        assert word in out
    assert (tmp_path / "results" / "demo" / "report.html").is_file()


@pytest.mark.parametrize("picture", re.findall(r"!\[[^\]]+\]\(([^)]+)\)", README))
def test_every_picture_is_there(picture):
    assert (ROOT / picture).read_bytes().startswith(b"\x89PNG")


def test_the_example_run_belongs_to_the_demo_as_it_is():
    """The pictures are of a run of the very files in `studies`."""
    example = ROOT / "results" / "example" / "demo" / "inputs"
    for copy, original in (
        ("study.toml", "demo.toml"),
        ("hardpoints.csv", "demo_hardpoints.csv"),
        ("catalogue.csv", "demo_racks.csv"),
    ):
        assert (example / copy).read_bytes() == (ROOT / "studies" / original).read_bytes(), original


def test_the_cautions_come_before_the_results():
    assert README.index("## Before you rely on a number") < README.index("## What comes out")
    for word in ("weld", "positive stops", "thread engagement", "qualified person", "by hand"):
        assert word in README
