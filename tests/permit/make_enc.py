"""Write the small ENC of the tests: pure fiction, a cell with two updates.

Run with Debian's python3-gdal: ``/usr/bin/python3 make_enc.py``. GDAL's S-57
writer lacks two things, added here on the records themselves (ISO/IEC 8211
structure, from memory): attributes of positions (QUAPOS, POSACC) and Latin-1
text. Updates are written as cells of their own and their records marked.
"""

import struct
from pathlib import Path

from osgeo import gdal, ogr

HERE = Path(__file__).resolve().parent / "data"
CELL = "XX5FICTN"
NODE, CONNECTED, EDGE = 110, 120, 130
FIELD_END = b"\x1e"
UNIT_END = b"\x1f"

POINTS = [  # number, longitude, latitude, QUAPOS, POSACC
    (1, 3.050, 56.020, 4, None),
    (2, 3.090, 56.035, None, None),
    (3, 3.130, 56.012, None, 12.5),
    (4, 3.160, 56.052, None, None),
    (5, 3.200, 56.030, None, None),
    (6, 3.210, 56.060, None, None),
    (7, 3.075, 56.070, None, None),
    (8, 3.110, 56.075, 8, None),
]
AREAS = [  # number, west, south, east, north, QUAPOS
    (1, 3.020, 56.040, 3.040, 56.050, None),
    (2, 3.060, 56.050, 3.080, 56.060, None),
    (3, 3.100, 56.055, 3.120, 56.065, None),
    (4, 3.140, 56.020, 3.150, 56.030, 5),
    (5, 3.170, 56.010, 3.190, 56.020, None),
    (6, 3.220, 56.010, 3.240, 56.020, None),
    (7, 3.220, 56.030, 3.240, 56.040, None),
    (8, 3.250, 56.010, 3.270, 56.030, None),
    (9, 3.250, 56.040, 3.270, 56.050, None),
    (10, 3.010, 56.010, 3.030, 56.020, None),
    (11, 3.010, 56.060, 3.030, 56.070, None),
    (12, 3.180, 56.065, 3.190, 56.072, None),
    (13, 3.000, 56.000, 3.300, 56.080, None),
    (14, 3.120, 56.005, 3.140, 56.018, None),
]
LINES = [  # number, coordinates
    (31, [(3.000, 56.030), (3.110, 56.045), (3.300, 56.050)]),
    (32, [(3.150, 56.000), (3.155, 56.040), (3.165, 56.080)]),
]
CODES = dict(
    WRECKS=159, OBSTRN=86, UWTROC=153, CBLSUB=22, PIPSOL=94, CBLARE=20, PIPARE=92, RESARE=112, ACHARE=4,
    MIPARE=83, DMPGRD=48, OSPARE=88, MARCUL=82, OFSPLF=87, TSSLPT=148, FAIRWY=51, SBDARE=121, NEWOBJ=163,
    TESARE=135, DEPARE=42, M_QUAL=308,
)  # fmt: skip
FEATURES = [  # class, kind, place, id, attributes
    ("WRECKS", "point", 1, 1, dict(CATWRK=2, OBJNAM="Ølnebben Æsj", QUASOU=["7"], SORDAT="20250314")),
    ("WRECKS", "point", 2, 2, dict(CATWRK=1, OBJNAM="Old Ladle")),
    ("WRECKS", "point", 3, 3, dict()),
    ("OBSTRN", "point", 4, 4, dict(CATOBS=2, OBJNAM="Well K-1")),
    ("UWTROC", "point", 5, 5, dict(QUASOU=["2"])),
    ("OFSPLF", "point", 6, 6, dict(CATOFP=["2"], OBJNAM="Breadboard A")),
    ("OBSTRN", "point", 7, 7, dict(CATOBS=10)),
    ("OBSTRN", "point", 8, 7, dict(CATOBS=1, OBJNAM="same id as another")),
    ("RESARE", "area", 1, 11, dict(CATREA=["1"], RESTRN=["7"], OBJNAM="Safety zone Breadboard")),
    (
        "RESARE",
        "area",
        2,
        12,
        dict(CATREA=["4"], PERSTA="--0401", PEREND="--0831", OBJNAM="Doily bird reserve"),
    ),
    ("RESARE", "area", 3, 13, dict(CATREA=["31"], RESTRN=["14"])),
    ("ACHARE", "area", 4, 14, dict(OBJNAM="Napkin roads")),
    ("MIPARE", "area", 5, 15, dict(CATMPA=["4"], PERSTA="--1101", PEREND="--0228")),
    ("DMPGRD", "area", 6, 16, dict()),
    ("OSPARE", "area", 7, 17, dict(RESTRN=["8"])),
    ("MARCUL", "area", 8, 18, dict(CATMFA=3, PERSTA="--0515", PEREND="--0930")),
    ("TSSLPT", "area", 9, 19, dict(ORIENT=45.0)),
    ("FAIRWY", "area", 10, 20, dict()),
    ("SBDARE", "area", 11, 21, dict(NATSUR=["9", "18"])),
    ("NEWOBJ", "area", 12, 22, dict(CLSNAM="drifting tea towel")),
    ("TESARE", "area", 13, 23, dict(NATION="XX")),
    ("CBLARE", "area", 14, 24, dict(RESTRN=["1", "3"])),
    ("PIPARE", "area", 11, 25, dict()),
    ("DEPARE", "area", 13, 26, dict(DRVAL1=20.0, DRVAL2=90.0)),
    ("M_QUAL", "area", 14, 27, dict(CATZOC=4, POSACC=40.0)),
    ("CBLSUB", "line", 31, 31, dict(OBJNAM="Sieve cable", STATUS=["4"])),
    ("PIPSOL", "line", 32, 32, dict(OBJNAM="Saucer line", PRODCT=["2"])),
    ("FAIRWY", "none", 0, 40, dict(OBJNAM="fairway without a place")),
]


def write(path, features, points=(), areas=(), lines=(), update=0):
    """Write one S-57 file with GDAL."""
    options = {
        "EXPP": 2 if update else 1, "EDTN": 1, "UPDN": update, "AGEN": 65535, "CSCL": 50000, "AALL": 1,
        "INTU": 5, "UADT": "20260501", "ISDT": "20260501", "COMT": "fiction, for tests only",
        "NOMR": sum(name.startswith("M_") for name, *_ in features),
        "NOGR": sum(not name.startswith("M_") for name, *_ in features),
        "NOIN": len(points), "NOCN": len(areas) + 2 * len(lines), "NOED": len(areas) + len(lines),
    }  # fmt: skip
    data = ogr.GetDriverByName("S57").CreateDataSource(
        str(path), options=[f"S57_{key}={value}" for key, value in options.items()]
    )
    for number, lon, lat, *_ in points:
        add(data, "IsolatedNode", f"POINT({lon} {lat})", RCNM=NODE, RCID=number)
    for number, west, south, *_ in areas:
        add(data, "ConnectedNode", f"POINT({west} {south})", RCNM=CONNECTED, RCID=number)
    for number, places in lines:
        for node, (lon, lat) in ((number * 10, places[0]), (number * 10 + 1, places[-1])):
            add(data, "ConnectedNode", f"POINT({lon} {lat})", RCNM=CONNECTED, RCID=node)
    for number, west, south, east, north, _ in areas:
        ring = f"LINESTRING({east} {south},{east} {north},{west} {north})"
        add(data, "Edge", ring, RCNM=EDGE, RCID=number, **ends(number, number))
    for number, places in lines:
        inner = ",".join(f"{lon} {lat}" for lon, lat in places[1:-1])
        add(data, "Edge", f"LINESTRING({inner},{inner})" if len(places) == 3 else f"LINESTRING({inner})",
            RCNM=EDGE, RCID=number, **ends(number * 10, number * 10 + 1))  # fmt: skip
    for row, (name, kind, place, number, attributes) in enumerate(features, start=100 * update + 1):
        fixed = dict(RCID=row, GRUP=2, OBJL=CODES[name], RVER=1, AGEN=65535, FIDN=number, FIDS=1)
        fixed["PRIM"] = {"point": 1, "line": 2, "area": 3, "none": 255}[kind]
        if kind != "none":
            record = {"point": NODE, "line": EDGE, "area": EDGE}[kind]
            usage = 1 if kind == "area" else 255
            fixed |= dict(NAME_RCNM=[record], NAME_RCID=[place], USAG=[usage], MASK=[2])
            fixed["ORNT"] = [255 if kind == "point" else 1]
        add(data, name, None, **fixed, **attributes)


def ends(first, last):
    """Pointers of an edge to the nodes it begins and ends at."""
    fields = {}
    for i, (node, topology) in enumerate(((first, 1), (last, 2))):
        fields |= {f"NAME_RCNM_{i}": CONNECTED, f"NAME_RCID_{i}": node, f"ORNT_{i}": 255}
        fields |= {f"USAG_{i}": 255, f"TOPI_{i}": topology, f"MASK_{i}": 255}
    return fields


def add(data, layer, geometry, **fields):
    target = data.GetLayerByName(layer)
    feature = ogr.Feature(target.GetLayerDefn())
    for key, value in fields.items():
        feature[key] = value
    for key in ("RVER", "RUIN"):
        if layer in ("IsolatedNode", "ConnectedNode", "Edge"):
            feature[key] = 1
    if geometry is not None:
        feature.SetGeometry(ogr.CreateGeometryFromWkt(geometry))
    target.CreateFeature(feature)


def records(content):
    """(leader, fields) of every record; a field is (tag, data without its terminator)."""
    at = 0
    while at < len(content):
        length, base = int(content[at : at + 5]), int(content[at + 12 : at + 17])
        leader = content[at : at + 24]
        sizes = [int(chr(leader[i])) for i in (20, 21, 23)]
        entry, fields, place = sum(sizes), [], at + 24
        while content[place : place + 1] != FIELD_END:
            tag = content[place : place + sizes[2]].decode()
            size = int(content[place + sizes[2] : place + sizes[2] + sizes[0]])
            start = at + base + int(content[place + sizes[2] + sizes[0] : place + entry])
            fields.append((tag, content[start : start + size - 1]))
            place += entry
        yield leader, fields
        at += length


def assemble(leader, fields):
    """A record from its fields; lengths and positions are computed anew."""
    sizes = (5, 5)
    directory, area = b"", b""
    for tag, data in fields:
        data += FIELD_END
        directory += tag.encode() + b"%0*d" % (sizes[0], len(data)) + b"%0*d" % (sizes[1], len(area))
        area += data
    base = 24 + len(directory) + 1
    head = b"%05d" % (base + len(area)) + leader[5:12] + b"%05d" % base + leader[17:20] + b"5504"
    return head + directory + FIELD_END + area


def attribute(code, value):
    return struct.pack("<H", code) + str(value).encode() + UNIT_END


def latin(data):
    """Attribute values of a feature from UTF-8, as GDAL writes them, to Latin-1 (lexical level 1)."""
    result, at = b"", 0
    while at < len(data):
        end = data.index(UNIT_END, at + 2)
        result += data[at : at + 2] + data[at + 2 : end].decode("utf-8").encode("latin-1") + UNIT_END
        at = end + 1
    return result


def finish(path, qualities=None, delete=()):
    """Add position attributes, turn text into Latin-1, mark records to delete."""
    qualities = qualities or {}
    result = b""
    for number, (leader, fields) in enumerate(records(path.read_bytes())):
        if number:
            fields = [(tag, latin(data) if tag == "ATTF" else data) for tag, data in fields]
            head = dict(fields)
            if "VRID" in head:
                kind, record = struct.unpack("<BI", head["VRID"][:5])
                added = qualities.get((kind, record))
                if added:
                    place = [tag for tag, _ in fields].index("VRID") + 1
                    fields.insert(place, ("ATTV", b"".join(attribute(code, v) for code, v in added)))
            if "FRID" in head and struct.unpack("<I", head["FRID"][1:5])[0] in delete:
                fields = [
                    (tag, data[:-1] + b"\x02" if tag == "FRID" else data)
                    for tag, data in fields
                    if tag in ("0001", "FRID", "FOID")
                ]
        result += assemble(leader, fields)
    path.write_bytes(result)


def main():
    gdal.UseExceptions()
    HERE.mkdir(exist_ok=True)
    qualities = {}
    for number, _, _, quapos, posacc in POINTS:
        given = [(402, quapos)] * (quapos is not None) + [(401, posacc)] * (posacc is not None)
        if given:
            qualities[NODE, number] = given
    for number, *_, quapos in AREAS:
        if quapos is not None:
            qualities[EDGE, number] = [(402, quapos)]
    base = HERE / f"{CELL}.000"
    write(base, FEATURES, POINTS, AREAS, LINES)
    finish(base, qualities)
    first = HERE / "first.000"
    write(
        first,
        [("OBSTRN", "point", 51, 51, dict(CATOBS=6, OBJNAM="Foul ground of the update"))],
        [(51, 3.145, 56.060, None, None)],
        update=1,
    )
    finish(first)
    first.rename(HERE / f"{CELL}.001")
    second = HERE / "second.000"
    write(second, [("WRECKS", "point", 2, 2, dict(CATWRK=1))], update=2)
    # Record 2 of the base cell (the wreck Old Ladle) is deleted: same record name, instruction 2.
    finish_delete(second, record=2)
    second.rename(HERE / f"{CELL}.002")


def finish_delete(path, record):
    """Turn the one feature of an update into the deletion of a record of the base cell."""
    result = b""
    for number, (leader, fields) in enumerate(records(path.read_bytes())):
        if number and "FRID" in dict(fields):
            changed = []
            for tag, data in fields:
                if tag == "FRID":
                    data = data[:1] + struct.pack("<I", record) + data[5:9] + struct.pack("<HB", 2, 2)
                if tag in ("0001", "FRID", "FOID"):
                    changed.append((tag, data))
            fields = changed
        result += assemble(leader, fields)
    path.write_bytes(result)


if __name__ == "__main__":
    main()
