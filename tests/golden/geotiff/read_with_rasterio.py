"""What a reference library reads from small.tif. Writes rasterio.json beside it.

Run with: python read_with_rasterio.py   (rasterio 1.4.4, GDAL 3.10.3, numpy 2.x)
small.tif is written by the ignored test `write_the_golden_raster` in tests/geotiff.rs.
"""

import json
import os

import numpy as np
import rasterio

here = os.path.dirname(os.path.abspath(__file__))
with rasterio.open(os.path.join(here, "small.tif")) as raster:
    values = raster.read(1)
    samples = [[0, 0], [0, 298], [255, 255], [256, 256], [269, 298], [100, 7]]
    result = {
        "rasterio": rasterio.__version__,
        "gdal": rasterio.__gdal_version__,
        "width": raster.width,
        "height": raster.height,
        "bands": raster.count,
        "dtype": raster.dtypes[0],
        "epsg": raster.crs.to_epsg(),
        "transform": list(raster.transform)[:6],
        "nodata_is_nan": bool(np.isnan(raster.nodata)),
        "tiled": bool(raster.profile["tiled"]),
        "compress": raster.profile["compress"],
        "description": raster.descriptions[0],
        "unit": raster.units[0],
        "nan_cells": int(np.isnan(values).sum()),
        "samples": [[r, c, float(values[r, c])] for r, c in samples],
    }
with open(os.path.join(here, "rasterio.json"), "w") as out:
    json.dump(result, out, indent=1)
    out.write("\n")
