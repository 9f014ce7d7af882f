"""Validates a raster as a cloud-optimised GeoTIFF and checks its smaller versions.

    COG_OUT=large.tif cargo test --test geotiff -- --ignored write_the_raster_to_validate
    python validate_cog.py large.tif > cog.json

Needs rio-cogeo, rasterio and numpy.
"""
import hashlib, json, sys, warnings
import numpy as np, rasterio, rio_cogeo
from rio_cogeo.cogeo import cog_validate

path = sys.argv[1]
valid, errors, notes = cog_validate(path, strict=True, quiet=True)
with rasterio.open(path) as full:
    values, overviews, shape = full.read(1), full.overviews(1), full.shape
with rasterio.open(path, overview_level=0) as half:
    smaller = half.read(1)
with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    blocks = values[: shape[0] // 2 * 2, : shape[1] // 2 * 2].reshape(shape[0] // 2, 2, shape[1] // 2, 2)
    mean = np.nanmean(blocks.astype(float), axis=(1, 3)).astype("float32")
difference = np.nanmax(np.abs(mean - smaller[: mean.shape[0], : mean.shape[1]]))
assert (np.isnan(mean) == np.isnan(smaller[: mean.shape[0], : mean.shape[1]])).all()
print(json.dumps({
    "rio_cogeo": rio_cogeo.__version__, "rasterio": rasterio.__version__, "gdal": rasterio.__gdal_version__,
    "sha256": hashlib.sha256(open(path, "rb").read()).hexdigest(),
    "valid": valid, "errors": errors, "warnings": notes, "overviews": overviews,
    "overview_differs_from_mean_by": float(difference),
}, indent=1))
