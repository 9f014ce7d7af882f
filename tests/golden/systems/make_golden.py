"""Makes systems.csv: a place in each coordinate system of the EPSG registry, by PROJ.

`python3 make_golden.py`, with pyproj 3.7 or later and without grid files (PROJ_NETWORK=OFF). The
place is the middle of the system's area of use; where PROJ knows several ways to WGS84, the one
that it takes there by itself. Rows: code, x, y (east or longitude first), longitude and latitude on
WGS84 in degrees, the accuracy of the way in metres as the registry states it (-1: not stated).
"""

import os
import warnings

os.environ["PROJ_NETWORK"] = "OFF"

import pyproj
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_crs_info
from pyproj.enums import PJType
from pyproj.transformer import TransformerGroup

warnings.filterwarnings("ignore")
KINDS = [PJType.PROJECTED_CRS, PJType.GEOGRAPHIC_2D_CRS]
HERE = os.path.dirname(os.path.abspath(__file__))


def middle(area):
    west, east = area.west, area.east
    if east < west:
        east += 360
    lon = (west + east) / 2
    return (lon + 180) % 360 - 180, (area.south + area.north) / 2


rows = []
for info in query_crs_info(auth_name="EPSG", pj_types=KINDS, allow_deprecated=True):
    code = int(info.code)
    if code > 65535 or info.area_of_use is None:
        continue
    lon, lat = middle(info.area_of_use)
    try:
        system = pyproj.CRS.from_epsg(code)
        near = AreaOfInterest(lon - 0.01, max(lat - 0.01, -90), lon + 0.01, min(lat + 0.01, 90))
        group = TransformerGroup(system, "EPSG:4326", always_xy=True, area_of_interest=near)
        way = group.transformers[0]
        x, y = way.transform(lon, lat, direction="INVERSE", errcheck=True)
        back = way.transform(x, y, errcheck=True)
    except Exception:
        continue
    if abs(back[0] - lon) > 1e-6 or abs(back[1] - lat) > 1e-6:
        continue
    accuracy = way.accuracy if way.accuracy is not None else -1
    rows.append(f"{code},{x!r},{y!r},{lon!r},{lat!r},{accuracy:g}")

with open(os.path.join(HERE, "systems.csv"), "w") as out:
    rows.sort(key=lambda row: int(row.split(",")[0]))
    out.write("\n".join(rows) + "\n")
print(len(rows), pyproj.__version__, pyproj.proj_version_str)
