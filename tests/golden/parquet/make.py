"""Writes the GeoParquet files here and what they hold (expected.geojson).

python make.py, with geopandas 1.2.0, pyarrow 26.0.1, shapely 2.2.0, pyproj 3.7.2.
"""
import datetime as dt
import json
import pathlib

import geopandas as gpd
import pyarrow as pa
import pyarrow.parquet as pq
from shapely.geometry import LineString, Point

here = pathlib.Path(__file__).parent
rows = [
    {"sign": "scat", "count": 3, "accuracy_m": 4.5, "fresh": True, "date": dt.date(2026, 5, 31),
     "seen_at": dt.datetime(2026, 5, 31, 6, 30), "geometry": Point(147.5, -35.25)},
    {"sign": "print", "count": 1, "accuracy_m": None, "fresh": False, "date": dt.date(1969, 12, 31),
     "seen_at": dt.datetime(1969, 12, 31, 23, 59, 59), "geometry": Point(148.125, -35.5)},
    {"sign": "track ends", "count": 2, "accuracy_m": 0.0, "fresh": None, "date": None,
     "seen_at": None, "geometry": None},
]
points = gpd.GeoDataFrame(rows, crs="OGC:CRS84")
points["count"] = points["count"].astype("int32")
points.to_parquet(here / "points.parquet", write_covering_bbox=True)
points.to_crs(7855).to_parquet(here / "mga-zstd.parquet", compression="zstd")
points.to_crs(7855).to_parquet(here / "mga-brotli.parquet", compression="brotli")
nanoseconds = points.assign(seen_at=points["seen_at"].dt.tz_localize("UTC").astype("datetime64[ns, UTC]"))
nanoseconds.to_parquet(here / "utc-nanoseconds.parquet")
points.set_crs(None, allow_override=True).to_parquet(here / "nobody-knows.parquet")
points.to_parquet(here / "native-points.parquet", geometry_encoding="geoarrow", schema_version="1.1.0")
lines = gpd.GeoDataFrame(
    {"name": ["Creek Track"], "geometry": [LineString([(147.5, -35.25), (147.6, -35.25)])]}, crs=4326
)
lines.to_parquet(here / "lines.parquet", compression="gzip")
pq.write_table(pa.table({"a": [1, 2]}), here / "no-shapes.parquet")
text = points.to_json(drop_id=True, default=lambda value: value.isoformat())
(here / "expected.geojson").write_text(json.dumps(json.loads(text), indent=1) + "\n")
