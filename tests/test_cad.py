"""Points and lines that go back to CAD, read by libraries of others and by the program itself."""

import builtins
import csv
import datetime
import re
from dataclasses import replace

import ezdxf
import numpy as np
import pytest
from one_run import write_study
from small_study import run_here

from optimiser.answer.corner_numbers import corner_numbers
from optimiser.answer.run_result import CAUTION
from optimiser.base.errors import InputError
from optimiser.evaluation.clearance.keep_outs import keep_outs
from optimiser.evaluation.designs import VARIABLES
from optimiser.folder.cad import dxf_text, make_drawing, parameters_text, step_text
from optimiser.folder.cad.dxf import APPLICATION
from optimiser.folder.cad.step import quoted
from optimiser.folder.export import check_format, export_design
from optimiser.linkage.hardpoints import read_hardpoints
from optimiser.study.read import read_study

WHEN = datetime.datetime(2026, 1, 2, 3, 4, 5, tzinfo=datetime.UTC)
SIDES = ("", "right_")


@pytest.fixture(scope="module")
def chosen(stored):
    result = stored.result
    return result.chosen(result.winner)


@pytest.fixture(scope="module")
def drawing(chosen):
    return make_drawing(chosen)


def expected_points(chosen):
    """Both sides in the CAD frame of `one_run`, by its own arithmetic: x back, y right, z up."""
    found = {}
    for side, sign in zip(SIDES, (1.0, -1.0), strict=True):
        for name, (x, y, z) in chosen.points.items():
            found[side + name] = (12.5 - x, -sign * y, z - 40.0)
    return found


def test_points_are_in_the_cad_frame(chosen, drawing):
    wanted = expected_points(chosen)
    assert set(drawing.points) == set(wanted)
    for name, at in wanted.items():
        np.testing.assert_allclose(drawing.points[name], at, atol=1e-12)


def test_lines_join_the_points(drawing):
    at, lines = drawing.points, {line.name: line.segments for line in drawing.lines}
    for side in SIDES:
        np.testing.assert_array_equal(
            lines[f"{side}tie_rod"], [[at[f"{side}inner_joint"], at[f"{side}outer_joint"]]]
        )
        np.testing.assert_array_equal(
            lines[f"{side}steering_axis"],
            [[at[f"{side}lower_ball_joint"], at[f"{side}upper_ball_joint"]]],
        )
        assert lines[f"{side}lower_arm"].shape == (2, 2, 3)
        foot, outer = lines[f"{side}steering_arm"][0]
        axis = at[f"{side}upper_ball_joint"] - at[f"{side}lower_ball_joint"]
        assert np.dot(outer - foot, axis) == pytest.approx(0.0, abs=1e-8)


def test_rack_and_spacers_make_up_the_distance_of_the_inner_joints(chosen, drawing):
    lines = {line.name: line.segments for line in drawing.lines}
    length = np.linalg.norm(np.diff(lines["rack"][0], axis=0))
    assert length == pytest.approx(chosen.rack.inner_joint_spacing_mm, abs=1e-9)
    spacer = float(chosen.design.column("spacer_mm")[0])
    drawn = np.linalg.norm(np.diff(lines["spacer"][0], axis=0)) if "spacer" in lines else 0.0
    assert drawn == pytest.approx(spacer, abs=1e-9)


def with_spacers(chosen, spacer_mm, toe_deg=0.3, camber_deg=-1.25):
    """The same design with other spacers and attitude at rest, through the problem itself."""
    attitude = replace(
        chosen.problem.car.attitude, toe_in=np.radians(toe_deg), camber=np.radians(camber_deg)
    )
    problem = replace(chosen.problem, car=replace(chosen.problem.car, attitude=attitude))
    free = {name: float(chosen.design.column(name)[0]) for name in VARIABLES}
    design = problem.designs([int(chosen.design.rack[0])], free | {"spacer_mm": spacer_mm})
    return replace(chosen, problem=problem, design=design, outcome=problem.evaluate(design))


@pytest.mark.parametrize("spacer", [0.0, 12.5])
def test_spacers_lie_between_the_ends_of_the_rack_and_the_inner_joints_on_both_sides(
    chosen, spacer
):
    """The bar of the bare rack is centred, along CAD y; each spacer reaches on outboard."""
    design = with_spacers(chosen, spacer)
    drawing = make_drawing(design)
    lines = {line.name: line for line in drawing.lines}
    half = 0.5 * design.rack.inner_joint_spacing_mm
    ends = lines["rack"].segments[0]
    # In the frame of `one_run` CAD y points to the right, so that the left end comes first.
    np.testing.assert_allclose(ends[:, 1], [-half, half], atol=1e-9)
    assert set(lines) >= {"tie_rod", "right_tie_rod"}
    assert ("spacer" in lines, "right_spacer" in lines) == (spacer > 0.0, spacer > 0.0)
    if not spacer:
        return
    for side, end, out in (("", ends[0], -1.0), ("right_", ends[1], 1.0)):
        (line,) = lines[f"{side}spacer"].segments
        np.testing.assert_allclose(line[0], end, atol=1e-9)
        np.testing.assert_allclose(line[1], drawing.points[f"{side}inner_joint"], atol=1e-9)
        np.testing.assert_allclose(line[1] - line[0], [0.0, out * spacer, 0.0], atol=1e-9)
        assert lines[f"{side}spacer"].kind == "spacers"


# --- DXF -----------------------------------------------------------------------------------------


def name_of(entity):
    return entity.get_xdata(APPLICATION)[0].value


def test_dxf_read_back_by_ezdxf(chosen, drawing, tmp_path):
    path = tmp_path / "a.dxf"
    path.write_text(dxf_text(drawing), "utf-8")
    document = ezdxf.readfile(path)
    assert document.dxfversion == "AC1024"  # R2010
    assert document.header["$INSUNITS"] == 4  # millimetres
    assert not document.audit().has_errors
    space = document.modelspace()
    wanted = expected_points(chosen)
    points = {name_of(e): e.dxf.location for e in space.query("POINT")}
    texts = {e.dxf.text: e.dxf.insert for e in space.query("TEXT[layer=='names']")}
    for found in (points, texts):
        assert set(found) == set(wanted)
        for name, at in wanted.items():
            np.testing.assert_allclose(tuple(found[name]), at, atol=1e-9)
    assert {e.dxf.layer for e in space.query("POINT")} == {"points"}
    by_layer = {}
    for line in space.query("LINE"):
        by_layer.setdefault(line.dxf.layer, set()).add(name_of(line))
    assert by_layer["tie rods"] == {"tie_rod", "right_tie_rod"}
    assert by_layer["rack"] == {"rack"}
    assert by_layer["keep-outs"] == {"<sump> & 'pan'", "chassis tube", "chassis tube, mirrored"}


def test_dxf_carries_title_and_caution_as_text_below_the_drawing(chosen, drawing, tmp_path):
    path = tmp_path / "a.dxf"
    path.write_text(dxf_text(drawing), "utf-8")
    notes = list(ezdxf.readfile(path).modelspace().query("TEXT[layer=='notes']"))
    assert " ".join(e.dxf.text for e in notes) == f"{chosen.title} {CAUTION}"
    heights = [e.dxf.insert.y for e in notes]
    assert heights == sorted(heights, reverse=True)
    assert heights[0] < min(at[1] for at in drawing.points.values())
    apart = -np.diff(heights)
    assert (apart > max(e.dxf.height for e in notes)).all()


def test_a_box_has_its_corners_in_the_cad_frame(drawing, tmp_path):
    path = tmp_path / "a.dxf"
    path.write_text(dxf_text(drawing), "utf-8")
    lines = [e for e in ezdxf.readfile(path).modelspace().query("LINE")]
    box = [e for e in lines if name_of(e) == "<sump> & 'pan'"]
    assert len(box) == 12
    ends = {tuple(np.round(tuple(p), 6)) for e in box for p in (e.dxf.start, e.dxf.end)}
    # The corners that `one_run` writes into the study.
    assert ends == {(x, y, z) for x in (222.5, 432.5) for y in (-160, 160) for z in (140, 380)}


def test_without_ezdxf_one_line_says_what_to_install(drawing, monkeypatch):
    real = builtins.__import__

    def missing(name, *rest):
        if name.startswith("ezdxf"):
            raise ImportError(name)
        return real(name, *rest)

    monkeypatch.setattr(builtins, "__import__", missing)
    with pytest.raises(InputError, match=r'needs ezdxf.*pip install "tierod-optimiser\[cad\]"'):
        dxf_text(drawing)


# --- STEP ----------------------------------------------------------------------------------------


def read_step(path):
    """Names and vertices (n, 3) of every component, by Open CASCADE."""
    from OCP.BRep import BRep_Tool
    from OCP.collections import Sequence_TDF_Label
    from OCP.IFSelect import IFSelect_RetDone
    from OCP.STEPCAFControl import STEPCAFControl_Reader
    from OCP.TCollection import TCollection_ExtendedString
    from OCP.TDataStd import TDataStd_Name
    from OCP.TDF import TDF_Label
    from OCP.TDocStd import TDocStd_Document
    from OCP.TopAbs import TopAbs_VERTEX
    from OCP.TopExp import TopExp_Explorer
    from OCP.TopoDS import TopoDS
    from OCP.XCAFDoc import XCAFDoc_DocumentTool, XCAFDoc_ShapeTool

    def name(label):
        found = TDataStd_Name()
        assert label.FindAttribute(TDataStd_Name.GetID_s(), found)
        return found.Get().ToExtString()

    def vertices(shape):
        explorer, found = TopExp_Explorer(shape, TopAbs_VERTEX), []
        while explorer.More():
            point = BRep_Tool.Pnt_s(TopoDS.Vertex(explorer.Current()))
            found.append((point.X(), point.Y(), point.Z()))
            explorer.Next()
        return np.array(found)

    document = TDocStd_Document(TCollection_ExtendedString("test"))
    reader = STEPCAFControl_Reader()
    reader.SetNameMode(True)
    assert reader.ReadFile(str(path)) == IFSelect_RetDone
    assert reader.Transfer(document)
    shapes = XCAFDoc_DocumentTool.ShapeTool_s(document.Main())
    free = Sequence_TDF_Label()
    shapes.GetFreeShapes(free)
    assert free.Length() == 1
    assembly, parts = free.Value(1), Sequence_TDF_Label()
    XCAFDoc_ShapeTool.GetComponents_s(assembly, parts)
    found = {}
    for index in range(1, parts.Length() + 1):
        label, product = parts.Value(index), TDF_Label()
        XCAFDoc_ShapeTool.GetReferredShape_s(label, product)
        assert name(label) == name(product)
        found[name(product)] = vertices(XCAFDoc_ShapeTool.GetShape_s(label))
    return name(assembly), found


def test_step_read_back_by_open_cascade(chosen, drawing, tmp_path):
    path = tmp_path / "a.step"
    path.write_text(step_text(drawing, "tierod-optimiser", WHEN), "ascii")
    title, found = read_step(path)
    assert title == chosen.title
    for name, at in expected_points(chosen).items():
        np.testing.assert_allclose(found[name], [at], atol=1e-9, err_msg=name)
    for line in drawing.lines:
        ends = found[line.name].reshape(-1, 2, 3)
        np.testing.assert_allclose(ends, line.segments, atol=1e-9, err_msg=line.name)
    assert set(found) == {*drawing.points, *(line.name for line in drawing.lines)}


def test_step_carries_the_caution_in_its_header_and_in_the_assembly(chosen, drawing):
    text = step_text(drawing, "tierod-optimiser", WHEN)
    title = quoted(chosen.title)
    assert f"FILE_DESCRIPTION(({title},{quoted(CAUTION)}),'2;1');" in text.split("DATA;")[0]
    assert f"=PRODUCT({title},{title},{quoted(CAUTION)},(" in text


def test_step_strings():
    """ISO 10303-21: ' and \\ doubled, \\X2\\ for other letters (value from memory)."""
    assert quoted("it's \\ here") == "'it''s \\\\ here'"
    assert quoted("\u00e9\u4e2d\U0001f697") == (
        "'\\X2\\00E9\\X0\\\\X2\\4E2D\\X0\\\\X4\\0001F697\\X0\\'"
    )
    assert quoted("a\nb") == "'a\\X2\\000A\\X0\\b'"


def test_step_has_a_point_in_every_real(drawing):
    text = step_text(drawing, "tierod-optimiser", WHEN)
    for triple in re.findall(r"CARTESIAN_POINT\('[^']*',\(([^)]*)\)\)", text):
        for number in triple.split(","):
            assert re.fullmatch(r"-?\d+\.\d*(E[+-]?\d+)?", number), number


# --- CSV -----------------------------------------------------------------------------------------


def test_parameters(chosen):
    lines = [line for line in parameters_text(chosen).splitlines() if not line.startswith("#")]
    rows = {row["name"]: (float(row["value"]), row["unit"]) for row in csv.DictReader(lines)}
    assert len(rows) == len(lines) - 1
    assert all(re.fullmatch(r"[a-z][a-z0-9_]*", name) for name in rows)
    # What people type: lengths to a ten-thousandth of a millimetre.
    assert rows["rack_height"] == (round(chosen.design.column("rack_height_mm")[0], 4), "mm")
    assert all(round(value, 4) == value for value, unit in rows.values() if unit == "mm")
    assert rows["arm_angle"][1] == "deg"
    assert rows["tie_rod_length"][0] == pytest.approx(
        np.linalg.norm(chosen.points.outer_joint - chosen.points.inner_joint), abs=5.1e-5
    )
    for name, at in expected_points(chosen).items():
        for axis, value in zip("xyz", at, strict=True):
            assert rows[f"{name}_{axis}"] == (pytest.approx(value, abs=5.1e-5), "mm")


def test_parameters_of_the_car_at_rest_are_in_degrees_and_of_the_rack_in_mm(chosen):
    design = with_spacers(chosen, 12.5, toe_deg=0.3, camber_deg=-1.25)
    lines = [line for line in parameters_text(design).splitlines() if not line.startswith("#")]
    rows = {row["name"]: (float(row["value"]), row["unit"]) for row in csv.DictReader(lines)}
    bare = design.rack.inner_joint_spacing_mm
    for name, value, unit in (
        ("static_toe_in", 0.3, "deg"),
        ("static_camber", -1.25, "deg"),
        ("spacer", 12.5, "mm"),
        ("rack_spacing_bare", bare, "mm"),
        ("inner_joint_spacing", bare + 25.0, "mm"),
        ("rack_travel_each_way", 0.5 * design.rack.travel_mm, "mm"),
        ("arm_angle", float(design.design.column("arm_angle_deg")[0]), "deg"),
    ):
        assert rows[name] == (pytest.approx(value, abs=1e-9), unit)


def test_what_is_exported_is_read_and_gives_the_same_numbers(chosen, tmp_path):
    points_file, _ = export_design(chosen, "csv", tmp_path)
    points = read_hardpoints(points_file, chosen.study.frame)
    for name, value in points.items():
        np.testing.assert_allclose(value, getattr(chosen.points, name), atol=1e-9)
    numbers = corner_numbers(chosen.problem, points)
    assert np.degrees(numbers.bump.largest) == pytest.approx(
        chosen.metric("bump_steer_deg"), abs=1e-9
    )
    assert np.degrees(numbers.bump.rms) == pytest.approx(
        chosen.metric("bump_steer_rms_deg"), abs=1e-9
    )
    assert abs(numbers.ackermann.rack_at_lock_mm) == pytest.approx(
        chosen.metric("rack_needed_mm"), abs=1e-9
    )


def test_check_reads_what_export_writes(chosen, tmp_path):
    path = write_study(tmp_path / "study")
    (points_file, _) = export_design(chosen, "csv", tmp_path / "out")
    (tmp_path / "study" / "hardpoints.csv").write_bytes(points_file.read_bytes())
    code, out, err = run_here("check", path, cwd=tmp_path)
    assert (code, err) == (0, "")
    assert f"{chosen.metric('bump_steer_deg'):.3f} deg" in out


# --- from CAD ------------------------------------------------------------------------------------


def test_points_as_cad_writes_them(chosen, tmp_path):
    """Semicolons, decimal commas, a byte-order mark, CRLF, spaces, metres, and other names."""
    path = write_study(tmp_path / "study")
    plain, frame = read_study(path).points, chosen.study.frame
    text = path.read_text("utf-8").replace(
        'file = "hardpoints.csv"',
        'file = "from cad.csv"\nunit = "m"\nnames = { wheel_centre = "WC_L", inner_joint = "A1" }',
    )
    path.write_text(text, "utf-8")
    called = {"wheel_centre": "WC_L", "inner_joint": "A1"}
    lines = ["# written by a drawing program", " name ; x ; y ; z "]
    for name, at in plain.items():
        cells = [f"{value / 1000.0!r}".replace(".", ",") for value in frame.to_cad(at).tolist()]
        lines.append(" ; ".join([called.get(name, name), *cells]) + " ")
    (tmp_path / "study" / "from cad.csv").write_bytes(
        b"\xef\xbb\xbf" + "\r\n".join(lines).encode() + b"\r\n"
    )
    for name, at in read_study(path).points.items():
        np.testing.assert_allclose(at, getattr(plain, name), atol=1e-9, err_msg=name)
    # As a person sees it: the whole command understands the file.
    code, _, err = run_here("check", path, cwd=tmp_path)
    assert (code, err) == (0, "")


# --- the command ---------------------------------------------------------------------------------


def test_unknown_format():
    with pytest.raises(InputError, match="'iges' is no format; write one of csv, dxf, step"):
        check_format("iges")


def test_command(finished_run, tmp_path):
    folder, result = finished_run
    for to, names in (
        ("csv", ("hardpoints.csv", "parameters.csv")),
        ("dxf", (".dxf",)),
        ("step", (".step",)),
    ):
        code, out, err = run_here(
            "export", folder, "--to", to, "--out", tmp_path / to, cwd=tmp_path
        )
        assert (code, err) == (0, "")
        title, *written, caution = out.splitlines()
        assert title == result.chosen(result.winner).title
        assert caution == CAUTION
        assert len(written) == len(names)
        for name in names:
            (path,) = (tmp_path / to).glob(f"design-{result.winner + 1}*{name}")
            assert path.stat().st_size > 500
    code, _, err = run_here("export", folder, "--to", "iges", cwd=tmp_path)
    assert code == 2
    assert "is no format" in err


def test_a_design_that_breaks_a_limit_is_exported_with_a_word(finished_run, tmp_path):
    folder, result = finished_run
    broken = int(np.flatnonzero(result.evaluation.assembles & ~result.evaluation.feasible)[0])
    arguments = ("--to", "dxf", "--design", broken + 1, "--out", tmp_path)
    code, out, _ = run_here("export", folder, *arguments, cwd=tmp_path)
    assert code == 0
    assert f"note that this design {result.evaluation.status[broken]}" in out


# --- keep-outs -----------------------------------------------------------------------------------


def test_outlines_of_keep_outs_hold_all_of_their_wireframe(finished_run):
    _, result = finished_run
    shapes = {shape.name: shape for shape in keep_outs(result.problem.room)}
    assert len(shapes) == 3
    for shape in shapes.values():
        cloud = shape.wireframe().reshape(-1, 3)
        for across, up in ((1, 0), (1, 2), (0, 2)):
            flat = shape.outline(across, up)[:, [across, up]]
            for bound in (np.min, np.max):
                np.testing.assert_allclose(
                    bound(flat, axis=0), bound(cloud[:, [across, up]], axis=0), atol=0.15
                )
    mirrored = shapes["chassis tube, mirrored"].wireframe()
    flip = np.array([1.0, -1.0, 1.0])
    np.testing.assert_allclose(
        np.sort(mirrored.reshape(-1, 3), axis=0),
        np.sort(shapes["chassis tube"].wireframe().reshape(-1, 3) * flip, axis=0),
        atol=1e-9,
    )
    corners = shapes["<sump> & 'pan'"].corners()
    assert corners.shape == (8, 3)
