"""What GEOS says of the hot areas of tests/surface_hot_areas.rs.

    STAKELINE_WRITE_HOT_AREAS=areas.tsv cargo test --test surface_hot_areas   # may fail; writes
    python check.py areas.tsv > checked.json
"""
import json
import sys

import shapely

areas = {}
for line in open(sys.argv[1]):
    name, text = line.rstrip("\n").split("\t")
    shape = shapely.from_wkt(text)
    areas[name] = {
        "valid": bool(shape.is_valid),
        "reason": shapely.is_valid_reason(shape),
        "right_hand_rule": all(
            p.exterior.is_ccw and not any(hole.is_ccw for hole in p.interiors) for p in shape.geoms
        ),
        "polygons": len(shape.geoms),
        "holes": sum(len(p.interiors) for p in shape.geoms),
        "area_m2": shape.area,
    }
json.dump({"shapely": shapely.__version__, "geos": shapely.geos_version_string, "areas": areas}, sys.stdout, indent=1)
print()
