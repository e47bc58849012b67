"""STEP (ISO 10303-21 text, the schema of ISO 10303-214): one named product for each point.

Points of one curve set lose their names in many readers, products keep them:

    assembly --- outer_joint        each product: PRODUCT, its definition, its shape,
             --- inner_joint        placed in the assembly where it is, without a move
             --- tie_rod ...
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import datetime

    from optimiser.folder.cad.drawing import Drawing
    from optimiser.linkage.vectors import Array

_SCHEMA = "AUTOMOTIVE_DESIGN { 1 0 10303 214 1 1 1 1 }"
MOVED = "moved: elsewhere than drawn"
"""Description of the product of a point of the suspension that is."""
_CLOSE_MM = 1e-5  # points nearer than this may be taken for one by whoever reads


def step_text(drawing: Drawing, program: str, when: datetime.datetime) -> str:
    """Text of a STEP file, in mm.

    Args:
        drawing: what to write.
        program: name and version of the program, for the header.
        when: time stamp for the header.
    """
    file = _File()
    file.begin()
    assembly = file.product(drawing.title, (), drawing.caution)
    for name, at in drawing.points.items():
        told = MOVED if name in drawing.moved else ""
        file.place(file.product(name, (file.point(at, name),), told), assembly, name)
    for line in drawing.lines:
        curves = tuple(file.segment(start, stop) for start, stop in line.segments)
        file.place(file.product(line.name, curves), assembly, line.name)
    body = "\n".join(file.lines)
    stamp = when.strftime("%Y-%m-%dT%H:%M:%S")
    title = quoted(drawing.title)
    return (
        "ISO-10303-21;\nHEADER;\n"
        f"FILE_DESCRIPTION(({title},{quoted(drawing.caution)}),'2;1');\n"
        f"FILE_NAME({title},'{stamp}',(''),(''),{quoted(program)},{quoted(program)},'');\n"
        f"FILE_SCHEMA(('{_SCHEMA}'));\nENDSEC;\nDATA;\n{body}\nENDSEC;\nEND-ISO-10303-21;\n"
    )


def quoted(text: str) -> str:
    r"""A string as ISO 10303-21 writes it: ' doubled, and \X2\...\X0\ beyond ASCII."""
    parts = []
    for letter in text:
        if letter in "'\\":
            parts.append(2 * letter)
        elif " " <= letter <= "~":
            parts.append(letter)
        elif ord(letter) <= 0xFFFF:
            parts.append(f"\\X2\\{ord(letter):04X}\\X0\\")
        else:
            parts.append(f"\\X4\\{ord(letter):08X}\\X0\\")
    return "'" + "".join(parts) + "'"


def _real(value: float) -> str:
    """A real as ISO 10303-21 writes it: always with a point, E for the exponent."""
    text = repr(float(value) + 0.0).upper()
    if "." not in text:
        mantissa, _, exponent = text.partition("E")
        text = f"{mantissa}.E{exponent}" if exponent else f"{mantissa}."
    return text


class _Product:
    """Numbers of the entities of one product that others refer to."""

    def __init__(self, definition: int, shape: int, axes: int) -> None:
        self.definition, self.shape, self.axes = definition, shape, axes


class _File:
    """Entities numbered as they come."""

    def __init__(self) -> None:
        self.lines: list[str] = []
        self._context = self._product_context = self._definition_context = 0

    def add(self, text: str) -> int:
        number = len(self.lines) + 1
        self.lines.append(f"#{number}={text};")
        return number

    def begin(self) -> None:
        """Contexts and units that all products share."""
        application = self.add("APPLICATION_CONTEXT('automotive design')")
        self.add(
            "APPLICATION_PROTOCOL_DEFINITION('international standard','automotive_design',"
            f"2000,#{application})"
        )
        self._product_context = self.add(f"PRODUCT_CONTEXT('',#{application},'mechanical')")
        self._definition_context = self.add(
            f"PRODUCT_DEFINITION_CONTEXT('part definition',#{application},'design')"
        )
        length = self.add("(LENGTH_UNIT()NAMED_UNIT(*)SI_UNIT(.MILLI.,.METRE.))")
        angle = self.add("(NAMED_UNIT(*)PLANE_ANGLE_UNIT()SI_UNIT($,.RADIAN.))")
        solid = self.add("(NAMED_UNIT(*)SI_UNIT($,.STERADIAN.)SOLID_ANGLE_UNIT())")
        close = self.add(
            f"UNCERTAINTY_MEASURE_WITH_UNIT(LENGTH_MEASURE({_real(_CLOSE_MM)}),#{length},"
            "'distance_accuracy_value','')"
        )
        self._context = self.add(
            "(GEOMETRIC_REPRESENTATION_CONTEXT(3)"
            f"GLOBAL_UNCERTAINTY_ASSIGNED_CONTEXT((#{close}))"
            f"GLOBAL_UNIT_ASSIGNED_CONTEXT((#{length},#{angle},#{solid}))"
            "REPRESENTATION_CONTEXT('','3D'))"
        )

    def point(self, at: Array, name: str = "") -> int:
        triple = ",".join(_real(value) for value in at)
        return self.add(f"CARTESIAN_POINT({quoted(name)},({triple}))")

    def _direction(self, way: Array) -> int:
        return self.add(f"DIRECTION('',({','.join(_real(value) for value in way)}))")

    def segment(self, start: Array, stop: Array) -> int:
        """A straight line between two points, trimmed at both."""
        length = float(np.linalg.norm(stop - start))
        first, last = self.point(start), self.point(stop)
        way = self._direction((stop - start) / length)
        vector = self.add(f"VECTOR('',#{way},{_real(length)})")
        line = self.add(f"LINE('',#{first},#{vector})")
        return self.add(
            f"TRIMMED_CURVE('',#{line},(#{first},PARAMETER_VALUE(0.)),"
            f"(#{last},PARAMETER_VALUE(1.)),.T.,.CARTESIAN.)"
        )

    def product(self, name: str, items: tuple[int, ...], description: str = "") -> _Product:
        """A product with points or curves; without any, an assembly."""
        text, said = quoted(name), quoted(description)
        product = self.add(f"PRODUCT({text},{text},{said},(#{self._product_context}))")
        self.add(f"PRODUCT_RELATED_PRODUCT_CATEGORY('part',$,(#{product}))")
        formation = self.add(f"PRODUCT_DEFINITION_FORMATION('','',#{product})")
        definition = self.add(
            f"PRODUCT_DEFINITION('design','',#{formation},#{self._definition_context})"
        )
        axes = self.add(
            f"AXIS2_PLACEMENT_3D('',#{self.point(np.zeros(3))},"
            f"#{self._direction(np.eye(3)[2])},#{self._direction(np.eye(3)[0])})"
        )
        if items:
            held = ",".join(f"#{item}" for item in items)
            content = self.add(f"GEOMETRIC_CURVE_SET({text},({held}))")
            shape = self.add(
                "GEOMETRICALLY_BOUNDED_WIREFRAME_SHAPE_REPRESENTATION("
                f"{text},(#{axes},#{content}),#{self._context})"
            )
        else:
            shape = self.add(f"SHAPE_REPRESENTATION({text},(#{axes}),#{self._context})")
        of_product = self.add(f"PRODUCT_DEFINITION_SHAPE('','',#{definition})")
        self.add(f"SHAPE_DEFINITION_REPRESENTATION(#{of_product},#{shape})")
        return _Product(definition, shape, axes)

    def place(self, part: _Product, assembly: _Product, name: str) -> None:
        """Put a product into the assembly where its coordinates say."""
        text = quoted(name)
        use = self.add(
            f"NEXT_ASSEMBLY_USAGE_OCCURRENCE({text},{text},'',"
            f"#{assembly.definition},#{part.definition},$)"
        )
        of_use = self.add(f"PRODUCT_DEFINITION_SHAPE('','',#{use})")
        move = self.add(f"ITEM_DEFINED_TRANSFORMATION('','',#{part.axes},#{assembly.axes})")
        relation = self.add(
            f"(REPRESENTATION_RELATIONSHIP('','',#{part.shape},#{assembly.shape})"
            f"REPRESENTATION_RELATIONSHIP_WITH_TRANSFORMATION(#{move})"
            "SHAPE_REPRESENTATION_RELATIONSHIP())"
        )
        self.add(f"CONTEXT_DEPENDENT_SHAPE_REPRESENTATION(#{relation},#{of_use})")
