"""STEP through the optional reader, and the refusal where it is not installed.

References
----------
ISO 10303-21 and application protocol 214, from memory: the drawn file holds one cylinder as a
boundary representation.  Volume of a cylinder, sagitta of a chord: closed forms.  The reader is
the package cascadio; the size of the real file is that of its inch drawing, 5 x 2.5 x 1.375 in.
"""

import importlib.util
import math
import re
import sys

import numpy as np
import pytest
import trimesh

from reviewkit.errors import MeshError
from reviewkit.intake.files import read_mesh
from reviewkit.intake.health import examine
from reviewkit.intake.mending import mend
from reviewkit.intake.raw import Caps
from reviewkit.intake.units import settle_units
from reviewkit.limits import load_limits
from reviewkit.model import Origin
from reviewkit.part import read_part
from reviewkit.submission import MM_PER_UNIT

CAPS = Caps(facets=100_000, unpacked_bytes=10**7)
NUMBERS = {limit.quantity: limit.value for limit in load_limits().every() if limit.quantity.startswith("intake.")}
installed = pytest.mark.skipif(importlib.util.find_spec("cascadio") is None, reason="the extra step is not installed")

LENGTHS = {
    "mm": "(LENGTH_UNIT()NAMED_UNIT(*)SI_UNIT(.MILLI.,.METRE.))",
    "m": "(LENGTH_UNIT()NAMED_UNIT(*)SI_UNIT($,.METRE.))",
    "in": "( CONVERSION_BASED_UNIT ( 'INCH', #91 ) LENGTH_UNIT ( ) NAMED_UNIT ( #93 ) )",
    "": "(CONVERSION_BASED_UNIT('SPAN',#91)LENGTH_UNIT()NAMED_UNIT(#93))",
}


def cylinder(radius, height, unit="mm"):
    """A cylinder on the origin, its axis along z."""
    r, h = float(radius), float(height)
    return f"""ISO-10303-21;
HEADER;
FILE_DESCRIPTION((''),'2;1');
FILE_NAME('','',(''),(''),'','','');
FILE_SCHEMA(('AUTOMOTIVE_DESIGN'));
ENDSEC;
DATA;
#1=CARTESIAN_POINT('',(0.,0.,0.));
#2=CARTESIAN_POINT('',(0.,0.,{h}));
#3=CARTESIAN_POINT('',({r},0.,0.));
#4=CARTESIAN_POINT('',({r},0.,{h}));
#5=DIRECTION('',(0.,0.,1.));
#6=DIRECTION('',(1.,0.,0.));
#7=AXIS2_PLACEMENT_3D('',#1,#5,#6);
#8=AXIS2_PLACEMENT_3D('',#2,#5,#6);
#10=VERTEX_POINT('',#3);
#11=VERTEX_POINT('',#4);
#12=CIRCLE('',#7,{r});
#13=CIRCLE('',#8,{r});
#14=VECTOR('',#5,1.);
#15=LINE('',#3,#14);
#16=EDGE_CURVE('',#10,#10,#12,.T.);
#17=EDGE_CURVE('',#11,#11,#13,.T.);
#18=EDGE_CURVE('',#10,#11,#15,.T.);
#20=ORIENTED_EDGE('',*,*,#16,.T.);
#21=ORIENTED_EDGE('',*,*,#18,.T.);
#22=ORIENTED_EDGE('',*,*,#17,.F.);
#23=ORIENTED_EDGE('',*,*,#18,.F.);
#24=EDGE_LOOP('',(#20,#21,#22,#23));
#25=FACE_OUTER_BOUND('',#24,.T.);
#26=CYLINDRICAL_SURFACE('',#7,{r});
#27=ADVANCED_FACE('',(#25),#26,.T.);
#30=ORIENTED_EDGE('',*,*,#16,.F.);
#31=EDGE_LOOP('',(#30));
#32=FACE_OUTER_BOUND('',#31,.T.);
#33=PLANE('',#7);
#34=ADVANCED_FACE('',(#32),#33,.F.);
#40=ORIENTED_EDGE('',*,*,#17,.T.);
#41=EDGE_LOOP('',(#40));
#42=FACE_OUTER_BOUND('',#41,.T.);
#43=PLANE('',#8);
#44=ADVANCED_FACE('',(#42),#43,.T.);
#50=CLOSED_SHELL('',(#27,#34,#44));
#51=MANIFOLD_SOLID_BREP('',#50);
#52=ADVANCED_BREP_SHAPE_REPRESENTATION('',(#7,#51),#80);
#60=APPLICATION_CONTEXT('automotive design');
#61=PRODUCT_CONTEXT('',#60,'mechanical');
#62=PRODUCT('part','part','',(#61));
#63=PRODUCT_DEFINITION_FORMATION('','',#62);
#64=PRODUCT_DEFINITION_CONTEXT('part definition',#60,'design');
#65=PRODUCT_DEFINITION('design','',#63,#64);
#66=PRODUCT_DEFINITION_SHAPE('','',#65);
#67=SHAPE_DEFINITION_REPRESENTATION(#66,#52);
#80=(GEOMETRIC_REPRESENTATION_CONTEXT(3)GLOBAL_UNCERTAINTY_ASSIGNED_CONTEXT((#84))
GLOBAL_UNIT_ASSIGNED_CONTEXT((#81,#82,#83))REPRESENTATION_CONTEXT('',''));
#81={LENGTHS[unit]};
#82=(NAMED_UNIT(*)PLANE_ANGLE_UNIT()SI_UNIT($,.RADIAN.));
#83=(NAMED_UNIT(*)SI_UNIT($,.STERADIAN.)SOLID_ANGLE_UNIT());
#84=UNCERTAINTY_MEASURE_WITH_UNIT(LENGTH_MEASURE(1.E-6),#81,'distance_accuracy_value','');
#91=LENGTH_MEASURE_WITH_UNIT(LENGTH_MEASURE(25.4),#92);
#92=(LENGTH_UNIT()NAMED_UNIT(*)SI_UNIT(.MILLI.,.METRE.));
#93=DIMENSIONAL_EXPONENTS(1.,0.,0.,0.,0.,0.,0.);
ENDSEC;
END-ISO-10303-21;
""".encode()


def test_without_the_reader_the_refusal_says_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "cascadio", None)
    for suffix in (".step", ".STP"):
        with pytest.raises(MeshError) as caught:
            read_mesh(cylinder(10, 20), suffix, CAPS, NUMBERS)
        assert "pip install 'reviewkit[step]'" in str(caught.value) and "STL or 3MF" in str(caught.value)
    with pytest.raises(MeshError, match=r"a STEP file, named \.stl; rename it to end in \.step"):
        read_mesh(cylinder(10, 20), ".stl", CAPS, NUMBERS)


def test_without_the_reader_the_child_refuses_too(tmp_path, monkeypatch):
    (tmp_path / "cascadio.py").write_text("raise ImportError('absent')\n")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    path = tmp_path / "pin.step"
    path.write_bytes(cylinder(10, 20))
    with pytest.raises(MeshError, match=r"^pin\.step is a STEP file, whose reader is not installed; run pip install"):
        read_part(path, id="pin")


def mended(data, declared=""):
    raw = read_mesh(data, ".step", CAPS, NUMBERS)
    settled = settle_units(raw, declared, NUMBERS)
    mesh = mend(raw, MM_PER_UNIT[settled.unit], NUMBERS)
    return settled, mesh, examine(raw, mesh)


@installed
@pytest.mark.parametrize(
    ("unit", "factor_mm", "radius_mm"), [("mm", 1.0, 150.0), ("in", 25.4, 40.0), ("m", 1000.0, 2.0), ("", 25.4, 2.0)]
)
def test_a_cylinder_comes_out_in_millimetres_within_the_stated_tolerance(unit, factor_mm, radius_mm):
    height_mm = 20.0
    settled, mesh, health = mended(cylinder(radius_mm / factor_mm, height_mm / factor_mm, unit))
    assert np.ptp(mesh.vertices[:, 2]) == pytest.approx(height_mm, abs=1e-4)
    assert (health.sound, health.bodies, health.mended, health.unread) == (True, 1, (), ())
    assert settled.origin is Origin.CONFIRMED and settled.unit == (unit or "mm")
    assert health.notes == ("curves replaced by facets within 0.05 mm and 10 degrees",)
    rim = mesh.vertices[np.hypot(mesh.vertices[:, 0], mesh.vertices[:, 1]) > 0.9 * radius_mm][:, :2]
    assert np.hypot(*rim.T) == pytest.approx(radius_mm, abs=1e-4)
    angles = np.sort(np.arctan2(rim[:, 1], rim[:, 0]))
    widest = np.diff(angles, append=angles[0] + 2 * math.pi).max()
    # Sagitta of the widest chord, r (1 - cos(half the turn)), against the rows of the table.
    assert radius_mm * (1 - math.cos(widest / 2)) <= NUMBERS["intake.step_deviation_mm"]
    assert math.degrees(widest) <= NUMBERS["intake.step_turn_deg"]
    # Inscribed, so that the volume is a little less than that of the cylinder.
    exact_mm3 = math.pi * radius_mm**2 * height_mm
    assert exact_mm3 * 0.997 < trimesh.Trimesh(mesh.vertices, mesh.faces, process=False).volume < exact_mm3


@installed
def test_the_unit_of_the_file_can_be_overruled():
    drawn = cylinder(1, 2, "in")
    for declared, height_mm in (("", 50.8), ("in", 50.8), ("mm", 2.0)):
        settled, mesh, _ = mended(drawn, declared)
        assert np.ptp(mesh.vertices[:, 2]) == pytest.approx(height_mm, abs=1e-4)
    assert "although the file says inches" in settled.note
    assert mended(drawn)[0].note == "stated in the file"


@installed
def test_the_same_file_gives_the_same_facets():
    first, second = (read_mesh(cylinder(10, 20), ".step", CAPS, NUMBERS) for _ in range(2))
    assert np.array_equal(first.vertices, second.vertices) and np.array_equal(first.faces, second.faces)


@installed
def test_damaged_files_are_refused_in_one_line(tmp_path):
    whole = cylinder(10, 20)
    odd = {
        "cut": whole[:2000],
        "empty": b"ISO-10303-21;\nHEADER;\nENDSEC;\nDATA;\nENDSEC;\nEND-ISO-10303-21;\n",
        "bare": whole.replace(b"MANIFOLD_SOLID_BREP", b"MANIFOLD_SALAD_BREP"),
        "dangling": whole.replace(b"(#27,#34,#44)", b"(#270,#340,#440)"),
    }
    for data in odd.values():
        with pytest.raises(MeshError) as caught:
            read_mesh(data, ".step", CAPS, NUMBERS)
        assert "\n" not in str(caught.value)
    with pytest.raises(MeshError, match="at most 11 are read"):
        read_mesh(whole, ".step", Caps(facets=11, unpacked_bytes=10**6), NUMBERS)
    # The reader prints what it dislikes; the refusal is one line all the same.
    path = tmp_path / "cut.step"
    path.write_bytes(odd["cut"])
    with pytest.raises(MeshError, match=r"^cut\.step is no STEP file that can be read to its end"):
        read_part(path, id="a")


def two_cylinders():
    """The same drawing with a second solid beside the first; its entities have numbers from 1001."""
    head, body = cylinder(10, 20).split(b"#1=", 1)
    solid, rest = (b"#1=" + body).split(b"#52=")
    second = re.sub(rb"#(\d+)", rb"#10\1", re.sub(rb"#(\d)\b", rb"#0\1", solid))
    second = second.replace(b"(0.,0.,", b"(30.,0.,").replace(b"(10.0,0.,", b"(40.,0.,")
    # Directions have no place.
    second = second.replace(b"DIRECTION('',(30.,0.,1.)", b"DIRECTION('',(0.,0.,1.)")
    return head + solid + second + b"#52=" + rest.replace(b"(#7,#51)", b"(#7,#51,#1051)")


@installed
def test_a_solid_that_the_reader_leaves_out_is_told():
    whole = two_cylinders()
    _, _, health = mended(whole)
    assert (health.bodies, health.sound, health.unread) == (2, True, ())
    one, two = health.body_volumes_mm3
    assert one == pytest.approx(two) and one == pytest.approx(math.pi * 100 * 20, rel=0.006)
    _, _, health = mended(whole.replace(b"(#1027,#1034,#1044)", b"(#1970,#1980,#1990)"))
    assert health.bodies == 1 and health.unread == ("solids that could not be turned into facets (1)",)


@installed
def test_the_real_file_is_of_its_true_size(shared_parts):
    part = read_part(shared_parts / "featuretype.STEP", id="a")
    assert part.size_mm == pytest.approx((127.0, 63.5, 34.925), abs=0.001)
    assert (part.units, part.health.sound, part.bodies) == ("in", True, 1)
    # The mesh that its author exported, in inches.
    exported = trimesh.load(shared_parts / "featuretype.STL", force="mesh")
    assert part.volume_mm3 == pytest.approx(exported.volume * 25.4**3, rel=2e-3)
