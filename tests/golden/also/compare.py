"""Compares layers.gpkg and layers.kml with the GeoJSON layers they were made of, as GDAL reads
them, feature by feature, and lets SQLite check the GeoPackage.

    mkdir FOLDER
    ALSO_OUT=FOLDER cargo test --test also_formats -- --ignored write_the_files_to_compare
    python compare.py FOLDER/out > compared.json

Needs pyogrio and shapely.
"""
import hashlib, json, sqlite3, sys
from pathlib import Path
import pyogrio, shapely

out = Path(sys.argv[1])
differences, counts = [], {}


def layer(path, name=None):
    meta, fids, geometry, columns = pyogrio.raw.read(path, layer=name)
    return meta, shapely.from_wkb(geometry), dict(zip(meta["fields"], columns))


def compare(form, name, source, target, texts, numbers):
    meta, shapes, fields = source
    other_meta, other_shapes, other_fields = target
    counts[form] = counts.get(form, 0) + len(other_shapes)
    if len(shapes) != len(other_shapes):
        differences.append(f"{form} {name}: {len(other_shapes)} features, not {len(shapes)}")
        return
    for i, (a, b) in enumerate(zip(shapes, other_shapes)):
        b = shapely.force_2d(b)
        if a.geom_type != b.geom_type or not shapely.equals_exact(a, b, 1e-12):
            differences.append(f"{form} {name} {i}: {b} is not {a}")
    for key in texts:
        theirs = other_fields.get(key, other_fields.get("Name" if key == "name" else key))
        for i, (a, b) in enumerate(zip(fields[key], theirs)):
            if str(a).strip() != str(b).strip():
                differences.append(f"{form} {name} {i} {key}: {b!r} is not {a!r}")
    for key in numbers:
        for i, (a, b) in enumerate(zip(fields[key], other_fields[key])):
            same = (a != a and (b != b or b is None or b == "")) or (b not in (None, "") and float(a) == float(b))
            if not same:
                differences.append(f"{form} {name} {i} {key}: {b!r} is not {a!r}")
    if str(other_meta["crs"]) != "EPSG:4326":
        differences.append(f"{form} {name}: the system is {other_meta['crs']}")


for name, texts, numbers in [("marks", ["name", "note"], ["rank", "count"]), ("shapes", ["kind"], [])]:
    source = layer(out / f"{name}.geojson")
    for form in ["gpkg", "kml"]:
        compare(form, name, source, layer(out / f"layers.{form}", name), texts, numbers)

database = sqlite3.connect(out / "layers.gpkg")
integrity = database.execute("PRAGMA integrity_check").fetchone()[0]
foreign = database.execute("PRAGMA foreign_key_check").fetchall()
rows = database.execute("SELECT count(*), max(length(note)) FROM marks").fetchone()
found = database.execute("SELECT fid FROM marks WHERE fid = 31234").fetchone()
by_index = database.execute("SELECT identifier FROM gpkg_contents WHERE table_name = 'shapes'").fetchone()
print(json.dumps({
    "gdal": pyogrio.__gdal_version_string__, "pyogrio": pyogrio.__version__, "shapely": shapely.__version__,
    "sqlite": sqlite3.sqlite_version,
    "sha256": {n: hashlib.sha256((out / n).read_bytes()).hexdigest() for n in ["layers.gpkg", "layers.kml"]},
    "features_compared": counts, "differences": differences[:20], "integrity_check": integrity,
    "foreign_key_check": foreign, "rows": rows, "found_by_row": found, "found_by_index": by_index,
}, indent=1))
