"""What the READMEs promise: commands, printed lines, links, pictures, cautions before results."""

from __future__ import annotations

import importlib
import io
import re
import shlex
import tomllib
from typing import TYPE_CHECKING

import numpy as np
import pytest
from examples.corner import ABOVE, BEHIND, corner_sketch
from examples.printed import DEMO, READMES, RESCUE, ROOT, Block, agree, between, blocks
from examples.tables import quantities_table
from rich.console import Console
from small_study import demo_with

from optimiser.answer.corner_numbers import corner_numbers
from optimiser.command.run_screen import rack_lines, rack_table
from optimiser.evaluation.bolting import IF_KNOWN
from optimiser.folder.read import read_results
from optimiser.linkage.hardpoints import POINT_NAMES
from optimiser.study.read import read_study

if TYPE_CHECKING:
    from pathlib import Path

PAGES = {name: (ROOT / name).read_text("utf-8") for name in (*READMES, "DEVELOPERS.md")}
README = PAGES["README.md"]
EXAMPLE = ROOT / "results" / "example"
TOP = README.split("## Before you rely")[0]
COMMANDS = [block.strip() for block in re.findall(r"```sh\n(.*?)```", TOP, re.DOTALL)]
BLOCKS = [block for name in READMES for block in blocks(PAGES[name])]
LINKS = [
    (name, target)
    for name, text in PAGES.items()
    for target in re.findall(r"\]\(([^)\s]+)\)", text)
    if not target.startswith(("http:", "https:"))
]


# --- commands ------------------------------------------------------------------------------------


def test_two_commands_of_one_line_each_do_their_own_set_up():
    assert len(COMMANDS) == 2
    for command in COMMANDS:
        assert "\n" not in command
        steps = [shlex.split(step) for step in command.split("&&")]
        assert steps[0] == ["python3", "-m", "venv", ".venv"]
        assert steps[1][:2] == [".venv/bin/pip", "install"]
    assert COMMANDS[0].endswith("&& .venv/bin/optimiser run studies/demo.toml")


def test_powershell_has_the_same_commands():
    (block,) = re.findall(r"```powershell\n(.*?)```", TOP, re.DOTALL)
    assert block.splitlines() == [in_powershell(command) for command in COMMANDS]


def in_powershell(command: str) -> str:
    """A command for a shell that has no && in its older versions and other paths."""
    windows = command.replace(".venv/bin/", ".venv\\Scripts\\").replace("studies/", "studies\\")
    first, *others = windows.split(" && ")
    steps = [first.replace("python3", "py"), *(f"if ($?) {{ {step} }}" for step in others)]
    return "; ".join(steps)


def test_the_checks_of_a_bare_machine_call_the_test_command():
    tests = COMMANDS[1].split("&&")[-1].strip()
    assert tests.startswith(".venv/bin/pytest")
    ci = (ROOT / ".ci" / "run").read_text("utf-8").splitlines()
    assert tests.removeprefix(".venv/bin/") in ci
    extras = re.search(r"\[(.*?)\]", COMMANDS[1])
    assert extras is not None
    assert any(f"[{extras.group(1)}]" in line for line in ci)


def test_the_main_command_works_on_the_demo(workshop):
    assert COMMANDS[0].endswith(f"/{DEMO}")
    out = workshop.printed(DEMO)
    for word in ("Chosen: ", "The best rack is Plover", "Sparrow", "not an approval"):
        assert word in out
    assert (workshop.folder / "results" / "demo" / "report.html").is_file()


# --- what is printed -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    "block", BLOCKS, ids=lambda block: f"{block.command}; {block.pieces[0][0]}"
)
def test_printed_blocks_are_what_the_commands_print(block, workshop):
    printed = block.cut(workshop.printed(block.command))
    assert agree(block.text, printed), printed


def test_the_story_and_the_rescue_are_printed_blocks():
    assert {block.command for block in BLOCKS} >= {DEMO, RESCUE}
    assert all(block.text for block in BLOCKS)
    # No other block shows numbers of a run that nobody compares.
    marked = sum(text.count("-->\n```text\n") for text in PAGES.values())
    assert marked == len(BLOCKS)


def test_blocks_agree_but_for_a_last_digit():
    assert agree("bump 0.89 at 12 mm\n", "bump 0.90\nat 11 mm\n")
    for other in ("bump 0.91 at 12 mm", "bump 0.890 at 12 mm", "bump 0.89 at 12 deg", "bump 0.89"):
        assert not agree("bump 0.89 at 12 mm", other)
    assert not agree("changed (+0.1)", "changed (the same)")
    block = Block("optimiser x", (("b", "c"), ("e", "e")), "")
    assert block.cut("a 1\n b 2 \n\nc 3\nd 4\n  e 5\n") == " b 2\n\nc 3\n  e 5\n"
    with pytest.raises(ValueError, match="no line that begins with 'e'"):
        block.cut("b\nc\n")


def test_what_the_story_says_of_the_car_as_drawn():
    study = read_study(ROOT / "studies" / "demo.toml")
    drawn = corner_numbers(study.problem(), study.points)
    bump, error = np.degrees([drawn.bump.largest, drawn.ackermann.largest])
    said = f"{bump:.2f} deg of bump steer over 60 mm of travel either way, {error:.1f} deg of Acker"
    assert said in " ".join(README.split())


# --- the kept example ----------------------------------------------------------------------------


def test_the_example_run_belongs_to_the_demo_as_it_is():
    """The pictures are of a run of the very files in `studies`."""
    example = EXAMPLE / "demo" / "inputs"
    for copy, original in (
        ("study.toml", "demo.toml"),
        ("hardpoints.csv", "demo_hardpoints.csv"),
        ("catalogue.csv", "demo_racks.csv"),
    ):
        assert (example / copy).read_bytes() == (ROOT / "studies" / original).read_bytes(), original


def test_the_example_is_the_run_that_the_story_tells():
    result = read_results(EXAMPLE / "demo").result
    console = Console(file=io.StringIO(), width=160)
    console.print(rack_table(result))
    for line in rack_lines(result):
        console.print(line, markup=False, highlight=False, soft_wrap=True)
    (block,) = (b for b in BLOCKS if b.command == DEMO and len(b.pieces) > 1)
    assert agree(block.text, block.cut(console.file.getvalue()))


def test_the_example_of_heights_is_the_one_that_is_told():
    (block,) = (block for block in BLOCKS if block.command == RESCUE)
    verdict = (EXAMPLE / "rescue-heights-Linnet" / "verdict.txt").read_text("utf-8")
    assert agree(block.text, block.cut(verdict))


# --- pages ---------------------------------------------------------------------------------------


def test_every_picture_is_there():
    pictures = [
        (ROOT / name).parent / target
        for name, text in PAGES.items()
        for target in re.findall(r"!\[[^\]]+\]\(([^)]+)\)", text)
    ]
    assert len(pictures) >= 6
    for picture in pictures:
        data = picture.read_bytes()
        assert data.startswith(b"\x89PNG") or data.endswith(b"</svg>\n"), picture


@pytest.mark.parametrize(("page", "target"), LINKS)
def test_every_link_leads_somewhere(page, target):
    path, _, anchor = target.partition("#")
    goal = ((ROOT / page).parent / path) if path else ROOT / page
    assert goal.exists()
    assert ROOT in goal.resolve().parents
    if anchor:
        assert anchor in anchors(goal.read_text("utf-8"))


def anchors(text: str) -> list[str]:
    """Anchors of the headings of a page, as code hosts make them (common practice, no source)."""
    plain = re.sub(r"^```.*?^```", "", text, flags=re.DOTALL | re.MULTILINE)
    heads = re.findall(r"^#+ (.+)$", plain, re.MULTILINE)
    return [re.sub(r"[^\w\- ]", "", head.lower()).replace(" ", "-") for head in heads]


def test_links_go_both_ways_between_the_pages():
    for page, others in {
        "README.md": ("studies/README.md", "results/README.md", "DEVELOPERS.md"),
        "studies/README.md": ("../results/README.md",),
        "results/README.md": ("../README.md",),
    }.items():
        for other in others:
            assert any(target.split("#")[0] == other for name, target in LINKS if name == page)


def test_the_map_names_every_module_of_every_room():
    rows = re.findall(r"^\| `(\w+)` \| ([^|]+) \|", PAGES["DEVELOPERS.md"], re.MULTILINE)
    found = {room: sorted(files.strip().split(", ")) for room, files in rows}
    rooms = [path.parent for path in (ROOT / "optimiser").glob("*/__init__.py")]
    assert found == {room.name: sorted(_contents(room)) for room in rooms}


def _contents(room: Path) -> list[str]:
    """Modules and folders of a room as the map has them."""
    inside = [path for path in room.iterdir() if not path.name.startswith("__")]
    return [f"{path.name}/" if path.is_dir() else path.stem for path in inside]


@pytest.mark.parametrize(
    "name", sorted(set(re.findall(r"`((?:\w+/)+[\w.]+)`", PAGES["DEVELOPERS.md"])))
)
def test_what_developers_are_shown_is_there(name):
    """`room/module.name` in the text is a file of that room, and the name is in it."""
    if (ROOT / name).is_file():
        return
    path, *attributes = name.removesuffix(".py").split(".")
    found = importlib.import_module(f"optimiser.{path.replace('/', '.')}")
    for attribute in attributes:
        found = getattr(found, attribute)


def test_the_readme_is_short():
    assert len(README.splitlines()) <= 300


def test_the_cautions_come_before_the_results():
    assert README.index("## Before you rely on a number") < README.index("## What comes out")
    for word in ("weld", "positive stops", "thread engagement", "qualified person", "by hand"):
        assert word in README


def test_the_sketch_names_every_point_in_both_views():
    assert set(ABOVE) == set(BEHIND) == set(POINT_NAMES)
    for axes in corner_sketch().axes:
        texts = [text.get_text() for text in axes.texts]
        assert set(POINT_NAMES) <= set(texts)
        assert len(texts) == len(set(texts))


def test_the_table_of_points_has_them_all():
    section = PAGES["studies/README.md"].split("## Hardpoints")[1].split("## Racks")[0]
    rows = re.findall(r"^\| (`.*?) \|", section, re.MULTILINE)
    assert sorted(name for row in rows for name in re.findall(r"`(\w+)`", row)) == sorted(
        POINT_NAMES
    )


def test_the_readme_of_results_holds_the_table_of_numbers():
    ((_, found, _),) = between("numbers").findall(PAGES["results/README.md"])
    assert found == quantities_table()


def example(section):
    """The one example of a study in a section of `studies/README.md`."""
    text = PAGES["studies/README.md"].split(f"\n## {section}\n")[1].split("\n## ")[0]
    (block,) = re.findall(r"```toml\n(.*?)```", text, re.DOTALL)
    assert isinstance(block, str)
    return block


def test_the_example_of_limits_and_wants_is_read(tmp_path):
    block = example("Limits and wants")
    study = demo_with(tmp_path, ('[[keep_out]]\nname = "pedal box"', f"{block}\n[[keep_out]]\n"
                                 'name = "pedal box"'))  # fmt: skip
    problem = study.problem()
    assert set(problem.bounds) - {*IF_KNOWN} == {*tomllib.loads(block)["limits"]["at_most"],
                                   *tomllib.loads(block)["limits"]["at_least"]}  # fmt: skip
    assert problem.objectives.accepted == (900.0, 4.0)


@pytest.mark.parametrize("key", ["wanted_toe", "wanted_toe_gradient_deg_per_m"])
def test_the_example_of_wishes_is_read(tmp_path, key):
    """With one of the two ways to want toe, as it says."""
    block = example("What is wanted of the wheels")
    wishes = [line for line in block.splitlines() if not re.match(r"wanted_toe\w* =", line)]
    wishes += [line for line in block.splitlines() if line.startswith(f"{key} =")]
    assert len(wishes) == 3
    for path in (ROOT / "studies").glob("demo*"):
        (tmp_path / path.name).write_bytes(path.read_bytes())
    (tmp_path / "toe.csv").write_text("travel_mm,toe_in_change_deg\n-60,0.1\n60,-0.1\n", "utf-8")
    (tmp_path / "angles.csv").write_text("inner_deg,outer_deg\n20,18\n34,29\n", "utf-8")
    path = tmp_path / "demo.toml"
    lines = path.read_text("utf-8").splitlines()
    taken = ("ackermann_target", "acceptable_bump_steer_deg")
    lines = [line for line in lines if not line.startswith(taken)]
    at = lines.index("[steering]") + 1
    path.write_text("\n".join([*lines[:at], *wishes, *lines[at:]]) + "\n", "utf-8")
    problem = read_study(path).problem()
    assert problem.acceptable[0] == pytest.approx(0.15)
    by = {"wanted_toe": 0.1, "wanted_toe_gradient_deg_per_m": 0.12}[key]
    assert np.degrees(problem.steering.wanted_toe.change(60.0)) == pytest.approx(-by)


def test_the_example_of_what_gives_way_is_read(tmp_path):
    block = example("What gives way, play, and where the spring stands")
    problem = demo_with(tmp_path, ("\n[tolerance]", f"\n{block}\n[tolerance]")).problem()
    assert problem.stiffness.rack_mount == 5000.0
    assert problem.play.column_deg == 0.5
    assert problem.spring.on == "lower_arm"


def test_the_example_of_parts_is_read(tmp_path):
    block = example("Parts to buy and to cut")
    parts = demo_with(tmp_path, ("\n[tolerance]", f"\n{block}\n[tolerance]")).file.parts
    assert parts.model_dump(exclude_none=True) == tomllib.loads(block)["parts"]


def test_the_example_of_variants_is_read(tmp_path):
    block = example("Variants")
    tomllib.loads(block)
    for path in (ROOT / "studies").glob("demo*"):
        (tmp_path / path.name).write_bytes(path.read_bytes())
    path = tmp_path / "demo.toml"
    path.write_text(path.read_text("utf-8") + block, "utf-8")
    cases = read_study(path).cases
    assert len(cases) == 4
    assert {case.file.limits.clearance_mm for case in cases} == {8}
    pairs = {(case.car.wheelbase_mm, case.file.steering.inner_lock_deg) for case in cases}
    assert pairs == {(w, lock) for w in (2200, 2300) for lock in (32, 36)}
