"""3MF packages: the core, and what a hostile one may try."""

import io
import subprocess
import sys
import zipfile

import lib3mf
import numpy as np
import pytest

from mesh import shapes
from pliant.errors import MeshError
from pliant.mesh.mesh_read import read_mesh
from pliant.mesh.repair import mesh_volume_mm3

RELS = (
    '<?xml version="1.0" encoding="UTF-8"?><Relationships '
    'xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Id="r" '
    'Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel" Target="/3D/3dmodel.model"/></Relationships>'
)
CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
V, F = shapes.box(10, 20, 30)


def mesh_xml(v=V, f=F):
    out = ["<mesh><vertices>"] + [f'<vertex x="{x:.9g}" y="{y:.9g}" z="{z:.9g}"/>' for x, y, z in v]
    out += ["</vertices><triangles>"] + [f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in f]
    return "".join([*out, "</triangles></mesh>"])


def model(resources=None, build='<item objectid="1"/>', head="", unit="millimeter", attributes=""):
    resources = resources or f'<object id="1">{mesh_xml()}</object>'
    return (
        f'<?xml version="1.0" encoding="UTF-8"?>{head}<model unit="{unit}" xmlns="{CORE}" {attributes}>'
        f"<resources>{resources}</resources><build>{build}</build></model>"
    )


def package(tmp_path, text=None, entries=(), rels=RELS, method=zipfile.ZIP_DEFLATED):
    path = tmp_path / "a.3mf"
    with zipfile.ZipFile(path, "w", method) as z:
        z.writestr("_rels/.rels", rels)
        z.writestr("3D/3dmodel.model", model() if text is None else text)
        for name, data in entries:
            z.writestr(name, data)
    return path


def read(path):
    mesh = read_mesh(path)
    return mesh, mesh_volume_mm3(mesh.vertices, mesh.faces)


def test_limit_plain_package(tmp_path):
    mesh, volume = read(package(tmp_path))
    assert volume == pytest.approx(6000)
    assert mesh.unit == "millimeter"
    assert mesh.open_edges == 0


def test_limit_a_percent_coded_path_is_found(tmp_path):
    path = package(tmp_path, rels=RELS.replace("3D/3dmodel.model", "3D/my%20part%C3%A9.model"),
                   entries=[("3D/my parté.model", model())])  # fmt: skip
    assert read(path)[1] == pytest.approx(6000)


@pytest.mark.parametrize(
    ("unit", "scale"), [("micron", 1e-3), ("centimeter", 10), ("inch", 25.4), ("foot", 304.8), ("meter", 1000)]
)
def test_published_units(tmp_path, unit, scale):
    # 3MF core specification 1.4, section 3.4: the six units
    _, volume = read(package(tmp_path, model(unit=unit)))
    assert volume == pytest.approx(6000 * scale**3)


def test_limit_transforms_and_components(tmp_path):
    # row vectors: first the component's, then the item's transform
    resources = f'<object id="1">{mesh_xml()}</object><object id="2"><components>'
    resources += '<component objectid="1" transform="1 0 0 0 1 0 0 0 1 5 0 0"/></components></object>'
    build = '<item objectid="2" transform="0 2 0 -2 0 0 0 0 2 1 2 3"/>'
    mesh, volume = read(package(tmp_path, model(resources, build)))
    assert volume == pytest.approx(6000 * 8)
    # (x, y, z) -> (x + 5, y, z) -> (-2 y + 1, 2 (x + 5) + 2, 2 z + 3)
    assert mesh.vertices.min(axis=0) == pytest.approx([-39, 12, 3])
    assert mesh.vertices.max(axis=0) == pytest.approx([1, 32, 63])


def test_limit_a_mirror_keeps_the_volume_positive_and_needs_no_repair(tmp_path):
    mesh, volume = read(package(tmp_path, model(build='<item objectid="1" transform="-1 0 0 0 1 0 0 0 1 0 0 0"/>')))
    assert volume == pytest.approx(6000)
    assert not any("inside out" in r for r in mesh.repairs)


def test_limit_object_types(tmp_path):
    resources = f'<object id="1">{mesh_xml()}</object><object id="2" type="support">{mesh_xml()}</object>'
    resources += f'<object id="3" type="surface">{mesh_xml(V, F[:3])}</object>'
    build = '<item objectid="1"/><item objectid="2"/><item objectid="3"/>'
    mesh, volume = read(package(tmp_path, model(resources, build)))
    assert volume == pytest.approx(6000)
    assert any("type support left out" in n for n in mesh.notes)
    assert any("type surface left out" in n for n in mesh.notes)
    with pytest.raises(MeshError, match="no body of type model"):
        read(package(tmp_path, model(resources, '<item objectid="2"/>')))


def test_limit_only_the_build_is_read(tmp_path):
    resources = f'<object id="1">{mesh_xml()}</object><object id="7">{mesh_xml(V + 100)}</object>'
    mesh, volume = read(package(tmp_path, model(resources)))
    assert volume == pytest.approx(6000)
    assert mesh.vertices.max() == 30


def test_limit_unknown_namespaces_are_skipped_and_required_ones_refused(tmp_path):
    foreign = 'xmlns:q="http://example.org/q"'
    inner = f'<object id="1">{mesh_xml()}</object><q:object id="1"><q:vertex x="nan"/></q:object>'
    assert read(package(tmp_path, model(inner, attributes=foreign)))[1] == pytest.approx(6000)
    with pytest.raises(MeshError, match=r"needs the extension 'http://example.org/q'"):
        read(package(tmp_path, model(inner, attributes=f'{foreign} requiredextensions="q"')))


@pytest.mark.parametrize("name", ["box", "sphere", "torus"])
def test_roundtrip_agrees_with_lib3mf(tmp_path, name):
    v, f = {"box": shapes.box(), "sphere": shapes.sphere(), "torus": shapes.torus()}[name]
    wrapper = lib3mf.get_wrapper()
    written = wrapper.CreateModel()
    body = written.AddMeshObject()
    body.SetGeometry(
        [lib3mf.Position((lib3mf.ctypes.c_float * 3)(*map(float, p))) for p in v],
        [lib3mf.Triangle((lib3mf.ctypes.c_uint32 * 3)(*map(int, t))) for t in f],
    )
    mirror = lib3mf.Transform(((lib3mf.ctypes.c_float * 3) * 4)((-1, 0, 0), (0, 1, 0), (0, 0, 2), (3, 4, 5)))
    inner = written.AddComponentsObject()
    inner.AddComponent(body, mirror)
    written.AddBuildItem(inner, wrapper.GetIdentityTransform())
    path = tmp_path / "a.3mf"
    written.QueryWriter("3mf").WriteToFile(str(path))
    mesh, volume = read(path)
    flat = wrapper.CreateModel()
    flat.QueryReader("3mf").ReadFromFile(str(path))
    box = flat.GetOutbox()
    assert mesh.vertices.min(axis=0) == pytest.approx(list(box.MinCoordinate), abs=1e-4)
    assert mesh.vertices.max(axis=0) == pytest.approx(list(box.MaxCoordinate), abs=1e-4)
    assert mesh.faces.shape[0] == len(f)
    assert volume == pytest.approx(2 * mesh_volume_mm3(v, f), rel=1e-5)


SELF = f'<object id="1">{mesh_xml()}</object><object id="2"><components><component objectid="2"/></components></object>'
LAUGH = f'<object id="1">{mesh_xml()}</object>' + "".join(
    f'<object id="{k}"><components>' + f'<component objectid="{k - 1}"/>' * 10 + "</components></object>"
    for k in range(2, 12)
)
DEEP = f'<object id="1">{mesh_xml()}</object>' + "".join(
    f'<object id="{k}"><components><component objectid="{k - 1}"/></components></object>' for k in range(2, 60)
)
DTD = '<!DOCTYPE m [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;&a;">]>'


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (model(head=DTD), "a DTD is not allowed"),
        (model().replace("UTF-8", "ISO-8859-1"), "UTF-8 only"),
        (model().encode("utf-16"), "UTF-8 only"),
        (model()[:-40], "not sound XML"),
        ("", "not sound XML"),
        ("<model/>", "no <model> of the 3MF core"),
        (model(SELF, '<item objectid="2"/>'), "object 2 contains itself"),
        (model(LAUGH, '<item objectid="11"/>'), "components multiply to"),
        (model(DEEP, '<item objectid="59"/>'), "nested deeper than"),
        (model(build='<item objectid="9"/>'), "objectid '9' is not defined"),
        (model(build=""), "the build is empty"),
        (model(unit="furlong"), "unit must be one of micron, millimeter"),
        (model(mesh_xml() and f'<object id="1">{mesh_xml().replace("10", "NaN")}</object>'), "must be a finite number"),
        (model(f'<object id="1">{mesh_xml(V, [[0, 1, 99]])}</object>'), "asks for vertex 99 but has 8"),
        (model(f'<object id="1">{mesh_xml().replace("v1=", "v9=", 1)}</object>'), "v1 must be a whole number"),
        (model(f'<object id="x">{mesh_xml()}</object>'), "needs a whole number as id"),
        (model(f'<object id="1">{mesh_xml()}</object>' * 2), "two objects have the id 1"),
        (model(f'<object id="1" type="ghost">{mesh_xml()}</object>'), "object type must be one of"),
        (model(build='<item objectid="1" transform="1 0 0"/>'), "a transform needs 12 numbers, got 3"),
        (model(build='<item objectid="1" transform="0 0 0 0 1 0 0 0 1 0 0 0"/>'), "squashes the part flat"),
        (model("<a>" * 60 + "</a>" * 60), "nested deeper than 32"),
        (model("".join(f"<a{k}/>" for k in range(9000))), "different names"),
        (model(f'<object id="1" name="{"x" * 3_000_000}">{mesh_xml()}</object>'), "one piece of XML is longer"),
    ],
)
def test_limit_hostile_models_get_one_clear_line(tmp_path, text, words):
    with pytest.raises(MeshError) as caught:
        read(package(tmp_path, text))
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_limit_hostile_packages_get_one_clear_line(tmp_path):
    for name in ("../evil", "/etc/passwd", "a/../../b", "C:/x", "..\\x"):
        with pytest.raises(MeshError, match="outside the package"):
            read(package(tmp_path, entries=[(name, "x")]))
    with pytest.warns(UserWarning, match="Duplicate"), pytest.raises(MeshError, match="two entries are named"):
        read(package(tmp_path, entries=[("3D/3dmodel.model", model())]))
    with pytest.raises(MeshError, match="two entries are named"):
        read(package(tmp_path, entries=[("3d/3DMODEL.model", model())]))
    with pytest.raises(MeshError, match="lies outside the package"):
        read(package(tmp_path, rels=RELS.replace(' Target="/3D', ' TargetMode="External" Target="/3D')))
    with pytest.raises(MeshError, match="names 0 start parts"):
        read(package(tmp_path, rels=RELS.replace("2013/01/3dmodel", "2013/01/other")))
    with pytest.raises(MeshError, match="is not in the package"):
        read(package(tmp_path, rels=RELS.replace("3dmodel.model", "gone.model")))
    with pytest.raises(MeshError, match="packed in a way"):
        read(package(tmp_path, method=zipfile.ZIP_BZIP2))
    with pytest.raises(MeshError, match="more than 4096"):
        read(package(tmp_path, entries=[(f"f{k}", "") for k in range(5000)]))
    whole = package(tmp_path).read_bytes()
    for cut in (10, len(whole) // 2, len(whole) - 5):
        (tmp_path / "a.3mf").write_bytes(whole[:cut])
        with pytest.raises(MeshError, match="not a 3MF package"):
            read(tmp_path / "a.3mf")
    spoiled = bytearray(whole)
    at = whole.find(b"3D/3dmodel.model") + 40
    spoiled[at : at + 4] = b"\xff\xff\xff\xff"
    (tmp_path / "a.3mf").write_bytes(spoiled)
    with pytest.raises(MeshError):
        read(tmp_path / "a.3mf")


def test_limit_stored_package_is_read(tmp_path):
    assert read(package(tmp_path, method=zipfile.ZIP_STORED))[1] == pytest.approx(6000)


def _bomb(tmp_path, kind):
    path = tmp_path / f"{kind}.3mf"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as z:
        z.writestr("_rels/.rels", RELS)
        with z.open("3D/3dmodel.model", "w", force_zip64=True) as out:
            head, tail = model(f'<object id="1">{mesh_xml()}</object>').split("</vertices>")
            out.write(head.encode())
            row = {
                "vertices": b'<vertex x="0" y="0" z="0"/>',
                "spaces": b" " * 27,
                "comment": b"<!-- aaaaaaaaaaaaaa -->",
            }
            for _ in range(60):
                out.write(row[kind] * 40_000)
            out.write(("</vertices>" + tail).encode())
    return path


_MEASURE = """
import sys
from pliant.mesh.mesh_read import read_mesh
from pliant.errors import MeshError
try:
    read_mesh(sys.argv[1])
    print("read", end=" ")
except MeshError as error:
    print("refused", end=" ")
# not ru_maxrss: that one starts from the parent's
print(next(line.split()[1] for line in open("/proc/self/status") if line.startswith("VmHWM")))
"""


@pytest.mark.parametrize("kind", ["vertices", "spaces", "comment"])
@pytest.mark.parametrize("lie", [False, True])
def test_limit_a_bomb_costs_under_60_mb(tmp_path, kind, lie):
    path = _bomb(tmp_path, kind)
    if lie:  # the directory says that the entry is small
        data = bytearray(path.read_bytes())
        with zipfile.ZipFile(io.BytesIO(bytes(data))) as z:
            size = z.getinfo("3D/3dmodel.model").file_size
        packed = int(size).to_bytes(4, "little")
        at = data.rfind(packed)
        data[at : at + 4] = (2_000_000).to_bytes(4, "little")
        path.write_bytes(bytes(data))
    run = subprocess.run([sys.executable, "-c", _MEASURE, str(path)], capture_output=True, text=True, check=True)
    word, kilobytes = run.stdout.split()
    assert word == "refused"
    assert int(kilobytes) < 60_000


def test_limit_the_measure_of_memory_can_fail():
    code = _MEASURE.replace("import sys\n", "import sys\nx = bytearray(80_000_000)\n")
    run = subprocess.run([sys.executable, "-c", code, "nothing.stl"], capture_output=True, text=True, check=True)
    assert int(run.stdout.split()[1]) > 60_000


def test_limit_numbers_are_plain(tmp_path):
    assert np.isfinite(read(package(tmp_path))[0].vertices).all()
