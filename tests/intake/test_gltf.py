"""glTF 2.0: both forms, placement, kinds of primitives, and everything that would be lost silently.

References
----------
Khronos glTF 2.0 Specification, version 2.0.1 (2021), clauses beside the checks.  Volumes: closed
forms.  trimesh writes some of the files and reads all of them as an independent reader.
"""

import base64
import io
import json
import struct

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

CAPS = Caps(facets=100_000, unpacked_bytes=10**7)
NUMBERS = {limit.quantity: limit.value for limit in load_limits().every() if limit.quantity.startswith("intake.")}
# Sides of the box in metres, and its volume.
SIDES = (0.02, 0.03, 0.04)
BOX_MM3 = 24_000.0
KINDS = {"int8": 5120, "uint8": 5121, "int16": 5122, "uint16": 5123, "uint32": 5125, "float32": 5126}


class Drawing:
    """A file in the making: arrays go to one buffer, everything else is the tree."""

    def __init__(self):
        self.binary = b""
        self.tree = {"asset": {"version": "2.0"}, "accessors": [], "bufferViews": [], "meshes": [], "nodes": []}

    def array(self, values, **more):
        values = np.ascontiguousarray(values)
        shape = "SCALAR" if values.ndim == 1 else f"VEC{values.shape[1]}"
        view = {"buffer": 0, "byteOffset": len(self.binary), "byteLength": values.nbytes}
        self.binary += values.tobytes() + bytes(-values.nbytes % 4)
        self.tree["bufferViews"].append(view)
        accessor = {"bufferView": len(self.tree["bufferViews"]) - 1, "componentType": KINDS[values.dtype.name]}
        self.tree["accessors"].append({**accessor, "count": len(values), "type": shape, **more})
        return len(self.tree["accessors"]) - 1

    def mesh(self, points, order=None, mode=None, **more):
        primitive = {"attributes": {"POSITION": self.array(np.asarray(points, np.float32))}, **more}
        if order is not None:
            primitive["indices"] = self.array(np.asarray(order, np.uint16).ravel())
        if mode is not None:
            primitive["mode"] = mode
        self.tree["meshes"].append({"primitives": [primitive]})
        return len(self.tree["meshes"]) - 1

    def node(self, **node):
        self.tree["nodes"].append(node)
        return len(self.tree["nodes"]) - 1

    def scene(self, *roots):
        self.tree.setdefault("scenes", []).append({"nodes": list(roots)})
        return self

    def described(self, buffer):
        tree = {key: value for key, value in self.tree.items() if value != []}
        return json.dumps({"buffers": [buffer], **tree}).encode()

    def glb(self):
        text = self.described({"byteLength": len(self.binary)})
        text += b" " * (-len(text) % 4)
        chunks = struct.pack("<II", len(text), 0x4E4F534A) + text
        chunks += struct.pack("<II", len(self.binary), 0x004E4942) + self.binary
        return struct.pack("<4sII", b"glTF", 2, 12 + len(chunks)) + chunks

    def gltf(self):
        data = base64.b64encode(self.binary).decode()
        return self.described({"byteLength": len(self.binary), "uri": f"data:application/octet-stream;base64,{data}"})


def box(sides=SIDES):
    return trimesh.creation.box(sides)


def one_box(**node):
    drawing, mesh = Drawing(), box()
    number = drawing.mesh(mesh.vertices, mesh.faces)
    return drawing.scene(drawing.node(mesh=number, **node))


def read(data, suffix=".glb", caps=CAPS):
    return read_mesh(data, suffix, caps, NUMBERS)


def mended(data, suffix=".glb"):
    raw = read(data, suffix)
    mesh = mend(raw, 1000.0, NUMBERS)
    return mesh, examine(raw, mesh)


def volume(mesh):
    return trimesh.Trimesh(mesh.vertices, mesh.faces, process=False).volume


def refusal(data, suffix=".glb", caps=CAPS):
    with pytest.raises(MeshError) as caught:
        read(data, suffix, caps)
    assert "\n" not in str(caught.value)
    return str(caught.value)


# What is read ------------------------------------------------------------------------------


@pytest.mark.parametrize("form", ["glb", "gltf"])
def test_lengths_are_metres_and_y_is_up(form):
    # 3.4: +Y is up, +Z faces the viewer; the units for all linear distances are metres.
    drawing = one_box(translation=[0.01, 0.015, 0.02])
    raw = read(getattr(drawing, form)(), f".{form}")
    assert raw.vertices.min(axis=0) == pytest.approx([0, -0.04, 0], abs=1e-8)
    assert raw.vertices.max(axis=0) == pytest.approx([0.02, 0, 0.03], abs=1e-8)
    settled = settle_units(raw, "", NUMBERS)
    assert (settled.unit, settled.origin, settled.in_file) == ("m", Origin.CONFIRMED, "m")
    assert "metres" in settled.note and settle_units(raw, "mm", NUMBERS).unit == "mm"
    mesh, health = mended(getattr(drawing, form)(), f".{form}")
    assert volume(mesh) == pytest.approx(BOX_MM3, rel=1e-5)
    assert np.ptp(mesh.vertices, axis=0) == pytest.approx((20, 40, 30), rel=1e-5)
    assert health.sound and health.unread == () and health.mended == () and health.coordinate_step_mm > 0
    assert health.notes == ("turned so that z is up, because y is up in the format",)


def test_the_whole_way_to_a_part(tmp_path):
    path = tmp_path / "block.glb"
    path.write_bytes(one_box().glb())
    part = read_part(path, id="block")
    assert part.size_mm == pytest.approx((20, 40, 30), rel=1e-5) and part.volume_mm3 == pytest.approx(BOX_MM3, rel=1e-5)
    assert (part.units, part.units_origin, part.health.format) == ("m", Origin.CONFIRMED, "GLB")
    # Many programs write millimetres all the same; the submission's word wins.
    drawing, mesh = Drawing(), box((20, 30, 40))
    path.write_bytes(drawing.scene(drawing.node(mesh=drawing.mesh(mesh.vertices, mesh.faces))).glb())
    assert read_part(path, id="block", units="mm").volume_mm3 == pytest.approx(BOX_MM3)
    assert max(read_part(path, id="block").size_mm) == pytest.approx(40_000)


@pytest.mark.parametrize("form", ["glb", "gltf"])
def test_it_agrees_with_another_reader_on_a_scene_of_turned_instances(form):
    # 3.5.3: T R S, first the scale; children move with what holds them.
    drawing, mesh = Drawing(), trimesh.creation.icosphere(1, 0.01).apply_translation([0.02, 0.03, 0.05])
    number = drawing.mesh(mesh.vertices, mesh.faces)
    half = np.sqrt(0.5)
    inner = drawing.node(mesh=number, scale=[1, 2, 3], rotation=[0, 0, half, half], translation=[0.1, 0, 0])
    turned = np.array([[0, -1, 0, 0.03], [1, 0, 0, 0.05], [0, 0, 1, -0.2], [0, 0, 0, 1]], dtype=float)
    outer = drawing.node(children=[inner], matrix=turned.T.ravel().tolist())
    alone = drawing.node(mesh=number, translation=[0, 0, 0.3])
    data = getattr(drawing.scene(outer, alone), form)()
    if form == "glb":
        reference = trimesh.load(io.BytesIO(data), file_type="glb", force="mesh")
    else:
        reference = trimesh.load(io.BytesIO(data), file_type="gltf", force="mesh")
    mesh, health = mended(data, f".{form}")
    low, high = reference.bounds * 1000
    assert mesh.vertices.min(axis=0) == pytest.approx([low[0], -high[2], low[1]], abs=1e-3)
    assert mesh.vertices.max(axis=0) == pytest.approx([high[0], -low[2], high[1]], abs=1e-3)
    assert volume(mesh) == pytest.approx(reference.volume * 1e9, rel=1e-5)
    assert (health.bodies, health.sound, health.inverted_bodies) == (2, True, 0)


def test_a_mirroring_transform_keeps_the_outside():
    # 3.7.4: a negative determinant of the global transform turns the winding.
    for scale in ([-1, 1, 1], [-1, -1, -1], [1, -2, 1]):
        mesh, health = mended(one_box(scale=scale).glb())
        assert volume(mesh) == pytest.approx(BOX_MM3 * abs(np.prod(scale)), rel=1e-5)
        assert (health.flipped_facets, health.inverted_bodies, health.route) == (0, 0, "as sent")
    _, health = mended(one_box(scale=[-1, -1, 1]).glb())
    assert health.inverted_bodies == 0


def test_strips_fans_and_triangles_without_indices():
    # 3.7.2.1: p_i = {v_i, v_i+(1+i%2), v_i+(2-i%2)} for strips, {v_i+1, v_i+2, v_0} for fans.
    mesh = box()
    a, b, c, d, e, f, g, h = ([x, y, z] for x in (0, 0.02) for y in (0, 0.03) for z in (0, 0.04))
    drawing = Drawing()
    # The walls, the top and the bottom as strips, joined to one by corners named twice.
    walls = [b, a, f, e, h, g, d, c, b, a]
    top, bottom = [b, f, d, h], [a, c, e, g]
    strip = [*walls, a, b, *top, h, a, *bottom]
    joined, health = mended(drawing.scene(drawing.node(mesh=drawing.mesh(strip, mode=5))).glb())
    assert volume(joined) == pytest.approx(BOX_MM3, rel=1e-5) and len(joined.faces) == 12
    assert (health.mended, health.flipped_facets, health.sound) == ((), 0, True)
    # A fan for each side, from the corners of its quad.
    drawing = Drawing()
    quads = [[a, b, d, c], [e, g, h, f], [a, e, f, b], [c, d, h, g], [a, c, g, e], [b, f, h, d]]
    roots = [drawing.node(mesh=drawing.mesh(quad, mode=6)) for quad in quads]
    fans, health = mended(drawing.scene(*roots).glb())
    assert volume(fans) == pytest.approx(BOX_MM3, rel=1e-5) and health.mended == () and health.sound
    drawing = Drawing()
    loose = drawing.mesh(mesh.vertices[mesh.faces].reshape(-1, 3))
    assert volume(mended(drawing.scene(drawing.node(mesh=loose)).glb())[0]) == pytest.approx(BOX_MM3, rel=1e-5)


def test_interleaved_and_whole_number_coordinates():
    # 3.6.2.1: byteStride; KHR_mesh_quantization: whole numbers, here normalized ones of 16 bits.
    mesh = box((2, 2, 2))
    drawing = Drawing()
    rows = np.zeros((8, 6), np.float32)
    rows[:, 3:] = mesh.vertices
    drawing.array(rows)
    drawing.tree["bufferViews"][0]["byteStride"] = 24
    drawing.tree["accessors"][0] |= {"type": "VEC3", "byteOffset": 12}
    index = drawing.array(mesh.faces.astype(np.uint8).ravel())
    drawing.tree["meshes"] = [{"primitives": [{"attributes": {"POSITION": 0}, "indices": index}]}]
    data = drawing.scene(drawing.node(mesh=0, scale=[0.01, 0.01, 0.01])).glb()
    assert volume(mended(data)[0]) == pytest.approx(8000, rel=1e-5)
    drawing = Drawing()
    drawing.tree |= {"extensionsUsed": ["KHR_mesh_quantization"], "extensionsRequired": ["KHR_mesh_quantization"]}
    points = drawing.array((mesh.vertices * 32767).astype(np.int16), normalized=True)
    index = drawing.array(mesh.faces.astype(np.uint32).ravel())
    drawing.tree["meshes"] = [{"primitives": [{"attributes": {"POSITION": points}, "indices": index}]}]
    quantized, health = mended(drawing.scene(drawing.node(mesh=0, scale=[0.01, 0.01, 0.01])).glb())
    assert volume(quantized) == pytest.approx(8000, rel=1e-9)
    assert health.unread == () and health.coordinate_step_mm == 0


def test_only_the_shown_scene_is_read_and_the_rest_is_told():
    drawing, mesh = Drawing(), box()
    number = drawing.mesh(mesh.vertices, mesh.faces)
    other = drawing.mesh(mesh.vertices * 3, mesh.faces)
    first, second = drawing.node(mesh=number), drawing.node(mesh=other)
    drawing.scene(first).scene(second)
    drawing.tree["scene"] = 1
    mesh, health = mended(drawing.glb())
    assert volume(mesh) == pytest.approx(27 * BOX_MM3, rel=1e-5)
    assert health.unread == ("other scenes (1)", "meshes outside the scene (1)")
    del drawing.tree["scene"], drawing.tree["scenes"]
    assert mended(drawing.glb())[1].bodies == 2


def test_what_is_not_applied_is_told():
    drawing = one_box(skin=0)
    points = np.zeros((4, 3), np.float32)
    for mode in (0, 1, 3):
        drawing.scene()
        drawing.tree["scenes"][0]["nodes"].append(drawing.node(mesh=drawing.mesh(points, mode=mode)))
    drawing.tree["scenes"] = drawing.tree["scenes"][:1]
    drawing.tree["scenes"][0]["nodes"].append(drawing.node(mesh=0, scale=[0, 0, 0]))
    drawing.tree["meshes"][0]["primitives"][0]["targets"] = [{"POSITION": 0}]
    drawing.tree |= {
        "extensionsUsed": ["EXT_mesh_gpu_instancing", "KHR_materials_unlit", "KHR_draco_mesh_compression"],
        "materials": [{}],
        "animations": [{}],
    }
    mesh, health = mended(drawing.glb())
    assert volume(mesh) == pytest.approx(BOX_MM3, rel=1e-5)
    assert health.unread == (
        "skeletons that bend a mesh, read unbent (1)",
        "meshes with other shapes to blend in, read without (1)",
        "loose points (1)",
        "loose lines (2)",
        "objects scaled to nothing (1)",
        "extension EXT_mesh_gpu_instancing",
    )
    assert health.ignored == ("colours and surface looks", "animations")


# What is refused ---------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["KHR_draco_mesh_compression", "EXT_meshopt_compression", "ACME_new_shape"])
def test_a_required_extension_that_is_not_read_is_refused_by_name(name):
    # 3.12: an asset must not be loaded without the extensions that it requires.
    drawing = one_box()
    drawing.tree |= {"extensionsUsed": [name], "extensionsRequired": ["KHR_texture_transform", name]}
    assert f"requires {name}, which is not read" in refusal(drawing.glb())
    drawing.tree["extensionsRequired"] = ["KHR_texture_transform", "KHR_materials_unlit"]
    assert len(read(drawing.glb()).faces) == 12


def test_data_outside_the_file_are_refused(tmp_path):
    drawing = one_box()
    (tmp_path / "part.bin").write_bytes(drawing.binary)
    for uri in ("../part.bin", "/etc/passwd", "file:///etc/passwd", "https://example.test/a.bin", "a%2fb", "part.bin"):
        data = drawing.described({"byteLength": len(drawing.binary), "uri": uri})
        assert f"keeps its points in another file, {uri!r}; export it as one GLB file" in refusal(data, ".gltf")
    path = tmp_path / "part.gltf"
    path.write_bytes(data)
    with pytest.raises(MeshError, match=r"^part\.gltf keeps its points in another file, 'part\.bin'"):
        read_part(path, id="a")


def changed(where, **fields):
    """A box whose first entry of a list is altered; absent fields are given as None."""
    drawing = one_box()
    drawing.tree[where][0] = {
        key: value for key, value in (drawing.tree[where][0] | fields).items() if value is not None
    }
    return drawing.glb()


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (changed("accessors", sparse={"count": 1}), "sparse accessor"),
        (changed("accessors", bufferView=None), "stands nowhere in it"),
        (changed("accessors", count=10**12), "states 1,000,000,000,000 entries, more than it holds"),
        (changed("accessors", count=0), "states 0 entries"),
        (changed("accessors", count=-3), "'-3' stands where a count belongs"),
        (changed("accessors", count=2.5), "'2.5' stands where a count belongs"),
        (changed("accessors", count=True), "'True' stands where a count belongs"),
        (changed("accessors", byteOffset=10**9), "more than it holds"),
        (changed("accessors", type="VEC2"), "not of the kind"),
        (changed("accessors", componentType=5130), "not of the kind"),
        (changed("accessors", bufferView=99), "refers to number 99 of its 2 bufferViews"),
        (changed("bufferViews", byteStride=0), "more than it holds"),
        (changed("bufferViews", byteLength=11), "more than it holds"),
        (changed("bufferViews", byteOffset=10**12), "more than it holds"),
        (changed("nodes", mesh=7), "refers to number 7 of its 1 meshes"),
        (changed("nodes", children=[0]), "node 0 stands in two places"),
        (changed("nodes", children=[5]), "refers to number 5 of its 1 nodes"),
        (changed("nodes", translation=[1e999, 0, 0]), "not finite"),
        (changed("nodes", matrix=[1, 2]), "cannot be read as GLB"),
        (changed("scenes", nodes=[]), "no facets"),
        (changed("meshes", primitives=[]), "no facets"),
        (changed("meshes", primitives=[{"attributes": {"POSITION": 1}}]), "not of the kind"),
        (changed("meshes", primitives=[{"attributes": {"POSITION": 0}, "mode": 9}]), "'9' is no kind of primitive"),
        (changed("meshes", primitives=[{"attributes": {"POSITION": 0}, "indices": 0}]), "not of the kind"),
        (changed("meshes", primitives=None), "cannot be read as GLB"),
    ],
)
def test_damaged_descriptions_are_refused(data, words):
    assert words in refusal(data)


def test_facets_that_name_points_of_another_mesh_are_refused():
    drawing, mesh = Drawing(), box()
    number = drawing.mesh(mesh.vertices, np.where(mesh.faces == 7, 8, mesh.faces))
    other = drawing.mesh(mesh.vertices, mesh.faces)
    data = drawing.scene(drawing.node(mesh=number), drawing.node(mesh=other)).glb()
    assert "beyond the 8 of theirs" in refusal(data)


def test_damaged_containers_are_refused():
    data = one_box().glb()
    assert "too few for a GLB" in refusal(data[:15])
    for cut in (20, 200, len(data) - 1):
        assert f"states {len(data):,} bytes and holds {cut:,}" in refusal(data[:cut])
    assert "version 1" in refusal(data[:4] + struct.pack("<I", 1) + data[8:])
    longer = data[:12] + struct.pack("<I", len(data)) + data[16:]
    assert "reaches beyond the end" in refusal(longer)
    assert "does not begin with its description" in refusal(data[:16] + b"NOPE" + data[20:])
    assert "cannot be read as GLB" in refusal(data.replace(b'{"buffers"', b'["buffers"'))
    # What stands behind its end is told (4.4.1: the length covers the whole file).
    assert read(data + b"tail").bytes_left_over == 4
    drawing = one_box()
    drawing.tree["asset"]["version"] = "1.0"
    assert "glTF of version 1.0" in refusal(drawing.glb())
    deep = b'{"asset": ' + b"[" * 200_000
    assert "cannot be read as GLTF" in refusal(deep, ".gltf")


def test_damaged_data_inside_are_refused():
    data = one_box().gltf()
    assert "cannot be read as GLTF" in refusal(data.replace(b"base64,", b"base64,*"), ".gltf")
    assert "keeps its points in another file" in refusal(data.replace(b";base64", b";base65"), ".gltf")
    drawing = one_box()
    half = base64.b64encode(drawing.binary[:40]).decode()
    short = drawing.described({"byteLength": 168, "uri": f"data:;base64,{half}"})
    assert "168 bytes of data are stated, 40 held" in refusal(short, ".gltf")
    assert "unpacks to" in refusal(data, ".gltf", Caps(facets=100, unpacked_bytes=100))


def test_instances_count_against_the_cap():
    drawing, mesh = Drawing(), box()
    number = drawing.mesh(mesh.vertices, mesh.faces)
    drawing.scene(*(drawing.node(mesh=number) for _ in range(50)))
    assert "holds 108 facets; at most 100" in refusal(drawing.glb(), caps=Caps(100, 10**6))
