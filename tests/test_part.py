"""Intake of mesh files: formats, traps met in real files, mending, units and the child process.

References
----------
3MF: 3MF Core Specification 1.4.0 (3MF Consortium), clauses beside the checks.  Volumes: closed
forms.  trimesh writes the files and judges the mended meshes as an independent reader.
"""

import base64
import hashlib
import io
import json
import math
import struct
import zipfile

import numpy as np
import pytest
import trimesh

from reviewkit.errors import MeshError, ReviewError, SubmissionError
from reviewkit.intake.edges import Edges
from reviewkit.intake.files import read_mesh
from reviewkit.intake.health import examine
from reviewkit.intake.mending import mend
from reviewkit.intake.raw import Caps
from reviewkit.intake.units import settle_units
from reviewkit.limits import load_limits
from reviewkit.model import Origin
from reviewkit.part import IntakeLimits, read_part
from reviewkit.submission import MM_PER_UNIT

CAPS = Caps(facets=100_000, unpacked_bytes=10**7)
NUMBERS = {limit.quantity: limit.value for limit in load_limits().every() if limit.quantity.startswith("intake.")}
SIDES = (20.0, 30.0, 40.0)
BOX_MM3 = 24_000.0


def box(sides=SIDES, at=(0.0, 0.0, 0.0)):
    return trimesh.creation.box(sides, transform=trimesh.transformations.translation_matrix(at))


def triangles_of(*meshes):
    return np.concatenate([mesh.vertices[mesh.faces] for mesh in meshes])


def binary_stl(triangles, *, head=b"made by a test", count=None, tail=b""):
    records = np.zeros(len(triangles), dtype=[("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
    records["corners"] = triangles
    stated = len(triangles) if count is None else count
    return head.ljust(80, b" ") + struct.pack("<I", stated) + records.tobytes() + tail


def text_stl(triangles, number="{:.9g}".format):
    lines = ["solid part"]
    for corners in triangles:
        lines += ["facet normal 0 0 0", "outer loop"]
        lines += ["vertex " + " ".join(map(number, map(float, corner))) for corner in corners]
        lines += ["endloop", "endfacet"]
    return "\n".join([*lines, "endsolid part", ""])


def mended(data, suffix=".stl", factor_mm=1.0):
    raw = read_mesh(data, suffix, CAPS, NUMBERS)
    mesh = mend(raw, factor_mm, NUMBERS)
    return mesh, examine(raw, mesh)


def mended_triangles(*triangles):
    """Triangles with full precision, as an OBJ without shared points."""
    corners = np.concatenate(triangles).reshape(-1, 3)
    lines = [f"v {x!r} {y!r} {z!r}" for x, y, z in corners.tolist()]
    lines += [f"f {k} {k + 1} {k + 2}" for k in range(1, len(corners), 3)]
    return mended("\n".join(lines).encode(), ".obj")


def volume(mesh):
    """Volume as another library sees it."""
    return trimesh.Trimesh(mesh.vertices, mesh.faces, process=False).volume


def refusal(data, suffix=".stl", caps=CAPS):
    with pytest.raises(MeshError) as caught:
        read_mesh(data, suffix, caps, NUMBERS)
    assert "\n" not in str(caught.value)
    return str(caught.value)


# Formats -----------------------------------------------------------------------------------

FILES = [
    (".stl", {"file_type": "stl"}),
    (".stl", {"file_type": "stl_ascii"}),
    (".obj", {"file_type": "obj"}),
    (".ply", {"file_type": "ply", "encoding": "binary"}),
    (".ply", {"file_type": "ply", "encoding": "ascii"}),
    (".off", {"file_type": "off"}),
    (".3mf", {"file_type": "3mf"}),
]


def exported(mesh, arguments):
    data = mesh.export(**arguments)
    return data.encode() if isinstance(data, str) else data


@pytest.mark.parametrize(("suffix", "arguments"), FILES, ids=[str(tuple(a.values())) for _, a in FILES])
def test_each_format_gives_the_box(suffix, arguments):
    mesh, health = mended(exported(box(), arguments), suffix)
    assert volume(mesh) == pytest.approx(BOX_MM3, rel=1e-6)
    assert np.ptp(mesh.vertices, axis=0) == pytest.approx(SIDES, rel=1e-6)
    # V - E + F = 8 - 18 + 12 (Euler).
    assert (len(mesh.vertices), len(mesh.edges.counts), len(mesh.faces), health.euler) == (8, 18, 12, 2)
    assert health.sound and health.closed and health.route == "as sent"
    assert (health.bodies, health.voids, health.mended, health.unread) == (1, 0, (), ())


@pytest.mark.parametrize(("suffix", "arguments"), FILES, ids=[str(tuple(a.values())) for _, a in FILES])
def test_each_format_agrees_with_another_reader_on_a_torus(suffix, arguments):
    torus = trimesh.creation.torus(20, 5, major_sections=24, minor_sections=12)
    mesh, health = mended(exported(torus, arguments), suffix)
    assert volume(mesh) == pytest.approx(torus.volume, rel=1e-5)
    # Genus 1: V - E + F = 0.
    assert health.euler == 0


# No point of a U sees all others, so that no fan covers it.
U_SHAPE = [(0, 0), (30, 0), (30, 40), (20, 40), (20, 10), (10, 10), (10, 40), (0, 40)]
U_MM2 = 30 * 10 + 2 * 10 * 30
U_MM3 = U_MM2 * 5.0


def u_prism():
    """A prism over a concave outline: points and polygons, the caps in one piece."""
    n = len(U_SHAPE)
    points = [(x, y, z) for z in (0, 5) for x, y in U_SHAPE]
    sides = [(k, (k + 1) % n, n + (k + 1) % n, n + k) for k in range(n)]
    return points, [tuple(range(n))[::-1], tuple(range(n, 2 * n)), *sides]


def test_obj_with_concave_polygons_negative_indices_and_continued_lines():
    points, polygons = u_prism()
    text = "# comment\no part\n" + "\n".join(f"v {x} {y} {z} 1.0" for x, y, z in points)
    text += "\nvt 0 0\nvn 0 0 1\n"
    for number, ring in enumerate(polygons):
        names = [f"{k - len(points)}" if number % 2 else f"{k + 1}/1/1" for k in ring]
        text += "f " + " ".join(names[:2]) + " \\\n  " + " ".join(names[2:]) + "\n"
    mesh, health = mended(text.encode(), ".obj")
    assert volume(mesh) == pytest.approx(U_MM3)
    assert health.sound and len(mesh.faces) == 2 * 6 + 8 * 2
    # No facet reaches out of the outline: the caps have its area and nothing twice.
    caps = np.abs(mesh.vertices[mesh.faces][:, :, 2] - 5).max(axis=1) < 1e-9
    assert trimesh.triangles.area(mesh.vertices[mesh.faces[caps]]).sum() == pytest.approx(U_MM2)


def test_quads_are_cut_along_the_diagonal_inside():
    dart = [(0, 0, 0), (4, 1, 0), (0, 0.5, 0), (-4, 1, 0)]
    text = "".join(f"v {x} {y} {z}\n" for x, y, z in dart) + "f 1 2 3 4\n"
    raw = read_mesh(text.encode(), ".obj", CAPS, NUMBERS)
    # Area by the shoelace formula; the wrong diagonal gives more.
    x, y = np.array(dart)[:, 0], np.array(dart)[:, 1]
    shoelace = abs(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2
    assert trimesh.triangles.area(raw.vertices[raw.faces]).sum() == pytest.approx(shoelace)


def ply(order, *, mixed=True, points_type="float"):
    """A box of quads, two of them cut, after an element that nobody asked for."""
    mesh = box()
    quads = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    corners = np.array([[x, y, z] for x in (0, 20) for y in (0, 30) for z in (0, 40)], dtype=float)
    rings = quads[:3] + [part for q in quads[3:] for part in (q[:3], (q[0], *q[2:]))] if mixed else quads
    assert len(mesh.vertices) == 8
    kind = {"<": "binary_little_endian", ">": "binary_big_endian", "": "ascii"}[order]
    head = (
        f"ply\nformat {kind} 1.0\ncomment test\nelement camera 2\nproperty list uchar short pixels\n"
        f"element vertex 8\nproperty {points_type} x\nproperty {points_type} y\nproperty {points_type} z\n"
        f"property uchar red\nelement face {len(rings)}\nproperty list uchar int vertex_indices\nproperty uchar red\n"
        "end_header\n"
    ).encode()
    if not order:
        rows = [
            "2 7 8",
            "0",
            *(f"{x} {y} {z} 9" for x, y, z in corners),
            *(f"{len(r)} {' '.join(map(str, r))} 1" for r in rings),
        ]
        return head + "\n".join(rows).encode()
    code = "d" if points_type == "double" else "f"
    body = struct.pack(f"{order}B2hB", 2, 7, 8, 0)
    body += b"".join(struct.pack(f"{order}3{code}B", *corner, 9) for corner in corners)
    return head + body + b"".join(struct.pack(f"{order}B{len(r)}iB", len(r), *r, 1) for r in rings)


@pytest.mark.parametrize("order", ["<", ">", ""])
@pytest.mark.parametrize("mixed", [True, False])
@pytest.mark.parametrize("points_type", ["float", "double"])
def test_ply_of_each_byte_order_with_mixed_polygons(order, mixed, points_type):
    mesh, health = mended(ply(order, mixed=mixed, points_type=points_type), ".ply")
    assert volume(mesh) == pytest.approx(BOX_MM3)
    assert health.unread == ("camera (2)",)
    assert health.ignored == ("colours and surface looks",)
    assert (health.coordinate_step_mm > 0) == (points_type == "float" and order != "")


def test_ply_that_ends_early_tells_the_missing_facets():
    for order, lost in (("<", 20), ("", 9)):
        _, health = mended(ply(order)[:-lost], ".ply")
        assert health.facets_missing in (1, 2) and health.cut_short and not health.sound


def test_binary_off():
    points, polygons = u_prism()
    data = b"OFF BINARY\n" + struct.pack(">iii", len(points), len(polygons), 0)
    data += b"".join(struct.pack(">3f", *point) for point in points)
    data += b"".join(struct.pack(f">i{len(r)}ii2f", len(r), *r, 2, 0.5, 1.0) for r in polygons)
    mesh, health = mended(data, ".off")
    assert volume(mesh) == pytest.approx(U_MM3) and health.sound
    assert health.ignored == ("colours and surface looks",)
    assert mended(data[:-30], ".off")[1].facets_missing == 1


def test_off_with_colours_comments_and_counts_on_the_first_line():
    points, polygons = u_prism()
    text = f"COFF # with colours\n\n{len(points)} {len(polygons)} 0\n"
    text += "".join(f"{x} {y} {z} 255 0 0 255\n" for x, y, z in points)
    text += "".join(f"{len(r)} {' '.join(map(str, r))} 0.1 0.2 0.3\n" for r in polygons)
    assert volume(mended(text.encode(), ".off")[0]) == pytest.approx(U_MM3)
    assert "dimensions" in refusal(b"4OFF\n1 1 0\n0 0 0 0\n", ".off")


def test_obj_tells_what_it_left_out():
    text = exported(box(), {"file_type": "obj"}) + b"\nl 1 2\ncurv 0 1 1 2\nmtllib ../../secret.mtl\nusemtl red\n"
    _, health = mended(text, ".obj")
    assert health.unread == ("loose lines and points (1)", "free-form curves and surfaces (1)")
    assert health.ignored == ("colours and surface looks",)


# STL traps ---------------------------------------------------------------------------------


def test_binary_stl_whose_header_says_solid():
    data = binary_stl(triangles_of(box()), head=b"solid part facet normal")
    assert volume(mended(data)[0]) == pytest.approx(BOX_MM3)


def test_stl_that_holds_fewer_facets_than_it_states_is_read_as_far_as_it_goes():
    data = binary_stl(triangles_of(box()))[:-70]
    mesh, health = mended(data)
    assert (len(mesh.faces), health.triangles_sent, health.facets_missing, health.cut_short) == (10, 12, 2, True)
    assert not health.sound and health.open_edges > 0


def test_stl_that_holds_more_facets_than_it_states():
    triangles = triangles_of(box())
    for stated in (0, 5):
        mesh, health = mended(binary_stl(triangles, count=stated))
        assert volume(mesh) == pytest.approx(BOX_MM3) and health.sound
        assert health.mended == (f"the file states {stated} facets and holds 12; all 12 were read",)
    for tail in (33, 133):
        _, health = mended(binary_stl(triangles, tail=b"x" * tail))
        assert (health.sound, health.bytes_left_over, health.facets_missing) == (True, tail, 0)


def test_coordinates_that_are_not_finite_are_refused_with_their_number():
    triangles = triangles_of(box())
    triangles[3, 1, 2] = np.nan
    triangles[5, 0, 0] = np.inf
    assert "2 points have no finite coordinates" in refusal(binary_stl(triangles))
    assert "1 points have no finite coordinates" in refusal(text_stl(triangles[3:4]).encode())
    assert "finite" in refusal(b"v 0 0 0\nv 1 0 0\nv 0 nan 0\nf 1 2 3\n", ".obj")


def test_text_stl_in_capitals_with_commas_and_several_solids():
    triangles = triangles_of(box())
    halves = text_stl(triangles[:6]) + text_stl(triangles[6:])
    assert volume(mended(halves.upper().encode())[0]) == pytest.approx(BOX_MM3)
    comma = text_stl(triangles, lambda x: f"{x:.3f}".replace(".", ",")).encode()
    mesh, health = mended(comma)
    assert volume(mesh) == pytest.approx(BOX_MM3)
    assert health.mended == ("decimal commas were read as decimal points",)


def test_text_stl_with_garbage_keeps_the_facets_that_are_whole():
    text = text_stl(triangles_of(box()))
    spoilt = text.replace("vertex 10 15 20", "vertex 10 1x5 20", 1)
    _, health = mended(spoilt.encode())
    assert (health.facets_missing, health.triangles_sent, health.sound) == (1, 12, False)
    noisy = text.replace("endfacet", "endfacet\n%% page 3 of 7 %%\x0c")
    assert mended(noisy.encode())[1].sound
    _, health = mended(text[: text.rindex("vertex")].encode())
    assert (health.cut_short, health.facets_missing, health.triangles_sent) == (True, 1, 12)
    _, health = mended(text[: text.rindex("facet normal")].encode())
    assert health.cut_short and not health.sound


def test_text_stl_with_quads_in_its_loops():
    points, polygons = u_prism()
    lines = ["solid"]
    for ring in polygons:
        lines += [
            "facet normal 0 0 0 outer loop",
            *("vertex {} {} {}".format(*points[k]) for k in ring),
            "endloop endfacet",
        ]
    assert volume(mended("\n".join([*lines, "endsolid"]).encode())[0]) == pytest.approx(U_MM3)


@pytest.mark.parametrize(
    ("data", "suffix", "words"),
    [
        (b"<!DOCTYPE html><html><body>404</body></html>", ".stl", "web page"),
        (b"\xef\xbb\xbf  <html>", ".obj", "web page"),
        (b"%PDF-1.7 ...", ".stl", "PDF"),
        (b"ISO-10303-21;\nHEADER;", ".stl", "STEP"),
        (b"glTF\x02\x00\x00\x00", ".stl", "binary glTF file, named .stl; rename it to end in .glb"),
        (b'{"asset": {}}', ".stl", "a glTF file, named .stl; rename it to end in .gltf"),
        (b'{"parts": []}', ".gltf", "JSON document, but no glTF"),
        (b"<amf/>", ".3mf", "AMF file, named .3mf; rename it to end in .amf"),
        (b"<model/>", ".amf", "XML document, neither AMF"),
        (b"some words", ".step", "STEP"),
        (b"\x1f\x8b\x08", ".stl", "gzip"),
        (b"\x89PNG\r\n", ".ply", "PNG"),
        (b"version https://example.test/spec/v1\noid sha256:0\n", ".stl", "pointer"),
        (b"ply\nformat ascii 1.0\nend_header\n", ".stl", "PLY file, named .stl; rename"),
        (b"OFF\n3 1 0\n", ".obj", "OFF file"),
        (b"solid a\nfacet normal 0 0 0\n", ".off", "STL file"),
        (b"PK\x03\x04 broken", ".stl", "damaged ZIP"),
        (b"PK\x03\x04 broken", ".3mf", "damaged ZIP"),
        (b"hello", ".stl", "84 before its first facet"),
        (b"nothing of a mesh, only words" * 10, ".stl", "text that describes no facets"),
        (b"solid Empty\nendsolid Empty", ".stl", "no facets"),
        (b"solid Empty\nendsolid Empty", ".txt", "STL"),
        (binary_stl(np.zeros((0, 3, 3))), ".stl", "no facets"),
        (b"", ".obj", "no facets"),
        (b"v 0 0 0\nv 1 0\n", ".obj", "line 2"),
        (b"v 0 0 0\nf 1 2 0\n", ".obj", "line 2"),
        (b"v 0 0 0\nf 1 1 9\n", ".obj", "beyond the 1"),
        (b"v 0 0 0\nf 1 2 3 9\n", ".obj", "beyond the 1"),
        (b"v 0 0 0\nf -2 1 1\n", ".obj", "line 2"),
        (b"v a b c\n", ".obj", "words where numbers belong"),
        (b"OFF\n8 12 0\n0 0 0\n", ".off", "states 8 points and holds 1"),
        (b"OFF\nmany\n", ".off", "OFF"),
        (b"ply\nformat ascii 1.0\nelement vertex 2\nproperty float x\nend_header\n", ".ply", "no plain x, y and z"),
        (b"ply\nformat binary_little_endian 1.0\nelement vertex 9\n", ".ply", "PLY head"),
        (b"some words", ".dat", "no mesh file"),
    ],
)  # fmt: skip
def test_what_is_no_mesh_is_refused_by_its_real_name(data, suffix, words):
    assert words in refusal(data, suffix)


def test_more_facets_than_the_cap_are_refused_before_they_are_read():
    few = Caps(facets=11, unpacked_bytes=10**7)
    for suffix, arguments in FILES:
        assert "at most 11" in refusal(exported(box(), arguments), suffix, few)
    stated = b"ply\nformat ascii 1.0\nelement vertex 1\nproperty float x\nproperty float y\nproperty float z\n"
    assert "4,000,000,000" in refusal(
        stated + b"element face 4000000000\nproperty list uchar int vertex_indices\nend_header\n0 0 0\n", ".ply"
    )


# 3MF ---------------------------------------------------------------------------------------

CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
PRODUCTION = "http://schemas.microsoft.com/3dmanufacturing/production/2015/06"
MATERIAL = "http://schemas.microsoft.com/3dmanufacturing/material/2015/02"
LATTICE = "http://schemas.microsoft.com/3dmanufacturing/beamlattice/2017/02"
RELATIONS = (
    '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Id="a" '
    'Target="/3D/part.model" Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/></Relationships>'
)


def mesh_xml(mesh=None):
    mesh = mesh or box((2, 3, 4))
    points = "".join(f'<vertex x="{x}" y="{y}" z="{z}"/>' for x, y, z in mesh.vertices.tolist())
    facets = "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in mesh.faces.tolist())
    return f"<mesh><vertices>{points}</vertices><triangles>{facets}</triangles></mesh>"


def object_xml(id=1, inside=None, type=""):
    return f'<object id="{id}"{f" type={chr(34)}{type}{chr(34)}" if type else ""}>{inside or mesh_xml()}</object>'


def model_xml(objects=None, items='<item objectid="1"/>', head="", prolog=""):
    return (
        f'{prolog}<model xmlns="{CORE}" xmlns:p="{PRODUCTION}" xmlns:m="{MATERIAL}" xmlns:b="{LATTICE}" {head}>'
        f"<resources>{objects or object_xml()}</resources><build>{items}</build></model>"
    )


def package(model, **others):
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("[Content_Types].xml", "<Types/>")
        archive.writestr("_rels/.rels", RELATIONS)
        archive.writestr("3D/part.model", model)
        for name, content in others.items():
            archive.writestr(name.replace("__", "/").replace("_dot_", "."), content)
    return file.getvalue()


@pytest.mark.parametrize(
    ("head", "unit", "factor_mm"),
    [
        ('unit="micron"', "um", 0.001),
        ('unit="millimeter"', "mm", 1.0),
        ('unit="centimeter"', "cm", 10.0),
        ('unit="inch"', "in", 25.4),
        ('unit="foot"', "ft", 304.8),
        ('unit="meter"', "m", 1000.0),
        ("", "mm", 1.0),
    ],
)
def test_3mf_units_are_those_of_the_model(head, unit, factor_mm):
    # 3MF Core Specification 1.4.0, 3.4, table of the model element: values, default millimeter.
    raw = read_mesh(package(model_xml(head=head)), ".3mf", CAPS, NUMBERS)
    settled = settle_units(raw, "", NUMBERS)
    assert (settled.unit, settled.origin, settled.in_file) == (unit, Origin.CONFIRMED, unit)
    assert factor_mm == MM_PER_UNIT[unit]
    mesh = mend(raw, factor_mm, NUMBERS)
    assert volume(mesh) == pytest.approx(24 * factor_mm**3)


def test_3mf_with_another_unit_is_refused():
    assert "'league'" in refusal(package(model_xml(head='unit="league"')), ".3mf")


def test_3mf_transforms_of_items_and_nested_components():
    # 3.3: rows of the matrix multiply from the left; a mirrored shape keeps the sign of its volume.
    inner = '<components><component objectid="1" transform="2 0 0 0 1 0 0 0 1 10 0 0"/></components>'
    outer = '<components><component objectid="2" transform="0 1 0 -1 0 0 0 0 1 0 0 5"/></components>'
    objects = object_xml(1) + object_xml(2, inner) + object_xml(3, outer)
    raw = read_mesh(
        package(model_xml(objects, '<item objectid="3" transform="1 0 0 0 1 0 0 0 -1 0 0 100"/>')),
        ".3mf",
        CAPS,
        NUMBERS,
    )
    # The box spans x 8..12 after the inner transform, turned to y 8..12, then mirrored in z.
    assert raw.vertices.min(axis=0) == pytest.approx([-1.5, 8, 93])
    assert raw.vertices.max(axis=0) == pytest.approx([1.5, 12, 97])
    mesh = mend(raw, 1.0, NUMBERS)
    assert volume(mesh) == pytest.approx(48)
    assert (mesh.flipped_facets, mesh.inverted_bodies) == (0, 0)


def test_3mf_objects_of_other_types_are_left_out_and_told():
    # 4 and 4.1: support, solidsupport, surface and other are not the part.
    types = ("support", "solidsupport", "surface", "other", "support")
    objects = object_xml(1) + "".join(object_xml(k, type=type) for k, type in enumerate(types, 2))
    items = "".join(f'<item objectid="{k}"/>' for k in range(1, 7))
    mesh, health = mended(package(model_xml(objects, items)), ".3mf")
    assert volume(mesh) == pytest.approx(24)
    assert health.unread == ("1 other object", "1 solidsupport object", "2 support objects", "1 surface object")
    # The type of an object that holds components is ignored (4).
    held = object_xml(1) + object_xml(2, '<components><component objectid="1"/></components>', type="support")
    assert volume(mended(package(model_xml(held, '<item objectid="2"/>')), ".3mf")[0]) == pytest.approx(24)
    assert "no model object" in refusal(package(model_xml(object_xml(type="support"))), ".3mf")


def test_3mf_builds_only_what_its_items_name():
    # 3.4.3: nothing that no item refers to may be made.
    objects = object_xml(1) + object_xml(2, mesh_xml(box((9, 9, 9))))
    assert volume(mended(package(model_xml(objects)), ".3mf")[0]) == pytest.approx(24)
    assert "no build item" in refusal(package(model_xml(items="")), ".3mf")
    assert "object '7'" in refusal(package(model_xml(items='<item objectid="7"/>')), ".3mf")


def test_3mf_that_requires_what_is_not_read_is_refused_by_name():
    # 3.4: a required extension that is not supported must stop the consumer.
    assert "beam lattice" in refusal(package(model_xml(head='requiredextensions="m b"')), ".3mf")
    unknown = 'xmlns:z="http://example.test/odd/2020" requiredextensions="z"'
    assert "example.test/odd/2020" in refusal(package(model_xml(head=unknown)), ".3mf")
    assert "'q'" in refusal(package(model_xml(head='requiredextensions="q"')), ".3mf")
    assert mended(package(model_xml(head='requiredextensions="m p"')), ".3mf")[1].sound


def test_3mf_extensions_and_parts_that_were_not_applied_are_told():
    lattice = mesh_xml().replace("</mesh>", "<b:beamlattice><b:beams/></b:beamlattice></mesh>")
    coloured = '<m:colorgroup id="5"><m:color color="#FF0000"/></m:colorgroup>'
    data = package(
        model_xml(coloured + object_xml(1, lattice)), Metadata__settings_dot_config="<a/>", Metadata__view_dot_png="x"
    )
    _, health = mended(data, ".3mf")
    assert health.unread == ("extension beam lattice", "other files in the package (Metadata/settings.config)")
    assert health.ignored == ("colours and materials",)


def test_3mf_components_in_another_model_part():
    # 3MF Production Extension: a path leads to an object of another part of the package.
    away = model_xml(object_xml(4), items="")
    near = model_xml(object_xml(1, '<components><component p:path="/3D/Objects/a.model" objectid="4"/></components>'))
    assert volume(mended(package(near, **{"3D__Objects__a_dot_model": away}), ".3mf")[0]) == pytest.approx(24)
    assert "missing" in refusal(package(near), ".3mf")


def test_3mf_that_would_harm_is_refused():
    entity = '<!DOCTYPE model [<!ENTITY a SYSTEM "file:///etc/passwd"><!ENTITY b "&a;&a;">]>'
    assert "document type" in refusal(package(model_xml(prolog=entity)), ".3mf")
    bomb = package(model_xml(), padding="0" * 2_000_000)
    assert len(bomb) < 10_000
    assert "unpacks to" in refusal(bomb, ".3mf", Caps(facets=1000, unpacked_bytes=10**6))
    loop = object_xml(1, '<components><component objectid="1"/></components>')
    assert "nests" in refusal(package(model_xml(loop)), ".3mf")
    twice = '<components><component objectid="{0}"/><component objectid="{0}"/></components>'
    many = object_xml(1) + "".join(object_xml(k, twice.format(k - 1)) for k in range(2, 40))
    assert "at most" in refusal(package(model_xml(many, '<item objectid="39"/>')), ".3mf")
    locked = package(model_xml()).replace(b"PK\x01\x02\x14\x03\x14\x00\x00\x00", b"PK\x01\x02\x14\x03\x14\x00\x01\x00")
    assert "encrypted" in refusal(locked, ".3mf")


def test_damaged_3mf_is_refused_in_one_line():
    assert "markup breaks" in refusal(package(model_xml()[:-20]), ".3mf")
    assert "12 numbers" in refusal(package(model_xml(items='<item objectid="1" transform="1 0"/>')), ".3mf")
    assert "not hold" in refusal(package(model_xml().replace('v3="', 'v3="9')), ".3mf")
    assert "'x'" in refusal(package(model_xml().replace(' x="', ' y2="')), ".3mf")
    assert "not that of 3MF core" in refusal(package('<model xmlns="http://example.test/x"/>'), ".3mf")


# Damaged files -----------------------------------------------------------------------------


def embedded_gltf(mesh):
    """One file of JSON, from the binary form: its own lengths say where description and data lie."""
    data = exported(mesh, {"file_type": "glb"})
    (length,) = struct.unpack_from("<I", data, 12)
    tree = json.loads(data[20 : 20 + length])
    tree["buffers"][0]["uri"] = "data:application/octet-stream;base64," + base64.b64encode(data[28 + length :]).decode()
    return json.dumps(tree).encode()


def amf():
    mesh = box((2, 3, 4))
    points = "".join(
        f"<vertex><coordinates><x>{x}</x><y>{y}</y><z>{z}</z></coordinates></vertex>"
        for x, y, z in mesh.vertices.tolist()
    )
    facets = "".join(f"<triangle><v1>{a}</v1><v2>{b}</v2><v3>{c}</v3></triangle>" for a, b, c in mesh.faces.tolist())
    parts = f"<mesh><vertices>{points}</vertices><volume>{facets}</volume></mesh>"
    return f'<?xml version="1.0"?><amf unit="inch"><object id="0">{parts}</object></amf>'.encode()


def test_no_damage_to_a_file_lets_anything_but_a_refusal_out():
    torus = trimesh.creation.torus(20, 5, major_sections=9, minor_sections=5)
    generator = np.random.default_rng(7)
    samples = [(exported(torus, arguments), suffix) for suffix, arguments in FILES]
    samples += [(ply(">"), ".ply"), (package(model_xml()), ".3mf")]
    samples += [(exported(torus, {"file_type": "glb"}), ".glb"), (embedded_gltf(torus), ".gltf"), (amf(), ".amf")]
    outcomes = {"read": 0, "refused": 0}
    for data, suffix in samples:
        for _ in range(12):
            cut = data[: int(generator.integers(len(data)))]
            spoilt = bytearray(data)
            for place in generator.integers(len(data), size=4):
                spoilt[place] ^= 1 << int(generator.integers(8))
            for damaged in (cut, bytes(spoilt)):
                try:
                    with np.errstate(all="ignore"):
                        mended(damaged, suffix)
                    outcomes["read"] += 1
                except MeshError as error:
                    assert "\n" not in str(error)
                    outcomes["refused"] += 1
    assert min(outcomes.values()) > 20


# Mending -----------------------------------------------------------------------------------


def test_facets_turned_one_by_one_and_bodies_inside_out():
    triangles = triangles_of(box())
    some = triangles.copy()
    some[[2, 7]] = some[[2, 7], ::-1]
    mesh, health = mended_triangles(some)
    assert volume(mesh) == pytest.approx(BOX_MM3)
    assert (health.flipped_facets, health.inverted_bodies, health.route) == (2, 0, "mended")
    # A box turned inside out has -1 times its volume.
    mesh, health = mended_triangles(triangles[:, ::-1])
    assert volume(mesh) == pytest.approx(BOX_MM3)
    assert (health.flipped_facets, health.inverted_bodies) == (0, 1)
    # Most facets wrong: the count is of those that differ from the file.
    most = triangles[:, ::-1].copy()
    most[[2, 7]] = most[[2, 7], ::-1]
    mesh, health = mended_triangles(most)
    assert volume(mesh) == pytest.approx(BOX_MM3) and health.flipped_facets == 10


@pytest.mark.parametrize("inside_out", [False, True])
def test_a_hollow_space_stays_one_even_when_all_is_inside_out(inside_out):
    outer, inner = triangles_of(box()), triangles_of(box((5, 5, 5)))[:, ::-1]
    both = np.concatenate([outer, inner])
    mesh, health = mended_triangles(both[:, ::-1] if inside_out else both)
    assert volume(mesh) == pytest.approx(BOX_MM3 - 125)
    assert (health.bodies, health.voids, health.sound) == (1, 1, True)
    assert health.inverted_bodies == (2 if inside_out else 0)


def test_a_body_inside_out_in_a_notch_is_no_hollow_space():
    points, polygons = u_prism()
    text = "".join(f"v {x} {y} {z}\n" for x, y, z in points)
    text += "".join("f " + " ".join(str(k + 1) for k in ring) + "\n" for ring in polygons)
    raw = read_mesh(text.encode(), ".obj", CAPS, NUMBERS)
    lump = triangles_of(box((4, 4, 2), at=(15, 30, 2.5)))
    mesh, health = mended_triangles(raw.vertices[raw.faces], lump[:, ::-1])
    assert volume(mesh) == pytest.approx(U_MM3 + 32)
    assert (health.bodies, health.voids, health.inverted_bodies) == (2, 0, 1)


def t_junction(with_needle):
    """A box where one facet is split at the middle of an edge and its neighbour is not."""
    triangles = triangles_of(box())
    a, b, c = triangles[0]
    middle = (a + b) / 2
    parts = [triangles[1:], [[a, middle, c], [middle, b, c]]]
    return [*parts, [[a, b, middle]]] if with_needle else parts


@pytest.mark.parametrize("with_needle", [False, True])
def test_a_corner_on_a_neighbours_edge_is_no_hole(with_needle):
    split = t_junction(with_needle)
    loose = np.concatenate(split)
    assert trimesh.Trimesh(loose.reshape(-1, 3), np.arange(len(loose) * 3).reshape(-1, 3)).is_watertight == with_needle
    mesh, health = mended_triangles(*split)
    assert volume(mesh) == pytest.approx(BOX_MM3)
    assert health.sound and health.closed and health.route == "mended"
    assert (len(mesh.faces), health.degenerate_left, health.open_edges) == (14, 0, 0)
    assert health.degenerate_facets == with_needle
    assert trimesh.Trimesh(mesh.vertices, mesh.faces, process=False).is_watertight


def test_points_a_hair_apart_are_joined_and_no_more():
    triangles = triangles_of(box())
    shift = np.zeros_like(triangles)
    shift[0, 0] = 4e-6
    mesh, health = mended_triangles(triangles + shift)
    assert health.sound and health.joined_points == 1 and health.mended == ()
    assert health.route == "points joined" and len(mesh.vertices) == 8
    shift[0, 0] = 0.05
    mesh, health = mended_triangles(triangles + shift)
    assert not health.sound and health.open_edges == 4 and health.route == "left open"


def test_a_true_hole_is_never_filled():
    mesh, health = mended_triangles(triangles_of(box())[1:])
    assert (health.sound, health.open_edges, len(mesh.faces), health.loose_pieces) == (False, 3, 11, 1)
    assert health.mended == ()


def test_a_body_that_stands_twice_is_kept_once():
    triangles = triangles_of(box())
    for twice in ([triangles, triangles], [np.repeat(triangles, 2, axis=0)], [triangles, triangles, triangles]):
        mesh, health = mended_triangles(*twice)
        assert volume(mesh) == pytest.approx(BOX_MM3)
        assert (health.doubled_bodies, health.bodies, health.sound) == (len(np.concatenate(twice)) // 12 - 1, 1, True)
    # Cut along the other diagonals it is still the same body.
    mirrored = triangles_of(box()) * [-1, 1, 1]
    mesh, health = mended_triangles(triangles, mirrored[:, ::-1])
    assert volume(mesh) == pytest.approx(BOX_MM3) and health.doubled_bodies == 1


def test_facets_that_stand_twice():
    triangles = triangles_of(box())
    for extra in (triangles[4], triangles[4][::-1]):
        for parts in ((triangles, [extra]), ([extra], triangles)):
            mesh, health = mended_triangles(*parts)
            assert volume(mesh) == pytest.approx(BOX_MM3)
            assert health.sound and health.duplicate_facets == 1 and len(mesh.faces) == 12
    # Back to back on the surface they enclose nothing, and the solid stays the same.
    mesh, health = mended_triangles(triangles, [triangles[4], triangles[4][::-1]])
    assert volume(mesh) == pytest.approx(BOX_MM3) and (health.sound, health.bodies) == (True, 1)
    # The same away from the surface.
    mesh, health = mended_triangles(triangles, [triangles[4] + 100, triangles[4][::-1] + 100])
    assert volume(mesh) == pytest.approx(BOX_MM3) and (health.sound, health.bodies) == (True, 1)
    assert health.mended == ("1 piece without volume left out",)


def test_bodies_that_touch_in_a_face_stay_two():
    # Mirrored, so that the facets of the common face coincide.
    mirrored = (triangles_of(box()) * [-1, 1, 1] + [20, 0, 0])[:, ::-1]
    triangles = np.concatenate([triangles_of(box()), mirrored])
    mesh, health = mended_triangles(triangles)
    assert volume(mesh) == pytest.approx(2 * BOX_MM3)
    assert (health.bodies, health.sound, health.overlap_mm3) == (2, True, pytest.approx(0, abs=1e-6))
    # A facet twice elsewhere goes, their common face stays.
    outside = np.flatnonzero((triangles[:, :, 2] > 0).all(axis=1))[0]
    mesh, health = mended_triangles(triangles, triangles[outside : outside + 1])
    assert volume(mesh) == pytest.approx(2 * BOX_MM3) and health.sound and health.duplicate_facets == 1


def test_bodies_that_touch_in_an_edge_are_two_and_sound():
    mesh, health = mended_triangles(triangles_of(box(), box(at=(20, 30, 0))))
    assert volume(mesh) == pytest.approx(2 * BOX_MM3)
    assert (health.bodies, health.sound, health.closed, health.overlap_mm3) == (2, True, True, 0)
    assert health.route == "rebuilt" and abs(health.solid_change) < 1e-9
    assert trimesh.Trimesh(mesh.vertices, mesh.faces, process=False).is_watertight


def test_a_body_that_touches_itself_in_an_edge_is_rebuilt():
    # Two cubes corner to corner on a slab: one body, four facets on the edge between the cubes.
    cells = {(0, 0, 0), (1, 0, 0), (0, 1, 0), (1, 1, 0), (0, 0, 1), (1, 1, 1)}
    quads = []
    for cell in cells:
        for axis in range(3):
            for side in (0, 1):
                ahead = tuple(np.add(cell, np.eye(3, dtype=int)[axis] * (1 if side else -1)).tolist())
                if ahead not in cells:
                    a, b = np.eye(3)[(axis + 1) % 3], np.eye(3)[(axis + 2) % 3]
                    corner = np.array(cell, dtype=float) + np.eye(3)[axis] * side
                    ring = [corner, corner + a, corner + a + b, corner + b]
                    quads.append(ring if side else ring[::-1])
    quads = np.array(quads) * 10
    mesh, health = mended_triangles(quads[:, [0, 1, 2]], quads[:, [0, 2, 3]])
    assert volume(mesh) == pytest.approx(6000)
    assert (health.route, health.bodies, health.sound, health.closed) == ("rebuilt", 1, True, True)
    assert abs(health.solid_change) < 1e-9
    assert trimesh.Trimesh(mesh.vertices, mesh.faces, process=False).is_watertight


def test_overlap_of_bodies_is_measured_exactly_and_is_no_crossing_within_one():
    # 5 x 10 x 40 of two boxes are common.
    mesh, health = mended_triangles(triangles_of(box(), box(at=(15, 20, 0))))
    assert health.bodies == 2 and health.body_volumes_mm3 == pytest.approx((BOX_MM3, BOX_MM3))
    assert health.overlap_mm3 == pytest.approx(2000)
    assert health.crossing_mm3 == health.crossing_uncertainty_mm3 == 0
    assert volume(mesh) == pytest.approx(2 * BOX_MM3)


def test_a_body_in_the_hollow_of_another_does_not_overlap_it():
    cage = [triangles_of(box()), triangles_of(box((10, 10, 10)))[:, ::-1]]
    _, health = mended_triangles(*cage, triangles_of(box((5, 5, 5))))
    assert (health.bodies, health.voids) == (2, 1)
    assert health.overlap_mm3 == pytest.approx(0, abs=1e-6)
    _, health = mended_triangles(triangles_of(box()), triangles_of(box((5, 5, 5))))
    assert health.overlap_mm3 == pytest.approx(125)


def test_one_body_that_runs_through_itself():
    """A band bent round 450 degrees: a quarter of the ring is enclosed twice."""
    steps = 320
    angles = np.radians(np.linspace(0, 450, steps + 1) + 0.3)
    ring = np.stack([np.cos(angles), np.sin(angles)], axis=1)
    levels = [np.column_stack([r * ring, np.full(len(ring), z)]) for r, z in ((10, 0), (15, 0), (15, 5), (10, 5))]
    n = len(ring)
    quads = [
        (k * n + i, k * n + i + 1, (k + 1) % 4 * n + i + 1, (k + 1) % 4 * n + i) for k in range(4) for i in range(steps)
    ]
    quads += [(0, n, 2 * n, 3 * n), (3 * n + steps, 2 * n + steps, n + steps, steps)]
    # Along the band the second turn sinks by a hair, so that no points coincide.
    points = np.concatenate(levels) - np.tile(np.outer(np.linspace(0, 1e-3, n), [0, 0, 1]), (4, 1))
    text = "".join(f"v {x!r} {y!r} {z!r}\n" for x, y, z in points.tolist())
    text += "".join("f {} {} {} {}\n".format(*(k + 1 for k in quad)) for quad in quads)
    mesh, health = mended(text.encode(), ".obj")
    quarter = math.pi / 4 * (15**2 - 10**2) * 5
    assert (health.bodies, health.sound, health.overlap_mm3) == (1, True, 0)
    assert volume(mesh) == pytest.approx(5 * quarter, rel=1e-3)
    assert health.crossing_mm3 == pytest.approx(quarter, rel=0.02)
    assert abs(health.crossing_mm3 - quarter) <= health.crossing_uncertainty_mm3


def test_a_coarse_round_hole_is_found_with_its_size_and_place():
    for sections in (9, 12, 32):
        ring = trimesh.creation.annulus(r_min=3, r_max=10, height=5, sections=sections)
        plate = ring.apply_translation([40, 7, 2])
        _, health = mended(exported(plate, {"file_type": "obj"}), ".obj")
        assert health.hole_facets == sections
        assert health.hole_diameter_mm == pytest.approx(6, rel=1e-6)
        assert health.hole_at_mm == pytest.approx((40, 7, 2), abs=1e-6)
    # A cylinder has no hole, and a square pocket is not round.
    for solid in (trimesh.creation.cylinder(5, 9, sections=16), trimesh.creation.annulus(3, 10, 5, sections=6)):
        assert mended(exported(solid, {"file_type": "obj"}), ".obj")[1].hole_facets is None


def test_facets_without_any_area_are_refused():
    points = np.array([[[0, 0, 0], [1, 1, 1], [2, 2, 2]], [[0, 0, 0], [0, 0, 0], [3, 3, 3]]], dtype=float)
    with pytest.raises(MeshError, match="spans no area"):
        mended_triangles(points)


def test_what_is_closed_and_flat_is_no_solid():
    sheet = np.array([[[0, 0, 0], [9, 0, 0], [0, 9, 0]], [[0, 0, 0], [0, 9, 0], [9, 0, 0]]], dtype=float)
    _, health = mended_triangles(sheet)
    assert not health.sound


def test_edges_count_what_trimesh_counts():
    mesh = trimesh.creation.icosphere(subdivisions=2)
    edges = Edges(np.asarray(mesh.faces, dtype=np.int64))
    assert edges.closed and len(edges.counts) == len(mesh.edges_unique)
    faces = np.asarray(mesh.faces[5:], dtype=np.int64)
    sides = np.sort(faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    assert len(Edges(faces).open_halves) == len(trimesh.grouping.group_rows(sides, require_count=1))


# Units -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("longest", "unit"),
    [
        (0.005, "m"), (0.2, "m"), (0.499, "m"), (0.7, "in"), (1.0, "in"), (5.0, "in"), (13.0, "in"), (13.1, "mm"),
        (20.0, "mm"), (21.0, "mm"), (320.0, "mm"), (999.0, "mm"), (5000.0, "mm"), (20_000.0, "um"),
    ],
)  # fmt: skip
def test_units_are_inferred_by_the_table_of_likely_sizes(longest, unit):
    # Common practice; the table of likely readings by the largest extent.
    raw = read_mesh(binary_stl(triangles_of(box((longest, longest / 2, longest / 4)))), ".stl", CAPS, NUMBERS)
    settled = settle_units(raw, "", NUMBERS)
    assert (settled.unit, settled.origin, settled.in_file) == (unit, Origin.ASSUMED, "")
    assert settled.alternatives and unit not in settled.alternatives
    declared = settle_units(raw, "cm", NUMBERS)
    assert (declared.unit, declared.origin) == ("cm", Origin.CONFIRMED)


# The child process -------------------------------------------------------------------------


def test_read_part_from_a_file_to_a_part(tmp_path):
    path = tmp_path / "slab.stl"
    path.write_bytes(binary_stl(triangles_of(box((5, 2.5, 1.375)))))
    part = read_part(path, id="slab", number="N-1", revision="B", name="Slab", declared_bodies=1)
    assert (part.id, part.number, part.revision, part.name, part.file) == ("slab", "N-1", "B", "Slab", "slab.stl")
    assert part.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert (part.units, part.units_origin, part.units_in_file) == ("in", Origin.ASSUMED, "")
    assert part.size_mm == pytest.approx((127, 63.5, 34.925))
    assert dict(part.units_alternatives)["mm"] == pytest.approx((5, 2.5, 1.375))
    # One cubic inch is 16387.064 mm3 (25.4 cubed, exact by the international yard of 1959).
    assert part.volume_mm3 == pytest.approx(5 * 2.5 * 1.375 * 16_387.064)
    assert part.mesh.is_watertight and part.mesh.volume == pytest.approx(part.volume_mm3)
    assert (part.bodies, part.declared_bodies, part.health.sound) == (1, 1, True)
    assert part.vertices.dtype == np.float64 and part.faces.dtype == np.int64
    for held in (part.vertices, part.faces):
        with pytest.raises(ValueError, match="read-only"):
            held[0, 0] = 1
    stated = read_part(path, id="slab", units="Millimetres")
    assert stated.size_mm == pytest.approx((5, 2.5, 1.375)) and stated.units_alternatives == ()
    assert stated.units_origin is Origin.CONFIRMED


def test_declared_units_win_over_the_file(tmp_path):
    path = tmp_path / "block.3mf"
    path.write_bytes(package(model_xml(head='unit="inch"')))
    part = read_part(path, id="a", units="mm")
    assert (part.units, part.units_in_file) == ("mm", "in")
    assert "although the file says inches" in part.units_note


def one_line(path, **arguments):
    with pytest.raises(ReviewError) as caught:
        read_part(path, id="a", **arguments)
    assert "\n" not in str(caught.value) and path.name.split("\n")[0] in str(caught.value)
    return str(caught.value)


def test_files_that_cannot_be_opened(tmp_path):
    assert "no such file" in one_line(tmp_path / "absent.stl")
    assert "not a file" in one_line(tmp_path)
    empty = tmp_path / "empty.stl"
    empty.touch()
    assert "0 bytes" in one_line(empty)
    empty.write_bytes(b"x" * 100)
    assert "1 to 50 are read" in one_line(empty, limits=IntakeLimits(file_bytes=50))
    with pytest.raises(SubmissionError, match="furlong"):
        read_part(empty, id="a", units="furlong")


def test_time_and_memory_of_the_child_are_bounded(tmp_path, monkeypatch):
    path = tmp_path / "part.stl"
    path.write_bytes(binary_stl(np.repeat(triangles_of(box()), 10_000, axis=0)))
    assert "longer than 0.05 s" in one_line(path, limits=IntakeLimits(time_s=0.05))
    assert "GiB to read" in one_line(path, limits=IntakeLimits(memory_bytes=2**23))
    assert "at most 11 are read" in one_line(path, limits=IntakeLimits(facets=11))
    killed = tmp_path / "killed"
    killed.write_text("#!/bin/sh\nkill -9 $$\n")
    killed.chmod(0o755)
    monkeypatch.setattr("sys.executable", str(killed))
    assert "stopped the process that reads it (signal 9)" in one_line(path)


def test_a_part_of_absurd_size_is_refused(tmp_path):
    path = tmp_path / "far.obj"
    path.write_text("v 0 0 0\nv 1e30 0 0\nv 0 1 0\nf 1 2 3\n")
    assert "mm long when read in microns" in one_line(path)


# Real meshes -------------------------------------------------------------------------------

REAL = {
    # name: unit, sound, bodies, size in mm; the units are those that the folder's table gives.
    "featuretype.STL": ("in", True, 1, (127.0, 63.5, 34.925)),
    "featuretype.3MF": ("in", True, 1, (127.0, 63.5, 34.925)),
    "idler_riser.STL": ("in", True, 1, (67.46, 75.0, 15.87)),
    "angle_block.STL": ("in", True, 1, None),
    "multibody.stl": ("in", True, 2, None),
    "octagonal_pocket.stl": ("m", True, 1, None),
    "plate_holes.STL": ("mm", True, 1, (203.2, 304.8, 12.7)),
    "1002_tray_bottom.STL": ("mm", True, 1, (355.6, 3.175, 355.6)),
    "counterX.3MF": ("mm", True, 1, (304.8, 304.41, 12.7)),
    "fixed_top.ply": ("mm", True, 1, (120.0, 10.0, 120.0)),
    "just_leg_test.stl": ("mm", True, 1, (23.0, 8.0, 39.2)),
    "soup.stl": ("in", False, 100, None),
    "busted.STL": ("in", True, 1, None),
    "wallhole.obj": ("mm", True, 1, (10.0, 15.0, 10.0)),
    "tube.obj": ("in", True, 1, None),
}


@pytest.mark.parametrize("name", REAL)
def test_real_meshes(shared_parts, name):
    unit, sound, bodies, size_mm = REAL[name]
    path = shared_parts / name
    raw = read_mesh(path.read_bytes(), path.suffix, CAPS, NUMBERS)
    settled = settle_units(raw, "", NUMBERS)
    assert settled.unit == unit
    mesh = mend(raw, MM_PER_UNIT[unit], NUMBERS)
    health = examine(raw, mesh)
    assert (health.sound, health.bodies) == (sound, bodies)
    if size_mm:
        assert np.ptp(mesh.vertices, axis=0) == pytest.approx(size_mm, abs=0.02)
    if sound:
        reference = trimesh.load(path, force="mesh")
        assert trimesh.Trimesh(mesh.vertices, mesh.faces, process=False).is_watertight
        if name != "multibody.stl":
            factor = 1.0 if name.endswith("3MF") and reference.units == "mm" else MM_PER_UNIT[unit]
            assert volume(mesh) == pytest.approx(reference.volume * factor**3, rel=2e-3)


def test_the_empty_real_file_is_refused(shared_parts):
    assert "no facets" in one_line(shared_parts / "empty.stl")
