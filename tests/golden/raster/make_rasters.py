"""Small rasters in many encodings, and what a reference library reads from them.

Run with: python make_rasters.py   (rasterio 1.4.4, GDAL 3.10.3, numpy 2.x)
Writes the .tif files and expected.json beside it. `nearest` is rasterio's own sampling,
`bilinear` is GDAL's warper onto one cell a thousandth as large, centred on the place.
"""

import json
import os

import numpy as np
import rasterio
from affine import Affine
from rasterio.warp import Resampling, reproject, transform

here = os.path.dirname(os.path.abspath(__file__))
ROWS, COLUMNS = 29, 37
row, column = np.mgrid[0:ROWS, 0:COLUMNS]
HEIGHTS = 300 + 40 * np.sin(column / 5.0) + 25 * np.cos(row / 4.0) + 0.37 * row
DEGREES = Affine(0.0004, 0, 149.10, 0, -0.00035, -35.20)
METRES = Affine(30, 0, 690000, 0, -30, 6104000)
TILED = dict(tiled=True, blockxsize=16, blockysize=16)

CASES = {
    "f32_strips_plain": dict(dtype="float32"),
    "f32_tiles_deflate_p3": dict(dtype="float32", compress="deflate", predictor=3, **TILED),
    "f32_tiles_deflate_p2": dict(dtype="float32", compress="deflate", predictor=2, **TILED),
    "f64_strips_lzw_p3": dict(dtype="float64", compress="lzw", predictor=3),
    "f32_strips_lzw": dict(dtype="float32", compress="lzw"),
    "f32_big_endian": dict(dtype="float32", ENDIANNESS="BIG"),
    "f32_bigtiff_zstd": dict(dtype="float32", BIGTIFF="YES", compress="zstd"),
    "i16_tiles_lzw_p2": dict(dtype="int16", nodata=-32768, compress="lzw", predictor=2, **TILED),
    "i16_big_endian_p2": dict(dtype="int16", nodata=-32768, compress="deflate", predictor=2, ENDIANNESS="BIG"),
    "i32_packbits": dict(dtype="int32", nodata=-999, compress="packbits"),
    "u8_classes": dict(dtype="uint8", nodata=255, compress="deflate"),
    "u8_palette": dict(dtype="uint8", nodata=255, palette=True),
    "u16_strips": dict(dtype="uint16", nodata=0),
    "f32_nodata_lowest": dict(dtype="float32", nodata=-3.4028234663852886e38),
    "f32_sparse": dict(dtype="float32", nodata=-9999, sparse=True, SPARSE_OK="TRUE", **TILED),
    "i16_scaled": dict(dtype="int16", nodata=-32768, scale=0.1, offset=100.0),
    "f32_point": dict(dtype="float32", point=True),
    "f32_south_up": dict(dtype="float32", south_up=True),
    "f32_metres": dict(dtype="float32", crs="EPSG:32755", compress="deflate", **TILED),
    "f32_gda2020": dict(dtype="float32", crs="EPSG:7855"),
    "refused_two_bands": dict(dtype="float32", count=2),
    "refused_rotated": dict(dtype="float32", rotated=True),
    "refused_no_crs": dict(dtype="float32", crs=None),
    "refused_other_datum": dict(dtype="float32", crs="EPSG:4202"),
    "refused_feet": dict(dtype="float32", crs="EPSG:2263"),
    "refused_jpeg": dict(dtype="uint8", compress="jpeg", **TILED),
}


def write(name, dtype, nodata=None, crs="EPSG:4326", count=1, palette=False, scale=None, offset=None,
          point=False, south_up=False, rotated=False, sparse=False, **profile):
    path = os.path.join(here, name + ".tif")
    metres = crs not in ("EPSG:4326", "EPSG:4202", None)
    place = METRES if metres else DEGREES
    values = HEIGHTS.copy()
    if dtype == "uint8":
        values = (HEIGHTS // 40) % 11
    if dtype == "int32":
        values = HEIGHTS * 1000
    if dtype == "int16" and scale:
        values = (HEIGHTS - offset) / scale
    values = values.astype(dtype)
    if nodata is not None:
        values[3:6, 7:9] = nodata
        values[20, 20] = nodata
    elif dtype.startswith("float"):
        values[3:6, 7:9] = np.nan
    if sparse:
        values[:16, :16] = nodata
    if rotated:
        place = place * Affine.rotation(10)
    if south_up:
        place = Affine(place.a, 0, place.c, 0, -place.e, place.f + ROWS * place.e)
        values = values[::-1]
    with rasterio.Env(GTIFF_POINT_GEO_IGNORE="FALSE"):
        with rasterio.open(path, "w", driver="GTiff", width=COLUMNS, height=ROWS, count=count, dtype=dtype,
                           nodata=nodata, crs=crs, transform=place, **profile) as out:
            if point:
                out.update_tags(AREA_OR_POINT="Point")
            if palette:
                out.write_colormap(1, {i: (20 * i, 255 - 20 * i, 9, 255) for i in range(12)})
            if scale:
                out.scales, out.offsets = (scale,), (offset,)
            for band in range(1, count + 1):
                if sparse:
                    for _, window in out.block_windows(1):
                        block = values[window.toslices()]
                        if not (block == nodata).all():
                            out.write(block, band, window=window)
                else:
                    out.write(values, band)
    return path


def bilinear(raster, x, y):
    step = abs(raster.transform.a) / 1000
    out = np.full((1, 1), np.nan, dtype="float64")
    band = raster.read(1).astype("float64")
    scale, offset = raster.scales[0], raster.offsets[0]
    missing = np.isnan(band) if raster.nodata is None else band == raster.nodata
    band = np.where(missing, np.nan, band * scale + offset)
    reproject(band, out, src_transform=raster.transform, src_crs=raster.crs, dst_crs=raster.crs,
              dst_transform=Affine(step, 0, x - step / 2, 0, -step, y + step / 2),
              src_nodata=np.nan, dst_nodata=np.nan, resampling=Resampling.bilinear)
    return None if np.isnan(out[0, 0]) else float(out[0, 0])


def expected(path):
    with rasterio.open(path) as raster:
        scale, offset = raster.scales[0], raster.offsets[0]
        places = []
        for r, c in [(0.2, 0.3), (4.5, 7.9), (4.4, 6.7), (2.3, 9.4), (10.25, 20.75), (20.1, 20.4),
                     (19.7, 21.2), (28.9, 36.8), (15.999, 16.001), (16.001, 15.999), (8.5, 8.5), (14.5, 30.5)]:
            x, y = raster.transform @ (c, r) if not raster.transform.e > 0 else raster.transform @ (c, ROWS - r)
            lon, lat = transform(raster.crs, "EPSG:4326", [x], [y])
            value = float(next(raster.sample([(x, y)]))[0])
            missing = np.isnan(value) or value == raster.nodata
            places.append({
                "lon": lon[0],
                "lat": lat[0],
                "nearest": None if missing else value * scale + offset,
                "bilinear": None if missing else bilinear(raster, x, y),
            })
        bounds = raster.bounds
        return {
            "epsg": raster.crs.to_epsg(),
            "bounds": [bounds.left, bounds.bottom, bounds.right, bounds.top],
            "places": places,
        }


result = {"rasterio": rasterio.__version__, "gdal": rasterio.__gdal_version__, "rasters": {}}
for name, options in CASES.items():
    path = write(name, **options)
    if not name.startswith("refused"):
        result["rasters"][name] = expected(path)
with open(os.path.join(here, "expected.json"), "w") as out:
    json.dump(result, out, indent=1)
    out.write("\n")
