"""Valid studies at random, and every command of the program on them.

Nothing in a study made here is wrong: what it asks may well have no answer.
"""

from __future__ import annotations

import csv
import html
import io
import math
import random
import re
from typing import TYPE_CHECKING, Any

import numpy as np
from references.corners import CORNERS
from small_study import run_here

from optimiser.folder.read import read_results
from optimiser.linkage.hardpoints import CadFrame, read_hardpoints
from optimiser.linkage.racks import COLUMNS, PLUS_MINUS
from optimiser.metrics.kinematic import bump_steer

if TYPE_CHECKING:
    from pathlib import Path

    from optimiser.folder.read import StoredRun

UNITS = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4}
NAMES = ("Linnet", 'a #1; 2"', "=Sum", "größte", "[red]", "x" * 60, "$p_1^2$", "-5", "'=1", "#3")
_SAME_DEG = 1e-7
_NOT_A_NUMBER = re.compile(r"(?<![\w-])[-+]?(?:nan|inf|infinity)(?![\w-])", re.IGNORECASE)


class RandomStudy:
    """One study: FOLDER/study.toml, its points and its racks, all decided by the seed."""

    def __init__(self, folder: Path, seed: int) -> None:
        self.rng = random.Random(seed)
        self.rng_ride = random.Random(f"ride {seed}")
        self.rng_give = random.Random(f"give {seed}")
        self.rng_wants = random.Random(f"wants {seed}")
        self.rng_moving = random.Random(f"moving {seed}")
        self.folder = folder
        self.path = folder / "study.toml"
        folder.mkdir(parents=True)
        self._corner()
        self.frame = CadFrame(*self._axes(), tuple(self._round(-800, 800) for _ in range(3)))
        self.unit = self.rng.choice(["mm", "mm", "cm", "m", "in"])
        self._write_points()
        self.kept = self.rng.random() < 0.15
        self.racks = self._write_racks()
        self.path.write_text(self._with_moving(self._toml()), "utf-8")

    # --- small change ----------------------------------------------------------------------------

    def _round(self, low: float, high: float, digits: int = 1) -> float:
        return round(self.rng.uniform(low, high), digits)

    def _maybe(self, chance: float, text: str) -> str:
        return f"{text}\n" if self.rng.random() < chance else ""

    # --- the car ---------------------------------------------------------------------------------

    def _corner(self) -> None:
        """A corner of the references, larger or smaller, each point elsewhere by some mm."""
        base = CORNERS[self.rng.choice(list(CORNERS))]["points"]
        size = self.rng.uniform(0.8, 1.25)
        self.points = {
            name: [round(size * value + self.rng.uniform(-8, 8), 2) for value in at]
            for name, at in base.items()
        }
        self.size = size

    def _axes(self) -> tuple[str, str, str]:
        while True:
            order = self.rng.sample("xyz", 3)
            signs = [self.rng.choice("+-") for _ in range(3)]
            words = tuple(sign + axis for sign, axis in zip(signs, order, strict=True))
            rows = [[(w[0] + "1") if axis in w else "0" for axis in "xyz"] for w in words]
            if np.linalg.det(np.array(rows, float)) > 0.0:
                return words

    def _cad(self, point: Any) -> list[float]:
        return [round(float(v), 3) for v in self.frame.to_cad(np.array(point, float))]

    def _write_points(self) -> None:
        self.names = {}
        if self.rng.random() < 0.3:
            self.names = {name: f"P{n}" for n, name in enumerate(self.points)}
        columns = ["x_mm", "y_mm", "z_mm"] if self.unit == "mm" else list("xyz")
        lines = [",".join(["name", *columns])]
        for name, at in self.points.items():
            values = (v / UNITS[self.unit] for v in self._cad(at))
            lines.append(",".join([self.names.get(name, name), *(f"{v:.7f}" for v in values)]))
        if self.rng.random() < 0.3:
            lines = [line.replace(",", ";").replace(".", ",") for line in lines]
        end = self.rng.choice(["\n", "\r\n"])
        (self.folder / "points.csv").write_bytes((end.join(lines) + end).encode("utf-8"))

    def _write_racks(self) -> list[str]:
        spacing = 2.0 * self.points["inner_joint"][1]
        names = self.rng.sample(NAMES, self.rng.randint(1, 3))
        rows = []
        for name in names:
            row: dict[str, Any] = {
                "name": name,
                "inner_joint_spacing_mm": self._round(spacing - 70, spacing + 30),
                "travel_mm": self._round(90, 190),
                "turns": self._round(2, 4),
                "mass_kg": self._round(3, 9),
                "price": self.rng.choice([0, 99.5, 240, 1e5]),
                "made_for": self.rng.choice(["ahead", "behind"]),
                "pinion_side": self.rng.choice(["left", "right"]),
                "housing_length_mm": self._round(spacing - 250, spacing - 60),
                "housing_diameter_mm": self._round(35, 60),
                "tie_rod_length_mm": self._round(220, 380),
                "tie_rod_adjustment_mm": self._round(5, 30),
                "tie_rod_diameter_mm": self._round(12, 20),
                "tie_rod_mass_kg": self._round(0.4, 1.2),
                "joint_limit_deg": self._round(20, 40),
                "pinion_offset_mm": self.rng.choice([0, self._round(20, 180)]),
                "pinion_length_mm": self._round(40, 120),
                "pinion_diameter_mm": self._round(40, 90),
                "pinion_angle_deg": self._round(-180, 180),
            }
            for column in (one for one in COLUMNS[3:] if one not in PLUS_MINUS):
                if self.rng.random() < 0.3 and not (self.kept and column == "tie_rod_length_mm"):
                    row[column] = ""
            for column in PLUS_MINUS:
                row[column] = self.rng_ride.choice(["", "", 0, 2.5, 30])
            rows.append(row)
        out = io.StringIO()
        writer = csv.DictWriter(out, COLUMNS)
        writer.writeheader()
        writer.writerows(rows)
        (self.folder / "racks.csv").write_text(out.getvalue(), "utf-8")
        return names

    # --- the question ----------------------------------------------------------------------------

    def _toml(self) -> str:
        rng, frame, at = self.rng, self.frame, self.points["wheel_centre"]
        loads, rods = rng.random() < 0.4, rng.random() < 0.5
        tolerance = rng.random() < 0.25
        names = "".join(f'{ours} = "{theirs}"\n' for ours, theirs in self.names.items())
        parts = [
            f'title = "study of {self.size:.3f}"\nseed = {rng.randrange(1000)}\n',
            f'[frame]\nforward = "{frame.forward}"\nleft = "{frame.left}"\nup = "{frame.up}"\n'
            f"ground_origin_mm = {list(frame.ground_origin_mm)}\n",
            f'[hardpoints]\nfile = "points.csv"\nunit = "{self.unit}"\n',
            f"[hardpoints.names]\n{names}" if names else "",
            f"[car]\nwheelbase_mm = {self._round(1800, 3000)}\nloaded_radius_mm = {at[2]}\n"
            f"static_toe_in_deg = {self._round(-0.4, 0.4, 2)}\n"
            f"static_camber_deg = {self._round(-3, 1, 2)}\n",
            self._maybe(0.6, f'drive_side = "{rng.choice(["left", "right"])}"'),
            f"front_axle_load_n = {self._round(2000, 9000)}\n" if loads else "",
            self._maybe(0.5, f"tyre_width_mm = {self._round(120, 260)}"),
            "ride_heights_mm = [-20, 0, 12.5]\n" if self.rng_ride.random() < 0.3 else "",
            "roll_angles_deg = [0.5, 1]\n" if self.rng_ride.random() < 0.3 else "",
            f"[travel]\nbump_mm = {self._round(20, 80)}\ndroop_mm = {self._round(20, 80)}\n"
            f"step_mm = {rng.choice([5, 7.5, 10, 20])}\n",
            f"[steering]\ninner_lock_deg = {self._round(18, 42)}\n"
            + self._wishes(self._round(-0.3, 1.2, 2), rng.choice([0.03, 0.1, 0.5]))
            + f"acceptable_ackermann_error_deg = {rng.choice([0.3, 1, 3])}\n",
            self._maybe(0.3, 'stops = "lock"'),
            "acceptable_part_lock_bump_steer_deg = 0.8\n" if self.rng_ride.random() < 0.3 else "",
            "keep_tie_rods = true\n" if self.kept else "",
            '[racks]\ncatalogue = "racks.csv"\n',
            self._search(),
            self._objectives(loads, tolerance),
            self._limits(),
            *(self._keep_out(n) for n in range(rng.choice([0, 0, 1, 2, 4]))),
            self._maybe(
                0.3,
                f"[wheel]\nrim_inside_radius_mm = {self._round(140, 210)}\n"
                f"rim_inner_width_mm = {self._round(100, 200)}\n"
                f"rim_offset_mm = {self._round(-30, 30)}",
            ),
            f"[tie_rod]\ndiameter_mm = {self._round(12, 22)}\n" if rods else "",
            self._maybe(0.5 * rods, f"wall_mm = {self._round(1, 4)}"),
            self._maybe(0.3, f"[spacer]\ndiameter_mm = {self._round(18, 30)}"),
            self._maybe(
                0.4,
                f"[arms]\ntube_diameter_mm = {self._round(18, 35)}\n"
                f"outer_bolt = {rng.choice(['[0.1, -0.2, 1.0]', chr(34) + 'vertical' + chr(34)])}",
            ),
            f"[loads]\ntyre_pressure_kpa = {self._round(120, 260)}\n" if loads else "",
            self._maybe(0.5 * loads, f"lateral_load_n = {self._round(0, 9000)}"),
            self._more_loads() if loads else "",
            self._giving(),
            f"[tolerance]\nbracket_mm = {rng.choice([0, 0.5, 2])}\nsamples = 16\n"
            f'distribution = "{rng.choice(["rectangular", "normal"])}"\n'
            if tolerance
            else "",
            self._variants(),
        ]
        return "\n".join(filter(None, parts))

    def _some(self, share: float, *lines: str) -> str:
        """Each of the lines by this share; of numbers of their own, so that others stay."""
        return "".join(f"{line}\n" for line in lines if self.rng_give.random() < share)

    def _more_loads(self) -> str:
        """The rest of [loads], and the spring that needs it."""
        text = self._some(
            0.3, "friction_at_rack_n = 70", "braking_load_n = 3000", "kerb_load_n = 2500"
        )
        if self.rng_give.random() < 0.4:
            part = self.rng_give.choice(["lower_arm", "upper_arm", "upright"])
            ends = {
                "lower_arm": np.add(self.points["lower_ball_joint"], [0.0, -90.0, 0.0]),
                "upper_arm": np.add(self.points["upper_ball_joint"], [0.0, -60.0, 0.0]),
                "upright": np.add(self.points["wheel_centre"], [0.0, -40.0, 0.0]),
            }
            arm, body = (
                self.frame.to_cad(ends[part] + [0.0, -up / 5.0, up]).round(2).tolist()
                for up in (0.0, 250.0)
            )
            text += f'[spring]\narm_point_mm = {arm}\nbody_point_mm = {body}\non = "{part}"\n'
        return text

    def _giving(self) -> str:
        """Stiffness and play, now and then."""
        text = ""
        if self.rng_give.random() < 0.4:
            text += "[stiffness]\n" + self._some(
                0.5,
                "rack_mount_n_per_mm = 4000",
                "lower_bush_n_per_mm = 2000\nlower_bush_axial_n_per_mm = 800",
                "upper_bush_n_per_mm = 1500\nupper_bush_axial_n_per_mm = 500",
                "bracket_n_per_mm = 20000",
                "ball_joint_n_per_mm = 30000",
                "rod_end_n_per_mm = 25000",
                "column_nm_per_deg = 12",
            )
        if self.rng_give.random() < 0.4:
            text += "[play]\n" + self._some(
                0.5,
                "inner_joint_mm = 0.1",
                "outer_joint_mm = 0.05",
                "rack_mm = 0.2",
                "column_deg = 1",
            )
        return text

    def _search(self) -> str:
        rack, outer = self.points["inner_joint"], self.points["outer_joint"]
        lower, upper = self.points["lower_ball_joint"][2], self.points["upper_ball_joint"][2]

        def choice(value: float, reach: float, words: tuple[str, ...]) -> str:
            low, high = sorted(self._round(value - reach, value + reach) for _ in range(2))
            stock = sorted({round(low), round(high), round(value)})
            kinds = [f"{{from = {low}, to = {high}}}"] * 3 if high > low else []
            kinds += [str(stock), f"{round(value)}", *(f'"{word}"' for word in words)]
            return self.rng.choice(kinds)

        drawn = ("as drawn",)
        spacer = ["0", "[0, 10, 20]", "{from = 0, to = 45}", "[7.5]"]
        return (
            "[search]\ntrials = 40\npopulation = 10\n"
            + self._maybe(0.3, 'prefer = "best"')
            + self._maybe(0.2, "repeats = 2")
            + self._maybe(0.2, "refine = false")
            + self._maybe(0.1, "seeds = false")
            + f"[search.vary]\nrack_height_mm = {choice(rack[2], 60, drawn)}\n"
            f"rack_fore_aft_mm = {choice(rack[0], 30, drawn)}\n"
            f"spacer_mm = {self.rng.choice(spacer)}\n"
            f"arm_height_mm = {choice(0.5 * (lower + upper), 80, (*drawn, 'follows rack'))}\n"
            + self._maybe(0.6, f"arm_length_mm = {choice(max(abs(outer[0]), 60), 20, drawn)}")
            + self._maybe(0.5, f"arm_angle_deg = {choice(0, 12, drawn)}")
        )

    def _objectives(self, loads: bool, tolerance: bool) -> str:
        rng = self.rng
        if rng.random() < 0.5:
            return ""
        words = ["largest", "rms"] + (["with tolerances"] if tolerance else [])
        also = ["part_lock_bump_steer_deg"] + (["tie_rod_force_n"] if loads else [])
        also = rng.sample(also, rng.randint(0, len(also)))
        return (
            f'[objectives]\nbump_steer = "{rng.choice(words)}"\n'
            f'ackermann_error = "{rng.choice(words)}"\nalso = {also}\n'.replace("'", '"')
        )

    def _limits(self) -> str:
        rng = self.rng
        text = "[limits]\n"
        for name, low, high in (
            ("toggle_margin_deg", 5, 35),
            ("inner_joint_angle_deg", 15, 40),
            ("outer_joint_angle_deg", 15, 60),
            ("clearance_mm", 0, 12),
        ):
            value = '"off"' if rng.random() < 0.3 else self._round(low, high)
            text += self._maybe(0.5, f"{name} = {value}")
        text += self._maybe(0.5 * self.kept, f"track_growth_mm = {self._round(5, 200)}")
        return text

    def _keep_out(self, number: int) -> str:
        low = [self._round(-250, 200), self._round(-350, 300), self._round(60, 420)]
        high = [v + self._round(20, 200) for v in low]
        capsule = self.rng.random() < 0.5
        return (
            f'[[keep_out]]\nname = "part {number}"\nkind = "{"capsule" if capsule else "box"}"\n'
            f"from_mm = {self._cad(low)}\nto_mm = {self._cad(high)}\n"
            + (f"radius_mm = {self._round(5, 40)}\n" if capsule else "")
            + self._maybe(0.3, "mirror = true")
        )

    def _with_moving(self, text: str) -> str:
        """Parts that move, a frame, a tyre and collars, by their own dice."""
        rng = self.rng_moving
        if rng.random() < 0.6:
            return text
        parts = "".join(self._moving_part(number) for number in range(rng.choice([0, 1, 1, 3])))
        if rng.random() < 0.3:
            self._write_frame(rng.choice([1, 5, 40]))
            parts += '[[keep_out]]\nfile = "frame.csv"\n'
        text = (
            text.replace("[[variant]]", f"{parts}[[variant]]", 1)
            if "[[variant]]" in text
            else (f"{text}\n{parts}")
        )
        if rng.random() < 0.7 and "[wheel]\n" in text:
            across = max(460.0, round(2.04 * self.points["wheel_centre"][2], 1))
            tyre = (
                f"[wheel]\ntyre_diameter_mm = {across}\ntyre_shoulder_mm = {rng.choice([0, 20])}\n"
            )
            text = text.replace("[wheel]\n", tyre, 1)
            if "tyre_width_mm" not in text:
                text = text.replace("[car]\n", "[car]\ntyre_width_mm = 185\n", 1)
        if rng.random() < 0.3:
            text = text.replace('stops = "lock"\n', "")
            text = text.replace("[steering]\n", '[steering]\nstops = "collars"\n', 1)
        return text

    def _moving_part(self, number: int) -> str:
        rng = self.rng_moving
        ends = [
            [round(rng.uniform(*span), 1) for span in ((-250, 250), (150, 620), (60, 420))]
            for _ in range(2)
        ]
        bodies = ["body", "lower_arm", "upper_arm", "upright", "rack"]
        kind = rng.choice(["box", "capsule", "cylinder", "between"])
        text = f'[[keep_out]]\nname = "moving {number}"\n'
        text += f"from_mm = {self._cad(ends[0])}\nto_mm = {self._cad(ends[1])}\n"
        if kind == "between":
            one, other = rng.sample(bodies, 2)
            text += f'kind = "capsule"\nfrom_on = "{one}"\nto_on = "{other}"\n'
            text += rng.choice(["", f"length_mm = {rng.randint(20, 300)}\n"])
        else:
            text += f'kind = "{kind}"\non = "{rng.choice(bodies[1:])}"\n'
        return text + ("" if kind == "box" else f"radius_mm = {rng.randint(4, 60)}\n")

    def _write_frame(self, count: int) -> None:
        rng, rows = self.rng_moving, ["name,x1_mm,y1_mm,z1_mm,x2_mm,y2_mm,z2_mm,diameter_mm"]
        for number in range(count):
            start = [rng.uniform(-400, 600), rng.uniform(-400, 400), rng.uniform(60, 700)]
            end = [value + rng.uniform(-200, 200) for value in start]
            cells = (*self._cad(start), *self._cad(end), rng.choice([19, 25.4]))
            rows.append(f"{number}," + ",".join(map(str, cells)))
        (self.folder / "frame.csv").write_text("\n".join(rows), "utf-8")

    def _wishes(self, target: float, accepted: float) -> str:
        """What is wanted of the wheels, and how nearly; their own dice, the rest stays as it is."""
        text = f"ackermann_target = {target}\n"
        if self.rng_wants.random() < 0.25:
            rows = "".join(f"{inner},{inner - 2e-3 * inner**2}\n" for inner in range(10, 61, 10))
            (self.folder / "angles.csv").write_text(f"inner_deg,outer_deg\n{rows}", "utf-8")
            text = 'wanted_outer = "angles.csv"\n'
        toe = self.rng_wants.choice(["stay", "stay", "gradient", "curve"])
        if toe == "gradient":
            text += f"wanted_toe_gradient_deg_per_m = {self.rng_wants.choice([-2, 1.5])}\n"
        elif toe == "curve":
            rows = "".join(f"{at},{-1e-3 * at - 2e-5 * at**2}\n" for at in range(-80, 81, 20))
            (self.folder / "toe.csv").write_text(f"travel_mm,toe_in_change_deg\n{rows}", "utf-8")
            text += 'wanted_toe = "toe.csv"\n'
        if self.rng_wants.random() < 0.25:
            return f"{text}acceptable_bump_steer_deg = [[12, {accepted / 3}], [80, {accepted}]]\n"
        return f"{text}acceptable_bump_steer_deg = {accepted}\n"

    def _variants(self) -> str:
        if self.rng.random() < 0.8:
            return ""
        return (
            '[[variant]]\nname = "long & low"\n[variant.car]\nwheelbase_mm = 3100\n'
            '[[variant]]\nname = "grid"\n[variant.grid]\nsteering.ackermann_target = [0, 1]\n'
        )


# --- every command -------------------------------------------------------------------------------


def check_everything(study: RandomStudy) -> str:
    """Run the commands of a study and look at what they say and write; what came of it, a word.

    Raises:
        AssertionError: a number that is none is shown, an exit code or a file is not what it
            should be, or the winner's points do not do what is said of them. What else is raised
            would have been a traceback.
    """
    here = study.folder
    code, _, err = _run(study, "check", study.path)
    if code == 2:
        return _refused(err)
    _run(study, "curves", study.path, "--rack=-30:30:30")
    _run(study, "check", study.path, "--numbers", here / "numbers.csv")
    quick = [] if "seeds = false" in study.path.read_text("utf-8") else ["--quick"]
    code, _, err = _run(study, "run", study.path, *quick, "--workers", 1, "--out", here / "out")
    if code == 2:
        return _refused(err)
    _run(study, "heights", study.path, "--rack", study.racks[0], "--step", 40, "--out", here / "h")
    words = set()
    for record in sorted((here / "out").rglob("run.json")):
        stored = read_results(record.parent)
        words.add(_commands_of_a_result(study, stored))
    _look_at_files(here)
    return " and ".join(sorted(words)) or "nothing to write"


def _commands_of_a_result(study: RandomStudy, stored: StoredRun) -> str:
    folder, result = stored.folder, stored.result
    row = result.nearest if result.winner is None else result.winner
    _run(study, "pick", folder)
    if row is None:
        return "nothing assembles"
    _run(study, "pick", folder, "--design", row + 1, "--no-pictures")
    _run(study, "pick", folder, "--no-pictures", "--at", "rack_height_mm+=3", "spacer_mm=5")
    for kind in ("csv", "dxf", "step"):
        _run(study, "export", folder, "--to", kind, "--design", row + 1)
    _run(study, "report", folder)
    if result.winner is None:
        return "nothing within limits"
    _check_points(study, stored)
    return "acceptable" if result.acceptable else "not acceptable"


def _run(study: RandomStudy, *arguments: object) -> tuple[int, str, str]:
    code, out, err = run_here(*arguments, cwd=study.folder)
    assert code in (0, 1, 2), (arguments, code)
    if code == 2:
        lines = err.splitlines()
        assert len(lines) == 1, (arguments, err)
        assert lines[0].startswith("optimiser: "), (arguments, err)
    for text in (out, err):
        assert not (found := _NOT_A_NUMBER.search(text)), (arguments, _around(text, found))
    return code, out, err


def _refused(err: str) -> str:
    return "refused: " + err.strip().split(": ", 2)[-1].split(";")[0]


def _around(text: str, found: re.Match[str]) -> str:
    return text[max(0, found.start() - 120) : found.end() + 60]


def _check_points(study: RandomStudy, stored: StoredRun) -> None:
    """The winner's points, read back from their file, have the bump steer that is said of them."""
    result = stored.result
    points = read_hardpoints(stored.folder / "hardpoints.csv", study.frame)
    problem = result.problem
    again = bump_steer(
        points, problem.travel.grid(), problem.car.attitude, wanted=problem.steering.wanted_toe
    )
    said = float(result.evaluation.metrics["bump_steer_deg"][result.winner])
    found = math.degrees(float(again.largest))
    assert abs(found - said) < _SAME_DEG, ("bump steer", said, found)


def _look_at_files(folder: Path) -> None:
    """No table, report, figure or record shows a number that is none."""
    for path in folder.rglob("*"):
        if path.suffix in (".csv", ".html", ".svg", ".json", ".dxf", ".step"):
            text = path.read_text("utf-8")
            if path.suffix == ".html":
                text = html.unescape(re.sub(r"<style>.*?</style>", "", text, flags=re.DOTALL))
            assert not (found := _NOT_A_NUMBER.search(text)), (path.name, _around(text, found))
