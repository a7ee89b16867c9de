"""AMF: units, volumes, constellations, curved triangles, and files that would harm.

References
----------
ISO/ASTM 52915, additive manufacturing file format 1.2: elements, units and the order of turns are
from memory, where a public text was not open.  Volumes and turns: closed forms; rotations as
trimesh composes them.
"""

import io
import zipfile

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


def box(sides=(2, 3, 4)):
    return trimesh.creation.box(sides)


def points_xml(mesh, more=""):
    rows = (f"<coordinates><x>{x}</x><y>{y}</y>\n<z> {z} </z></coordinates>" for x, y, z in mesh.vertices.tolist())
    return "<vertices>" + "".join(f"<vertex>{row}{more}</vertex>" for row in rows) + "</vertices>"


def volume_xml(faces, head=""):
    facets = "".join(f"<triangle><v1>{a}</v1><v2>{b}</v2><v3>{c}</v3></triangle>" for a, b, c in faces.tolist())
    return f"<volume {head}>{facets}</volume>"


def object_xml(id=1, mesh=None, volumes=None, more=""):
    mesh = mesh or box()
    return f'<object id="{id}"><mesh>{points_xml(mesh, more)}{volumes or volume_xml(mesh.faces)}</mesh></object>'


def amf(*content, head='unit="millimeter"', prolog='<?xml version="1.0" encoding="UTF-8"?>'):
    return f'{prolog}\n<amf {head} version="1.2"><metadata type="name">a</metadata>{"".join(content)}</amf>'.encode()


def placed(id, *instances):
    def one(name, **numbers):
        return f'<instance objectid="{name}">{"".join(f"<{k}>{v}</{k}>" for k, v in numbers.items())}</instance>'

    return f'<constellation id="{id}">{"".join(one(name, **numbers) for name, numbers in instances)}</constellation>'


def zipped(data, name="part.amf"):
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(name, data)
    return file.getvalue()


def read(data, caps=CAPS):
    return read_mesh(data, ".amf", caps, NUMBERS)


def mended(data):
    raw = read(data)
    mesh = mend(raw, 1.0, NUMBERS)
    return mesh, examine(raw, mesh)


def volume(mesh):
    return trimesh.Trimesh(mesh.vertices, mesh.faces, process=False).volume


def refusal(data, caps=CAPS):
    with pytest.raises(MeshError) as caught:
        read(data, caps)
    assert "\n" not in str(caught.value)
    return str(caught.value)


@pytest.mark.parametrize(
    ("head", "unit"),
    [
        ('unit="millimeter"', "mm"),
        ('unit="inch"', "in"),
        ('unit="feet"', "ft"),
        ('unit="meter"', "m"),
        ('unit="micron"', "um"),
        ("", "mm"),
    ],
)
def test_units_are_those_of_the_file(head, unit):
    # Default millimeter: reference of ISO/ASTM 52915, from memory.
    raw = read(amf(object_xml(), head=head))
    settled = settle_units(raw, "", NUMBERS)
    assert (settled.unit, settled.origin, settled.in_file) == (unit, Origin.CONFIRMED, unit)
    assert volume(mend(raw, MM_PER_UNIT[unit], NUMBERS)) == pytest.approx(24 * MM_PER_UNIT[unit] ** 3)
    assert "'league'" in refusal(amf(object_xml(), head='unit="league"'))


def test_plain_and_packed_files_to_a_part(tmp_path):
    data = amf(object_xml())
    for number, content in enumerate((data, zipped(data), b"\xef\xbb\xbf" + data)):
        path = tmp_path / f"part-{number}.amf"
        path.write_bytes(content)
        part = read_part(path, id="a")
        assert part.size_mm == pytest.approx((2, 3, 4)) and part.volume_mm3 == pytest.approx(24)
        assert (part.health.format, part.health.unread, part.health.sound) == ("AMF", (), True)


def test_volumes_of_an_object_share_its_points():
    mesh = box()
    halves = volume_xml(mesh.faces[:5]) + volume_xml(mesh.faces[5:], 'materialid="2"')
    assert volume(mended(amf(object_xml(volumes=halves)))[0]) == pytest.approx(24)
    # A volume that is support is not the part.
    support = volume_xml(mesh.faces) + volume_xml(mesh.faces[:3], 'type="support"') + volume_xml(mesh.faces[:0])
    both, health = mended(amf(object_xml(volumes=support)))
    assert volume(both) == pytest.approx(24) and health.unread == ("support volumes (1)",)
    assert health.mended == () and len(both.faces) == 12


def test_constellations_place_turn_and_nest():
    turns = {"rx": 90, "ry": 30, "rz": -45}
    inner = placed(2, (1, {"deltax": 10, **turns}), (1, {"deltay": 100}))
    outer = placed(3, (2, {"deltaz": 5, "rz": 90}))
    raw = read(amf(object_xml(), inner, outer))
    # About x, then y, then z, then the shift; the outer constellation afterwards.
    about = trimesh.transformations.euler_matrix(*np.radians([90, 30, -45]), axes="sxyz")
    first = trimesh.transformations.translation_matrix([10, 0, 0]) @ about
    outside = trimesh.transformations.translation_matrix([0, 0, 5]) @ trimesh.transformations.euler_matrix(
        0, 0, np.radians(90), axes="sxyz"
    )
    for number, transform in enumerate((first, trimesh.transformations.translation_matrix([0, 100, 0]))):
        expected = trimesh.transform_points(box().vertices, outside @ transform)
        assert raw.vertices[8 * number : 8 * number + 8] == pytest.approx(expected, abs=1e-9)
    assert len(raw.faces) == 24
    # What no constellation names stands at its own place.
    alone = read(amf(object_xml(), object_xml(7), placed(2, (1, {"deltax": 50}))))
    assert np.ptp(alone.vertices, axis=0) == pytest.approx([52, 3, 4])


def test_curved_triangles_are_read_flat_and_told():
    normal = "<normal><nx>0</nx><ny>0</ny><nz>1</nz></normal><color><r>1</r><g>0</g><b>0</b></color>"
    mesh, health = mended(amf(object_xml(more=normal)))
    assert volume(mesh) == pytest.approx(24)
    assert health.unread == ("edges and normals that curve triangles, read as flat (8)",)
    assert health.ignored == ("colours and materials",)


def test_damaged_files_are_refused_in_one_line():
    whole = amf(object_xml())
    assert "markup breaks" in refusal(whole[:-20])
    assert "names points it does not hold" in refusal(whole.replace(b"<v1>7", b"<v1>8"))
    assert "names points it does not hold" in refusal(whole.replace(b"<v1>7", b"<v1>-1"))
    assert "'x'" in refusal(whole.replace(b"<x>", b"<q>").replace(b"</x>", b"</q>"))
    assert "cannot be read as AMF" in refusal(whole.replace(b"<x>", b"<x>one"))
    assert "'id'" in refusal(whole.replace(b'object id="1"', b"object"))
    assert "two things '1'" in refusal(amf(object_xml(), object_xml()))
    assert "object '9'" in refusal(amf(object_xml(), placed(2, (9, {}))))
    assert "not finite" in refusal(amf(object_xml(), placed(2, (1, {"rx": "nan"}))))
    assert "no facets" in refusal(amf())
    assert "letters that are not known" in refusal(whole.replace(b"UTF-8", b"TTF-8"))
    assert "finite coordinates" in refusal(whole.replace(b"<x>1.0", b"<x>inf"))
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w") as archive:
        for name in ("a.amf", "b.amf"):
            archive.writestr(name, whole)
    assert "archive of 2 AMF files" in refusal(file.getvalue())


def test_what_would_harm_is_refused():
    entity = '<!DOCTYPE amf [<!ENTITY a SYSTEM "file:///etc/passwd"><!ENTITY b "&a;&a;">]>'
    assert "document type" in refusal(amf(object_xml(), prolog=entity))
    bomb = zipped(amf(object_xml(), "<metadata>" + " " * 2_000_000 + "</metadata>"))
    assert len(bomb) < 10_000
    assert "unpacks to" in refusal(bomb, Caps(facets=1000, unpacked_bytes=10**6))
    assert "at most 11" in refusal(amf(object_xml()), Caps(facets=11, unpacked_bytes=10**6))
    # Constellations that hold themselves are no root; ones that double each time are cut off.
    assert "no facets" in refusal(amf(object_xml(), placed(2, (2, {}), (1, {}))))
    assert "at most 11" in refusal(amf(object_xml(), placed(2, (2, {}), (1, {}))), Caps(11, 10**6))
    doubled = [placed(k, (k - 1, {}), (k - 1, {})) for k in range(2, 40)]
    assert "at most 100,000" in refusal(amf(object_xml(), *doubled))
    ring = [placed(2, (3, {})), placed(3, (2, {})), placed(4, (2, {}))]
    assert "nests constellations" in refusal(amf(object_xml(), *ring))
